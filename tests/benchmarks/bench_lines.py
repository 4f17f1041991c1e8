# SPDX-License-Identifier: GPL-3.0-or-later
"""From the evaluated scene to chained strokes, beside Blender's Line Art.

What the clocks cover:

- Line Art: the wall time of `frame_set` with its modifier, less that without. It uses all
  processors by itself, and loads, cuts and chains within that time.
- ours, in a batch: the wall time of setting, reading and drawing the same frames with as many
  worker threads as there are processors (`core.ahead`, as a render does it), less the wall time
  of setting them alone. Everything counts, from the evaluated scene to simplified strokes:
  reading meshes and settings, features, intersections, hidden lines, coincident lines,
  chaining, simplification; and the threads' own cost.
- ours, one by one: the same for a single frame, with nothing done at the same time.

All ways are run in turn on the same frames, so that they share whatever else the machine
does. Line Art without intersection lines is compared with ours without them. In these scenes
only the camera moves, and what does not move is kept from frame to frame; the topic "all
bodies turning" tells what is left where everything moves.
"""

from __future__ import annotations

import json
import os
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

from beamwright import addon
from beamwright.addon.session import open_source
from beamwright.core import kernels
from beamwright.core.ahead import Stage, through
from beamwright.core.pipeline import default_threads, gather, seen_strokes, visible_strokes
from line_art import add_line_art, line_art_segments, stroke_segments, uncovered_length
from rows import medians_alternated, row, skipped
from scenes import SCENES, SceneUnavailableError, build, turn_all

NATIVE = kernels.is_native()
DEFAULT = "Lines in a batch of frames, beside Line Art"
WITHOUT = "Lines without intersections in a batch of frames, beside Line Art without"
SINGLE = "Lines of frames one by one, beside Line Art"
TURNING = "Lines in a batch of frames, all bodies turning, beside Line Art"
STAGES = "Stages of the lines"
AGREEMENT = "Length apart from Line Art by more than 1/65536 of the field"
FALLBACK = "Lines with numpy alone, frames one by one, beside Line Art"
TARGETS = {DEFAULT: 20.0, WITHOUT: 10.0, FALLBACK: 3.0}
LARGEST_SHARE_PERCENT = 0.05
CROWD_TARGET = 10.0
ROUNDS_OF_A_BATCH = 3
"""How often a batch goes through the frames, so that starting and ending it weigh little."""


def rows(quick: bool) -> Iterator[dict[str, Any]]:
    """Measure all scenes; the fallback runs in a process of its own."""
    addon.register_headless()
    frames = range(1, 4) if quick else range(1, 9)
    rounds = 1 if quick else 3
    forced_numpy = not NATIVE
    for name in SCENES:
        if quick and name in {"b2", "d2"}:
            continue
        try:
            yield from measure(name, frames, rounds, fallback=forced_numpy, quick=quick)
        except SceneUnavailableError as reason:
            yield skipped(FALLBACK if forced_numpy else DEFAULT, name, str(reason))
    if NATIVE and not quick:
        for name in ("a", "b2", "c"):
            yield from measure(name, frames, rounds, fallback=False, quick=quick, turning=True)
    if NATIVE:
        yield from fallback_rows(quick)


def measure(
    name: str, frames: range, rounds: int, *, fallback: bool, quick: bool, turning: bool = False
) -> Iterator[dict[str, Any]]:
    """Measure one scene."""
    scene = build(name)
    if turning:
        turn_all(scene)
    source = open_source()
    all_lines = add_line_art(scene)
    no_crossings = add_line_art(scene, intersections=False)
    for drawing in (all_lines, no_crossings):
        drawing.hide_render = True  # we draw what renders, and these are not to be drawn
    modifiers = [all_lines.modifiers[0], no_crossings.modifiers[0]]

    def show(chosen: Any) -> None:
        for modifier in modifiers:
            modifier.show_viewport = modifier is chosen

    def line_art(chosen: Any) -> Any:
        def way(frame: int) -> None:
            show(chosen)
            # Neither the switch nor a frame that is there already shall count.
            scene.frame_set(frame + 1)
            start = clock()
            scene.frame_set(frame)
            times[chosen].append(clock() - start)

        return way

    def ours(intersections: bool) -> Any:
        def way(frame: int) -> None:
            show(None)
            scene.frame_set(frame)
            start = clock()
            visible_strokes(read(source, frame, intersections))
            times[intersections].append(clock() - start)

        return way

    times: dict[Any, list[float]] = {
        key: [] for key in (None, modifiers[0], modifiers[1], True, False)
    }
    ways = {
        "bare": line_art(None),
        "default": line_art(modifiers[0]),
        "ours": ours(True),
        "without": line_art(modifiers[1]),
        "ours without": ours(False),
    }
    batches: dict[bool, list[float]] = {True: [], False: []}
    for _ in range(rounds):
        medians_alternated(ways, list(frames), 1)
        show(None)
        for intersections, seconds in batches.items():
            seconds.append(batch_seconds(source, list(frames), intersections))
    bare, default, without = (median_ms(times[key]) for key in (None, *modifiers))
    with_crossings, plain = median_ms(times[True]), median_ms(times[False])
    if fallback:
        yield row(FALLBACK, name, with_crossings, default - bare)
        return
    batch, plain_batch = (1e3 * statistics.median(seconds) for seconds in batches.values())
    if turning:
        yield row(TURNING, name, batch, default - bare)
        return
    crowd = CROWD_TARGET if name == "c" else None
    yield row(DEFAULT, name, batch, default - bare, target=crowd)
    yield row(WITHOUT, name, plain_batch, without - bare)
    yield row(SINGLE, name, with_crossings, default - bare)
    yield row(SINGLE, f"{name}, without intersections", plain, without - bare)
    yield from stage_rows(name, source, frames)
    if name not in {"b3", "d3"} or not quick:
        yield from agreement_rows(name, scene, source, no_crossings, frames)


def read(source: Any, frame: int, intersections: bool) -> Any:
    """Read the evaluated scene."""
    extracted = source.current(frame)
    drawing = replace(extracted.drawing, intersections=intersections)
    return replace(extracted, drawing=drawing)


def batch_seconds(source: Any, frames: list[int], intersections: bool) -> float:
    """Return the time of one frame of a batch, less that of setting the frame alone."""
    scene = source.scene
    several = frames * ROUNDS_OF_A_BATCH

    def evaluated() -> Iterator[Any]:
        for frame in several:
            scene.frame_set(frame)
            yield read(source, frame, intersections)

    def gathered(extracted: Any) -> Any:
        gather(extracted)
        return extracted

    stages = [Stage(gathered, in_order=True), Stage(seen_strokes)]
    start = clock()
    for frame in several:
        scene.frame_set(frame)
    middle = clock()
    for _ in through(evaluated(), stages, default_threads()):
        pass
    end = clock()
    return ((end - middle) - (middle - start)) / len(several)


def stage_rows(name: str, source: Any, frames: range) -> Iterator[dict[str, Any]]:
    """Split our time: reading the scene, and all that follows."""
    scene = source.scene
    read, draw = [], []
    for frame in frames:
        scene.frame_set(frame)
        start = clock()
        extracted = source.current(frame)
        middle = clock()
        visible_strokes(extracted)
        read.append(middle - start)
        draw.append(clock() - middle)
    yield row(STAGES, f"{name}: reading the scene", median_ms(read))
    yield row(STAGES, f"{name}: lines", median_ms(draw))


def agreement_rows(
    name: str, scene: Any, source: Any, drawn: Any, frames: range
) -> Iterator[dict[str, Any]]:
    """Compare the two line sets of one frame, both ways, as shares of their length."""
    modifier = drawn.modifiers[0]
    modifier.show_viewport = True
    modifier.chaining_image_threshold = 0.0
    frame = frames[-1]
    scene.frame_set(frame)
    reference = line_art_segments(scene, drawn)
    extracted = source.current(frame)
    exact = replace(
        extracted.drawing, intersections=False, remove_coincident=False, tolerance_field=0.0
    )
    ours = stroke_segments(visible_strokes(replace(extracted, drawing=exact)))
    for case, one, other in (("missing", reference, ours), ("too many", ours, reference)):
        away, length = uncovered_length(one, other, 2.0 / 65536.0)
        share = 100.0 * away / length
        yield row(
            AGREEMENT, f"{name}: {case}", share, unit="% of length", target=LARGEST_SHARE_PERCENT
        )


def fallback_rows(quick: bool) -> Iterator[dict[str, Any]]:
    """Run this module again with the kernels switched off."""
    with tempfile.TemporaryDirectory() as folder:
        out = Path(folder) / "rows.json"
        command = [sys.executable, str(Path(__file__).parent), "--rows-of", "bench_lines"]
        subprocess.run(
            [*command, "--out", str(out), *["--quick"] * quick],
            env={**os.environ, "BEAMWRIGHT_KERNELS": "numpy"},
            check=True,
            capture_output=True,
        )
        yield from json.loads(out.read_text(encoding="utf-8"))["rows"]


def clock() -> float:
    """Return seconds."""
    return time.perf_counter()


def median_ms(seconds: list[float]) -> float:
    """Return the median in milliseconds, the first (warming up) left out."""
    return 1e3 * statistics.median(seconds[1:] if len(seconds) > 1 else seconds)
