# SPDX-License-Identifier: GPL-3.0-or-later
"""Grease Pencil drawings as arrays: every layer that shows, as the modifiers leave it."""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import bpy
import numpy as np
from numpy.typing import NDArray

from ...core.artwork.masks import LayerMask
from ...core.artwork.nurbs import nurbs_polyline
from .. import compat

__all__ = ["PencilLayer", "frame_at", "read_layers"]

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

CATMULL_ROM, POLY, BEZIER, NURBS = range(4)
_VALUES = {
    "FLOAT": ("value", np.float32, 1),
    "FLOAT_VECTOR": ("vector", np.float32, 3),
    "FLOAT_COLOR": ("color", np.float32, 4),
    "INT": ("value", np.int32, 1),
    "INT8": ("value", np.int32, 1),
    "BOOLEAN": ("value", np.bool_, 1),
}


@dataclass(frozen=True, eq=False)
class PencilLayer:
    """Curves of one layer, c of them over n points, in the layer's own space.

    Attributes
    ----------
    name
        Of the layer.
    matrix : (4, 4) float64
        To the object's space.
    counts : (c,) int32
    knots : (n, 3, 3) float64
        Left handle, point, right handle.
    cyclic, closed, outlined, hide_stroke : (c,) bool
        As in `core.artwork.pencil.PencilArrays`.
    fill_id : (c,) int32
        Curves of one number above 0 are one fill.
    stroke_colour : (n, 4) float64
        Linear RGBA.
    fill_colour : (c, 4) float64
    radius : (n,) float64
    digest
        Of all of it.
    opacity
        Of the whole layer; not in the colours, since a layer masks whatever its opacity.
    masks
        Names of the layers that mask it, bottom to top, and whether each is inverted; None where
        it is not masked.
    """

    name: str
    matrix: FloatArray
    counts: NDArray[np.int32]
    knots: FloatArray
    cyclic: BoolArray
    closed: BoolArray
    outlined: BoolArray
    hide_stroke: BoolArray
    fill_id: NDArray[np.int32]
    stroke_colour: FloatArray
    fill_colour: FloatArray
    radius: FloatArray
    digest: bytes
    opacity: float = 1.0
    masks: tuple[LayerMask, ...] | None = None


def frame_at(layer: Any, frame: int) -> Any:
    """Return the last frame of a layer at or before a frame number; None before the first.

    `layer.current_frame` follows the window's scene, whatever scene is being read.
    """
    count = len(layer.frames)
    numbers = np.empty(count, np.int32)
    layer.frames.foreach_get("frame_number", numbers)
    held = np.flatnonzero(numbers <= frame)
    if len(held) == 0:
        return None
    return layer.frames[int(held[np.argmax(numbers[held])])]


def read_layers(
    item: bpy.types.Object, depsgraph: bpy.types.Depsgraph, matrix: FloatArray, frame: int
) -> list[PencilLayer]:
    """Return the layers of an evaluated Grease Pencil object that show, bottom to top.

    Onion skin is no part of the drawing. Strokes of hidden materials are left out. Layers of no
    opacity are among them where they mask others.

    Parameters
    ----------
    matrix : (4, 4)
        Of the object, to world space.
    """
    geometry = item.evaluated_geometry()  # kept: its parts live only as long
    pencil = geometry.grease_pencil
    if pencil is None:
        return []
    looks = _looks(item)
    visible = [layer for layer in pencil.layers if not _hidden(layer)]
    masks = [_masks(layer, visible) for layer in visible]
    masking = {name for names in masks if names for name, _ in names}
    result = []
    for layer, masked_by in zip(visible, masks, strict=True):
        if layer.opacity <= 0.0 and layer.name not in masking:
            continue
        shown = frame_at(layer, frame)
        if shown is None or not len(shown.drawing.curve_offsets):
            continue
        to_object = _to_object(layer, depsgraph, matrix)
        read = _read(layer, shown.drawing, to_object, looks)
        if read is not None:
            digest = read.digest + repr((layer.opacity, masked_by)).encode()
            result.append(
                replace(read, opacity=float(layer.opacity), masks=masked_by, digest=digest)
            )
    return result


def _masks(layer: Any, visible: Sequence[Any]) -> tuple[LayerMask, ...] | None:
    """Return what masks a layer, in the order of the layers; hidden layers mask nothing."""
    if len(layer.mask_layers) == 0 or not _uses_masks(layer):
        return None
    inverted = {mask.name: mask.invert for mask in layer.mask_layers if not mask.hide}
    result = tuple(
        (other.name, bool(inverted[other.name]))
        for other in visible
        if other.name in inverted and other.name != layer.name
    )
    return result or None


def _uses_masks(layer: Any) -> bool:
    group = layer.parent_group
    while group is not None:
        if not group.use_masks:
            return False
        group = group.parent_group
    return bool(layer.use_masks)


def _hidden(layer: Any) -> bool:
    if layer.hide:
        return True
    group = layer.parent_group
    while group is not None:
        if group.hide:
            return True
        group = group.parent_group
    return False


def _to_object(layer: Any, depsgraph: bpy.types.Depsgraph, matrix: FloatArray) -> FloatArray:
    local = np.array(layer.matrix_local, np.float64)
    parent = layer.parent
    if parent is None:
        return local
    parent = parent.evaluated_get(depsgraph)
    world = np.array(parent.matrix_world, np.float64)
    bone = parent.pose.bones.get(layer.parent_bone) if layer.parent_bone and parent.pose else None
    if bone is not None:
        world = world @ np.array(bone.matrix, np.float64)
    inverse = np.array(layer.matrix_parent_inverse, np.float64)
    to_object: FloatArray = np.linalg.inv(matrix) @ world @ inverse @ local
    return to_object


@dataclass(frozen=True, eq=False)
class _Looks:
    """Colours and switches of the material slots, one row each."""

    stroke: FloatArray
    fill: FloatArray
    show_stroke: BoolArray
    show_fill: BoolArray
    hidden: BoolArray


def _looks(item: bpy.types.Object) -> _Looks:
    by_material = compat.fills_by_material()
    rows = []
    for slot in item.material_slots:
        style = slot.material.grease_pencil if slot.material is not None else None
        if style is None:
            rows.append(((0.0, 0.0, 0.0, 1.0), (0.5, 0.5, 0.5, 1.0), True, False, False))
            continue
        rows.append(
            (
                tuple(style.color),
                tuple(style.fill_color),
                style.show_stroke if by_material else True,
                style.show_fill if by_material else True,
                style.hide,
            )
        )
    if not rows:
        rows.append(((0.0, 0.0, 0.0, 1.0), (0.5, 0.5, 0.5, 1.0), True, not by_material, False))
    stroke, fill, show_stroke, show_fill, hidden = zip(*rows, strict=True)
    return _Looks(
        np.array(stroke, np.float64),
        np.array(fill, np.float64),
        np.array(show_stroke, bool),
        np.array(show_fill, bool),
        np.array(hidden, bool),
    )


class _Attributes:
    """Attributes of a drawing by name, with a default where one was never written."""

    def __init__(self, drawing: Any, curves: int, points: int) -> None:
        self._attributes = drawing.attributes
        self._sizes = {"CURVE": curves, "POINT": points}
        self.digest = hashlib.blake2b(digest_size=16)

    def get(self, name: str, domain: str, kinds: tuple[str, ...], default: Any) -> Any:
        found = self._attributes.get(name)
        count = self._sizes[domain]
        if found is None or found.domain != domain or found.data_type not in kinds:
            if default is None:
                return None
            return np.broadcast_to(np.asarray(default), (count, *np.shape(default)))
        field, dtype, size = _VALUES[found.data_type]
        values: NDArray[Any] = np.empty(count * size, dtype)
        found.data.foreach_get(field, values)
        self.digest.update(name.encode())
        self.digest.update(values.tobytes())
        return values.reshape(-1, size) if size > 1 else values


def _read(layer: Any, drawing: Any, to_object: FloatArray, looks: _Looks) -> PencilLayer | None:
    offsets = np.empty(len(drawing.curve_offsets), np.int32)
    drawing.curve_offsets.foreach_get("value", offsets)
    counts = np.diff(offsets)
    curves, points = len(counts), int(offsets[-1])
    if curves == 0:
        return None
    read = _Attributes(drawing, curves, points)
    position = read.get("position", "POINT", ("FLOAT_VECTOR",), (0.0, 0.0, 0.0))
    curve_type = read.get("curve_type", "CURVE", ("INT8", "INT"), CATMULL_ROM)
    cyclic = read.get("cyclic", "CURVE", ("BOOLEAN",), False)
    own_closed = read.get("beamwright_closed", "CURVE", ("BOOLEAN",), None)
    closed = cyclic if own_closed is None else own_closed & cyclic
    outlined = read.get("beamwright_outline", "CURVE", ("BOOLEAN",), None)
    material = read.get("material_index", "CURVE", ("INT",), 0)
    material = np.clip(material, 0, len(looks.hidden) - 1)
    left = read.get("handle_left", "POINT", ("FLOAT_VECTOR",), None)
    right = read.get("handle_right", "POINT", ("FLOAT_VECTOR",), None)
    vertex = read.get("vertex_color", "POINT", ("FLOAT_COLOR",), (0.0, 0.0, 0.0, 0.0))
    opacity = read.get("opacity", "POINT", ("FLOAT",), 1.0)
    radius = read.get("radius", "POINT", ("FLOAT",), 0.01)
    fill_vertex = read.get("fill_color", "CURVE", ("FLOAT_COLOR",), (0.0, 0.0, 0.0, 0.0))
    fill_opacity = read.get("fill_opacity", "CURVE", ("FLOAT",), 1.0)
    fill_id = _fill_groups(read, looks.show_fill[material])
    hide = read.get("hide_stroke", "CURVE", ("BOOLEAN",), False) | ~looks.show_stroke[material]
    tint = np.array(layer.tint_color, np.float64)
    look = np.repeat(material, counts)
    stroke_colour = np.empty((points, 4))
    stroke_colour[:, :3] = _mixed(looks.stroke[look, :3], vertex[:, :3], vertex[:, 3:])
    stroke_colour[:, 3] = looks.stroke[look, 3] * opacity
    fill_colour = np.empty((curves, 4))
    fill_colour[:, :3] = _mixed(looks.fill[material, :3], fill_vertex[:, :3], fill_vertex[:, 3:])
    fill_colour[:, 3] = looks.fill[material, 3] * fill_opacity
    if layer.tint_factor > 0.0:
        for colour in (stroke_colour, fill_colour):
            colour[:, :3] = _mixed(colour[:, :3], tint, layer.tint_factor)
    np.clip(stroke_colour, 0.0, 1.0, out=stroke_colour)
    np.clip(fill_colour, 0.0, 1.0, out=fill_colour)
    knots = _knots(position, left, right, counts, curve_type, cyclic)
    digest = read.digest
    for part in (offsets, to_object, stroke_colour, fill_colour, fill_id, hide):
        digest.update(np.ascontiguousarray(part).tobytes())
    digest.update(layer.name.encode())
    result = PencilLayer(
        name=layer.name,
        matrix=to_object,
        counts=counts,
        knots=knots,
        cyclic=np.asarray(cyclic, bool),
        closed=np.asarray(closed, bool),
        outlined=np.ones(curves, bool) if outlined is None else outlined,
        hide_stroke=np.asarray(hide, bool),
        fill_id=fill_id,
        stroke_colour=stroke_colour,
        fill_colour=fill_colour,
        radius=np.asarray(radius, np.float64),
        digest=digest.digest(),
    )
    if np.any(curve_type == NURBS):
        result = _without_nurbs(result, read, np.asarray(curve_type))
    hidden = looks.hidden[material]
    return _taken(result, ~hidden) if hidden.any() else result


def _mixed(base: FloatArray, over: Any, factor: Any) -> FloatArray:
    result: FloatArray = base + (np.asarray(over, np.float64) - base) * factor
    return result


def _fill_groups(read: _Attributes, show_fill: BoolArray) -> NDArray[np.int32]:
    """Number the fills: by Blender's own attribute, or by ours where it has none."""
    native = read.get("fill_id", "CURVE", ("INT",), None)
    own = read.get("beamwright_fill", "CURVE", ("INT",), None)
    if own is None and (native is not None or not show_fill.any()):
        groups = np.zeros(len(show_fill), np.int32) if native is None else native
        return np.asarray(np.where(show_fill, groups, 0), np.int32)
    if own is None:
        if not compat.fills_by_material():
            return np.zeros(len(show_fill), np.int32)
        own = np.zeros(len(show_fill), np.int32)  # each stroke is a fill of its own
    part = read.get("beamwright_part", "CURVE", ("INT",), 0)
    # Copies made by modifiers repeat the number; the parts of one fill count up.
    starts = np.ones(len(own), bool)
    starts[1:] = (own[1:] != own[:-1]) | (own[1:] <= 0) | (part[1:] <= part[:-1])
    return np.where(show_fill, np.cumsum(starts), 0).astype(np.int32)


def _knots(
    position: Any, left: Any, right: Any, counts: Any, curve_type: Any, cyclic: Any
) -> FloatArray:
    """Return Bézier knots of curves of any type but NURBS."""
    points = position.astype(np.float64)
    kind = np.repeat(curve_type, counts)
    knots = np.repeat(points[:, None], 3, axis=1)
    if left is not None and right is not None and np.all(kind == BEZIER):
        knots[:, 0], knots[:, 2] = left, right
        return knots
    offsets = np.concatenate([[0], np.cumsum(counts)])
    first, last = np.repeat(offsets[:-1], counts), np.repeat(offsets[1:] - 1, counts)
    index = np.arange(len(points))
    ring = np.repeat(cyclic, counts)
    following = np.where(index < last, index + 1, np.where(ring, first, index))
    before = np.where(index > first, index - 1, np.where(ring, last, index))
    third = kind != CATMULL_ROM
    ahead, behind = points[following] - points, points[before] - points
    # Catmull-Rom: the tangent at a point is half the chord between its neighbours.
    tangent = (points[following] - points[before]) / 6.0
    knots[:, 0] += np.where(third[:, None], behind / 3.0, -tangent)
    knots[:, 2] += np.where(third[:, None], ahead / 3.0, tangent)
    if left is not None and right is not None:
        bezier = kind == BEZIER
        knots[bezier, 0], knots[bezier, 2] = left[bezier], right[bezier]
    return knots


def _taken(layer: PencilLayer, kept: BoolArray) -> PencilLayer | None:
    if not kept.any():
        return None
    points = np.repeat(kept, layer.counts)
    return PencilLayer(
        layer.name,
        layer.matrix,
        layer.counts[kept],
        layer.knots[points],
        layer.cyclic[kept],
        layer.closed[kept],
        layer.outlined[kept],
        layer.hide_stroke[kept],
        layer.fill_id[kept],
        layer.stroke_colour[points],
        layer.fill_colour[kept],
        layer.radius[points],
        layer.digest + kept.tobytes(),
    )


def _without_nurbs(layer: PencilLayer, read: _Attributes, curve_type: Any) -> PencilLayer:
    """Replace NURBS curves by fine polylines."""
    points = len(layer.knots)
    weight = read.get("nurbs_weight", "POINT", ("FLOAT",), 1.0)
    order = read.get("nurbs_order", "CURVE", ("INT8", "INT"), 4)
    mode = read.get("knots_mode", "CURVE", ("INT8", "INT"), 0)
    offsets = np.concatenate([[0], np.cumsum(layer.counts)])
    knots, source, counts = [], [], []
    for i, kind in enumerate(curve_type.tolist()):
        rows = slice(offsets[i], offsets[i + 1])
        if kind != NURBS:
            knots.append(layer.knots[rows])
            source.append(np.arange(points)[rows])
        else:
            line = nurbs_polyline(
                layer.knots[rows, 1],
                weight[rows],
                int(order[i]),
                cyclic=bool(layer.cyclic[i]),
                clamped=int(mode[i]) in (1, 3),
            )
            closed = np.array([bool(layer.cyclic[i])])
            count = np.array([len(line)])
            knots.append(_knots(line, None, None, count, np.array([POLY]), closed))
            at = np.arange(len(line)) * layer.counts[i] // max(len(line), 1)
            source.append(offsets[i] + at)
        counts.append(len(knots[-1]))
    at = np.concatenate(source)
    return PencilLayer(
        layer.name,
        layer.matrix,
        np.array(counts, np.int32),
        np.concatenate(knots),
        layer.cyclic,
        layer.closed,
        layer.outlined,
        layer.hide_stroke,
        layer.fill_id,
        layer.stroke_colour[at],
        layer.fill_colour,
        layer.radius[at],
        layer.digest + b"n",
    )
