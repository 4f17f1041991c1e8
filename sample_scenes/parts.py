# SPDX-License-Identifier: GPL-3.0-or-later
"""Building blocks of the sample scenes: bodies, cut-outs, wires, motion.

Run by the lowest supported Blender, so that every supported one can open the result.
"""

from __future__ import annotations

import gzip
import math
import re
from collections.abc import Callable, Iterable, Sequence
from dataclasses import replace
from itertools import pairwise
from pathlib import Path
from typing import Any

import bpy
from beamwright import addon
from beamwright.core.points.projector import GENERIC_PROFILES

Point3 = tuple[float, float, float]
Point2 = tuple[float, float]
LOWEST_BLENDER = (4, 5)


def new_scene(name: str, frames: int, fps: int = 25, size: tuple[int, int] = (1920, 1080)) -> Any:
    """Empty the file and return its only scene."""
    if bpy.app.version[:2] != LOWEST_BLENDER:
        raise SystemExit(
            "Sample scenes are saved with Blender {}.{}, the lowest one supported; this is {}. "
            "Use Python 3.11: make samples PYTHON=python3.11".format(
                *LOWEST_BLENDER, bpy.app.version_string
            )
        )
    bpy.ops.wm.read_homefile(use_empty=True)
    addon.register_headless()
    # Keys set from here on: straight between the keys unless a motion asks for more.
    bpy.context.preferences.edit.keyframe_new_interpolation_type = "LINEAR"
    scene = bpy.context.scene
    scene.name = name
    scene.frame_start, scene.frame_end = 1, frames
    scene.render.fps = fps
    scene.render.resolution_x, scene.render.resolution_y = size
    scene.world = bpy.data.worlds.new("Night")
    scene.world.color = (0.0, 0.0, 0.0)
    return scene


def add_camera(scene: Any, location: Point3, target: Point3, lens_mm: float) -> Any:
    """Place the scene's camera and point it at a target."""
    from mathutils import Vector

    camera = bpy.data.objects.new("Camera", bpy.data.cameras.new("Camera"))
    camera.data.lens = lens_mm
    camera.location = location
    camera.rotation_euler = (Vector(target) - Vector(location)).to_track_quat("-Z", "Y").to_euler()
    scene.collection.objects.link(camera)
    scene.camera = camera
    return camera


def collection(scene: Any, name: str) -> Any:
    """Add a collection to the scene."""
    group = bpy.data.collections.new(name)
    scene.collection.children.link(group)
    return group


def material(name: str, rgb: Point3) -> Any:
    """Return a material whose viewport colour is the line colour."""
    paint = bpy.data.materials.get(name) or bpy.data.materials.new(name)
    paint.diffuse_color = (*rgb, 1.0)
    return paint


def add_mesh(
    group: Any,
    name: str,
    vertices: Sequence[Point3],
    faces: Sequence[Sequence[int]] = (),
    edges: Sequence[tuple[int, int]] = (),
    *,
    materials: Sequence[Any],
    face_materials: Sequence[int] = (),
    smooth: bool = False,
    marked: Iterable[tuple[int, int]] = (),
    parent: Any = None,
    location: Point3 = (0.0, 0.0, 0.0),
    rotation: Point3 = (0.0, 0.0, 0.0),
) -> Any:
    """Add a mesh object; `marked` vertex pairs become edges the artist marked."""
    mesh = bpy.data.meshes.new(name)
    mesh.from_pydata(list(vertices), list(edges), [list(face) for face in faces])
    for paint in materials:
        mesh.materials.append(paint)
    for polygon in mesh.polygons:
        polygon.use_smooth = smooth
        if face_materials:
            polygon.material_index = face_materials[polygon.index]
    wanted = {tuple(sorted(pair)) for pair in marked}
    if wanted:
        marks = mesh.attributes.new("freestyle_edge", "BOOLEAN", "EDGE")
        for edge in mesh.edges:
            marks.data[edge.index].value = tuple(sorted(edge.vertices)) in wanted
    mesh.validate()
    mesh.update()
    body = bpy.data.objects.new(name, mesh)
    group.objects.link(body)
    body.location, body.rotation_euler = location, rotation
    body.parent = parent
    return body


def add_lathe(
    group: Any,
    name: str,
    profile: Sequence[Point2],
    segments: int,
    *,
    materials: Sequence[Any],
    band_materials: Sequence[int] = (),
    marked_rings: Iterable[int] = (),
    capped: bool = True,
    smooth: bool = True,
    **placing: Any,
) -> Any:
    """Turn a profile of (radius, height), from the bottom up, about the z axis.

    A radius of 0 closes the body in a tip. `marked_rings` are drawn whatever the angle;
    `band_materials` paints the bands between the rings.
    """
    vertices: list[Point3] = []
    rings: list[list[int]] = []
    for radius, height in profile:
        count = segments if radius > 0.0 else 1
        rings.append(list(range(len(vertices), len(vertices) + count)))
        for k in range(count):
            angle = 2.0 * math.pi * k / segments
            vertices.append((radius * math.cos(angle), radius * math.sin(angle), height))
    faces: list[list[int]] = []
    paints: list[int] = []
    for band, (low, high) in enumerate(pairwise(rings)):
        for k in range(segments):
            corners = [
                low[k % len(low)],
                low[(k + 1) % len(low)],
                high[(k + 1) % len(high)],
                high[k % len(high)],
            ]
            faces.append(list(dict.fromkeys(corners)))
            paints.append(band_materials[band] if band_materials else 0)
    if capped:
        for ring, band, backwards in ((rings[0], 0, True), (rings[-1], -1, False)):
            if len(ring) > 2:
                faces.append(ring[::-1] if backwards else ring)
                paints.append(band_materials[band] if band_materials else 0)
    marked = [
        (rings[i][k], rings[i][(k + 1) % segments])
        for i in marked_rings
        for k in range(segments)
        if len(rings[i]) > 1
    ]
    return add_mesh(
        group,
        name,
        vertices,
        faces,
        materials=materials,
        face_materials=paints,
        smooth=smooth,
        marked=marked,
        **placing,
    )


def add_box(group: Any, name: str, low: Point3, high: Point3, **placing: Any) -> Any:
    """Add a box between two corners."""
    (x0, y0, z0), (x1, y1, z1) = low, high
    vertices = [(x, y, z) for z in (z0, z1) for x, y in ((x0, y0), (x1, y0), (x1, y1), (x0, y1))]
    faces = [(3, 2, 1, 0), (4, 5, 6, 7), (0, 1, 5, 4), (1, 2, 6, 5), (2, 3, 7, 6), (3, 0, 4, 7)]
    return add_mesh(group, name, vertices, faces, **placing)


def add_house(
    group: Any, name: str, low: Point3, high: Point3, ridge: float, **placing: Any
) -> Any:
    """Add walls with a gable roof; the ridge runs along x, `ridge` above the walls."""
    (x0, y0, z0), (x1, y1, z1) = low, high
    middle = (y0 + y1) / 2.0
    vertices = [
        *((x, y, z0) for x, y in ((x0, y0), (x1, y0), (x1, y1), (x0, y1))),
        *((x, y, z1) for x, y in ((x0, y0), (x1, y0), (x1, y1), (x0, y1))),
        (x0, middle, z1 + ridge),
        (x1, middle, z1 + ridge),
    ]
    faces = [
        (3, 2, 1, 0),
        (0, 1, 5, 4),
        (1, 2, 6, 9, 5),
        (2, 3, 7, 6),
        (3, 0, 4, 8, 7),
        (4, 5, 9, 8),
        (6, 7, 8, 9),
    ]
    return add_mesh(group, name, vertices, faces, **placing)


def add_cutout(
    group: Any,
    name: str,
    outline: Sequence[Point2],
    *,
    wires: Sequence[Sequence[Point2]] = (),
    **placing: Any,
) -> Any:
    """Add a flat figure in the xz plane that faces the audience (-y), with inner lines.

    The inner lines float a hair in front of the figure, so that it does not hide them.
    """
    vertices: list[Point3] = [(x, 0.0, z) for x, z in outline]
    face = list(range(len(outline)))
    if signed_area(outline) < 0.0:  # counter-clockwise seen from -y
        face.reverse()
    edges: list[tuple[int, int]] = []
    for wire in wires:
        first = len(vertices)
        vertices.extend((x, -0.01, z) for x, z in wire)
        edges.extend((k, k + 1) for k in range(first, first + len(wire) - 1))
    return add_mesh(group, name, vertices, [face], edges, **placing)


def add_wires(group: Any, name: str, lines: Sequence[Sequence[Point3]], **placing: Any) -> Any:
    """Add polylines as loose edges: they are drawn and hidden, and hide nothing."""
    vertices: list[Point3] = []
    edges: list[tuple[int, int]] = []
    for line in lines:
        first = len(vertices)
        closed = len(line) > 2 and line[0] == line[-1]
        points = list(line[:-1] if closed else line)
        vertices.extend(points)
        edges.extend((k, k + 1) for k in range(first, first + len(points) - 1))
        if closed:
            edges.append((first + len(points) - 1, first))
    return add_mesh(group, name, vertices, (), edges, **placing)


def signed_area(outline: Sequence[Point2]) -> float:
    """Shoelace formula; positive when counter-clockwise."""
    pairs = zip(outline, [*outline[1:], outline[0]], strict=True)
    return 0.5 * sum(x0 * z1 - x1 * z0 for (x0, z0), (x1, z1) in pairs)


def arc(
    centre: Point2, radius: float, start_deg: float, end_deg: float, steps: int, squash: float = 1.0
) -> list[Point2]:
    """Return `steps` + 1 points of an arc; `squash` scales its height."""
    angles = [math.radians(start_deg + (end_deg - start_deg) * k / steps) for k in range(steps + 1)]
    return [
        (centre[0] + radius * math.cos(a), centre[1] + squash * radius * math.sin(a))
        for a in angles
    ]


def smooth_line(points: Sequence[Point2], per_span: int, closed: bool = False) -> list[Point2]:
    """Return a Catmull-Rom curve through the points (centripetal knots are not needed here)."""
    count = len(points)
    spans = count if closed else count - 1
    result: list[Point2] = []
    for i in range(spans):
        if closed:
            p = [points[(i + k - 1) % count] for k in range(4)]
        else:
            p = [points[min(max(i + k - 1, 0), count - 1)] for k in range(4)]
        for k in range(per_span):
            t = k / per_span
            weights = (
                -0.5 * t + t**2 - 0.5 * t**3,
                1.0 - 2.5 * t**2 + 1.5 * t**3,
                0.5 * t + 2.0 * t**2 - 1.5 * t**3,
                -0.5 * t**2 + 0.5 * t**3,
            )
            result.append(
                (
                    sum(w * q[0] for w, q in zip(weights, p, strict=True)),
                    sum(w * q[1] for w, q in zip(weights, p, strict=True)),
                )
            )
    if not closed:
        result.append(points[-1])
    return result


def animate(
    body: Any, path: str, index: int, frames: Iterable[int], value: Callable[[int], float]
) -> None:
    """Key one channel at the given frames."""
    for frame in frames:
        channel = getattr(body, path)
        channel[index] = value(frame)
        body.keyframe_insert(path, index=index, frame=frame)


def add_projector(
    scene: Any,
    name: str,
    rating: str,
    *,
    refresh_hz: float,
    field_deg: float,
    tolerance_field: float = 0.004,
) -> Any:
    """Add a projector with a pair of scanners of a usual rating, such as ``30 kpps``.

    The tolerance is finer than the rating's own at a small field: the puppet theatre's small
    windows and letters stay recognisable, at some more points.
    """
    projector = scene.beamwright.add_projector(name)
    profile = GENERIC_PROFILES[rating].converted(field_deg=field_deg)
    projector.profile.set_from(replace(profile, tolerance_field=tolerance_field))
    projector.target_refresh_hz = refresh_hz
    return projector


def save(path: str) -> None:
    """Save the file, compressed, without a backup copy and without this machine's folders."""
    bpy.context.preferences.filepaths.save_version = 0
    bpy.context.scene.frame_set(bpy.context.scene.frame_start)
    target = Path(path).resolve()
    raw = target.with_suffix(".raw.blend")
    bpy.ops.wm.save_as_mainfile(filepath=str(raw), compress=False)
    content = raw.read_bytes()
    raw.unlink()
    # Blender notes where it saved the file; the field has a fixed size, so blank it in place.
    # So are the paths that say which file a copied object came from.
    for folder in map(bytes, (raw.parent, Path.home(), Path(bpy.app.tempdir))):
        if len(folder) > 1:
            path = re.compile(re.escape(folder) + rb"[^\0]*")
            content = path.sub(lambda found: b"\0" * len(found.group()), content)
    target.write_bytes(gzip.compress(content, mtime=0))
    # Or Blender complains at its end about memory that the settings hold.
    addon.unregister_headless()
