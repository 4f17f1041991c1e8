# SPDX-License-Identifier: GPL-3.0-or-later
"""The interface: layout only, from cached values."""

import bpy

from . import artwork, effects, live, menus, object_lines, output, preview, projectors, show, tabs

CLASSES = (
    *menus.CLASSES,
    *preview.CLASSES,
    *projectors.CLASSES,
    *output.CLASSES,
    *live.CLASSES,
    *object_lines.CLASSES,
    *effects.CLASSES,
    *artwork.CLASSES,
    *show.CLASSES,
    *tabs.CLASSES,
)


def register() -> None:
    """Register lists and panels."""
    for cls in CLASSES:
        bpy.utils.register_class(cls)
    menus.add_to_blender()


def unregister() -> None:
    """Take lists and panels back."""
    menus.remove_from_blender()
    for cls in reversed(CLASSES):
        bpy.utils.unregister_class(cls)
