# SPDX-License-Identifier: GPL-3.0-or-later
"""Which projector draws an object or a collection, and settings for many objects at once."""

from typing import Any

import bpy
from bpy.props import EnumProperty, StringProperty

from ..properties import PROPERTY, assign, assigned_names


class BEAMWRIGHT_OT_assign(bpy.types.Operator):
    """Switch whether this projector draws it; with none chosen, the collection decides, and
    without one the first projector draws it"""

    bl_idname = "beamwright.assign"
    bl_label = "Assign Projector"
    bl_options = {"REGISTER", "UNDO"}

    projector: StringProperty(name="Projector", description="Name of the projector")
    owner: EnumProperty(
        name="Owner",
        description="What is assigned",
        items=[
            ("OBJECT", "Object", "The active object"),
            ("COLLECTION", "Collection", "The active collection"),
        ],
        default="OBJECT",
    )

    def execute(self, context: Any) -> set[str]:
        """Add the name to the owner's projectors, or take it away."""
        owner = context.object if self.owner == "OBJECT" else context.collection
        if owner is None:
            self.report({"ERROR"}, f"There is no active {self.owner.lower()}.")
            return {"CANCELLED"}
        if not self.projector:
            self.report({"ERROR"}, "Name the projector to assign.")
            return {"CANCELLED"}
        names = list(assigned_names(owner))
        if self.projector in names:
            names.remove(self.projector)
        else:
            names.append(self.projector)
        assign(owner, *names)
        return {"FINISHED"}


class BEAMWRIGHT_OT_copy_to_selected(bpy.types.Operator):
    """Give all selected objects the line settings and projectors of the active one"""

    bl_idname = "beamwright.copy_to_selected"
    bl_label = "Copy to Selected"
    bl_options = {"REGISTER", "UNDO"}

    @classmethod
    def poll(cls, context: Any) -> bool:
        """Need an active object and others."""
        if context.object is None:
            cls.poll_message_set("There is no active object")
            return False
        if not any(item != context.object for item in context.selected_objects):
            cls.poll_message_set("Select the objects to copy to as well")
            return False
        return True

    def execute(self, context: Any) -> set[str]:
        """Copy every setting."""
        source = context.object
        count = 0
        for target in context.selected_objects:
            if target == source or target.library is not None:
                continue
            _copy(getattr(source, PROPERTY), getattr(target, PROPERTY))
            count += 1
        self.report({"INFO"}, f"Copied to {count} objects")
        return {"FINISHED"}


OWN = {"page_width", "page_height", "page_scale", "source"}
"""What belongs to one drawing and is never copied."""


def _copy(source: Any, target: Any) -> None:
    for item in source.bl_rna.properties:
        name = item.identifier
        if name == "rna_type" or name in OWN:
            continue
        if item.type == "POINTER":
            _copy(getattr(source, name), getattr(target, name))
        elif item.type == "COLLECTION":
            entries = getattr(target, name)
            entries.clear()
            for entry in getattr(source, name):
                _copy(entry, entries.add())
        elif not item.is_readonly:
            setattr(target, name, getattr(source, name))


CLASSES = (BEAMWRIGHT_OT_assign, BEAMWRIGHT_OT_copy_to_selected)
