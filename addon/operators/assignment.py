# SPDX-License-Identifier: GPL-3.0-or-later
"""Which projector draws an object or a collection, and settings for many objects at once."""

from typing import Any

import bpy
from bpy.props import EnumProperty, StringProperty

from ..properties import PROPERTY, assign, assigned_names
from .editable import why_fixed


class BEAMWRIGHT_OT_assign(bpy.types.Operator):
    """Switch whether this projector draws it; with none chosen, the collection decides, and
    without one the first projector draws it. Alt-click to set all selected objects alike"""

    bl_idname = "beamwright.assign"
    bl_label = "Assign Projector"
    bl_options = {"REGISTER", "UNDO"}

    projector: StringProperty(name="Projector", description="Name of the projector")
    owner: EnumProperty(
        name="Owner",
        description="What is assigned",
        items=[
            ("OBJECT", "Object", "The active object"),
            ("SELECTED", "Selected Objects", "All selected objects, as the active one"),
            ("COLLECTION", "Collection", "The active collection"),
        ],
        default="OBJECT",
    )

    def invoke(self, context: Any, event: Any) -> set[str]:
        """Take all selected objects where Alt is held."""
        if event.alt and self.owner == "OBJECT":
            self.owner = "SELECTED"
        return self.execute(context)

    def execute(self, context: Any) -> set[str]:
        """Add the name to the owner's projectors, or take it away."""
        owner = context.collection if self.owner == "COLLECTION" else context.object
        if self.owner == "SELECTED" and owner is None:
            owner = next(iter(context.selected_objects), None)
        if owner is None:
            what = "collection" if self.owner == "COLLECTION" else "object"
            self.report({"ERROR"}, f"There is no active {what}.")
            return {"CANCELLED"}
        if not self.projector:
            self.report({"ERROR"}, "Name the projector to assign.")
            return {"CANCELLED"}
        targets = [owner]
        if self.owner == "SELECTED":
            targets += [item for item in context.selected_objects if item != owner]
        fixed = [reason for reason in map(why_fixed, targets) if reason]
        if len(fixed) == len(targets):
            self.report({"ERROR"}, f"{fixed[0]}.")
            return {"CANCELLED"}
        on = self.projector not in assigned_names(owner)
        for target in targets:
            if why_fixed(target):
                continue
            names = [name for name in assigned_names(target) if name != self.projector]
            assign(target, *names, *([self.projector] if on else []))
        if fixed:
            self.report({"WARNING"}, f"{_left_alone(len(fixed))}: {fixed[0]}")
        return {"FINISHED"}


def _left_alone(count: int) -> str:
    return "1 object left alone" if count == 1 else f"{count} objects left alone"


class BEAMWRIGHT_OT_copy_to_selected(bpy.types.Operator):
    """Give all selected objects the line settings, the projectors and the priority of the
    active one"""

    bl_idname = "beamwright.copy_to_selected"
    bl_label = "Copy Laser Settings to Selected"
    bl_options = {"REGISTER", "UNDO"}

    @classmethod
    def poll(cls, context: Any) -> bool:
        """Need an active object and others that can be changed."""
        if context.object is None:
            cls.poll_message_set("There is no active object")
            return False
        others = [item for item in context.selected_objects if item != context.object]
        if not others:
            cls.poll_message_set("Select the objects to copy to as well")
            return False
        if all(item.library is not None for item in others):
            cls.poll_message_set(why_fixed(others[0]))
            return False
        return True

    def execute(self, context: Any) -> set[str]:
        """Copy every setting that the target lets be changed."""
        source = context.object
        others = [item for item in context.selected_objects if item != source]
        fixed = [reason for reason in map(why_fixed, others) if reason]
        for target in others:
            if not why_fixed(target):
                overridden = target.override_library is not None
                _copy(getattr(source, PROPERTY), getattr(target, PROPERTY), overridden)
        count = len(others) - len(fixed)
        said = "Copied to 1 object" if count == 1 else f"Copied to {count} objects"
        if fixed:
            self.report({"WARNING"}, f"{said}; {_left_alone(len(fixed))}: {fixed[0]}")
        else:
            self.report({"INFO"}, said)
        return {"FINISHED"}


OWN = {"baked", "effects", "page_width", "page_height", "page_scale", "source"}
"""What belongs to one object or drawing and is never copied."""


def _copy(source: Any, target: Any, overridden: bool) -> None:
    for item in source.bl_rna.properties:
        name = item.identifier
        if name == "rna_type" or name in OWN:
            continue
        if overridden and not item.is_overridable:
            continue
        if item.type == "POINTER":
            _copy(getattr(source, name), getattr(target, name), overridden)
        elif item.type == "COLLECTION":
            entries = getattr(target, name)
            entries.clear()
            for entry in getattr(source, name):
                _copy(entry, entries.add(), overridden)
        elif not item.is_readonly:
            setattr(target, name, getattr(source, name))


CLASSES = (BEAMWRIGHT_OT_assign, BEAMWRIGHT_OT_copy_to_selected)
