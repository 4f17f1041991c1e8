# SPDX-License-Identifier: GPL-3.0-or-later
"""The extension's preferences."""

import textwrap
from typing import Any

import bpy
from bpy.props import EnumProperty, StringProperty

from ..core import kernels
from . import ROOT_PACKAGE, live
from .preview import overlay
from .properties import PROPERTY

FALLBACK_FOLDER = "//laser"
"""Folder beside the saved file, where neither the scene nor the preferences name one."""

LINE_LETTERS = 80


def _quality_chosen(_preferences: Any, _context: Any) -> None:
    overlay.settings_changed()


class BEAMWRIGHT_AP_preferences(bpy.types.AddonPreferences):
    """What holds for all files."""

    bl_idname = ROOT_PACKAGE

    output_folder: StringProperty(
        name="Output Folder",
        description="Where frame sequences go when a scene names no folder of its own; "
        "// is the folder of the saved file. With a folder that does not begin with //, files "
        "that were never saved are exported there too",
        subtype="DIR_PATH",
        options={"PATH_SUPPORTS_BLEND_RELATIVE"},
        default=FALLBACK_FOLDER,
    )
    preview_quality: EnumProperty(
        name="Preview Quality",
        description="What the preview in the 3D view takes its lines from",
        items=[
            (
                "EXPORT",
                "As Exported",
                "Exactly what an export draws: objects hidden in the viewport but not in renders, "
                "and modifiers with their render settings. Scenes where the two differ are "
                "evaluated twice for each frame",
            ),
            (
                "VIEWPORT",
                "As in Viewport",
                "Quicker where modifiers are finer in renders: objects and modifiers as the "
                "viewport shows them. An export may draw more",
            ),
        ],
        default="EXPORT",
        update=_quality_chosen,
    )

    def draw(self, context: Any) -> None:
        """Lay out the preferences, and what this Blender can and may do."""
        layout = self.layout
        layout.use_property_split = True
        layout.prop(self, "output_folder")
        layout.prop(self, "preview_quality")
        draw_kernels(layout)
        draw_network(layout, context)


def _row(layout: Any, label: str) -> Any:
    """Return the right part of a row whose left part is a label, as properties have it."""
    parts = layout.split(factor=0.4)
    left = parts.row()
    left.alignment = "RIGHT"
    left.label(text=label)
    return parts.column(align=True)


def kernel_words() -> tuple[bool, str, str]:
    """Return whether the compiled kernels serve, the same in words, and the reason if not."""
    if kernels.is_native():
        return True, "Compiled", ""
    reason = kernels.status().removeprefix("numpy:").strip()
    return False, "Python only: slower, with the same result", reason


def draw_kernels(layout: Any) -> None:
    """Say whether the fast inner loops serve."""
    native, words, reason = kernel_words()
    column = _row(layout, "Calculation")
    column.label(text=words, icon="CHECKMARK" if native else "INFO")
    for line in textwrap.wrap(reason, LINE_LETTERS):
        column.label(text=line, icon="BLANK1")


def draw_network(layout: Any, context: Any) -> None:
    """Say whether live output may reach projectors, and let the artist allow it."""
    column = _row(layout, "Network")
    refusal = live.offline_reason()
    if not refusal:
        column.label(text="Allowed: projectors can be reached for live output", icon="CHECKMARK")
    elif bpy.app.online_access_override:
        column.label(text=refusal, icon="ERROR")
    else:
        column.label(text="Off: live output reaches no projector", icon="INFO")
        column.use_property_split = False
        column.prop(context.preferences.system, "use_online_access", text="Allow Online Access")


def _stored() -> Any:
    addon = bpy.context.preferences.addons.get(ROOT_PACKAGE)
    return getattr(addon, "preferences", None)


def output_folder() -> str:
    """Return the folder set in the preferences; its default where they are not registered."""
    return getattr(_stored(), "output_folder", "") or FALLBACK_FOLDER


def chosen_folder(scene: bpy.types.Scene, folder: str = "") -> str:
    """Return the folder to write to as it was typed: `folder`, the scene's, or the default."""
    return folder or getattr(scene, PROPERTY).output_folder or output_folder()


def is_homeless(folder: str) -> bool:
    """Whether a folder lies beside a file that was never saved."""
    return folder.startswith("//") and not bpy.data.filepath


def register() -> None:
    """Register the preferences."""
    bpy.utils.register_class(BEAMWRIGHT_AP_preferences)


def unregister() -> None:
    """Take the preferences back."""
    bpy.utils.unregister_class(BEAMWRIGHT_AP_preferences)
