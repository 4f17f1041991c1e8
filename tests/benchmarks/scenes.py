# SPDX-License-Identifier: GPL-3.0-or-later
"""The measured scenes, built by code: solids, subdivided heads, a crowd, a scanned body.

| scene | content |
| --- | --- |
| a | five convex solids, two of them piercing each other, flat shaded |
| b1, b2, b3 | one head with 1, 2, 3 levels of subdivision, smooth |
| c | 25 heads that share one mesh |
| d1, d2, d3 | a scanned body with 0, 1, 2 levels of subdivision and a little noise, smooth |

All are seen from a camera on an orbit about the origin, keyed on each of 60 frames.
"""

from __future__ import annotations

import json
import math
import random
import re
import shutil
import subprocess
import tarfile
import tempfile
from collections.abc import Callable
from pathlib import Path
from typing import Any

import bpy
import numpy as np
from mathutils import Vector

__all__ = ["SCENES", "SceneUnavailableError", "build", "turn_all"]

FRAMES = 60
BUNNY = ("bunny", "1.0.1")  # npm package, public domain; fetched on demand, never shipped


class SceneUnavailableError(Exception):
    """A scene cannot be built here; the message says why."""


def build(name: str) -> Any:
    """Empty the file, build one of `SCENES` and return the scene.

    Raises
    ------
    SceneUnavailableError
        Where the scene needs something that cannot be had.
    """
    bpy.ops.wm.read_homefile(use_empty=True)
    scene = bpy.context.scene
    scene.render.resolution_x = scene.render.resolution_y = 1000
    scene.frame_start, scene.frame_end = 1, FRAMES
    distance, fill = SCENES[name]
    fill(scene)
    add_orbit(scene, distance)
    scene.frame_set(1)
    return scene


def add_orbit(scene: Any, distance: float) -> None:
    """Key a camera on a circle about the origin, looking at it."""
    data = bpy.data.cameras.new("Camera")
    data.lens, data.clip_start, data.clip_end = 50.0, 0.1, 200.0
    camera = bpy.data.objects.new("Camera", data)
    scene.collection.objects.link(camera)
    scene.camera = camera
    for frame in range(1, FRAMES + 1):
        angle = 2.0 * math.pi * (frame - 1) / FRAMES + 0.3
        place = Vector((distance * math.cos(angle), distance * math.sin(angle), 0.35 * distance))
        camera.location = place
        camera.rotation_euler = (-place).to_track_quat("-Z", "Y").to_euler("XYZ")
        camera.keyframe_insert("location", frame=frame)
        camera.keyframe_insert("rotation_euler", frame=frame)


def turn_all(scene: Any) -> None:
    """Key a turn about the vertical axis on every body, each at a speed of its own."""
    bodies = [item for item in scene.objects if item.type == "MESH"]
    for number, body in enumerate(bodies):
        start = body.rotation_euler.z
        for frame, turns in ((1, 0.0), (FRAMES + 1, 1.0 + number % 3)):
            body.rotation_euler.z = start + turns * 2.0 * math.pi
            body.keyframe_insert("rotation_euler", index=2, frame=frame)


def shade(body: Any, smooth: bool) -> None:
    """Shade all faces of a mesh object smooth or flat."""
    values = np.full(len(body.data.polygons), smooth, bool)
    body.data.polygons.foreach_set("use_smooth", values)
    body.data.update()


def place_last(location: tuple[float, ...], rotation: tuple[float, ...], smooth: bool) -> Any:
    """Move the object that an operator just made."""
    body = bpy.context.object
    body.location, body.rotation_euler = location, rotation
    shade(body, smooth)
    return body


def fill_solids(scene: Any) -> None:
    """Scene a."""
    add = bpy.ops.mesh
    add.primitive_cube_add(size=2.0)
    place_last((0.0, 0.0, 0.0), (0.0, 0.0, 0.0), False)
    add.primitive_cylinder_add(vertices=24, radius=0.6, depth=2.4)
    place_last((2.2, 0.3, 0.0), (0.4, 0.2, 0.0), False)
    add.primitive_cone_add(vertices=20, radius1=0.8, depth=1.8)
    place_last((-2.0, 1.0, 0.1), (0.0, 0.0, 0.0), False)
    add.primitive_ico_sphere_add(subdivisions=1, radius=0.8)
    place_last((0.4, 2.1, 0.3), (0.0, 0.0, 0.0), False)
    add.primitive_cube_add(size=1.2)
    place_last((0.7, -0.8, 0.9), (0.5, 0.3, 0.8), False)


def fill_head(levels: int) -> Callable[[Any], None]:
    """Scenes b: the monkey primitive, subdivided `levels` times."""

    def fill(scene: Any) -> None:
        bpy.ops.mesh.primitive_monkey_add(size=2.0)
        body = place_last((0.0, 0.0, 0.0), (0.0, 0.0, 0.0), True)
        modifier = body.modifiers.new("Subdivision", "SUBSURF")
        modifier.levels = modifier.render_levels = levels
        bpy.ops.object.modifier_apply(modifier=modifier.name)
        shade(body, True)

    return fill


def fill_crowd(scene: Any) -> None:
    """Scene c: 25 heads in five rows, turned at random, sharing one mesh."""
    bpy.ops.mesh.primitive_monkey_add(size=2.0)
    first = bpy.context.object
    shade(first, True)
    chance = random.Random(7)
    for i in range(25):
        body = first if i == 0 else bpy.data.objects.new(f"Head {i}", first.data)
        if i:
            scene.collection.objects.link(body)
        body.location = (
            (i % 5 - 2) * 2.1 + chance.uniform(-0.3, 0.3),
            (i // 5 - 2) * 2.1 + chance.uniform(-0.3, 0.3),
            chance.uniform(-0.5, 0.5),
        )
        body.rotation_euler = (
            chance.uniform(-0.4, 0.4),
            chance.uniform(-0.4, 0.4),
            chance.uniform(0.0, 6.28),
        )


def fill_scan(level: int) -> Callable[[Any], None]:
    """Scenes d: the scanned body, subdivided `level` times without smoothing, then shaken."""

    def fill(scene: Any) -> None:
        positions, cells = scanned_body()
        middle = (positions.min(axis=0) + positions.max(axis=0)) / 2.0
        positions = (positions - middle) * (2.4 / np.ptp(positions, axis=0).max())
        positions = positions[:, [0, 2, 1]] * [1.0, -1.0, 1.0]
        mesh = bpy.data.meshes.new("Scan")
        mesh.from_pydata(positions.tolist(), [], cells.tolist())
        body = bpy.data.objects.new("Scan", mesh)
        scene.collection.objects.link(body)
        if level:
            bpy.context.view_layer.objects.active = body
            modifier = body.modifiers.new("Subdivision", "SUBSURF")
            modifier.subdivision_type = "SIMPLE"
            modifier.levels = modifier.render_levels = level
            body.modifiers.new("Triangulate", "TRIANGULATE")
            for name in ("Subdivision", "Triangulate"):
                bpy.ops.object.modifier_apply(modifier=name)
        flat = np.empty(len(mesh.vertices) * 3)
        mesh.vertices.foreach_get("co", flat)
        flat += np.random.default_rng(3).normal(0.0, 1e-3 / (1 + level), len(flat))
        mesh.vertices.foreach_set("co", flat)
        mesh.update()
        shade(body, True)

    return fill


def scanned_body() -> tuple[np.ndarray, np.ndarray]:
    """Return vertices (n, 3) and triangles (m, 3) of the scan; fetch the package once."""
    folder = Path(__file__).resolve().parents[2] / "build" / "bench"
    store = folder / "-".join(BUNNY)
    if not (store / "package" / "index.js").exists():
        npm = shutil.which("npm")
        if npm is None:
            raise SceneUnavailableError("npm is not installed")
        folder.mkdir(parents=True, exist_ok=True)
        with tempfile.TemporaryDirectory(dir=folder) as work:
            packed = subprocess.run(
                [npm, "pack", "@".join(BUNNY), "--silent"],
                cwd=work,
                capture_output=True,
                text=True,
                check=False,
            )
            if packed.returncode:
                raise SceneUnavailableError(f"npm package {'@'.join(BUNNY)} cannot be fetched")
            with tarfile.open(next(Path(work).glob("*.tgz"))) as archive:
                archive.extractall(Path(work) / "out", filter="data")
            shutil.move(Path(work) / "out", store)
    text = (store / "package" / "index.js").read_text(encoding="utf-8")
    positions = re.search(r"exports\.positions\s*=\s*(\[.*?\]\s*\])", text, re.DOTALL)
    cells = re.search(r"exports\.cells\s*=\s*(\[.*?\]\s*\])", text, re.DOTALL)
    if positions is None or cells is None:
        raise SceneUnavailableError(f"npm package {'@'.join(BUNNY)} has another form than expected")
    return (
        np.array(json.loads(positions.group(1)), np.float64),
        np.array(json.loads(cells.group(1)), np.int64),
    )


# Distance of the camera from the origin, and what fills the scene.
SCENES: dict[str, tuple[float, Callable[[Any], None]]] = {
    "a": (9.0, fill_solids),
    "b1": (5.0, fill_head(1)),
    "b2": (5.0, fill_head(2)),
    "b3": (5.0, fill_head(3)),
    "c": (15.0, fill_crowd),
    "d1": (5.5, fill_scan(0)),
    "d2": (5.5, fill_scan(1)),
    "d3": (5.5, fill_scan(2)),
}
