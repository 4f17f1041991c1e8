# SPDX-License-Identifier: GPL-3.0-or-later
"""Operators: gather inputs, run the session, report. No logic of their own."""

import bpy

from . import (
    analysis,
    artwork,
    assignment,
    bake,
    effects,
    export,
    keep_out,
    live,
    preview,
    profiles,
    projectors,
    render_show,
    show,
)

CLASSES = (
    *projectors.CLASSES,
    *profiles.CLASSES,
    *assignment.CLASSES,
    *analysis.CLASSES,
    *export.CLASSES,
    *bake.CLASSES,
    *effects.CLASSES,
    *preview.CLASSES,
    *artwork.CLASSES,
    *show.CLASSES,
    *render_show.CLASSES,
    *live.CLASSES,
    *keep_out.CLASSES,
)


def register() -> None:
    """Register the operators."""
    for cls in CLASSES:
        if "bl_description" not in vars(cls) and cls.__doc__:
            # Blender would keep the line breaks of the source in its tooltip.
            cls.bl_description = " ".join(cls.__doc__.split())
        bpy.utils.register_class(cls)
    artwork.register_menus()
    live.register_keys()


def unregister() -> None:
    """Take the operators back."""
    live.unregister_keys()
    artwork.unregister_menus()
    for cls in reversed(CLASSES):
        bpy.utils.unregister_class(cls)
