# SPDX-License-Identifier: GPL-3.0-or-later
"""What the frame costs, and the way out into files."""

from typing import Any

import bpy

from .. import preferences, results
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
            box.label(
                text=f"{name}, frame {result.frame}",
                icon="ERROR" if verdict.over else "CHECKMARK",
            )
            wrapped(box, verdict.headline, width, icon="BLANK1")
            if verdict.detail:
                wrapped(box, verdict.detail, width, icon="BLANK1")


class BEAMWRIGHT_PT_export(SidebarPanel, bpy.types.Panel):
    """Frame sequences."""

    bl_idname = "BEAMWRIGHT_PT_export"
    bl_label = "Export"

    def draw(self, context: Any) -> None:
        """Lay out folder, format and the button."""
        layout = split(self.layout)
        scene = context.scene
        settings = getattr(scene, PROPERTY)
        layout.prop(settings, "output_folder", placeholder=preferences.output_folder())
        layout.prop(settings, "file_format")
        layout.prop(settings, "strokes")
        column = layout.column(align=True)
        column.prop(scene, "frame_start", text="Frames From")
        column.prop(scene, "frame_end", text="To")
        row = self.layout.row()
        row.scale_y = 1.4
        row.operator("beamwright.export_sequence", icon="EXPORT")


CLASSES = (BEAMWRIGHT_PT_points, BEAMWRIGHT_PT_export)
