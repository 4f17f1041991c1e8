# SPDX-License-Identifier: GPL-3.0-or-later
"""Scanner profiles: starting points, the artist's own, and files to exchange."""

from pathlib import Path
from typing import Any

import bpy
from bpy.props import BoolProperty, StringProperty
from bpy_extras.io_utils import ExportHelper, ImportHelper

from ...core.errors import BeamwrightError, SettingError
from ...core.points.projector import GENERIC_PROFILES, ScannerProfile
from .. import profiles
from ..properties import PROPERTY
from .editable import why_fixed


def _projector(context: Any) -> Any:
    """Return the projector selected in the scene's list, or None."""
    if context.scene is None:
        return None
    settings = getattr(context.scene, PROPERTY)
    index = settings.active_projector
    return settings.projectors[index] if 0 <= index < len(settings.projectors) else None


def _selected(operator: Any, context: Any) -> bool:
    if _projector(context) is None:
        operator.poll_message_set("Select a projector in the list, or add one")
        return False
    return True


def _changeable(operator: Any, context: Any) -> bool:
    if not _selected(operator, context):
        return False
    if reason := why_fixed(context.scene):
        operator.poll_message_set(reason)
        return False
    return True


class _Failing:
    """Says in one sentence what went wrong."""

    report: Any  # given by the operator it is mixed into

    def refuse(self, error: BeamwrightError) -> set[str]:
        """Report the error and end."""
        self.report({"ERROR"}, str(error))
        return {"CANCELLED"}


class BEAMWRIGHT_OT_profile_apply(_Failing, bpy.types.Operator):
    """Give the selected projector a scanner profile: a usual rating to start from, or one saved"""

    bl_idname = "beamwright.profile_apply"
    bl_label = "Apply Scanner Profile"
    bl_options = {"REGISTER", "UNDO"}

    name: StringProperty(name="Name", description="Rating, or name of the saved profile")
    saved: BoolProperty(
        name="Saved", description="One of your own, or else one of the ratings", default=False
    )

    @classmethod
    def poll(cls, context: Any) -> bool:
        """Need a projector that can be changed."""
        return _changeable(cls, context)

    def execute(self, context: Any) -> set[str]:
        """Take the values over; a rating keeps the scan angle that is set."""
        target = _projector(context).profile
        try:
            target.set_from(self._wanted(target.field_deg))
        except BeamwrightError as error:
            return self.refuse(error)
        self.report({"INFO"}, f"Scanner profile “{target.label}”")
        return {"FINISHED"}

    def _wanted(self, field_deg: float) -> ScannerProfile:
        if self.saved:
            path = profiles.stored().get(self.name)
            if path is None:
                raise SettingError(f"There is no saved profile “{self.name}”.")
            return profiles.read(path)
        if self.name not in GENERIC_PROFILES:
            raise SettingError(
                f"There is no rating “{self.name}”; choose from {', '.join(GENERIC_PROFILES)}."
            )
        return GENERIC_PROFILES[self.name].converted(field_deg=field_deg)


class BEAMWRIGHT_OT_profile_store(_Failing, bpy.types.Operator):
    """Keep the selected projector's scanner profile for all files, in the list of profiles"""

    bl_idname = "beamwright.profile_store"
    bl_label = "Save Scanner Profile"
    bl_options = {"REGISTER"}

    name: StringProperty(
        name="Name",
        description="Name in the list; a saved profile of the same name is replaced. "
        "Empty takes the profile's label",
        options={"SKIP_SAVE"},
    )

    @classmethod
    def poll(cls, context: Any) -> bool:
        """Need a projector."""
        return _selected(cls, context)

    def invoke(self, context: Any, _event: Any) -> set[str]:
        """Ask for the name."""
        self.name = self.name or _projector(context).profile.label
        result: set[str] = context.window_manager.invoke_props_dialog(self, confirm_text="Save")
        return result

    def execute(self, context: Any) -> set[str]:
        """Write it into the artist's folder."""
        group = _projector(context).profile
        name = profiles.file_name(self.name or group.label)
        try:
            profiles.write(group.to_core(), profiles.folder() / f"{name}{profiles.SUFFIX}")
        except BeamwrightError as error:
            return self.refuse(error)
        self.report({"INFO"}, f"Saved scanner profile “{name}”")
        return {"FINISHED"}


class BEAMWRIGHT_OT_profile_delete(_Failing, bpy.types.Operator):
    """Delete one of your saved scanner profiles; projectors that use it keep their values"""

    bl_idname = "beamwright.profile_delete"
    bl_label = "Delete Saved Profile"
    bl_options = {"REGISTER"}

    name: StringProperty(name="Name", description="Name of the saved profile")

    def invoke(self, context: Any, event: Any) -> set[str]:
        """Ask first: a deleted file does not come back."""
        result: set[str] = context.window_manager.invoke_confirm(
            self, event, title="Delete Saved Profile", message=self.name, confirm_text="Delete"
        )
        return result

    def execute(self, _context: Any) -> set[str]:
        """Delete its file."""
        try:
            profiles.remove(self.name)
        except BeamwrightError as error:
            return self.refuse(error)
        self.report({"INFO"}, f"Deleted scanner profile “{self.name}”")
        return {"FINISHED"}


class BEAMWRIGHT_OT_profile_import(_Failing, ImportHelper, bpy.types.Operator):
    """Read a scanner profile from a file, as the terminal commands take it, and give it to the
    selected projector"""

    bl_idname = "beamwright.profile_import"
    bl_label = "Load Profile File"
    bl_options = {"REGISTER", "UNDO"}

    filename_ext = profiles.SUFFIX
    filter_glob: StringProperty(default="*.json", options={"HIDDEN"})

    @classmethod
    def poll(cls, context: Any) -> bool:
        """Need a projector that can be changed."""
        return _changeable(cls, context)

    def execute(self, context: Any) -> set[str]:
        """Take the file's values over."""
        target = _projector(context).profile
        try:
            target.set_from(profiles.read(Path(self.filepath)))
        except BeamwrightError as error:
            return self.refuse(error)
        self.report({"INFO"}, f"Scanner profile “{target.label}”")
        return {"FINISHED"}


class BEAMWRIGHT_OT_profile_export(_Failing, ExportHelper, bpy.types.Operator):
    """Write the selected projector's scanner profile to a file, for another computer or for the
    terminal commands"""

    bl_idname = "beamwright.profile_export"
    bl_label = "Save Profile File"
    bl_options = {"REGISTER"}

    filename_ext = profiles.SUFFIX
    filter_glob: StringProperty(default="*.json", options={"HIDDEN"})

    @classmethod
    def poll(cls, context: Any) -> bool:
        """Need a projector."""
        return _selected(cls, context)

    def invoke(self, context: Any, event: Any) -> set[str]:
        """Ask where, with the label as the file's name."""
        label = profiles.file_name(_projector(context).profile.label)
        self.filepath = f"{label}{profiles.SUFFIX}"
        result: Any = super().invoke(context, event)
        return set(result)

    def execute(self, context: Any) -> set[str]:
        """Write the file."""
        path = Path(self.filepath)
        try:
            profiles.write(_projector(context).profile.to_core(), path)
        except BeamwrightError as error:
            return self.refuse(error)
        self.report({"INFO"}, f"Wrote {path.name}")
        return {"FINISHED"}


CLASSES = (
    BEAMWRIGHT_OT_profile_apply,
    BEAMWRIGHT_OT_profile_store,
    BEAMWRIGHT_OT_profile_delete,
    BEAMWRIGHT_OT_profile_import,
    BEAMWRIGHT_OT_profile_export,
)
