# SPDX-License-Identifier: GPL-3.0-or-later
"""Which projectors draw what."""

from typing import Any

import bpy
from bpy.props import StringProperty

PROPERTY = "beamwright"
"""Name of the pointer property on scenes, collections and objects."""


class BEAMWRIGHT_PG_projector_reference(bpy.types.PropertyGroup):
    """A projector by its name."""

    name: StringProperty(name="Projector", description="Name of a projector of the scene")


def assign(owner: bpy.types.Object | bpy.types.Collection, *names: str) -> None:
    """Let an object or a collection be drawn by the projectors of these names."""
    references = getattr(owner, PROPERTY).projectors
    references.clear()
    for name in names:
        references.add().name = name


def assigned_names(owner: Any) -> tuple[str, ...]:
    """Return the projector names stored on an object or collection, in order, once each."""
    return tuple(dict.fromkeys(reference.name for reference in getattr(owner, PROPERTY).projectors))
