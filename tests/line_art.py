# SPDX-License-Identifier: GPL-3.0-or-later
"""Blender's own Line Art modifier as the reference for visible lines.

Source of the reference: the Line Art modifier of Blender (GPL), read from the evaluated
Grease Pencil drawing. Shared by the agreement tests and the benchmarks.
"""

from __future__ import annotations

import math
from typing import Any

import bpy
import numpy as np
import shapely
from numpy.typing import NDArray

__all__ = [
    "add_line_art",
    "line_art_segments",
    "stroke_segments",
    "uncovered_length",
    "view_projection",
]

FloatArray = NDArray[np.float64]


def add_line_art(scene: Any, *, intersections: bool = True, bridging: bool = True) -> Any:
    """Add a Grease Pencil object whose modifier draws the whole scene; return the object.

    Parameters
    ----------
    intersections
        Also draw where objects pass through each other.
    bridging
        Leave the modifier's chaining threshold as it is; False sets it to zero, so that
        no gap in the image is closed and lines can be compared exactly.
    """
    collection = getattr(bpy.data, "grease_pencils_v3", None)
    pencils = bpy.data.grease_pencils if collection is None else collection
    pencil = pencils.new("Line Art")
    layer = pencil.layers.new("Lines")
    layer.frames.new(scene.frame_start)
    material = bpy.data.materials.new("Line Art")
    bpy.data.materials.create_gpencil_data(material)
    pencil.materials.append(material)
    drawn = bpy.data.objects.new("Line Art", pencil)
    scene.collection.objects.link(drawn)
    modifier = drawn.modifiers.new("Line Art", "LINEART")
    modifier.source_type = "SCENE"
    modifier.target_layer = layer.name
    modifier.target_material = material
    modifier.use_contour = True
    modifier.use_crease = True
    modifier.crease_threshold = math.radians(140.0)
    modifier.use_material = True
    modifier.use_loose = True
    modifier.use_edge_mark = True
    modifier.use_intersection = intersections
    modifier.smooth_tolerance = 0.0
    modifier.split_angle = 0.0
    if not bridging:
        modifier.chaining_image_threshold = 0.0
    return drawn


def view_projection(scene: Any) -> FloatArray:
    """Return the camera's (4, 4) view-projection matrix for the render's pixel size."""
    graph = scene.view_layers[0].depsgraph
    camera = scene.camera.evaluated_get(graph)
    projection = camera.calc_matrix_camera(
        graph,
        x=scene.render.resolution_x,
        y=scene.render.resolution_y,
        scale_x=scene.render.pixel_aspect_x,
        scale_y=scene.render.pixel_aspect_y,
    )
    return np.array(projection @ camera.matrix_world.inverted(), np.float64)


def line_art_segments(scene: Any, drawn: Any) -> FloatArray:
    """Return the segments of the current frame in normalised device coordinates, (n, 4)."""
    graph = scene.view_layers[0].depsgraph
    evaluated = drawn.evaluated_get(graph)
    matrix = view_projection(scene) @ np.array(evaluated.matrix_world, np.float64)
    parts = [np.empty((0, 4))]
    for layer in evaluated.data.layers:
        frames = list(layer.frames)
        if not frames:
            continue
        drawing = frames[0].drawing
        position = drawing.attributes.get("position")
        if position is None or len(position.data) == 0:
            continue
        flat = np.empty(len(position.data) * 3, np.float32)
        position.data.foreach_get("vector", flat)
        world = np.ones((len(flat) // 3, 4))
        world[:, :3] = flat.reshape(-1, 3)
        clip = world @ matrix.T
        xy = clip[:, :2] / clip[:, 3:]
        offsets = np.empty(len(drawing.curve_offsets), np.int32)
        drawing.curve_offsets.foreach_get("value", offsets)
        inside = np.ones(len(xy), bool)
        inside[offsets[1:] - 1] = False
        first = np.flatnonzero(inside)
        parts.append(np.hstack([xy[first], xy[first + 1]]))
    return np.concatenate(parts)


def stroke_segments(strokes: Any) -> FloatArray:
    """Return the segments of `Strokes`, (n, 4), in field coordinates."""
    first = np.ones(len(strokes.points), bool)
    first[strokes.offsets[1:] - 1] = False
    index = np.flatnonzero(first)
    return np.hstack([strokes.points[index], strokes.points[index + 1]])


def uncovered_length(
    segments: FloatArray, others: FloatArray, tolerance: float, step: float = 2e-4
) -> tuple[float, float]:
    """Return how much of `segments` no other segment comes near, and their whole length.

    Sampled every `step`, inside ±0.999 of the page, where both sets are complete.
    """
    length = np.hypot(segments[:, 2] - segments[:, 0], segments[:, 3] - segments[:, 1])
    count = np.maximum(1, np.ceil(length / step).astype(np.int64))
    row = np.repeat(np.arange(len(segments)), count)
    place = np.arange(len(row)) - np.repeat(np.cumsum(count) - count, count)
    t = ((place + 0.5) / count[row])[:, None]
    points = segments[row, :2] * (1.0 - t) + segments[row, 2:] * t
    weight = (length / count)[row]
    inside = np.all(np.abs(points) < 0.999, axis=1)
    points, weight = points[inside], weight[inside]
    tree = shapely.STRtree(shapely.linestrings(others.reshape(-1, 2, 2)))
    near = tree.query(shapely.points(points), predicate="dwithin", distance=tolerance)[0]
    covered = np.zeros(len(points), bool)
    covered[near] = True
    return float(weight[~covered].sum()), float(weight.sum())
