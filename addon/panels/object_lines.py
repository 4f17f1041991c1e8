# SPDX-License-Identifier: GPL-3.0-or-later
"""Lines and projectors of an object or a collection: sidebar and Properties editor."""

from typing import Any

import bpy

from ..extract.artwork import KINDS as FLAT_TYPES
from ..extract.outlines import stays_flat
from ..properties import PROPERTY, assigned_names
from ..session import DRAWABLE
from .sidebar import SidebarPanel, split


def draw_switch(layout: Any, operator: str, text: str, on: bool) -> Any:
    """Lay out an operator that looks like one of Blender's check boxes; return it."""
    row = layout.row()
    row.alignment = "LEFT"
    icon = "CHECKBOX_HLT" if on else "CHECKBOX_DEHLT"
    return row.operator(operator, text=text, icon=icon, emboss=False)


def drawn_by(layout: Any) -> Any:
    """Label a group of projectors as properties are labelled; return the column for them."""
    parts = layout.split(factor=0.4)
    left = parts.column()
    left.alignment = "RIGHT"
    left.label(text="Drawn By")
    return parts.column(align=True)


def draw_assignment(layout: Any, context: Any, owner: Any, kind: str) -> None:
    """One switch a projector, and what happens where none is on."""
    settings = getattr(context.scene, PROPERTY)
    names = [projector.name for projector in settings.projectors]
    groups = dict.fromkeys(item.group for item in settings.projectors if item.group)
    choices = [*names, *(group for group in groups if group not in names)]
    if not choices:
        return
    assigned = assigned_names(owner)
    column = drawn_by(layout)
    for name in choices:
        switch = draw_switch(column, "beamwright.assign", name, name in assigned)
        switch.projector = name
        switch.owner = kind
    for name in (name for name in assigned if name not in choices):
        row = column.row(align=True)
        row.alert = True
        switch = row.operator("beamwright.assign", text=f"{name}: not in this scene", icon="X")
        switch.projector = name
        switch.owner = kind
    if not any(name in choices for name in assigned):
        hint = column.column()
        hint.active = False
        hint.label(text=_fallback(owner, kind, choices))


def _fallback(owner: Any, kind: str, choices: list[str]) -> str:
    """Say who draws what has no projector of its own."""
    if kind == "OBJECT":
        for collection in owner.users_collection:
            names = [name for name in assigned_names(collection) if name in choices]
            if names:
                return f"Collection: {', '.join(names)}"
    return f"Default: {choices[0]}"


def draw_main(layout: Any, lines: Any) -> None:
    """What is drawn and hidden, and in which colour."""
    column = layout.column(align=True)
    column.prop(lines, "drawn")
    column.prop(lines, "occludes")
    column = layout.column()
    column.active = lines.drawn
    column.prop(lines, "colour_source")
    if lines.colour_source == "OWN":
        column.prop(lines, "colour")


def draw_kinds(layout: Any, lines: Any) -> None:
    """Line kinds, and what decides about them."""
    layout.active = lines.drawn
    column = layout.column(heading="Draw", align=True)
    short = {"material": "Material", "dot": "Points as Dots"}
    for name in ("silhouette", "crease", "border", "material", "intersection", "loose", "dot"):
        column.prop(lines, name, **({"text": short[name]} if name in short else {}))
    column.prop(lines, "mark")
    if lines.mark:
        column = layout.column(align=True)
        column.prop(lines, "marks", expand=True)
    if lines.crease:
        layout.prop(lines, "crease_angle")
        layout.prop(lines, "crease_on_smooth", text="On Smooth Faces")
    layout.prop(lines, "smooth_contour")
    layout.prop(lines, "rank")


def overriding_collection(context: Any, item: bpy.types.Object) -> Any:
    """Return a collection of the object that sets its lines, or None."""
    if not getattr(item, PROPERTY).inherit_lines:
        return None
    for collection in item.users_collection:
        if getattr(collection, PROPERTY).override_lines:
            return collection
    return None


def draws_own_lines(context: Any) -> bool:
    """Whether the active object's own line settings count."""
    return overriding_collection(context, context.object) is None


def is_flat(item: bpy.types.Object) -> bool:
    """Whether an object is read as flat artwork, which has no silhouettes or creases."""
    if item.type == "GREASEPENCIL":
        return True
    if item.type not in FLAT_TYPES:
        return False
    return not getattr(item, PROPERTY).artwork.as_mesh and stays_flat(item)


class _ObjectPanel:
    """Drawn for objects that can have lines."""

    @classmethod
    def poll(cls, context: Any) -> bool:
        """Show it for objects that can draw lines."""
        item = context.object
        return item is not None and (item.type in DRAWABLE or item.instance_type == "COLLECTION")

    def draw(self, context: Any) -> None:
        """Lay out projectors, and what is drawn of the object."""
        layout = split(self.layout)
        item = context.object
        settings = getattr(item, PROPERTY)
        draw_assignment(layout, context, item, "OBJECT")
        collection = overriding_collection(context, item)
        if collection is None:
            draw_main(layout, settings.lines)
        else:
            layout.label(text=f"Lines set by {collection.name}", icon="OUTLINER_COLLECTION")
        if collection is not None or not settings.inherit_lines:
            layout.prop(settings, "inherit_lines")


class _KindsPanel:
    """Line kinds of a body, while its own count."""

    bl_label = "Line Kinds"
    bl_options = {"DEFAULT_CLOSED"}

    @classmethod
    def poll(cls, context: Any) -> bool:
        """Show it for bodies whose own settings count."""
        item = context.object
        return item is not None and not is_flat(item) and draws_own_lines(context)

    def draw(self, context: Any) -> None:
        """Lay out the kinds."""
        draw_kinds(split(self.layout), getattr(context.object, PROPERTY).lines)


class _CrowdedPanel:
    """What happens to the object where a frame is too full."""

    bl_label = "In Crowded Frames"
    bl_options = {"DEFAULT_CLOSED"}

    def draw(self, context: Any) -> None:
        """Lay out priority and lock."""
        layout = split(self.layout)
        settings = getattr(context.object, PROPERTY)
        row = layout.row()
        row.active = not settings.locked
        row.prop(settings, "priority")
        layout.prop(settings, "locked")


class BEAMWRIGHT_PT_object(_ObjectPanel, SidebarPanel, bpy.types.Panel):
    """Lines of the active object, in the sidebar."""

    bl_idname = "BEAMWRIGHT_PT_object"
    bl_label = "Object Lines"

    def draw_header_preset(self, _context: Any) -> None:
        """Offer to copy to other objects."""
        self.layout.operator("beamwright.copy_to_selected", text="", icon="COPYDOWN", emboss=False)


class BEAMWRIGHT_PT_object_kinds(_KindsPanel, SidebarPanel, bpy.types.Panel):
    """Line kinds of the active object, in the sidebar."""

    bl_idname = "BEAMWRIGHT_PT_object_kinds"
    bl_parent_id = "BEAMWRIGHT_PT_object"


class BEAMWRIGHT_PT_object_crowded(_CrowdedPanel, SidebarPanel, bpy.types.Panel):
    """Priority of the active object, in the sidebar."""

    bl_idname = "BEAMWRIGHT_PT_object_crowded"
    bl_parent_id = "BEAMWRIGHT_PT_object"


class _ObjectTab:
    """Place of a panel: the object tab of the Properties editor."""

    bl_space_type = "PROPERTIES"
    bl_region_type = "WINDOW"
    bl_context = "object"
    bl_options = {"DEFAULT_CLOSED"}


class BEAMWRIGHT_PT_object_tab(_ObjectPanel, _ObjectTab, bpy.types.Panel):
    """Lines of the object, in the Properties editor."""

    bl_idname = "BEAMWRIGHT_PT_object_tab"
    bl_label = "Laser Lines"


class BEAMWRIGHT_PT_object_tab_kinds(_KindsPanel, _ObjectTab, bpy.types.Panel):
    """Line kinds of the object, in the Properties editor."""

    bl_idname = "BEAMWRIGHT_PT_object_tab_kinds"
    bl_parent_id = "BEAMWRIGHT_PT_object_tab"


class BEAMWRIGHT_PT_object_tab_crowded(_CrowdedPanel, _ObjectTab, bpy.types.Panel):
    """Priority of the object, in the Properties editor."""

    bl_idname = "BEAMWRIGHT_PT_object_tab_crowded"
    bl_parent_id = "BEAMWRIGHT_PT_object_tab"


class BEAMWRIGHT_PT_collection_tab(bpy.types.Panel):
    """Lines and projectors of a collection, in the Properties editor."""

    bl_idname = "BEAMWRIGHT_PT_collection_tab"
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
        layout.prop(settings, "override_lines", text="Set Lines")
        if settings.override_lines:
            draw_main(layout, settings.lines)
            draw_kinds(layout.column(), settings.lines)


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
    BEAMWRIGHT_PT_object_kinds,
    BEAMWRIGHT_PT_object_crowded,
    BEAMWRIGHT_PT_drawing,
    BEAMWRIGHT_PT_object_tab,
    BEAMWRIGHT_PT_object_tab_kinds,
    BEAMWRIGHT_PT_object_tab_crowded,
    BEAMWRIGHT_PT_collection_tab,
)
