# SPDX-License-Identifier: GPL-3.0-or-later
"""What the last analysis of a scene found: kept in the file, beside its curves and markers."""

from typing import Any

import bpy
from bpy.props import BoolProperty, FloatProperty, IntProperty, StringProperty


class BEAMWRIGHT_PG_worst_frame(bpy.types.PropertyGroup):
    """The fullest frame of a range that does not fit, on one projector."""

    frame: IntProperty(name="Frame", description="Number of the frame")
    first: IntProperty(name="First", description="First frame of the range it is the worst of")
    last: IntProperty(name="Last", description="Last frame of the range it is the worst of")
    projector: StringProperty(name="Projector", description="Name of the projector")
    points: IntProperty(name="Points", description="Points the frame takes")
    budget: IntProperty(name="Budget", description="Points a frame may take")
    refresh_hz: FloatProperty(
        name="Refresh", description="How often a second the frame is drawn, in hertz"
    )
    over_budget: BoolProperty(
        name="Over Budget", description="The frame has more points than it may take"
    )
    left_out: IntProperty(
        name="Left Out", description="Strokes that were left out to stay within the budget"
    )
    blame: StringProperty(
        name="Most Points", description="Objects that take most of the points, and their share"
    )
    lost: StringProperty(name="Lost", description="Objects that lost strokes")


def jump_to_worst(settings: Any, _context: Any) -> None:
    """Go to the frame that was chosen in the list."""
    scene, index = settings.id_data, settings.active_worst_frame
    if 0 <= index < len(settings.worst_frames):
        frame = settings.worst_frames[index].frame
        if scene.frame_current != frame:
            scene.frame_current = frame
