# SPDX-License-Identifier: GPL-3.0-or-later
"""Operators: gather inputs, run the session, report. No logic of their own."""

import bpy

from . import analysis, assignment, export, preview, projectors

CLASSES = (
    *projectors.CLASSES,
    *assignment.CLASSES,
    *analysis.CLASSES,
    *export.CLASSES,
    *preview.CLASSES,
)


def register() -> None:
    """Register the operators."""
    for cls in CLASSES:
        bpy.utils.register_class(cls)


def unregister() -> None:
    """Take the operators back."""
    for cls in reversed(CLASSES):
        bpy.utils.unregister_class(cls)
