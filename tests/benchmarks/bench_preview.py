# SPDX-License-Identifier: GPL-3.0-or-later
"""What the preview costs Blender's main thread while the animation plays.

The 12,000-face crowd plays at 24 frames a second. Counted is everything that holds up the
window: evaluating the frame, reading it, asking for its picture, and drawing it where Blender
has graphics without a window; less what the evaluation takes with the preview off. Making
pictures is the worker's work and shows only as far as it slows the main thread down. Processor
time is the main thread's own; elapsed time also holds what it waited for, which on a machine
without a graphics card is the drawing itself.
"""

from __future__ import annotations

import statistics
import time
from collections.abc import Callable, Iterator
from typing import Any

import bpy
import numpy as np
from beamwright import addon
from beamwright.addon.preview import overlay, scene_view, settings
from rows import row, skipped
from scenes import build

TOPIC = "Preview while playing, main thread"
TARGET_MS = 10.0
FRAME_S = 1.0 / 24.0
TICK_S = 0.01
SIZE = 640, 360


def rows(quick: bool) -> Iterator[dict[str, Any]]:
    """Play the crowd bare, then with the preview, for the first time and from the cache."""
    addon.register()
    try:
        scene = build("c")
        frames = range(scene.frame_start, scene.frame_start + (12 if quick else 60))
        draw = drawing(scene)
        play(scene, frames, lambda: None)
        bare = play(scene, frames, lambda: None)
        yield row(TOPIC, "crowd: evaluating a frame, preview off", median_ms(bare, WALL))
        for beam in (False, True):
            settings.current().simulate = beam
            settings.current().enabled = True
            kind = "simulated beam" if beam else "lines"
            for case in ("made while playing", "from the cache"):
                busy = play(scene, frames, draw)
                for clock, words in ((CPU, "processor"), (WALL, "elapsed")):
                    added = median_ms(busy, clock) - median_ms(bare, clock)
                    yield row(TOPIC, f"crowd: added, {kind} {case}, {words}", added,
                              target=TARGET_MS)  # fmt: skip
            engine = overlay.engine()
            assert engine is not None
            yield row(TOPIC, f"crowd: pictures of {len(frames)} frames kept, {kind}",
                      float(len(engine.cache)), unit="")  # fmt: skip
            settings.current().enabled = False
        if draw is ask:
            yield skipped(TOPIC, "crowd: drawing", "no graphics without a window here")
    finally:
        settings.current().enabled = False
        addon.unregister()


WALL, CPU = 0, 1


def now() -> np.ndarray:
    """Return elapsed time, and processor time of this thread, in seconds."""
    return np.array([time.perf_counter(), time.thread_time()])


def median_ms(busy: list[np.ndarray], clock: int) -> float:
    """Return the median of one of the two clocks, in milliseconds."""
    return 1e3 * statistics.median(float(spent[clock]) for spent in busy)


def play(scene: Any, frames: range, draw: Callable[[], None]) -> list[np.ndarray]:
    """Return how long the main thread was busy with each frame, by both clocks."""
    busy = []
    for frame in frames:
        due = time.perf_counter() + FRAME_S
        start = now()
        scene.frame_set(frame)
        draw()
        spent = now() - start
        # Blender's timers, until the next frame is due.
        while time.perf_counter() < due:
            start = now()
            if bpy.app.timers.is_registered(overlay._tick) and overlay._tick() is None:
                bpy.app.timers.unregister(overlay._tick)
            spent += now() - start
            time.sleep(TICK_S / 2)
        busy.append(spent)
    return busy


def ask() -> None:
    """Ask for the picture, as a view does."""
    engine = overlay.engine()
    if engine is not None:
        engine.picture_of(bpy.context.scene)


def drawing(scene: Any) -> Callable[[], None]:
    """Return what draws the preview into memory, or only asks for it."""
    import gpu

    if not hasattr(gpu, "init"):
        return ask
    try:
        gpu.init()
    except Exception:
        return ask
    width, height = SIZE
    target = gpu.types.GPUOffScreen(width, height)
    camera = scene.camera

    def draw() -> None:
        engine = overlay.engine()
        if engine is None:
            return
        picture, fresh = engine.picture_of(scene)
        if picture is None:
            return
        view = scene_view.View(
            width, height, 1.0, (0, 0, width, height), scene.frame_current, False
        )
        depsgraph = bpy.context.evaluated_depsgraph_get()
        projection = camera.calc_matrix_camera(depsgraph, x=width, y=height)
        matrix = projection @ camera.matrix_world.normalized().inverted()
        planes = scene_view.scene_planes(scene, matrix, view, 0.0)
        with target.bind():
            scene_view.draw_view(
                view, settings.current(), picture, picture.projectors, planes, (1.0, 1.0), fresh
            )

    return draw
