# SPDX-License-Identifier: GPL-3.0-or-later
"""What the frame costs, and the way out into files."""

from typing import Any

import bpy

from .. import preferences, results, timeline
from ..properties import PROPERTY
from .sidebar import SidebarPanel, letters, split, wrapped


class BEAMWRIGHT_PT_points(SidebarPanel, bpy.types.Panel):
    """Points of the frame and of the range."""

    bl_idname = "BEAMWRIGHT_PT_points"
    bl_label = "Points"

    def draw(self, context: Any) -> None:
        """Lay out the buttons and the latest figures."""
        layout = self.layout
        layout.operator("beamwright.analyze_frame", icon="VIEWZOOM")
        row = layout.row(align=True)
        row.operator("beamwright.analyze_range", icon="GRAPH")
        row.operator("beamwright.clear_report", text="", icon="TRASH")
        result = results.latest(context.scene.name)
        if result is None:
            return
        width = letters(context)
        stale = result.frame != context.scene.frame_current
        for name, figures in result.figures.items():
            verdict = results.judge(figures)
            box = layout.box().column(align=True)
            box.active = not stale
            cut = verdict.over or figures.dropped_strokes > 0
            box.label(text=f"{name}, frame {result.frame}", icon="ERROR" if cut else "CHECKMARK")
            wrapped(box, verdict.headline, width, icon="BLANK1")
            if verdict.detail:
                wrapped(box, verdict.detail, width, icon="BLANK1")


class BEAMWRIGHT_UL_worst_frames(bpy.types.UIList):
    """One row for the worst frame of each range that does not fit."""

    bl_idname = "BEAMWRIGHT_UL_worst_frames"

    def draw_item(
        self,
        _context: Any,
        layout: Any,
        _data: Any,
        item: Any,
        _icon: int,
        _active_data: Any,
        _active_property: str,
    ) -> None:
        """Frame, projector and verdict in words."""
        row = layout.row()
        icon = "ERROR" if in_trouble(item) else "CHECKMARK"
        row.label(text=f"{item.frame}  {item.projector}", icon=icon)
        row.label(text=worst_words(item))


def in_trouble(item: Any) -> bool:
    """Whether a frame of the list does not fit."""
    return bool(item.over_budget or item.left_out > 0)


def worst_words(item: Any) -> str:
    """Say in a few words what is wrong with a frame of the list."""
    if item.over_budget:
        return f"{item.points:,} of {item.budget:,}"
    if item.left_out:
        return f"{item.left_out} left out"
    return "fits"


class BEAMWRIGHT_PT_worst_frames(SidebarPanel, bpy.types.Panel):
    """Frames to look at after an analysis of the range."""

    bl_idname = "BEAMWRIGHT_PT_worst_frames"
    bl_label = "Worst Frames"
    bl_parent_id = "BEAMWRIGHT_PT_points"

    @classmethod
    def poll(cls, context: Any) -> bool:
        """Only after an analysis that found frames which do not fit."""
        found = getattr(context.scene, PROPERTY).worst_frames
        return timeline.has_report(context.scene) and any(map(in_trouble, found))

    def draw(self, context: Any) -> None:
        """Lay out the jumps, the list, and whom the chosen frame's points go to."""
        layout, settings = self.layout, getattr(context.scene, PROPERTY)
        row = layout.row(align=True)
        previous = row.operator("beamwright.jump_to_marker", text="Previous", icon="TRIA_LEFT")
        previous.next = False
        following = row.operator("beamwright.jump_to_marker", text="Next", icon="TRIA_RIGHT")
        following.next = True
        layout.template_list(
            BEAMWRIGHT_UL_worst_frames.bl_idname, "", settings, "worst_frames",
            settings, "active_worst_frame", rows=3,
        )  # fmt: skip
        if 0 <= settings.active_worst_frame < len(settings.worst_frames):
            item = settings.worst_frames[settings.active_worst_frame]
            width = letters(context)
            column = layout.column(align=True)
            wrapped(column, f"Most points: {item.blame}", width, icon="BLANK1")
            if item.lost:
                wrapped(column, f"Lost strokes: {item.lost}", width, icon="BLANK1")


class BEAMWRIGHT_PT_export(SidebarPanel, bpy.types.Panel):
    """Frame sequences."""

    bl_idname = "BEAMWRIGHT_PT_export"
    bl_label = "Export"

    def draw(self, context: Any) -> None:
        """Lay out folder, format and the button."""
        layout = split(self.layout)
        scene = context.scene
        settings = getattr(scene, PROPERTY)
        asks = preferences.is_homeless(preferences.chosen_folder(scene))
        default = "Chosen at export" if asks else preferences.output_folder()
        layout.prop(settings, "output_folder", placeholder=default)
        layout.prop(settings, "file_format")
        layout.prop(settings, "strokes")
        column = layout.column(align=True)
        column.prop(scene, "frame_start", text="Frames From")
        column.prop(scene, "frame_end", text="To")
        row = self.layout.row()
        row.scale_y = 1.4
        words = "Export Sequence…" if asks else "Export Sequence"
        row.operator("beamwright.export_sequence", icon="EXPORT", text=words)
        row = self.layout.row(align=True)
        row.operator("beamwright.bake_strokes", icon="OUTLINER_OB_GREASEPENCIL")
        row.operator("beamwright.remove_bake", text="", icon="TRASH")


CLASSES = (
    BEAMWRIGHT_UL_worst_frames,
    BEAMWRIGHT_PT_points,
    BEAMWRIGHT_PT_worst_frames,
    BEAMWRIGHT_PT_export,
)
