# SPDX-License-Identifier: GPL-3.0-or-later
"""Settings of a collection."""

import bpy
from bpy.props import BoolProperty, PointerProperty

from .assignment import OVERRIDABLE, drawn_by_property
from .lines import BEAMWRIGHT_PG_lines


class BEAMWRIGHT_PG_collection(bpy.types.PropertyGroup):
    """Beamwright's settings of one collection."""

    override_lines: BoolProperty(
        name="Set Lines for All Objects",
        description="Use these line settings for every object of the collection that follows it",
        default=False,
        override=OVERRIDABLE,
    )
    lines: PointerProperty(type=BEAMWRIGHT_PG_lines, override=OVERRIDABLE)
    drawn_by: drawn_by_property()
