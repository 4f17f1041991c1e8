# SPDX-License-Identifier: GPL-3.0-or-later
"""Settings of an object."""

import bpy
from bpy.props import BoolProperty, FloatProperty, PointerProperty

from ...core.scene import Assignment
from .artwork import BEAMWRIGHT_PG_artwork
from .assignment import OVERRIDABLE, drawn_by_property
from .effects import BEAMWRIGHT_PG_effects
from .lines import BEAMWRIGHT_PG_lines

_ASSIGNMENT = Assignment()


class BEAMWRIGHT_PG_object(bpy.types.PropertyGroup):
    """Beamwright's settings of one object."""

    lines: PointerProperty(type=BEAMWRIGHT_PG_lines, override=OVERRIDABLE)
    artwork: PointerProperty(type=BEAMWRIGHT_PG_artwork)
    effects: PointerProperty(type=BEAMWRIGHT_PG_effects, override=OVERRIDABLE)
    inherit_lines: BoolProperty(
        name="Follow Collection",
        description="Where a collection of this object sets its own lines, use those instead "
        "of the ones below",
        default=True,
        override=OVERRIDABLE,
    )
    drawn_by: drawn_by_property()
    priority: FloatProperty(
        name="Priority",
        description="When a frame has too many points, strokes of lower priority are left out "
        "first",
        default=_ASSIGNMENT.priority,
        soft_min=-10.0,
        soft_max=10.0,
        step=100,
        precision=1,
        override=OVERRIDABLE,
    )
    locked: BoolProperty(
        name="Always Draw",
        description="Never leave out this object's strokes, however full the frame is",
        default=_ASSIGNMENT.locked,
        override=OVERRIDABLE,
    )
    baked: BoolProperty(
        name="Baked Strokes",
        description="This object shows what the projectors draw, and is never drawn by them",
        default=False,
        options={"HIDDEN"},
    )
