# SPDX-License-Identifier: GPL-3.0-or-later
"""Differences between the supported Blender versions, asked for by feature."""

from collections.abc import Iterator
from typing import Any

import bpy
import numpy as np
from numpy.typing import NDArray

__all__ = [
    "animated_paths",
    "animation_curves",
    "fills_by_material",
    "freestyle_marks",
    "grease_pencils",
    "new_action_slot",
    "new_grease_pencil",
    "register_cli_command",
    "unregister_cli_command",
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


def animation_curves(owner: Any) -> Iterator[Any]:
    """Yield the F-curves of a data block's action."""
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
                yield from bag.fcurves


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
