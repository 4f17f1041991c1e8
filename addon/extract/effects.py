# SPDX-License-Identifier: GPL-3.0-or-later
"""Reveals, masks and morphs that objects hold, as core's effects on a frame's surfaces."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations
from typing import Any

import bpy
import numpy as np
from mathutils.geometry import tessellate_polygon
from numpy.typing import NDArray

from ...core.errors import SceneError
from ...core.scene import Effect, Mask, Morph, Surface
from ..compat import animated_paths
from ..properties import PROPERTY

__all__ = ["mask_names", "needed_objects", "problem_of", "read_effects"]

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int32]

CIRCLE_CORNERS = 96


def mask_names(scene: bpy.types.Scene) -> frozenset[str]:
    """Return the full names of all objects that were picked as a mask, in use or not."""
    masks = (_settings(item).mask.object for item in scene.objects)
    return frozenset(mask.name_full for mask in masks if mask is not None)


def needed_objects() -> frozenset[str]:
    """Return the full names of the file's objects whose animation counts though hidden."""
    held = [item for item in bpy.data.objects if _settings(item).any_used]
    masks = (_settings(item).mask.object for item in held if _settings(item).mask.use)
    return frozenset(item.name_full for item in (*held, *masks) if item is not None)


def _settings(item: bpy.types.Object) -> Any:
    return getattr(item, PROPERTY).effects


def problem_of(item: bpy.types.Object, view_layer: bpy.types.ViewLayer) -> str:
    """Return what is wrong with the effects of an object whatever the frame, or an empty text."""
    settings = _settings(item)
    if not settings.any_used:
        return ""
    try:
        members = _members(item, settings)
        if settings.mask.use:
            _checked_mask(item, settings.mask.object, _names(view_layer))
        if settings.morph.use:
            _target(item, settings.morph, members)
    except SceneError as error:
        return str(error)
    return ""


def read_effects(
    scene: bpy.types.Scene,
    view_layer: bpy.types.ViewLayer,
    depsgraph: bpy.types.Depsgraph,
    surfaces: Sequence[Surface],
    owners: Mapping[str, tuple[str, ...]],
) -> tuple[Effect, ...]:
    """Return the effects on a frame's surfaces.

    Parameters
    ----------
    scene, view_layer, depsgraph
        Original scene and view layer, and the layer's own evaluated graph.
    surfaces
        All of the frame.
    owners
        Full names of the object a surface was read from and of what instances it, by the
        surface's identity.

    Raises
    ------
    SceneError
        Where an effect lacks what it needs, or contradicts another one; names the object.
    """
    held = [item for item in scene.objects if _settings(item).any_used]
    if not held:
        return ()
    rows: dict[str, list[int]] = {}
    for row, surface in enumerate(surfaces):
        for name in owners.get(surface.identity, ()):
            rows.setdefault(name, []).append(row)
    effects: list[Effect] = []
    morphs: list[_NamedMorph] = []
    layer_names = _names(view_layer)
    for item in held:
        if item.name_full not in layer_names:
            continue  # excluded from the view layer, and so are its effects
        settings = _settings(item)
        members = _members(item, settings)
        objects = _rows_of(members, rows)
        values = _values(item, depsgraph)
        if settings.reveal.use:
            start = _finite(values.reveal.start, item, "start of the reveal")
            end = _finite(values.reveal.end, item, "end of the reveal")
            effects.append(settings.reveal_to_core(objects, start, end))
        if settings.mask.use:
            mask = _checked_mask(item, settings.mask.object, layer_names)
            shape = _mask_shape(item, mask, depsgraph)
            effects.append(Mask(objects, *shape, outside=settings.mask.outside))
        if settings.morph.use:
            factor = _finite(values.morph.factor, item, "factor of the morph")
            morphs.append(_morph(item, settings.morph, members, factor, rows, surfaces))
    _refuse_contradictions(morphs)
    return (*(entry.morph for entry in morphs), *effects)


def _names(view_layer: bpy.types.ViewLayer) -> set[str]:
    return {item.name_full for item in view_layer.objects}


def _values(item: bpy.types.Object, depsgraph: bpy.types.Depsgraph) -> Any:
    """Return the settings with their animation applied.

    A change by a script does not reach the evaluated copy, and animation outside of the active
    scene does not reach the original.
    """
    animation = item.animation_data
    animated = animation is not None and (
        len(animation.nla_tracks) > 0
        or any(path.startswith(f"{PROPERTY}.effects.") for path in animated_paths(item))
    )
    evaluated = item.evaluated_get(depsgraph)
    return _settings(evaluated if animated and evaluated.is_evaluated else item)


def _finite(value: float, item: bpy.types.Object, what: str) -> float:
    if not math.isfinite(value):
        raise SceneError(
            f"The {what} of object “{item.name}” is not a number: check its keys and drivers "
            "in the panel Effects."
        )
    return min(max(value, 0.0), 1.0)


def _members(item: bpy.types.Object, settings: Any) -> frozenset[str]:
    """Full names of the objects that an object's effects apply to."""
    if settings.scope == "OBJECT":
        return _family(item)
    if settings.collection is None:
        raise SceneError(
            f"The effects of object “{item.name}” apply to a collection, but none is chosen (it "
            "may have been deleted): choose one in the panel Effects, or switch the effects off."
        )
    return _inhabitants(settings.collection)


def _family(item: bpy.types.Object) -> frozenset[str]:
    return frozenset(member.name_full for member in (item, *item.children_recursive))


def _inhabitants(collection: bpy.types.Collection) -> frozenset[str]:
    return frozenset(member.name_full for member in collection.all_objects)


def _rows_of(members: frozenset[str], rows: Mapping[str, Sequence[int]]) -> frozenset[int]:
    return frozenset(row for name in members for row in rows.get(name, ()))


# -- masks ---------------------------------------------------------------------------------


def _checked_mask(
    item: bpy.types.Object, mask: bpy.types.Object | None, layer_names: set[str]
) -> bpy.types.Object:
    """Return the mask of an object.

    Raises
    ------
    SceneError
        Where there is none, or none that could be.
    """
    if mask is None:
        raise SceneError(
            f"Object “{item.name}” has a mask switched on, but none is chosen (it may have been "
            "deleted): choose a mask in the panel Effects, or switch it off."
        )
    if mask == item:
        raise SceneError(
            f"Object “{item.name}” is its own mask: choose another object in the panel Effects."
        )
    if mask.name_full not in layer_names:
        raise SceneError(
            f"“{mask.name}”, the mask of object “{item.name}”, is not in this scene's view layer: "
            "link it to the scene, include its collection, or choose another mask."
        )
    return mask


def _mask_shape(
    item: bpy.types.Object, mask: bpy.types.Object, depsgraph: bpy.types.Depsgraph
) -> tuple[FloatArray, IntArray]:
    """Return world positions and triangles of a mask.

    Raises
    ------
    SceneError
        Where it covers nothing whatever the view.
    """
    what = f"“{mask.name}”, the mask of object “{item.name}”,"
    placed = mask.evaluated_get(depsgraph)
    local, triangles = _empty_shape(placed) if mask.type == "EMPTY" else _filled_shape(placed)
    if local is None:
        raise SceneError(
            f"{what} has no area: a mask is a mesh with faces, a closed curve or text, or an "
            "Empty displayed as an image, a circle or a cube."
        )
    matrix = np.array(placed.matrix_world, np.float64)
    positions = local @ matrix[:3, :3].T + matrix[:3, 3]
    if not np.isfinite(positions).all():
        raise SceneError(
            f"{what} has places that are not numbers: check its transform, keys and drivers."
        )
    return positions, triangles


_NOTHING: tuple[None, IntArray] = (None, np.empty((0, 3), np.int32))


def _empty_shape(placed: Any) -> tuple[FloatArray | None, IntArray]:
    """Return what an Empty shows: a picture's rectangle, a circle's disc, a cube."""
    size = placed.empty_display_size
    if placed.empty_display_type == "IMAGE":
        # As Blender draws it: the longer side has the display size.
        width, height = (1.0, 1.0) if placed.data is None else map(float, placed.data.size[:2])
        longer = max(width, height, 1.0)
        low = np.array(placed.empty_image_offset, np.float64)
        square = np.array([(0.0, 0.0), (1.0, 0.0), (1.0, 1.0), (0.0, 1.0)]) + low
        flat = size * square * np.array([width / longer, height / longer])
        return np.column_stack([flat, np.zeros(4)]), np.array([(0, 1, 2), (0, 2, 3)], np.int32)
    if placed.empty_display_type == "CIRCLE":
        turn = np.linspace(0.0, 2.0 * np.pi, CIRCLE_CORNERS, endpoint=False)
        ring = np.column_stack([np.cos(turn), np.zeros_like(turn), np.sin(turn)])
        after = np.arange(1, CIRCLE_CORNERS - 1)
        fan = np.column_stack([np.zeros_like(after), after, after + 1])
        return size * ring, fan.astype(np.int32)
    if placed.empty_display_type == "CUBE":
        signs = (-1.0, 1.0)
        corners = np.array([(x, y, z) for x in signs for y in signs for z in signs])
        quads = ((0, 1, 3, 2), (4, 6, 7, 5), (0, 4, 5, 1), (2, 3, 7, 6), (0, 2, 6, 4), (1, 5, 7, 3))
        sides = [side for a, b, c, d in quads for side in ((a, b, c), (a, c, d))]
        return size * corners, np.array(sides, np.int32)
    return _NOTHING


def _filled_shape(placed: Any) -> tuple[FloatArray | None, IntArray]:
    """Return an object's faces; where it has none, what its closed lines enclose."""
    if placed.type not in {"MESH", "CURVE", "FONT", "SURFACE", "META"}:
        return _NOTHING
    mesh = placed.to_mesh()
    try:
        if mesh is None or not len(mesh.vertices):
            return _NOTHING
        local = np.empty(3 * len(mesh.vertices), np.float32)
        mesh.attributes["position"].data.foreach_get("vector", local)
        positions = local.reshape(-1, 3).astype(np.float64)
        mesh.calc_loop_triangles()
        triangles = np.empty(3 * len(mesh.loop_triangles), np.int32)
        mesh.loop_triangles.foreach_get("vertices", triangles)
        if len(triangles):
            return positions, triangles.reshape(-1, 3)
        edges = np.empty(2 * len(mesh.edges), np.int32)
        mesh.edges.foreach_get("vertices", edges)
    finally:
        placed.to_mesh_clear()
    loops = _closed_loops(edges.reshape(-1, 2).tolist())
    if not loops:
        return _NOTHING
    order = np.array([vertex for loop in loops for vertex in loop])
    corners = tessellate_polygon([positions[loop].tolist() for loop in loops])
    if not corners:
        return _NOTHING
    return positions, order[np.array(corners)].astype(np.int32)


def _closed_loops(edges: Sequence[Sequence[int]]) -> list[list[int]]:
    """Return the rings of vertices that edges form; what is open or forks is left out."""
    beside: dict[int, list[int]] = {}
    for a, b in edges:
        beside.setdefault(a, []).append(b)
        beside.setdefault(b, []).append(a)
    loops: list[list[int]] = []
    seen: set[int] = set()
    for first in beside:
        if first in seen:
            continue
        line, before, now = [first], -1, first
        while len(beside[now]) == 2:
            left, right = beside[now]
            before, now = now, right if left == before else left
            if now == first:
                loops.append(line)
                break
            if now in seen:
                break
            line.append(now)
            seen.add(now)
        seen.add(first)
    return [loop for loop in loops if len(loop) > 2]


# -- morphs --------------------------------------------------------------------------------


@dataclass(frozen=True)
class _NamedMorph:
    """A morph, and the full names of the objects on its sides."""

    holder: str
    target: str
    sources: frozenset[str]
    targets: frozenset[str]
    morph: Morph


def _target(
    item: bpy.types.Object, settings: Any, members: frozenset[str]
) -> tuple[str, frozenset[str]]:
    """Return the name of a morph's target, and the full names of the objects in it.

    Raises
    ------
    SceneError
        Where there is none, or it overlaps with what morphs.
    """
    whole = settings.target_kind == "OBJECT"
    target = settings.target_object if whole else settings.target_collection
    if target is None:
        raise SceneError(
            f"Object “{item.name}” has a morph switched on, but no target is chosen (it may have "
            "been deleted): choose a target in the panel Effects, or switch the morph off."
        )
    targets = _family(target) if whole else _inhabitants(target)
    shared = sorted(members & targets)
    if shared:
        raise SceneError(
            f"Object “{item.name}” morphs into itself: “{shared[0]}” is among what morphs and in "
            f"its target “{target.name}”. Choose another target."
        )
    return target.name, targets


def _morph(
    item: bpy.types.Object,
    settings: Any,
    members: frozenset[str],
    factor: float,
    rows: Mapping[str, Sequence[int]],
    surfaces: Sequence[Surface],
) -> _NamedMorph:
    name, targets = _target(item, settings, members)
    found = _rows_of(targets, rows)
    if factor > 0.0 and not any(surfaces[row].lines.drawn for row in found):
        raise SceneError(
            f"“{name}”, the target of the morph of object “{item.name}”, has no lines: it may be "
            "hidden, empty, a mask, or in another scene. Show it, or choose another one."
        )
    effect = Morph(_rows_of(members, rows), found, factor)
    return _NamedMorph(item.name, name, members, targets, effect)


def _refuse_contradictions(morphs: Sequence[_NamedMorph]) -> None:
    """Refuse morphs that share a side, go round in a circle, or overlap in a chain.

    Raises
    ------
    SceneError
    """
    for a, b in combinations(morphs, 2):
        for first, second, verb in (
            (a.sources, b.sources, "turn into something else by"),
            (a.targets, b.targets, "be the target of"),
        ):
            shared = sorted(first & second)
            if shared:
                raise SceneError(
                    f"“{shared[0]}” cannot {verb} two morphs, those of “{a.holder}” and of "
                    f"“{b.holder}”: switch one off, or put the objects into one collection "
                    "and morph that."
                )
    follows = [
        [k for k, after in enumerate(morphs) if before.targets & after.sources] for before in morphs
    ]
    for start in range(len(morphs)):
        pending, seen = list(follows[start]), set()
        while pending:
            place = pending.pop()
            if place == start:
                raise SceneError(
                    f"The morph of “{morphs[start].holder}” into “{morphs[start].target}” leads "
                    "back to where it began: a circle of morphs has no end. Key one morph's "
                    "factor back to 0 instead."
                )
            if place not in seen:
                seen.add(place)
                pending.extend(follows[place])
    for earlier, after in zip(morphs, follows, strict=True):
        for later in (morphs[place] for place in after):
            if earlier.morph.factor < 1.0 and later.morph.factor > 0.0:
                raise SceneError(
                    f"The morph of “{later.holder}” begins before that of “{earlier.holder}”, "
                    "which it goes on from, is done: let the first factor reach 1 before the "
                    "second leaves 0."
                )
