# SPDX-License-Identifier: GPL-3.0-or-later
"""Lines and projectors of an object or a collection: sidebar and Properties editor."""

from typing import Any

import bpy

from ..properties import PROPERTY, assigned_names
from ..session import DRAWABLE
from .sidebar import SidebarPanel, split


def draw_assignment(layout: Any, context: Any, owner: Any, kind: str) -> None:
    """One switch a projector, and what happens where none is on."""
    settings = getattr(context.scene, PROPERTY)
    names = [projector.name for projector in settings.projectors]
    groups = dict.fromkeys(item.group for item in settings.projectors if item.group)
    choices = [*names, *(group for group in groups if group not in names)]
    if not choices:
        return
    assigned = assigned_names(owner)
    column = layout.column(heading="Drawn By")
    column.use_property_split = True
    for name in choices:
        row = column.row(align=True)
        on = name in assigned
        switch = row.operator(
            "beamwright.assign",
            text=name,
            icon="CHECKBOX_HLT" if on else "CHECKBOX_DEHLT",
            depress=on,
        )
        switch.projector = name
        switch.owner = kind
    unknown = [name for name in assigned if name not in choices]
    for name in unknown:
        row = column.row(align=True)
        row.label(text=f"No projector “{name}” here", icon="ERROR")
        switch = row.operator("beamwright.assign", text="", icon="X")
        switch.projector = name
        switch.owner = kind
    if not any(name in choices for name in assigned):
        fallback = "its collection" if kind == "OBJECT" else "a collection above"
        column.label(text=f"None: {fallback}, else {names[0]}", icon="BLANK1")


def draw_lines(layout: Any, lines: Any) -> None:
    """Line kinds, what is hidden, and colour."""
    split(layout)
    column = layout.column(align=True)
    column.prop(lines, "drawn")
    column.prop(lines, "occludes")
    body = layout.column()
    body.active = lines.drawn
    column = body.column(heading="Kinds", align=True)
    column.prop(lines, "silhouette")
    column.prop(lines, "crease")
    column.prop(lines, "border")
    column.prop(lines, "material")
    column.prop(lines, "intersection")
    column.prop(lines, "loose")
    column.prop(lines, "dot")
    column.prop(lines, "mark")
    if lines.mark:
        row = body.row(align=True)
        row.prop(lines, "marks", expand=True)
    if lines.crease:
        body.prop(lines, "crease_angle")
        body.prop(lines, "crease_on_smooth", text="On Smooth Faces")
    body.prop(lines, "smooth_contour")
    body.prop(lines, "colour_source")
    if lines.colour_source == "OWN":
        body.prop(lines, "colour")
    layout.prop(lines, "rank")


def overriding_collection(context: Any, item: bpy.types.Object) -> Any:
    """Return a collection of the object that sets its lines, or None."""
    if not getattr(item, PROPERTY).inherit_lines:
        return None
    for collection in item.users_collection:
        if getattr(collection, PROPERTY).override_lines:
            return collection
    return None


def draw_object(layout: Any, context: Any, item: bpy.types.Object) -> None:
    """All settings of an object."""
    settings = getattr(item, PROPERTY)
    split(layout)
    draw_assignment(layout, context, item, "OBJECT")
    layout.prop(settings, "priority")
    layout.prop(settings, "locked")
    layout.separator()
    collection = overriding_collection(context, item)
    if collection is not None:
        layout.label(text=f"Lines set by collection {collection.name}", icon="OUTLINER_COLLECTION")
        layout.prop(settings, "inherit_lines")
        return
    draw_lines(layout, settings.lines)
    if not settings.inherit_lines:
        layout.prop(settings, "inherit_lines")


class _ObjectPanel:
    @classmethod
    def poll(cls, context: Any) -> bool:
        """Show it for objects that can draw lines."""
        item = context.object
        return item is not None and (item.type in DRAWABLE or item.instance_type == "COLLECTION")


class BEAMWRIGHT_PT_object(_ObjectPanel, SidebarPanel, bpy.types.Panel):
    """Lines of the active object, in the sidebar."""

    bl_idname = "BEAMWRIGHT_PT_object"
    bl_label = "Object Lines"

    def draw(self, context: Any) -> None:
        """Lay out the active object's settings."""
        row = self.layout.row(align=True)
        row.label(text=context.object.name, icon="OBJECT_DATA")
        row.operator("beamwright.copy_to_selected", text="", icon="PASTEDOWN")
        draw_object(self.layout, context, context.object)


class BEAMWRIGHT_PT_object_properties(_ObjectPanel, bpy.types.Panel):
    """Lines of the object, in the Properties editor."""

    bl_idname = "BEAMWRIGHT_PT_object_properties"
    bl_label = "Laser Lines"
    bl_space_type = "PROPERTIES"
    bl_region_type = "WINDOW"
    bl_context = "object"
    bl_options = {"DEFAULT_CLOSED"}

    def draw(self, context: Any) -> None:
        """Lay out the object's settings."""
        draw_object(self.layout, context, context.object)


class BEAMWRIGHT_PT_collection_properties(bpy.types.Panel):
    """Lines and projectors of a collection, in the Properties editor."""

    bl_idname = "BEAMWRIGHT_PT_collection_properties"
    bl_label = "Laser Lines"
    bl_space_type = "PROPERTIES"
    bl_region_type = "WINDOW"
    bl_context = "collection"
    bl_options = {"DEFAULT_CLOSED"}

    def draw(self, context: Any) -> None:
        """Lay out the collection's settings."""
        collection = context.collection
        settings = getattr(collection, PROPERTY)
        layout = split(self.layout)
        draw_assignment(layout, context, collection, "COLLECTION")
        layout.prop(settings, "override_lines")
        if settings.override_lines:
            draw_lines(layout.column(), settings.lines)


class BEAMWRIGHT_PT_drawing(SidebarPanel, bpy.types.Panel):
    """Lines of the whole scene."""

    bl_idname = "BEAMWRIGHT_PT_drawing"
    bl_label = "Scene Lines"
    bl_options = {"DEFAULT_CLOSED"}

    def draw(self, context: Any) -> None:
        """Lay out the scene's line settings."""
        layout = split(self.layout)
        drawing = getattr(context.scene, PROPERTY).drawing
        column = layout.column(align=True)
        column.prop(drawing, "intersections")
        row = column.row()
        row.active = drawing.intersections
        row.prop(drawing, "self_intersections")
        column.prop(drawing, "remove_coincident")
        column.prop(drawing, "page_border")
        layout.prop(drawing, "tolerance_field")


CLASSES = (
    BEAMWRIGHT_PT_object,
    BEAMWRIGHT_PT_drawing,
    BEAMWRIGHT_PT_object_properties,
    BEAMWRIGHT_PT_collection_properties,
)
