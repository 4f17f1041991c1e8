# SPDX-License-Identifier: GPL-3.0-or-later
"""What the artist sets, stored in the .blend file.

``scene.beamwright``, ``collection.beamwright`` and ``object.beamwright`` are the only
properties added to Blender's types. Defaults come from core's settings; `to_core` gives
the frozen settings back.
"""

from typing import Any

import bpy
from bpy.props import PointerProperty

from . import artwork, effects, safety
from .assignment import OVERRIDABLE, PROPERTY, assign, assigned_names
from .collection import BEAMWRIGHT_PG_collection
from .lines import KIND_PROPERTIES, BEAMWRIGHT_PG_drawing, BEAMWRIGHT_PG_lines
from .object import BEAMWRIGHT_PG_object
from .profile import RATINGS, BEAMWRIGHT_PG_profile
from .projector import (
    DEFAULT_PROJECTOR_NAME,
    BEAMWRIGHT_PG_aim,
    BEAMWRIGHT_PG_projector,
    unique_name,
)
from .report import BEAMWRIGHT_PG_worst_frame
from .scene import BEAMWRIGHT_PG_scene
from .single import exact
from .versions import migrate, stamp

__all__ = [
    "CLASSES",
    "DEFAULT_PROJECTOR_NAME",
    "KIND_PROPERTIES",
    "PROPERTY",
    "RATINGS",
    "assign",
    "assigned_names",
    "exact",
    "is_registered",
    "migrate",
    "register",
    "stamp",
    "unique_name",
    "unregister",
]

CLASSES = (
    BEAMWRIGHT_PG_profile,
    BEAMWRIGHT_PG_aim,
    *safety.CLASSES,
    BEAMWRIGHT_PG_projector,
    BEAMWRIGHT_PG_drawing,
    BEAMWRIGHT_PG_lines,
    *artwork.CLASSES,
    *effects.CLASSES,
    BEAMWRIGHT_PG_object,
    BEAMWRIGHT_PG_collection,
    BEAMWRIGHT_PG_worst_frame,
    BEAMWRIGHT_PG_scene,
)

_OWNERS = (
    (bpy.types.Scene, BEAMWRIGHT_PG_scene),
    (bpy.types.Collection, BEAMWRIGHT_PG_collection),
    (bpy.types.Object, BEAMWRIGHT_PG_object),
)


def is_registered() -> bool:
    """Whether Blender's types carry Beamwright's properties already."""
    return hasattr(bpy.types.Scene, PROPERTY)


def register() -> None:
    """Register the property groups and hang them on scenes, collections and objects."""
    for cls in CLASSES:
        bpy.utils.register_class(cls)
    for owner, group in _OWNERS:
        pointer: Any = PointerProperty
        setattr(owner, PROPERTY, pointer(type=group, override=OVERRIDABLE))


def unregister() -> None:
    """Take everything back that `register` added."""
    for owner, _group in reversed(_OWNERS):
        delattr(owner, PROPERTY)
    for cls in reversed(CLASSES):
        bpy.utils.unregister_class(cls)
