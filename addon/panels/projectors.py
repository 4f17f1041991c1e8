# SPDX-License-Identifier: GPL-3.0-or-later
"""The list of projectors and the settings of the selected one."""

from typing import Any

import bpy

from .. import results
from ..properties import PROPERTY
from .sidebar import SidebarPanel, split


def active_projector(context: Any) -> Any:
    """Return the projector selected in the list, or None."""
    settings = getattr(context.scene, PROPERTY)
    index = settings.active_projector
    return settings.projectors[index] if 0 <= index < len(settings.projectors) else None


def budget(projector: Any) -> int:
    """Return the points a frame may have, from the stored settings."""
    return max(1, int(projector.profile.point_rate_hz / projector.target_refresh_hz + 1e-9))


class BEAMWRIGHT_UL_projectors(bpy.types.UIList):
    """One row a projector: its name, and the points of the frame analyzed last."""

    def draw_item(
        self,
        context: Any,
        layout: Any,
        _data: Any,
        item: Any,
        _icon: int,
        _active_data: Any,
        _active_property: str,
    ) -> None:
        """Draw a row."""
        row = layout.row(align=True)
        row.prop(item, "name", text="", emboss=False, icon="LIGHT_SPOT")
        result = results.latest(context.scene.name)
        figures = result.figures.get(item.name) if result is not None else None
        side = row.row()
        side.alignment = "RIGHT"
        if figures is None:
            side.label(text=f"{budget(item):,}")
        else:
            cut = figures.over_budget or figures.dropped_strokes > 0
            icon = "ERROR" if cut else "NONE"
            side.label(text=f"{figures.points:,} / {figures.budget:,}", icon=icon)


class BEAMWRIGHT_PT_projectors(SidebarPanel, bpy.types.Panel):
    """The projectors of the show."""

    bl_idname = "BEAMWRIGHT_PT_projectors"
    bl_label = "Projectors"

    def draw(self, context: Any) -> None:
        """Lay out the list and the main settings."""
        layout = self.layout
        settings = getattr(context.scene, PROPERTY)
        row = layout.row()
        row.template_list(
            "BEAMWRIGHT_UL_projectors",
            "",
            settings,
            "projectors",
            settings,
            "active_projector",
            rows=3 if len(settings.projectors) < 2 else 4,
        )
        column = row.column(align=True)
        column.operator("beamwright.projector_add", text="", icon="ADD")
        column.operator("beamwright.projector_remove", text="", icon="REMOVE")
        if len(settings.projectors) > 1:
            column.separator()
            up = column.operator("beamwright.projector_move", text="", icon="TRIA_UP")
            up.direction = "UP"
            down = column.operator("beamwright.projector_move", text="", icon="TRIA_DOWN")
            down.direction = "DOWN"
        projector = active_projector(context)
        if projector is None:
            if not len(settings.projectors):
                layout.label(text="One standard projector draws all", icon="INFO")
            return
        column = split(layout.column())
        row = column.row(align=True)
        row.prop(projector.profile, "rating")
        row.menu("BEAMWRIGHT_MT_profiles", text="", icon="PRESET")
        column.prop(projector, "target_refresh_hz", text="Refresh (Hz)")
        row = layout.row()
        row.alignment = "RIGHT"
        row.active = False
        row.label(text=f"Up to {budget(projector):,} points a frame")


class ProjectorPanel(SidebarPanel):
    """A sub-panel about the selected projector."""

    bl_parent_id = "BEAMWRIGHT_PT_projectors"
    bl_options = {"DEFAULT_CLOSED"}

    @classmethod
    def poll(cls, context: Any) -> bool:
        """Show it where a projector is selected."""
        return active_projector(context) is not None


class BEAMWRIGHT_PT_projector_placement(ProjectorPanel, bpy.types.Panel):
    """Where the picture lies in the projector's field."""

    bl_idname = "BEAMWRIGHT_PT_projector_placement"
    bl_label = "Picture in Field"

    def draw(self, context: Any) -> None:
        """Lay out camera, scale, offset, rotation and mirror."""
        layout = split(self.layout)
        projector = active_projector(context)
        aim = projector.aim
        layout.prop(projector, "camera")
        column = layout.column(align=True)
        column.prop(aim, "scale_x", text="Scale X")
        column.prop(aim, "scale_y", text="Y")
        column = layout.column(align=True)
        column.prop(aim, "offset_x", text="Offset X")
        column.prop(aim, "offset_y", text="Y")
        layout.prop(aim, "rotation")
        row = layout.row(heading="Mirror", align=True)
        row.prop(aim, "mirror_x", text="X", toggle=True)
        row.prop(aim, "mirror_y", text="Y", toggle=True)


class BEAMWRIGHT_PT_projector_keystone(ProjectorPanel, bpy.types.Panel):
    """Four corners that straighten the picture on a slanted screen."""

    bl_idname = "BEAMWRIGHT_PT_projector_keystone"
    bl_label = "Keystone"
    bl_parent_id = "BEAMWRIGHT_PT_projector_placement"

    def draw(self, context: Any) -> None:
        """Lay out the corners where they are on the screen."""
        layout = self.layout
        aim = active_projector(context).aim
        for left, right in (
            ("corner_top_left", "corner_top_right"),
            ("corner_bottom_left", "corner_bottom_right"),
        ):
            row = layout.row()
            for name in (left, right):
                column = row.column(align=True)
                column.label(text=aim.bl_rna.properties[name].name)
                column.prop(aim, name, index=0, text="X")
                column.prop(aim, name, index=1, text="Y")


class BEAMWRIGHT_PT_projector_scanners(ProjectorPanel, bpy.types.Panel):
    """What the scanners can do."""

    bl_idname = "BEAMWRIGHT_PT_projector_scanners"
    bl_label = "Scanners"

    def draw(self, context: Any) -> None:
        """Lay out rates, angles and dynamics."""
        layout = split(self.layout)
        projector = active_projector(context)
        profile = projector.profile
        layout.prop(profile, "label")
        column = layout.column(align=True)
        column.prop(profile, "point_rate_hz", text="Point Rate (pps)")
        column.prop(profile, "field_deg", text="Scan Angle (°)")
        column = layout.column(align=True)
        column.prop(profile, "rated_rate_hz", text="Rated at (pps)")
        column.prop(profile, "rated_angle_deg", text="Angle (°)")
        column = layout.column(align=True)
        column.prop(profile, "natural_frequency_hz", text="Frequency (Hz)")
        column.prop(profile, "damping")
        column.prop(profile, "acceleration_max_deg_s2", text="Acceleration")
        column.prop(profile, "velocity_max_deg_s", text="Speed (°/s)")
        layout.prop(profile, "tolerance_field", text="Tolerance")
        layout.prop(projector, "placement")


class BEAMWRIGHT_PT_projector_laser(ProjectorPanel, bpy.types.Panel):
    """When and how strongly the light comes."""

    bl_idname = "BEAMWRIGHT_PT_projector_laser"
    bl_label = "Laser"

    def draw(self, context: Any) -> None:
        """Lay out delays and levels."""
        layout = split(self.layout)
        profile = active_projector(context).profile
        column = layout.column(align=True)
        for index, name in enumerate(("Red", "Green", "Blue")):
            text = f"Delay {name} (µs)" if index == 0 else f"{name} (µs)"
            column.prop(profile, "colour_delay_us", index=index, text=text)
        layout.prop(profile, "rise_us", text="Rise Time (µs)")
        layout.prop(profile, "minimum_level")
        layout.prop(profile, "settle")


class BEAMWRIGHT_PT_projector_show(ProjectorPanel, bpy.types.Panel):
    """The projector's part in the show."""

    bl_idname = "BEAMWRIGHT_PT_projector_show"
    bl_label = "In the Show"

    def draw(self, context: Any) -> None:
        """Lay out number and group."""
        layout = split(self.layout)
        projector = active_projector(context)
        layout.prop(projector, "number")
        layout.prop(projector, "group")


CLASSES = (
    BEAMWRIGHT_UL_projectors,
    BEAMWRIGHT_PT_projectors,
    BEAMWRIGHT_PT_projector_placement,
    BEAMWRIGHT_PT_projector_keystone,
    BEAMWRIGHT_PT_projector_scanners,
    BEAMWRIGHT_PT_projector_laser,
    BEAMWRIGHT_PT_projector_show,
)
