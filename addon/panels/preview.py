# SPDX-License-Identifier: GPL-3.0-or-later
"""Switches of the preview in the 3D view."""

from typing import Any

import bpy

from ..preview import settings as preview_settings
from .sidebar import SidebarPanel, split


class BEAMWRIGHT_PT_preview(SidebarPanel, bpy.types.Panel):
    """The preview's switch, and what it shows."""

    bl_idname = "BEAMWRIGHT_PT_preview"
    bl_label = "Preview"
    bl_order = 0

    def draw_header(self, _context: Any) -> None:
        """Lay out the switch."""
        chosen = preview_settings.current()
        if chosen is not None:
            self.layout.prop(chosen, "enabled", text="")

    def draw(self, context: Any) -> None:
        """Lay out what is shown."""
        chosen = preview_settings.current()
        if chosen is None:
            return
        self.layout.operator("beamwright.frame_artwork", icon="CAMERA_DATA")
        layout = split(self.layout.column())
        layout.active = chosen.enabled
        overlays = getattr(getattr(context.space_data, "overlay", None), "show_overlays", True)
        if chosen.enabled and not overlays:
            layout.label(text="The view's overlays are switched off", icon="INFO")
        layout.prop(chosen, "projectors")
        column = layout.column(heading="Beam", align=True)
        column.prop(chosen, "simulate")
        column.prop(chosen, "blank_moves")
        column.prop(chosen, "points")


class BEAMWRIGHT_PT_preview_guides(SidebarPanel, bpy.types.Panel):
    """What else the preview shows."""

    bl_idname = "BEAMWRIGHT_PT_preview_guides"
    bl_parent_id = "BEAMWRIGHT_PT_preview"
    bl_label = "Lines and Guides"
    bl_options = {"DEFAULT_CLOSED"}

    def draw(self, _context: Any) -> None:
        """Lay out switches."""
        chosen = preview_settings.current()
        if chosen is None:
            return
        layout = split(self.layout)
        layout.active = chosen.enabled
        column = layout.column(heading="Lines", align=True)
        column.prop(chosen, "left_out")
        column.prop(chosen, "hidden_lines")
        column = layout.column(heading="Guides", align=True)
        column.prop(chosen, "guides")
        column.prop(chosen, "keep_outs")
        column.prop(chosen, "meter")


class BEAMWRIGHT_PT_preview_look(SidebarPanel, bpy.types.Panel):
    """How the preview looks, and how much memory it may take."""

    bl_idname = "BEAMWRIGHT_PT_preview_look"
    bl_parent_id = "BEAMWRIGHT_PT_preview"
    bl_label = "Look"
    bl_options = {"DEFAULT_CLOSED"}

    def draw(self, _context: Any) -> None:
        """Lay out sliders."""
        chosen = preview_settings.current()
        if chosen is None:
            return
        layout = split(self.layout)
        layout.active = chosen.enabled
        layout.prop(chosen, "line_width")
        column = layout.column(align=True)
        column.active = chosen.simulate
        column.prop(chosen, "glow", slider=True)
        column.prop(chosen, "darken", slider=True)
        layout.prop(chosen, "distance")
        layout.prop(chosen, "cache_mb", text="Memory (MB)")


CLASSES = (BEAMWRIGHT_PT_preview, BEAMWRIGHT_PT_preview_guides, BEAMWRIGHT_PT_preview_look)
