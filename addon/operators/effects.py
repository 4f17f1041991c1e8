# SPDX-License-Identifier: GPL-3.0-or-later
"""Effects of a collection, held by an Empty of their own."""

from typing import Any

import bpy

from ..properties import PROPERTY


class BEAMWRIGHT_OT_add_effect_control(bpy.types.Operator):
    """Add an Empty that holds reveal, mask and morph for all objects of the active collection.
    Blender keeps no keys on a collection itself; key them on the Empty"""

    bl_idname = "beamwright.add_effect_control"
    bl_label = "Add Effect Control"
    bl_options = {"REGISTER", "UNDO"}

    @classmethod
    def poll(cls, context: Any) -> bool:
        """Need a collection that has a name of its own."""
        if context.collection is None or context.collection == context.scene.collection:
            cls.poll_message_set("Choose a collection in the Outliner, not the scene's own")
            return False
        if context.mode != "OBJECT":
            cls.poll_message_set("Go to Object Mode first")
            return False
        return True

    def execute(self, context: Any) -> set[str]:
        """Add the Empty beside the collection, and make it active."""
        collection = context.collection
        control = bpy.data.objects.new(f"{collection.name} Effects", None)
        control.empty_display_type = "SPHERE"
        control.empty_display_size = 0.25
        context.scene.collection.objects.link(control)
        effects = getattr(control, PROPERTY).effects
        effects.scope, effects.collection = "COLLECTION", collection
        for item in context.selected_objects:
            item.select_set(False)
        control.select_set(True)
        context.view_layer.objects.active = control
        self.report({"INFO"}, f"“{control.name}” holds the effects of “{collection.name}”")
        return {"FINISHED"}


CLASSES = (BEAMWRIGHT_OT_add_effect_control,)
