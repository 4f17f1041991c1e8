# SPDX-License-Identifier: GPL-3.0-or-later
"""Whole frames and whole renders: times, growth, memory.

The reference of a render is what Blender itself needs to evaluate the same frames: its bare
`frame_set`, in the same run.
"""

from __future__ import annotations

import gc
import math
import random
import statistics
import tempfile
import time
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any

import bpy
from beamwright import addon
from beamwright.addon.session import open_source
from beamwright.core.pipeline import draw_frame, plan_frame, visible_strokes
from beamwright.core.points.sharing import strokes_of
from beamwright.core.sequence import RenderRequest, render_sequence
from rows import row
from scenes import add_orbit, build, shade

ROOT = Path(__file__).resolve().parents[2]
SAMPLES = ("lighthouse", "harbour")
FRAME = "Whole frame, scene to points"
RENDER = "Whole render, beside Blender's bare frame_set"
GROWTH = "Growth exponents"
MEMORY = "Memory over a long run"
# A render may cost half again what Blender needs to evaluate its frames.
RENDER_TARGET = 1.0 / 1.5
LONG_RUN, LONG_RUN_QUICK = 5000, 300
LARGEST_GROWTH_MB = 16.0


def rows(quick: bool) -> Iterator[dict[str, Any]]:
    """Measure the sample scenes, then growth and memory on built ones."""
    addon.register_headless()
    for name in SAMPLES:
        yield from sample_rows(name, quick)
    for name in ("b2", "c"):
        scene = build(name)
        yield from render_rows(name, scene, 8 if quick else 30)
    yield from render_rows("head with live modifiers", live_head(), 8 if quick else 30)
    yield from growth_rows(quick)
    yield from memory_rows(LONG_RUN_QUICK if quick else LONG_RUN)


def sample_rows(name: str, quick: bool) -> Iterator[dict[str, Any]]:
    """Measure one sample scene: a frame stage by stage, then its render."""
    bpy.ops.wm.open_mainfile(filepath=str(ROOT / "sample_scenes" / f"{name}.blend"))
    source = open_source()
    scene = source.scene
    memories: dict[str, Any] = {}
    read, lines, points = [], [], []
    for frame in range(1, 13 if quick else 61):
        scene.frame_set(frame)
        start = time.perf_counter()
        extracted = source.current(frame)
        extracted_at = time.perf_counter()
        strokes = visible_strokes(extracted)
        drawn_at = time.perf_counter()
        assignments = [surface.assignment for surface in extracted.surfaces]
        for projector in source.projectors:
            own = strokes_of(strokes, assignments, projector, source.projectors)
            memory = memories.get(projector.name)
            planned = plan_frame(frame, own, assignments, projector, memory)
            memories[projector.name] = planned.memory
        read.append(extracted_at - start)
        lines.append(drawn_at - extracted_at)
        points.append(time.perf_counter() - drawn_at)
    count = len(source.projectors)
    yield row(FRAME, f"{name}: reading the scene", milliseconds(read))
    yield row(FRAME, f"{name}: lines", milliseconds(lines))
    yield row(FRAME, f"{name}: points for {count} projector(s)", milliseconds(points))
    yield from render_rows(name, scene, 12 if quick else 60)


def live_head() -> Any:
    """Build a head whose subdivision and swaying are evaluated anew in each frame."""
    scene = build("b1")
    (body,) = (item for item in scene.objects if item.type == "MESH")
    subdivision = body.modifiers.new("Subdivision", "SUBSURF")
    subdivision.levels = subdivision.render_levels = 2
    # Last, so that the subdivision is not put off until somebody asks for the mesh.
    body.modifiers.new("Wave", "WAVE").use_normal = True
    return scene


def render_rows(name: str, scene: Any, frames: int) -> Iterator[dict[str, Any]]:
    """Measure a render of the first frames against evaluating them."""
    frames = min(frames, scene.frame_end - scene.frame_start + 1)
    render(frames)
    start = time.perf_counter()
    for frame in range(scene.frame_start, scene.frame_start + frames):
        scene.frame_set(frame)
    bare = time.perf_counter() - start
    start = time.perf_counter()
    render(frames)
    whole = time.perf_counter() - start
    yield row(RENDER, f"{name}: a frame", 1e3 * whole / frames, 1e3 * bare / frames,
              target=RENDER_TARGET)  # fmt: skip


def render(frames: int, first: int | None = None) -> None:
    """Render the first frames of the open scene into a temporary folder."""
    source = open_source()
    first = source.frame_start if first is None else first
    with tempfile.TemporaryDirectory() as folder:
        request = RenderRequest(Path(folder), frame_first=first, frame_last=first + frames - 1)
        for _ in render_sequence(source, request):
            pass


def growth_rows(quick: bool) -> Iterator[dict[str, Any]]:
    """Fit exponents: time against faces, objects and frames on logarithmic axes."""
    faces, times = [], []
    for name in ("b1", "b2", "b3"):
        build(name)
        faces.append(triangle_count())
        times.append(lines_time(3 if quick else 12))
    yield row(GROWTH, "lines with faces", exponent(faces, times), unit="exponent", target=1.1)

    objects, times = (4, 16, 64) if quick else (4, 16, 64, 256), []
    for count in objects:
        fill_grid(count)
        times.append(lines_time(3 if quick else 8))
    yield row(GROWTH, "lines with objects", exponent(objects, times), unit="exponent", target=1.2)

    build("a")
    frames, times = (10, 20, 40) if quick else (15, 30, 60), []
    for count in frames:
        start = time.perf_counter()
        render(count)
        times.append(time.perf_counter() - start)
    yield row(GROWTH, "render with frames", exponent(frames, times), unit="exponent", target=1.05)


def fill_grid(count: int) -> None:
    """Lay out `count` heads on a square grid, each with a mesh of its own, one size each."""
    bpy.ops.wm.read_homefile(use_empty=True)
    scene = bpy.context.scene
    scene.render.resolution_x = scene.render.resolution_y = 1000
    bpy.ops.mesh.primitive_monkey_add(size=2.0)
    first = bpy.context.object
    shade(first, True)
    chance = random.Random(7)
    side = math.isqrt(count - 1) + 1
    for i in range(count):
        body = first if i == 0 else bpy.data.objects.new(f"Head {i}", first.data.copy())
        if i:
            scene.collection.objects.link(body)
        body.location = ((i % side - side / 2) * 2.1, (i // side - side / 2) * 2.1, 0.0)
        body.rotation_euler = tuple(chance.uniform(-0.4, 0.4) for _ in range(3))
    add_orbit(scene, 4.0 * side)
    scene.frame_set(1)


def lines_time(frames: int) -> float:
    """Return the median time from the evaluated scene to strokes, seconds; warm."""
    source = open_source()
    scene, times = source.scene, []
    for frame in range(1, frames + 2):
        scene.frame_set(frame)
        start = time.perf_counter()
        visible_strokes(source.current(frame))
        times.append(time.perf_counter() - start)
    return statistics.median(times[1:])


def memory_rows(frames: int) -> Iterator[dict[str, Any]]:
    """Draw one scene over and over; resident memory must not grow with the frames."""
    build("a")
    source = open_source()
    scene, memories = source.scene, {}
    settled = frames // 10
    base = 0.0
    for number in range(frames):
        scene.frame_set(1 + number % 60)
        planned = draw_frame(source.current(number), source.projectors, memories)
        memories = {key: value.memory for key, value in planned.items()}
        if number == settled:
            gc.collect()
            base = resident_mb()
    gc.collect()
    yield row(MEMORY, f"growth from frame {settled} to {frames}", resident_mb() - base,
              unit="MB", target=LARGEST_GROWTH_MB)  # fmt: skip
    yield row(MEMORY, f"resident after {frames} frames", resident_mb(), unit="MB")


def resident_mb() -> float:
    """Return this process's resident memory; 0 where the system does not tell."""
    status = Path("/proc/self/status")
    if status.exists():
        for line in status.read_text(encoding="utf-8").splitlines():
            if line.startswith("VmRSS:"):
                return float(line.split()[1]) / 1024.0
    return 0.0


def triangle_count() -> int:
    """Return the triangles of all meshes of the open scene."""
    count = 0
    for item in bpy.context.scene.objects:
        if item.type == "MESH":
            item.data.calc_loop_triangles()
            count += len(item.data.loop_triangles)
    return count


def exponent(sizes: Sequence[float], times: Sequence[float]) -> float:
    """Return the slope of the fitted line through the logarithms."""
    x, y = [math.log(size) for size in sizes], [math.log(value) for value in times]
    return statistics.linear_regression(x, y).slope


def milliseconds(seconds: Sequence[float]) -> float:
    """Return the median, the first (warming up) left out."""
    return 1e3 * statistics.median(seconds[1:])
