# SPDX-License-Identifier: GPL-3.0-or-later
"""The show in the sequencer's sidebar: who draws which channel, and what is wrong."""

from typing import Any

import bpy

from .. import preferences
from ..extract.sequencer import is_show, problems
from ..operators.show import show_of
from ..properties import PROPERTY
from ..show_properties import SHOW_PROPERTY
from .sidebar import CATEGORY, letters, split, wrapped


class BEAMWRIGHT_PT_show(bpy.types.Panel):
    """Projectors by channel, and checks."""

    bl_idname = "BEAMWRIGHT_PT_show"
    bl_label = "Show"
    bl_space_type = "SEQUENCE_EDITOR"
    bl_region_type = "UI"
    bl_category = CATEGORY

    def draw(self, context: Any) -> None:
        """Lay out channels, settings and findings."""
        layout = self.layout
        show = show_of(context)
        if getattr(context.workspace, "sequencer_scene", show) is None and is_show(show):
            # Since Blender 5 a sequencer shows no scene until one is chosen for it.
            layout.label(text="Choose the Show for the Sequencer", icon="INFO")
            layout.template_ID(context.workspace, "sequencer_scene")
        if show is None or not is_show(show):
            layout.operator("beamwright.show_new", icon="SEQUENCE")
            return
        settings = getattr(show, SHOW_PROPERTY)
        layout.operator("beamwright.show_add_scene", icon="ADD")
        layout.label(text="Channels")
        targets = settings.targets()
        editor = show.sequence_editor
        used = {strip.channel for strip in editor.strips if strip.type == "SCENE"}
        column = layout.column(align=True)
        for channel in sorted(used | set(targets)):
            row = column.row(align=True)
            row.label(text=f"{channel} {editor.channels[channel].name}")
            chosen = targets.get(channel, "")
            row.operator_menu_enum(
                "beamwright.show_channel_assign", "target", text=chosen or "By Object"
            ).channel = channel
        column = split(layout).column()
        column.prop(settings, "overlap")
        column.prop(settings, "length_from")
        column.prop(settings, "cue_prefix")
        column = split(layout).column()
        homeless = preferences.is_homeless(preferences.chosen_folder(show))
        folder = "Save the File First" if homeless else preferences.output_folder()
        column.prop(getattr(show, PROPERTY), "output_folder", placeholder=folder)
        column.prop(settings, "jobs")
        column.prop(settings, "make_film")
        row = layout.row()
        row.scale_y = 1.4
        row.operator("beamwright.show_render", icon="EXPORT")
        findings = problems(show)
        width = letters(context)
        for finding in findings[:8]:
            icon = "ERROR" if finding.refused else "INFO"
            wrapped(layout.box().column(align=True), finding.message, width, icon=icon)
        if not findings:
            layout.label(text="Ready to render", icon="CHECKMARK")


CLASSES = (BEAMWRIGHT_PT_show,)
