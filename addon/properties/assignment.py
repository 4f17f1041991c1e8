# SPDX-License-Identifier: GPL-3.0-or-later
"""Which projectors draw what."""

from typing import Any

import bpy
from bpy.props import StringProperty

PROPERTY = "beamwright"
"""Name of the pointer property on scenes, collections and objects."""

OVERRIDABLE = {"LIBRARY_OVERRIDABLE"}
"""Option of what can be changed on linked data through a library override."""

SEPARATOR = "\n"


def drawn_by_property() -> Any:
    """Return the property that names the projectors of an object or a collection.

    One text for all of them: an override takes it as a whole, while of a list it keeps only
    what was added.
    """
    return StringProperty(
        name="Drawn By",
        description="Projectors that draw this, one name a line; empty leaves it to the "
        "collection, and without one to the first projector",
        default="",
        override=OVERRIDABLE,
    )


def assign(owner: bpy.types.Object | bpy.types.Collection, *names: str) -> None:
    """Let an object or a collection be drawn by the projectors of these names."""
    getattr(owner, PROPERTY).drawn_by = SEPARATOR.join(names)


def assigned_names(owner: Any) -> tuple[str, ...]:
    """Return the projector names stored on an object or collection, in order, once each."""
    names = getattr(owner, PROPERTY).drawn_by.split(SEPARATOR)
    return tuple(dict.fromkeys(name for name in names if name))
