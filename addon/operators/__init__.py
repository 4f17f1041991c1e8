# SPDX-License-Identifier: GPL-3.0-or-later
"""Operators: gather inputs, run the session, report. No logic of their own."""

import bpy

from . import analysis, artwork, assignment, export, preview, projectors

CLASSES = (
    *projectors.CLASSES,
    *assignment.CLASSES,
    *analysis.CLASSES,
    *export.CLASSES,
    *preview.CLASSES,
    *artwork.CLASSES,
)


def register() -> None:
    """Register the operators."""
    for cls in CLASSES:
        bpy.utils.register_class(cls)
    artwork.register_menus()


def unregister() -> None:
    """Take the operators back."""
    artwork.unregister_menus()
    for cls in reversed(CLASSES):
        bpy.utils.unregister_class(cls)
