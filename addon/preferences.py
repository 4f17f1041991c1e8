# SPDX-License-Identifier: GPL-3.0-or-later
"""The extension's preferences."""

from typing import Any

import bpy
from bpy.props import StringProperty

from . import ROOT_PACKAGE

FALLBACK_FOLDER = "//laser"
"""Folder beside the saved file, where neither the scene nor the preferences name one."""


class BEAMWRIGHT_AP_preferences(bpy.types.AddonPreferences):
    """What holds for all files."""

    bl_idname = ROOT_PACKAGE

    output_folder: StringProperty(
        name="Output Folder",
        description="Where frame sequences go when a scene names no folder of its own; "
        "// is the folder of the saved file",
        subtype="DIR_PATH",
        options={"PATH_SUPPORTS_BLEND_RELATIVE"},
        default=FALLBACK_FOLDER,
    )

    def draw(self, _context: Any) -> None:
        """Lay out the preferences."""
        self.layout.use_property_split = True
        self.layout.prop(self, "output_folder")


def output_folder() -> str:
    """Return the folder set in the preferences; its default where they are not registered."""
    addon = bpy.context.preferences.addons.get(ROOT_PACKAGE)
    folder = getattr(getattr(addon, "preferences", None), "output_folder", "")
    return folder or FALLBACK_FOLDER


def register() -> None:
    """Register the preferences."""
    bpy.utils.register_class(BEAMWRIGHT_AP_preferences)


def unregister() -> None:
    """Take the preferences back."""
    bpy.utils.unregister_class(BEAMWRIGHT_AP_preferences)
