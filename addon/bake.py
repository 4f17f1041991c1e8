# SPDX-License-Identifier: GPL-3.0-or-later
"""Baked strokes: what each projector draws, as a Grease Pencil object with a drawing a frame.

The picture lies just behind the camera's near clipping plane, so that nothing is in front of
it, and follows the camera from frame to frame; each projector has a layer. Baking again
changes the drawings only: the object keeps its place in the outliner, its material, its
modifiers and what was set on its layers.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

import bpy
import numpy as np
from mathutils import Matrix
from numpy.typing import NDArray

from ..core.artwork.pencil import to_linear
from ..core.pipeline import PlannedFrame
from ..core.points.projector import Projector
from ..core.scene import Camera, Scene
from . import compat
from .preview.layers import encoded, from_projector, unlifted
from .properties import PROPERTY

__all__ = [
    "LINE_WIDTH_FIELD",
    "BakedFrame",
    "BakedLayer",
    "bake_frame",
    "baked_object",
    "clear_bake",
    "write_bake",
]

NAME = "Beamwright Strokes"
"""Of the object, its data, its collection, its material and its action."""

LINE_WIDTH_FIELD = 0.004
"""Width of a line, in field units: half the page's longer side is 1."""

NEAR = 1.5
"""Distance of the picture from the camera, in near clipping distances."""

POSE = ("location", "rotation_quaternion")

PALETTE_MAX = 32
"""Most materials of a bake."""

FloatArray = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class BakedLayer:
    """Strokes of one projector in the space of the scene's camera.

    Attributes
    ----------
    points : (n, 3) float32
    sizes : (k,) int32
        Points of each stroke, at least one.
    colour : (n, 3) float32
        Linear, as light mixes.
    closed : (k,) bool
        The last point is joined to the first, which is not repeated.
    width
        Width of a line in scene units.
    """

    points: NDArray[np.float32]
    sizes: NDArray[np.int32]
    colour: NDArray[np.float32]
    closed: NDArray[np.bool_]
    width: float


@dataclass(frozen=True, eq=False)
class BakedFrame:
    """One frame of all projectors.

    Attributes
    ----------
    frame
    matrix : (4, 4) float64
        From the camera's space to the world, without scale.
    layers
        By projector name.
    """

    frame: int
    matrix: FloatArray
    layers: Mapping[str, BakedLayer]


@dataclass(frozen=True, eq=False)
class _Flat:
    """Lines in a projector's field: (n, 2), (n, 3), (k,), (k,)."""

    points: FloatArray
    colour: FloatArray
    sizes: NDArray[np.int64]
    closed: NDArray[np.bool_]


def _pose(camera: Camera) -> tuple[FloatArray, FloatArray]:
    """Return the camera's place, (4, 4), and its field plane's map, (3, 3).

    The map takes (u, v, 1), field coordinates, to a point of the camera's space on the plane
    at the distance of the bake.
    """
    back = -np.asarray(camera.direction, np.float64)
    horizontal = np.asarray(camera.view_projection[0, :3], np.float64)
    right = horizontal - back * (horizontal @ back)
    right /= np.linalg.norm(right)
    matrix = np.eye(4)
    matrix[:3, 0], matrix[:3, 1], matrix[:3, 2] = right, np.cross(back, right), back
    matrix[:3, 3] = camera.eye
    distance = NEAR * camera.clip_start if camera.clip_start > 0.0 else 1.0
    local = np.asarray(camera.view_projection, np.float64) @ matrix
    depth = distance if camera.perspective else 1.0
    # Field = (rows 0 and 1 of the clip) / depth, solved for x and y at z = -distance.
    fixed = local[:2, 2] * -distance + local[:2, 3]
    inverse = np.linalg.inv(local[:2, :2])
    plane = np.zeros((3, 3))
    plane[:2, :2] = inverse * depth
    plane[:2, 2] = -inverse @ fixed
    plane[2, 2] = -distance
    return matrix, plane


def _strokes(planned: PlannedFrame) -> _Flat:
    """Return the strokes that were kept."""
    strokes = planned.strokes
    if len(planned.dropped):
        strokes = strokes.take(~planned.dropped)
    closed = strokes.closed
    kept = np.ones(len(strokes.points), bool)
    kept[strokes.offsets[1:][closed] - 1] = False
    return _Flat(
        points=strokes.points[kept],
        colour=np.repeat(strokes.colour, strokes.counts - closed, axis=0),
        sizes=strokes.counts - closed,
        closed=closed,
    )


def _lit_samples(planned: PlannedFrame, projector: Projector) -> _Flat:
    """Return the lit runs of the samples, which alone know what was darkened for safety."""
    profile = projector.profile
    xy, count = planned.frame.xy, len(planned.frame.xy)
    # Light is sent late by as much as the mirrors lag; here it belongs to its place.
    late = round(float(np.mean(profile.sampled.light_lag)))
    rgb = unlifted(np.roll(planned.frame.rgb, -late, axis=0), profile.minimum_level)
    lit = np.zeros(count + 2, bool)
    lit[1:-1] = rgb.max(axis=1, initial=0.0) > 0.0
    begin = np.flatnonzero(lit[1:] & ~lit[:-1])
    end = np.flatnonzero(lit[:-1] & ~lit[1:])
    # A run is drawn from the sample before it on.
    sizes = end - begin + 1
    run = np.repeat(np.arange(len(sizes)), sizes)
    within = np.arange(len(run)) - np.repeat(np.cumsum(sizes) - sizes, sizes)
    rows = begin[run] - 1 + within
    points = xy[rows]
    colour = rgb[np.where(within == 0, rows + 1, rows) % max(count, 1)]
    # A resting beam repeats its place.
    moved = np.ones(len(points), bool)
    moved[1:] = np.abs(np.diff(points, axis=0)).max(axis=1) > 1e-9
    kept = moved | (within == 0)
    return _Flat(
        points=points[kept],
        colour=colour[kept],
        sizes=np.bincount(run[kept], minlength=len(sizes)),
        closed=np.zeros(len(sizes), bool),
    )


def bake_frame(
    scene: Scene,
    planned: Mapping[str, PlannedFrame],
    projectors: Sequence[Projector],
    line_width_field: float = LINE_WIDTH_FIELD,
) -> BakedFrame:
    """Place what the projectors draw of a frame in front of the camera.

    Strokes left out for the budget and light taken away for safety are missing here too.
    Where a projector has a camera of its own, its picture stands in front of that one.

    Parameters
    ----------
    scene
        The frame, for its cameras.
    planned
        By projector name.
    projectors
    line_width_field
        Width of a line in field units.
    """
    matrix, own_plane = _pose(scene.camera)
    layers = {}
    for projector in projectors:
        share = planned[projector.name]
        plane, moved = own_plane, None
        if projector.name in scene.projector_cameras:
            place, plane = _pose(scene.projector_cameras[projector.name])
            moved = np.linalg.inv(matrix) @ place
        flat = _lit_samples(share, projector) if share.figures.darkened else _strokes(share)
        field = from_projector(flat.points, projector.aim)
        points = np.column_stack([field, np.ones(len(field))]) @ plane.T
        if moved is not None:
            points = points @ moved[:3, :3].T + moved[:3, 3]
        # Corners drawn beyond the horizon have no place on the page.
        seen = np.isfinite(points).all(axis=1)
        owner = np.repeat(np.arange(len(flat.sizes)), flat.sizes)
        sizes = np.bincount(owner[seen], minlength=len(flat.sizes))
        closed = flat.closed & (sizes == flat.sizes)
        layers[projector.name] = BakedLayer(
            points=points[seen].astype(np.float32),
            sizes=sizes[sizes > 0].astype(np.int32),
            colour=flat.colour[seen].astype(np.float32),
            closed=closed[sizes > 0],
            width=line_width_field * math.hypot(plane[0, 0], plane[1, 0]),
        )
    return BakedFrame(scene.frame, matrix, layers)


def _baked_objects(scene: bpy.types.Scene) -> list[bpy.types.Object]:
    return [
        item
        for item in scene.objects
        if item.type == "GREASEPENCIL"
        and item.library is None
        and item.override_library is None
        and getattr(item, PROPERTY).baked
    ]


def baked_object(scene: bpy.types.Scene) -> bpy.types.Object | None:
    """Return the scene's bake, or None."""
    return next(iter(_baked_objects(scene)), None)


def _collections(scene: bpy.types.Scene, item: bpy.types.Object) -> Iterator[Any]:
    """Yield the collections of a scene that hold an object."""
    for collection in (scene.collection, *scene.collection.children_recursive):
        if item.name in collection.objects and collection.objects[item.name] == item:
            yield collection


def _leave(scene: bpy.types.Scene, item: bpy.types.Object) -> bool:
    """Take an object out of a scene, without touching others that show it too.

    False where it lies in a collection that both scenes share deeper down.
    """
    for collection in list(_collections(scene, item)):
        if collection == scene.collection:
            collection.objects.unlink(item)
        elif collection.name in scene.collection.children and collection.name.startswith(NAME):
            scene.collection.children.unlink(collection)
    return scene not in item.users_scene


def _remove(item: bpy.types.Object) -> None:
    """Delete a bake and all that only it used."""
    data: Any = item.data
    materials = [material for material in data.materials if material is not None]
    collections = [entry for entry in item.users_collection if entry.name.startswith(NAME)]
    action = item.animation_data.action if item.animation_data else None
    bpy.data.objects.remove(item)
    if data.users == 0:
        compat.grease_pencils().remove(data)
    if action is not None and action.users == 0:
        bpy.data.actions.remove(action)
    for material in materials:
        if material.users == 0:
            bpy.data.materials.remove(material)
    for collection in collections:
        if not collection.all_objects and not collection.children:
            bpy.data.collections.remove(collection)


def clear_bake(scene: bpy.types.Scene) -> bool:
    """Remove the scene's bake and all that only it used; say whether there was one."""
    found = _baked_objects(scene)
    for item in found:
        if len(item.users_scene) == 1 or not _leave(scene, item):
            _remove(item)
    return bool(found)


def _prepared(scene: bpy.types.Scene) -> bpy.types.Object:
    """Return the one object to bake into: the scene's, or a new one."""
    found = _baked_objects(scene)
    kept = None
    for item in found:
        shared = len(item.users_scene) > 1
        if shared and _leave(scene, item):
            continue
        if kept is None:
            kept = item
        elif not shared:
            _remove(item)
    if kept is None:
        return _new_object(scene)
    if kept.data.users > 1:
        kept.data = kept.data.copy()
    return kept


def _new_object(scene: bpy.types.Scene) -> bpy.types.Object:
    data = compat.new_grease_pencil(NAME)
    data.stroke_depth_order = "2D"
    item = bpy.data.objects.new(NAME, data)
    getattr(item, PROPERTY).baked = True
    item.use_grease_pencil_lights = False
    item.show_in_front = True
    item.hide_select = True
    collection = bpy.data.collections.new(NAME)
    scene.collection.children.link(collection)
    collection.objects.link(item)
    return item


def _palette(
    parts: Sequence[BakedLayer],
) -> tuple[NDArray[np.uint8], list[NDArray[np.int64]]]:
    """Choose colours for the materials of strokes: all there are, or coarser steps of them.

    Colours of points are exact, but Blender's solid shading shows materials.

    Returns
    -------
    colours : (p, 3) uint8
        sRGB-encoded.
    rows
        For each of `parts` the colour of each stroke, (k,).
    """
    firsts = [part.colour[np.cumsum(part.sizes) - part.sizes] for part in parts]
    shades = encoded(np.concatenate([*firsts, np.empty((0, 3))])) * 255.0
    step = 1
    while True:
        cells, rows, sizes = np.unique(
            np.round(shades / step).astype(np.int64), axis=0, return_inverse=True,
            return_counts=True,
        )  # fmt: skip
        if len(cells) <= PALETTE_MAX:
            break
        step *= 2
    rows = rows.reshape(-1)
    sums = [np.bincount(rows, weights=shade, minlength=len(cells)) for shade in shades.T]
    colours = np.round(np.stack(sums, axis=1) / sizes[:, None]).astype(np.uint8)
    ends = np.cumsum([len(part.sizes) for part in parts])
    return colours, np.split(rows, ends[:-1])


def _materials(data: Any, colours: NDArray[np.uint8]) -> NDArray[np.int32]:
    """Give a bake one material for each colour, and return their slots, (p,).

    Materials there are of the same colour stay as the artist left them.
    """
    wanted = [f"{NAME} #{bytes(colour).hex()}" for colour in colours]
    slots: dict[str, int] = {}
    for index in reversed(range(len(data.materials))):
        material = data.materials[index]
        if material is not None and material.name.startswith(NAME):
            if material.name.partition(".")[0] in wanted:
                continue
            data.materials.pop(index=index)
            if material.users == 0:
                bpy.data.materials.remove(material)
    for index, material in enumerate(data.materials):
        if material is not None:
            slots.setdefault(material.name.partition(".")[0], index)
    for name, colour in zip(wanted, colours, strict=True):
        if name not in slots:
            material = bpy.data.materials.new(name)
            bpy.data.materials.create_gpencil_data(material)
            material.grease_pencil.color = (*to_linear(colour / 255.0), 1.0)
            slots[name] = len(data.materials)
            data.materials.append(material)
    return np.array([slots[name] for name in wanted], np.int32)


def write_bake(
    scene: bpy.types.Scene, frames: Sequence[BakedFrame], projectors: Sequence[str], end: int
) -> bpy.types.Object:
    """Replace the drawings of the scene's bake by these frames; make the bake if need be.

    Parameters
    ----------
    scene
    frames
        In rising order.
    projectors
        Names, in the order of the layers from bottom to top.
    end
        Frame from which on nothing is shown.
    """
    item = _prepared(scene)
    data: Any = item.data
    colours, rows = _palette([baked.layers[name] for name in projectors for baked in frames])
    slots = _materials(data, colours)
    for layer in list(data.layers):
        if layer.name not in projectors:
            data.layers.remove(layer)
    materials = iter(rows)
    for name in projectors:
        layer = data.layers.get(name)
        if layer is None:
            layer = data.layers.new(name)
            layer.use_lights = False
        for number in [entry.frame_number for entry in layer.frames]:
            layer.frames.remove(number)
        for baked in frames:
            drawing = layer.frames.new(baked.frame).drawing
            _write_drawing(drawing, baked.layers[name], slots[next(materials)])
        layer.frames.new(end)
        data.layers.move_top(layer)
    _follow(item, frames)
    return item


def _attribute(drawing: Any, name: str, kind: str, domain: str) -> Any:
    found = drawing.attributes.get(name)
    return (drawing.attributes.new(name, kind, domain) if found is None else found).data


def _write_drawing(drawing: Any, layer: BakedLayer, slots: NDArray[np.int32]) -> None:
    if not len(layer.sizes):
        return
    count = len(layer.points)
    drawing.add_strokes(layer.sizes.tolist())
    position = _attribute(drawing, "position", "FLOAT_VECTOR", "POINT")
    position.foreach_set("vector", layer.points.ravel())
    radius = np.full(count, 0.5 * layer.width, np.float32)
    _attribute(drawing, "radius", "FLOAT", "POINT").foreach_set("value", radius)
    colour = np.ones((count, 4), np.float32)
    colour[:, :3] = layer.colour
    vertex_colour = _attribute(drawing, "vertex_color", "FLOAT_COLOR", "POINT")
    vertex_colour.foreach_set("color", colour.ravel())
    _attribute(drawing, "material_index", "INT", "CURVE").foreach_set("value", slots)
    if layer.closed.any():
        cyclic = _attribute(drawing, "cyclic", "BOOLEAN", "CURVE")
        cyclic.foreach_set("value", layer.closed)
    drawing.tag_positions_changed()


def _follow(item: bpy.types.Object, frames: Sequence[BakedFrame]) -> None:
    """Give the object the camera's place on each frame, keyed where that changes."""
    compat.remove_curves(item, lambda curve: curve.data_path in POSE, NAME)
    matrices = np.stack([baked.matrix for baked in frames])
    turns = [Matrix(matrix.tolist()).to_quaternion() for matrix in matrices]
    for before, turn in pairwise(turns):
        turn.make_compatible(before)
    item.rotation_mode = "QUATERNION"
    item.location, item.rotation_quaternion = matrices[0, :3, 3].tolist(), turns[0]
    item.scale = (1.0, 1.0, 1.0)
    if np.allclose(matrices, matrices[0], rtol=0.0, atol=1e-9):
        compat.drop_empty_action(item, NAME)
        return
    numbers = np.array([baked.frame for baked in frames], np.float32)
    places = {
        "location": matrices[:, :3, 3],
        "rotation_quaternion": np.array([tuple(turn) for turn in turns]),
    }
    for path, values in places.items():
        for index, column in enumerate(values.T):
            compat.write_curve(
                item, path, numbers, column, index=index, action_name=NAME, group=NAME
            )
