# SPDX-License-Identifier: GPL-3.0-or-later
"""Differences between the supported Blender versions, asked for by feature."""

from collections.abc import Callable, Iterator
from typing import Any

import bpy
import numpy as np
from numpy.typing import NDArray

__all__ = [
    "animated_paths",
    "animation_curves",
    "curve_bags",
    "drop_empty_action",
    "fills_by_material",
    "freestyle_marks",
    "grease_pencils",
    "new_action_slot",
    "new_grease_pencil",
    "register_cli_command",
    "remove_curves",
    "stored_values",
    "unregister_cli_command",
    "write_curve",
]


def freestyle_marks(mesh: bpy.types.Mesh) -> NDArray[np.bool_] | None:
    """Return which edges carry a Freestyle mark, (nE,), or None where none does.

    The mark is a named attribute in either version; only 4.5 also has it on the edges.
    """
    attribute = mesh.attributes.get("freestyle_edge")
    if attribute is None or attribute.domain != "EDGE" or attribute.data_type != "BOOLEAN":
        return None
    values = np.zeros(len(mesh.edges), bool)
    attribute.data.foreach_get("value", values)
    return values


def stored_values(owner: Any, name: str) -> dict[str, Any]:
    """Return what a data block stores of a registered group of properties.

    Only values that were ever set are there; all others have their defaults. 4.5 keeps them
    beside the artist's own properties, later versions apart.
    """
    get = getattr(owner, "bl_system_properties_get", None)
    group = owner if get is None else get()
    if group is None or name not in group:
        return {}
    values = group[name]
    # In 4.5 an artist may have made a property of that name.
    return values.to_dict() if hasattr(values, "to_dict") else {}


def new_action_slot(action: bpy.types.Action, owner: bpy.types.ID) -> Any:
    """Return the action's slot for this data block, made where it is missing."""
    wanted = owner.id_type
    for slot in action.slots:
        if slot.target_id_type == wanted and slot.name_display == owner.name:
            return slot
    return action.slots.new(id_type=wanted, name=owner.name)


def animated_paths(owner: Any) -> Iterator[str]:
    """Yield the data paths of a data block's F-curves and drivers."""
    animation = owner.animation_data
    if animation is None:
        return
    for driver in animation.drivers:
        yield driver.data_path
    for curve in animation_curves(owner):
        yield curve.data_path


def curve_bags(owner: Any) -> Iterator[Any]:
    """Yield what holds the F-curves of a data block: its slot's bag in each strip."""
    animation = owner.animation_data
    if animation is None:
        return
    action, slot = animation.action, animation.action_slot
    if action is None or slot is None:
        return
    for layer in action.layers:
        for strip in layer.strips:
            bag = strip.channelbag(slot)
            if bag is not None:
                yield bag


def animation_curves(owner: Any) -> Iterator[Any]:
    """Yield the F-curves of a data block's action."""
    for bag in curve_bags(owner):
        yield from bag.fcurves


INTERPOLATIONS = {"CONSTANT": 0, "LINEAR": 1, "BEZIER": 2}


def write_curve(
    owner: Any,
    path: str,
    frames: NDArray[np.float32],
    values: NDArray[Any],
    *,
    index: int = 0,
    action_name: str,
    group: str,
    interpolation: str = "LINEAR",
) -> Any:
    """Write a new F-curve of a data block into its action, or one that is made for it.

    Parameters
    ----------
    owner
    path
        Data path.
    frames, values : (n,) float32
        Keys, in rising order.
    index
        Of the path's array.
    action_name
        Of an action made for it.
    group
        Channel group, made where it is missing.
    interpolation
        ``CONSTANT``, ``LINEAR`` or ``BEZIER``.
    """
    animation = owner.animation_data_create()
    action = animation.action
    if action is None:
        action = animation.action = bpy.data.actions.new(action_name)
    slot = animation.action_slot
    if slot is None:
        slot = animation.action_slot = new_action_slot(action, owner)
    layer = action.layers[0] if action.layers else action.layers.new(action_name)
    strip = layer.strips[0] if layer.strips else layer.strips.new(type="KEYFRAME")
    bag = strip.channelbag(slot, ensure=True)
    curve = bag.fcurves.new(path, index=index)
    curve.group = bag.groups.get(group) or bag.groups.new(group)
    curve.keyframe_points.add(len(frames))
    pairs = np.column_stack([frames, values]).astype(np.float32).ravel()
    curve.keyframe_points.foreach_set("co", pairs)
    kinds = np.full(len(frames), INTERPOLATIONS[interpolation], np.int32)
    curve.keyframe_points.foreach_set("interpolation", kinds)
    curve.update()
    return curve


def remove_curves(owner: Any, wanted: Callable[[Any], bool], group_prefix: str) -> None:
    """Remove the F-curves of a data block that are `wanted`, and groups left empty by it."""
    for bag in curve_bags(owner):
        for curve in list(bag.fcurves):
            if wanted(curve):
                bag.fcurves.remove(curve)
        for group in list(bag.groups):
            if group.name.startswith(group_prefix) and not len(group.channels):
                bag.groups.remove(group)


def drop_empty_action(owner: Any, name: str) -> None:
    """Delete a data block's action where it was made under this name and holds nothing more."""
    animation = owner.animation_data
    if animation is None or animation.action is None:
        return
    action = animation.action
    empty = not any(len(bag.fcurves) for bag in curve_bags(owner))
    if empty and action.name.startswith(name) and action.users <= 1:
        animation.action = None
        bpy.data.actions.remove(action)


def register_cli_command(name: str, function: Any) -> Any:
    """Register ``blender --command NAME``; None where this Blender has no such commands."""
    register = getattr(bpy.utils, "register_cli_command", None)
    return register(name, function) if register is not None else None


def unregister_cli_command(handle: Any) -> None:
    """Take a command back."""
    if handle is not None:
        bpy.utils.unregister_cli_command(handle)


def fills_by_material() -> bool:
    """Whether Grease Pencil materials say what is filled: 4.5, which has no fill numbers."""
    return hasattr(bpy.data, "grease_pencils_v3")


def new_grease_pencil(name: str) -> Any:
    """Return new Grease Pencil data; 4.5 keeps annotations under the plain name."""
    owner: Any = bpy.data
    return (owner.grease_pencils_v3 if fills_by_material() else owner.grease_pencils).new(name)


def grease_pencils() -> Any:
    """Return all Grease Pencil data of the file."""
    owner: Any = bpy.data
    return owner.grease_pencils_v3 if fills_by_material() else owner.grease_pencils
