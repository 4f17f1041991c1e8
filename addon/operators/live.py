# SPDX-License-Identifier: GPL-3.0-or-later
"""Live output: start, arm, blackout, stop."""

from typing import Any

import bpy
from bpy.props import StringProperty

from ...core.errors import BeamwrightError
from ...core.safety.notice import SAFETY_NOTICE, SAFETY_PAGE
from .. import live, worst_spot
from ..properties import PROPERTY

KEY = {"type": "ESC", "value": "PRESS", "shift": True}
"""Blackout's key over the 3D view; others can be set in the preferences."""

_keymaps: list[Any] = []


def _projector(context: Any) -> Any:
    settings = getattr(context.scene, PROPERTY)
    index = settings.active_projector
    return settings.projectors[index] if 0 <= index < len(settings.projectors) else None


LETTERS = 100
"""In a line of a window that is 620 pixels wide."""


def _lay_out_notice(column: Any) -> None:
    for row, text in enumerate(SAFETY_NOTICE.splitlines()):
        _lay_out_lines(column, text, "NONE" if row else "ERROR")


def _lay_out_lines(column: Any, text: str, icon: str = "NONE") -> None:
    rest = text
    while rest:
        cut = len(rest) if len(rest) <= LETTERS else rest.rfind(" ", 0, LETTERS)
        column.label(text=rest[:cut].strip(), icon=icon)
        rest, icon = rest[cut:].strip(), "NONE"


def _selected(operator: Any, context: Any) -> Any:
    projector = _projector(context) if context.scene is not None else None
    if projector is None:
        operator.poll_message_set("The scene has no projector yet")
    return projector


class BEAMWRIGHT_OT_live_start(bpy.types.Operator):
    """Connect to the selected projector and keep sending the current frame; it stays dark"""

    bl_idname = "beamwright.live_start"
    bl_label = "Go Live, Dark"

    @classmethod
    def poll(cls, context: Any) -> bool:
        """Need a projector with an address, and permission to use the network."""
        projector = _selected(cls, context)
        if projector is None:
            return False
        if live.offline_reason():
            cls.poll_message_set(live.offline_reason())
            return False
        if not projector.live.host.strip():
            cls.poll_message_set("The projector has no address")
            return False
        return not live.is_running(projector.name)

    def execute(self, context: Any) -> set[str]:
        """Open the output, dark."""
        try:
            live.start(context.scene, _projector(context))
        except BeamwrightError as error:
            self.report({"ERROR"}, str(error))
            return {"CANCELLED"}
        return {"FINISHED"}


class BEAMWRIGHT_OT_live_arm(bpy.types.Operator):
    """Let the light of the selected projector out, at its master level"""

    bl_idname = "beamwright.live_arm"
    bl_label = "Arm"

    @classmethod
    def poll(cls, context: Any) -> bool:
        """Need a projector that is live."""
        projector = _selected(cls, context)
        if projector is None:
            return False
        if not live.is_running(projector.name):
            cls.poll_message_set("The projector is not live yet")
            return False
        return True

    def invoke(self, context: Any, event: Any) -> set[str]:
        """Show the safety text first."""
        del event
        result: set[str] = context.window_manager.invoke_props_dialog(
            self, width=620, title="Laser Light", confirm_text="Arm"
        )
        return result

    def draw(self, context: Any) -> None:
        """Lay out the safety text."""
        projector = _projector(context)
        column = self.layout.column(align=True)
        column.alert = True
        _lay_out_notice(column)
        if projector is not None:
            column.label(text=f"“{projector.name}” will be lit at {projector.live.level:.0%}.")

    def execute(self, context: Any) -> set[str]:
        """Arm it."""
        projector = _projector(context)
        try:
            live.arm(projector.name, projector.live.level)
        except BeamwrightError as error:
            self.report({"ERROR"}, str(error))
            return {"CANCELLED"}
        self.report({"WARNING"}, f"“{projector.name}” is armed at {projector.live.level:.0%}")
        return {"FINISHED"}


class BEAMWRIGHT_OT_live_blackout(bpy.types.Operator):
    """Make all projectors dark at once; only arming again brings light back"""

    bl_idname = "beamwright.live_blackout"
    bl_label = "Blackout"

    def execute(self, context: Any) -> set[str]:
        """Make dark."""
        del context
        count = live.blackout()
        self.report({"INFO"}, "Dark" if count else "No projector is live: nothing was lit")
        return {"FINISHED"}


class BEAMWRIGHT_OT_live_stop(bpy.types.Operator):
    """Make a projector dark and disconnect from it"""

    bl_idname = "beamwright.live_stop"
    bl_label = "Disconnect"

    projector: StringProperty(
        name="Projector", description="Whose output ends; empty for all", default=""
    )

    @classmethod
    def poll(cls, _context: Any) -> bool:
        """Need something that is live."""
        if not live.is_running():
            cls.poll_message_set("No projector is live")
            return False
        return True

    def execute(self, context: Any) -> set[str]:
        """Close the output."""
        del context
        live.stop(self.projector or None)
        return {"FINISHED"}


class BEAMWRIGHT_OT_safety_text(bpy.types.Operator):
    """Show what everybody near a laser must know: the safety page, in plain words"""

    bl_idname = "beamwright.safety_text"
    bl_label = "Safety Page"

    def invoke(self, context: Any, event: Any) -> set[str]:
        """Show it in a window of its own."""
        del event
        result: set[str] = context.window_manager.invoke_popup(self, width=620)
        return result

    def draw(self, context: Any) -> None:
        """Lay out the text."""
        del context
        column = self.layout.column(align=True)
        _lay_out_notice(column)
        for paragraph in SAFETY_PAGE:
            column.separator()
            _lay_out_lines(column, paragraph)

    def execute(self, context: Any) -> set[str]:
        """Without a window, say it."""
        del context
        self.report({"INFO"}, "\n".join((SAFETY_NOTICE, *SAFETY_PAGE)))
        return {"FINISHED"}


CLASSES = (
    BEAMWRIGHT_OT_live_start,
    BEAMWRIGHT_OT_live_arm,
    BEAMWRIGHT_OT_live_blackout,
    BEAMWRIGHT_OT_live_stop,
    BEAMWRIGHT_OT_safety_text,
)


def register_keys() -> None:
    """Bind blackout to its key; there is no key configuration without a window."""
    manager = bpy.context.window_manager
    configuration = manager.keyconfigs.addon if manager is not None else None
    if configuration is None:
        return
    keymap = configuration.keymaps.new(name="3D View", space_type="VIEW_3D")
    item = keymap.keymap_items.new(BEAMWRIGHT_OT_live_blackout.bl_idname, **KEY)
    _keymaps.append((keymap, item))


def unregister_keys() -> None:
    """Take the key back, and end all output."""
    live.stop()
    worst_spot.stop()
    while _keymaps:
        keymap, item = _keymaps.pop()
        keymap.keymap_items.remove(item)
