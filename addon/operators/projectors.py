# SPDX-License-Identifier: GPL-3.0-or-later
"""The list of projectors."""

from typing import Any

import bpy
from bpy.props import EnumProperty

from ..properties import PROPERTY
from .editable import why_fixed


def _editable(operator: Any, context: Any) -> bool:
    if context.scene is None:
        operator.poll_message_set("There is no scene")
        return False
    if reason := why_fixed(context.scene):
        operator.poll_message_set(reason)
        return False
    return True


def _has_projectors(operator: Any, context: Any) -> bool:
    if not _editable(operator, context):
        return False
    if not len(getattr(context.scene, PROPERTY).projectors):
        operator.poll_message_set("The scene has no projector yet")
        return False
    return True


class BEAMWRIGHT_OT_projector_add(bpy.types.Operator):
    """Add a projector to the show"""

    bl_idname = "beamwright.projector_add"
    bl_label = "Add Projector"
    bl_options = {"REGISTER", "UNDO"}

    @classmethod
    def poll(cls, context: Any) -> bool:
        """Need a scene that can be changed."""
        return _editable(cls, context)

    def execute(self, context: Any) -> set[str]:
        """Add it and select it."""
        getattr(context.scene, PROPERTY).add_projector()
        return {"FINISHED"}


class BEAMWRIGHT_OT_projector_remove(bpy.types.Operator):
    """Remove the selected projector; what was assigned to it goes to the first one"""

    bl_idname = "beamwright.projector_remove"
    bl_label = "Remove Projector"
    bl_options = {"REGISTER", "UNDO"}

    @classmethod
    def poll(cls, context: Any) -> bool:
        """Need a projector."""
        return _has_projectors(cls, context)

    def execute(self, context: Any) -> set[str]:
        """Remove it and select its neighbour."""
        settings = getattr(context.scene, PROPERTY)
        index = min(settings.active_projector, len(settings.projectors) - 1)
        settings.projectors.remove(index)
        settings.active_projector = max(0, min(index, len(settings.projectors) - 1))
        return {"FINISHED"}


class BEAMWRIGHT_OT_projector_move(bpy.types.Operator):
    """Move the selected projector in the list; the first one draws what is not assigned"""

    bl_idname = "beamwright.projector_move"
    bl_label = "Move Projector"
    bl_options = {"REGISTER", "UNDO"}

    direction: EnumProperty(
        name="Direction",
        description="Which way to move",
        items=[("UP", "Up", "Towards the top"), ("DOWN", "Down", "Towards the bottom")],
    )

    @classmethod
    def poll(cls, context: Any) -> bool:
        """Need two projectors."""
        if not _has_projectors(cls, context):
            return False
        if len(getattr(context.scene, PROPERTY).projectors) < 2:
            cls.poll_message_set("There is only one projector")
            return False
        return True

    def execute(self, context: Any) -> set[str]:
        """Move it by one place."""
        settings = getattr(context.scene, PROPERTY)
        index = settings.active_projector
        other = index + (-1 if self.direction == "UP" else 1)
        if not 0 <= other < len(settings.projectors):
            return {"CANCELLED"}
        settings.projectors.move(index, other)
        settings.active_projector = other
        return {"FINISHED"}


CLASSES = (
    BEAMWRIGHT_OT_projector_add,
    BEAMWRIGHT_OT_projector_remove,
    BEAMWRIGHT_OT_projector_move,
)
