# SPDX-License-Identifier: GPL-3.0-or-later
"""What makes a scene's sequencer a show: settings in ``scene.beamwright_show``."""

from typing import Any

import bpy
from bpy.props import BoolProperty, CollectionProperty, EnumProperty, IntProperty, StringProperty

__all__ = ["SHOW_PROPERTY", "register", "unregister"]

SHOW_PROPERTY = "beamwright_show"
"""Name of the pointer property on scenes."""

CUE_PREFIX = "cue "


class BEAMWRIGHT_PG_show_channel(bpy.types.PropertyGroup):
    """Who draws the scenes on a channel of the sequencer."""

    channel: IntProperty(
        name="Channel", description="Number of the channel in the sequencer", default=1, min=1
    )
    target: StringProperty(
        name="Projector",
        description="Projector, or group of projectors, that draws everything on this channel. "
        "Empty lets every object go to the projectors it is assigned to",
    )


class BEAMWRIGHT_PG_show(bpy.types.PropertyGroup):
    """Settings of a show."""

    is_show: BoolProperty(
        name="Show",
        description="The scene strips in this scene's sequencer are a laser show",
        default=False,
    )
    channels: CollectionProperty(type=BEAMWRIGHT_PG_show_channel)
    active_channel: IntProperty(
        name="Active Channel", description="Channel selected in the list", default=0, min=0
    )
    overlap: EnumProperty(
        name="Overlaps",
        description="What a projector draws where two strips lie on one another",
        items=[
            ("UPPER", "Upper Channel", "Only the strip on the higher channel"),
            ("BOTH", "All", "All strips together"),
        ],
        default="UPPER",
    )
    length_from: EnumProperty(
        name="Length",
        description="Where the show ends",
        items=[
            ("SOUND", "Soundtrack", "With the last sound strip, or the frame range without one"),
            ("RANGE", "Frame Range", "With the end frame of the scene"),
        ],
        default="SOUND",
    )
    cue_prefix: StringProperty(
        name="Cue Prefix",
        description="Markers whose name begins with this are cue points in the report",
        default=CUE_PREFIX,
    )

    jobs: IntProperty(
        name="Processes",
        description="How many processes render the show; 0 takes as many as the work is worth, at "
        "most one for each processor core",
        default=0,
        min=0,
        max=64,
    )
    make_film: BoolProperty(
        name="Proof Film",
        description="Also make a film of the light on the stage, with the soundtrack, beside the "
        "frame files",
        default=False,
    )

    def targets(self) -> dict[int, str]:
        """Return projector or group by channel."""
        return {item.channel: item.target for item in self.channels if item.target}

    def assign(self, channel: int, target: str) -> None:
        """Let a projector or group draw a channel; empty lets objects decide."""
        for item in self.channels:
            if item.channel == channel:
                item.target = target
                return
        item = self.channels.add()
        item.channel, item.target = channel, target


CLASSES = (BEAMWRIGHT_PG_show_channel, BEAMWRIGHT_PG_show)


def register() -> None:
    """Register the property groups and hang them on scenes."""
    for cls in CLASSES:
        bpy.utils.register_class(cls)
    pointer: Any = bpy.props.PointerProperty
    setattr(bpy.types.Scene, SHOW_PROPERTY, pointer(type=BEAMWRIGHT_PG_show))


def unregister() -> None:
    """Take everything back that `register` added."""
    delattr(bpy.types.Scene, SHOW_PROPERTY)
    for cls in reversed(CLASSES):
        bpy.utils.unregister_class(cls)
