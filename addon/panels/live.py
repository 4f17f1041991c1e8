# SPDX-License-Identifier: GPL-3.0-or-later
"""Live output, safety limits and hazard figures of the selected projector."""

import functools
from typing import Any

import bpy

from ...core.errors import BeamwrightError
from ...core.live.sender import OutputState
from ...core.safety.hazard import PLANNING_NOTE, HazardFigure, planning_figures
from ...core.safety.laser import LaserSetup
from .. import live, worst_spot
from ..preview import overlay
from .projectors import active_projector
from .sidebar import SidebarPanel, letters, split, wrapped


@functools.lru_cache(maxsize=16)
def _figures(setup: LaserSetup) -> tuple[HazardFigure, ...]:
    return planning_figures(setup.source, setup.distance_m, edition=setup.edition)


def _worst_spot(box: Any, scene: Any, projector: Any, level: float, width: int) -> None:
    """Say how bad the worst spot of the current frame is, in words and figures."""
    column = box.column(align=True)
    try:
        reading, current = worst_spot.reading_of(scene, projector)
        setup = projector.light.to_core()
    except BeamwrightError as error:
        wrapped(column, str(error), width, icon="ERROR")
        return
    if reading is None:
        waiting = live.is_running(projector.name) or overlay.is_running()
        text = "working…" if waiting else "switch the preview on, or go live"
        wrapped(column, f"Worst spot: {text}", width, icon="INFO")
        return
    where = f"frame {reading.number}" + ("" if current else ", working…")
    spot, exposure = reading.spot, reading.exposure
    doubt = setup.source.doubt or ("" if setup.distance_m else "the throw is not known")
    if spot is None:
        text = f"Worst spot, {where}: no figure"
        wrapped(column, f"{text}, {doubt}" if doubt else text, width, icon="QUESTION")
    elif exposure is None:
        wrapped(column, f"Worst spot, {where}: no light", width, icon="INFO")
    else:
        over = spot.ratio * level > 1.0
        column.alert = over
        column.label(text=f"Worst spot, {where}", icon="ERROR" if over else "INFO")
        times = f"{spot.ratio * level:.3g} times the limit"
        verdict = "OVER THE LIMIT" if over else "Below the limit"
        wrapped(column, f"{verdict}: {times} at {level:.0%}, {setup.distance_m:g} m away", width)
        wrapped(
            column,
            f"{exposure.irradiance_w_m2 * level:.4g} W/m², permitted {exposure.limit_w_m2:.4g} "
            f"W/m² {exposure.rule}, at {spot.x:+.2f} {spot.y:+.2f}",
            width,
        )
    small = box.column(align=True)
    dwell = reading.dwell
    if dwell.duration_us:
        allowed = projector.safety.dwell_max_us
        limit = f" of {allowed:.0f} µs" if allowed else " µs, no limit set"
        place = f"at {dwell.x:+.2f} {dwell.y:+.2f}"
        wrapped(small, f"Longest dwell {dwell.duration_us:.0f}{limit}, {place}", width)
    small.active = False
    if spot is not None:
        wrapped(small, f"{setup.edition.value}. {PLANNING_NOTE}", width)


class BEAMWRIGHT_PT_live(SidebarPanel, bpy.types.Panel):
    """Light in the room."""

    bl_idname = "BEAMWRIGHT_PT_live"
    bl_label = "Live"

    def draw(self, context: Any) -> None:
        """Lay out the state, unmistakably, and the buttons."""
        layout = self.layout
        width = letters(context)
        # Always there, whatever else is shown; in alert's red only while there can be light.
        row = layout.row()
        row.scale_y = 1.8
        row.alert = live.is_armed()
        # Words before colour: not everybody sees red, and a screen in the dark is dimmed.
        text = "BLACKOUT: LASER ARMED" if live.is_armed() else "BLACKOUT: all is dark"
        row.operator("beamwright.live_blackout", icon="CANCEL", text=text)
        projector = active_projector(context)
        if projector is None:
            layout.label(text="Add a projector first", icon="INFO")
            return
        name, settings = projector.name, projector.live
        status = live.status(name)
        box = layout.box()
        column = box.column(align=True)
        if status is None:
            column.label(text=f"{name}: NOT CONNECTED", icon="UNLINKED")
            reason = live.reason_of(name)
            if reason:
                wrapped(column, f"Ended: {reason}", width, icon="ERROR")
        elif status.state is OutputState.ARMED:
            column.alert = True
            column.scale_y = 1.2
            column.label(text=f"{name}: ARMED at {status.level:.0%}", icon="ERROR")
            column.label(
                text="Laser light is on" if status.lit else "No light in this frame",
                icon="OUTLINER_OB_LIGHT" if status.lit else "OUTLINER_DATA_LIGHT",
            )
        else:
            column.label(text=f"{name}: DARK", icon="HIDE_ON")
            wrapped(column, f"No light: {status.reason}", width, icon="BLANK1")
        if status is not None:
            for finding in status.findings:
                wrapped(column, finding, width, icon="INFO")
            late = status.lateness
            column.label(
                text=f"{status.frames} frames, late p99 {late.p99_ms:.1f} ms", icon="BLANK1"
            )
        buttons = layout.column(align=True)
        if status is None:
            buttons.operator("beamwright.live_start", icon="LINKED")
        else:
            armed = status.state is OutputState.ARMED
            if not armed or settings.level > status.level + 1e-6:
                arm = buttons.row()
                arm.scale_y = 1.3
                text = f"Raise to {settings.level:.0%}" if armed else "Arm…"
                arm.operator("beamwright.live_arm", icon="OUTLINER_OB_LIGHT", text=text)
            buttons.operator("beamwright.live_stop", icon="UNLINKED").projector = name
        layout = split(layout)
        layout.prop(settings, "level")
        column = layout.column(align=True)
        column.enabled = status is None
        column.prop(settings, "host", placeholder="192.168.1.20")
        column.prop(settings, "port")
        column.prop(settings, "channel")
        column.prop(settings, "service")
        column.prop(settings, "wave")
        column.prop(settings, "acknowledges")
        offline = live.offline_reason()
        if offline:
            wrapped(self.layout, offline, width, icon="ERROR")
        level = status.level if status is not None and status.level else settings.level
        _worst_spot(self.layout.box(), context.scene, projector, level, width)
        self.layout.operator("beamwright.safety_text", icon="HELP")


class BEAMWRIGHT_PT_safety(SidebarPanel, bpy.types.Panel):
    """Limits that hold in files and live."""

    bl_idname = "BEAMWRIGHT_PT_safety"
    bl_label = "Safety Limits"
    bl_parent_id = "BEAMWRIGHT_PT_live"
    bl_options = {"DEFAULT_CLOSED"}

    @classmethod
    def poll(cls, context: Any) -> bool:
        """Show it where a projector is selected."""
        return active_projector(context) is not None

    def draw(self, context: Any) -> None:
        """Lay out keep-outs, window and the checks on standing beams."""
        layout = split(self.layout)
        safety = active_projector(context).safety
        self._keep_outs(layout.column(), safety)
        layout.prop(safety, "margin_field")
        column = layout.column(align=True)
        column.prop(safety, "window_low", index=0, text="Window Left")
        column.prop(safety, "window_low", index=1, text="Bottom")
        column.prop(safety, "window_high", index=0, text="Right")
        column.prop(safety, "window_high", index=1, text="Top")
        column = layout.column(align=True)
        column.prop(safety, "dwell_max_us", text="Dwell (µs)")
        column.prop(safety, "spot_field")
        column.prop(safety, "brightness_max")
        column.prop(safety, "picture_min_field")

    @staticmethod
    def _keep_outs(column: Any, safety: Any) -> None:
        """List the areas of the projector, to select and to remove."""
        column.operator("beamwright.keep_out_add", icon="ADD")
        column.prop(safety, "keep_outs", text="Areas In")
        collection = safety.keep_outs
        areas = [] if collection is None else collection.all_objects
        rows = column.column(align=True)
        for item in sorted(areas, key=lambda item: item.name_full):
            if item.type in {"EMPTY", "CAMERA"}:
                continue
            row = rows.row(align=True)
            chosen = "RADIOBUT_ON" if item.select_get() else "RADIOBUT_OFF"
            row.operator("beamwright.keep_out_select", text=item.name, icon=chosen).name = item.name
            row.operator("beamwright.keep_out_remove", text="", icon="X").name = item.name


class BEAMWRIGHT_PT_hazard(SidebarPanel, bpy.types.Panel):
    """What the beam could do, for planning."""

    bl_idname = "BEAMWRIGHT_PT_hazard"
    bl_label = "Hazard Figures"
    bl_parent_id = "BEAMWRIGHT_PT_live"
    bl_options = {"DEFAULT_CLOSED"}

    @classmethod
    def poll(cls, context: Any) -> bool:
        """Show it where a projector is selected."""
        return active_projector(context) is not None

    def draw(self, context: Any) -> None:
        """Lay out what is known of the light, and each figure with where it comes from."""
        layout = split(self.layout)
        width = letters(context)
        light = active_projector(context).light
        for property_name, text in (("wavelength_nm", "(nm)"), ("power_w", "(W)")):
            column = layout.column(align=True)
            for index, colour in enumerate(("Red", "Green", "Blue")):
                column.prop(light, property_name, index=index, text=f"{colour} {text}")
        column = layout.column(align=True)
        column.prop(light, "divergence_mrad", text="Spread (mrad)")
        column.prop(light, "diameter_mm", text="Beam (mm)")
        column.prop(light, "width")
        layout.prop(light, "distance_m", text="Throw (m)")
        layout.prop(light, "edition")
        layout.prop(light, "check_live")
        row = layout.row()
        row.enabled = light.check_live
        row.prop(light, "ratio_max")
        note = self.layout.column(align=True)
        note.alert = True
        wrapped(note, PLANNING_NOTE, width, icon="ERROR")
        for figure in _figures(light.to_core()):
            box = self.layout.box().column(align=True)
            value = "no figure" if figure.value is None else f"{figure.value:.4g} {figure.unit}"
            wrapped(box, f"{figure.name}: {value}", width)
            small = box.column(align=True)
            small.active = False
            origin = "; ".join(filter(None, (figure.formula, figure.edition, figure.certainty)))
            wrapped(small, figure.remark or origin, width)


CLASSES = (BEAMWRIGHT_PT_live, BEAMWRIGHT_PT_safety, BEAMWRIGHT_PT_hazard)
