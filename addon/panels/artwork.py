# SPDX-License-Identifier: GPL-3.0-or-later
"""Flat artwork of the active object: sidebar and Properties editor."""

from typing import Any

import bpy

from ..lettering import missing_in
from ..properties import PROPERTY
from .object_lines import draw_switch, drawn_by, is_flat
from .sidebar import SidebarPanel, letters, split, wrapped

TYPES = {"GREASEPENCIL", "CURVE", "FONT"}


def draw_page(layout: Any, item: bpy.types.Object, artwork: Any) -> None:
    """How fills and the page's edge are taken."""
    if item.type != "GREASEPENCIL":
        layout.prop(artwork, "as_mesh")
        layout = layout.column()
        layout.active = is_flat(item)
    column = layout.column(align=True)
    column.prop(artwork, "alpha_min")
    column.prop(artwork, "fill_outlines")
    if item.type == "GREASEPENCIL":
        column.prop(artwork, "dots")
        column.prop(artwork, "clip_borders")
        if artwork.page_width > 0.0:
            column.prop(artwork, "crop")
            column.prop(artwork, "page_border")
    column.prop(artwork, "blank_behind")
    row = column.column()
    row.active = not artwork.blank_behind
    row.prop(artwork, "reversed_behind")
    if is_flat(item):  # a body's stands with its line kinds
        layout.prop(getattr(item, PROPERTY).lines, "rank")


def draw_writing(layout: Any, state: Any) -> None:
    """Write-on of an object or a layer."""
    column = layout.column()
    column.prop(state, "progress")
    row = column.column()
    row.active = state.progress < 1.0
    row.prop(state, "mode")
    row.prop(state, "backwards")


def draw_layers(layout: Any, context: Any, item: bpy.types.Object, artwork: Any) -> None:
    """List the layers, who draws the chosen one, and how much of it."""
    row = layout.row()
    row.template_list(
        "UI_UL_list", "beamwright_layers", artwork, "layers", artwork, "active_layer", rows=3
    )
    row.operator("beamwright.list_layers", text="", icon="FILE_REFRESH")
    if not 0 <= artwork.active_layer < len(artwork.layers):
        return
    layer = artwork.layers[artwork.active_layer]
    names = layer.projectors()
    projectors = getattr(context.scene, PROPERTY).projectors
    column = drawn_by(layout) if len(projectors) else layout.column()
    for projector in projectors:
        on = projector.name in names
        switch = draw_switch(column, "beamwright.assign_layer", projector.name, on)
        switch.layer, switch.projector = layer.name, projector.name
    if not names and len(projectors):
        hint = column.column()
        hint.active = False
        hint.label(text="As the object")
    draw_writing(layout, layer)


class _ArtworkPanel:
    """Drawn for objects that may be flat artwork."""

    bl_label = "Artwork"
    bl_options = {"DEFAULT_CLOSED"}
    layout: Any  # given by the panel it is mixed into

    @classmethod
    def poll(cls, context: Any) -> bool:
        """Show it for drawings, curves and text."""
        return context.object is not None and context.object.type in TYPES

    def draw(self, context: Any) -> None:
        """Lay out fills, write-on and layers."""
        layout = split(self.layout)
        item = context.object
        artwork = getattr(item, PROPERTY).artwork
        if item.type == "FONT" and (missing := missing_in(item)):
            box = layout.box().column(align=True)
            box.alert = True
            wrapped(box, missing, letters(context), icon="ERROR")
        draw_page(layout, item, artwork)
        layout.separator()
        draw_writing(layout, artwork)
        column = layout.column()
        column.active = artwork.progress < 1.0 or len(artwork.layers) > 0
        column.prop(artwork, "lift")
        column.prop(artwork, "tip")
        if artwork.tip:
            column.prop(artwork, "tip_colour")
        if item.type == "GREASEPENCIL":
            layout.separator()
            draw_layers(layout, context, item, artwork)


class BEAMWRIGHT_PT_artwork(_ArtworkPanel, SidebarPanel, bpy.types.Panel):
    """Artwork of the active object, in the sidebar."""

    bl_idname = "BEAMWRIGHT_PT_artwork"
    bl_parent_id = "BEAMWRIGHT_PT_object"


class BEAMWRIGHT_PT_artwork_tab(_ArtworkPanel, bpy.types.Panel):
    """Artwork of the object, in the Properties editor."""

    bl_idname = "BEAMWRIGHT_PT_artwork_tab"
    bl_parent_id = "BEAMWRIGHT_PT_object_tab"
    bl_space_type = "PROPERTIES"
    bl_region_type = "WINDOW"
    bl_context = "object"


CLASSES = (BEAMWRIGHT_PT_artwork, BEAMWRIGHT_PT_artwork_tab)
