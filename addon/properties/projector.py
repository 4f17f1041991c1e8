# SPDX-License-Identifier: GPL-3.0-or-later
"""Settings of a projector, and where its picture lies."""

import math
from collections.abc import Iterable, Sequence
from typing import Any

import bpy
from bpy.props import (
    BoolProperty,
    EnumProperty,
    FloatProperty,
    FloatVectorProperty,
    IntProperty,
    PointerProperty,
    StringProperty,
)

from ...core.points.projector import Aim, Projector
from .assignment import PROPERTY, assign, assigned_names
from .profile import BEAMWRIGHT_PG_profile
from .safety import BEAMWRIGHT_PG_light, BEAMWRIGHT_PG_live, BEAMWRIGHT_PG_safety
from .single import exact

DEFAULT_PROJECTOR_NAME = "Projector"

_AIM = Aim()
_PROJECTOR = Projector()


def _corner(name: str, default: tuple[float, float]) -> Any:
    return FloatVectorProperty(
        name=name,
        description="Where this corner of the field goes, in half widths of the field; "
        "moves the picture's corner to straighten it on a slanted screen",
        size=2,
        default=default,
        soft_min=-1.5,
        soft_max=1.5,
        step=1,
        precision=3,
    )


class BEAMWRIGHT_PG_aim(bpy.types.PropertyGroup):
    """How the picture lies in the projector's field."""

    scale_x: FloatProperty(
        name="Scale X",
        description="Width of the picture; 1 fills the field with the longer side of the page",
        default=_AIM.scale_x,
        soft_min=0.05,
        soft_max=1.0,
        step=1,
        precision=3,
    )
    scale_y: FloatProperty(
        name="Scale Y",
        description="Height of the picture; 1 fills the field with the longer side of the page",
        default=_AIM.scale_y,
        soft_min=0.05,
        soft_max=1.0,
        step=1,
        precision=3,
    )
    rotation: FloatProperty(
        name="Rotation",
        description="Turn the picture counter-clockwise, as the audience sees it",
        default=_AIM.rotation_rad,
        subtype="ANGLE",
        soft_min=-math.pi,
        soft_max=math.pi,
    )
    offset_x: FloatProperty(
        name="Offset X",
        description="Move the picture to the right, in half widths of the field",
        default=_AIM.offset_x,
        soft_min=-1.0,
        soft_max=1.0,
        step=1,
        precision=3,
    )
    offset_y: FloatProperty(
        name="Offset Y",
        description="Move the picture up, in half widths of the field",
        default=_AIM.offset_y,
        soft_min=-1.0,
        soft_max=1.0,
        step=1,
        precision=3,
    )
    mirror_x: BoolProperty(
        name="Mirror X",
        description="Swap left and right, for a projection from behind",
        default=_AIM.mirror_x,
    )
    mirror_y: BoolProperty(
        name="Mirror Y",
        description="Swap top and bottom, for a projector that hangs upside down with Mirror X",
        default=_AIM.mirror_y,
    )
    corner_bottom_left: _corner("Bottom Left", _AIM.corners[0])
    corner_bottom_right: _corner("Bottom Right", _AIM.corners[1])
    corner_top_right: _corner("Top Right", _AIM.corners[2])
    corner_top_left: _corner("Top Left", _AIM.corners[3])

    def to_core(self) -> Aim:
        """Return the frozen placement."""

        def corner(values: Sequence[float]) -> tuple[float, float]:
            return exact(values[0]), exact(values[1])

        return Aim(
            scale_x=exact(self.scale_x, _AIM.scale_x),
            scale_y=exact(self.scale_y, _AIM.scale_y),
            rotation_rad=exact(self.rotation, _AIM.rotation_rad),
            offset_x=exact(self.offset_x, _AIM.offset_x),
            offset_y=exact(self.offset_y, _AIM.offset_y),
            mirror_x=self.mirror_x,
            mirror_y=self.mirror_y,
            corners=(
                corner(self.corner_bottom_left),
                corner(self.corner_bottom_right),
                corner(self.corner_top_right),
                corner(self.corner_top_left),
            ),
        )


def unique_name(wanted: str, taken: Iterable[str]) -> str:
    """Return `wanted`, with a number behind it where that name is taken."""
    names = set(taken)
    base = wanted.strip() or DEFAULT_PROJECTOR_NAME
    if base not in names:
        return base
    number = 1
    while f"{base}.{number:03d}" in names:
        number += 1
    return f"{base}.{number:03d}"


def _projector_named(projector: Any, _context: Any) -> None:
    """Keep names unique, and assignments with their projector."""
    old = projector.last_name
    others = [
        other.name
        for other in getattr(projector.id_data, PROPERTY).projectors
        if other.as_pointer() != projector.as_pointer()
    ]
    new = unique_name(projector.name, others)
    projector.last_name = new
    if projector.name != new:
        projector.name = new  # comes back here, with nothing left to do
    if old and old != new:
        _rename_references(projector.id_data, old, new)


def _rename_references(scene: bpy.types.Scene, old: str, new: str) -> None:
    owners: list[Any] = [*scene.objects, scene.collection, *scene.collection.children_recursive]
    for owner in owners:
        names = assigned_names(owner)
        if old in names:
            assign(owner, *(new if name == old else name for name in names))
    for item in scene.objects:
        for layer in getattr(item, PROPERTY).artwork.layers:
            layer.rename_projector(old, new)


def _is_camera(_projector: Any, candidate: bpy.types.Object) -> bool:
    return candidate.type == "CAMERA"


class BEAMWRIGHT_PG_projector(bpy.types.PropertyGroup):
    """One projector of the show."""

    last_name: StringProperty(
        name="Last Name",
        description="The name before the latest change",
        options={"HIDDEN"},
    )
    name: StringProperty(
        name="Name",
        description="Name of the projector; its files are named after it",
        update=_projector_named,
    )
    number: IntProperty(
        name="Number",
        description="Projector number written into the files",
        default=_PROJECTOR.number,
        min=0,
        max=255,
    )
    target_refresh_hz: FloatProperty(
        name="Target Refresh",
        description="How often a second a picture shall be drawn, in hertz. Point rate over "
        "refresh is the point budget of a frame; below about 25 Hz flicker is plain to see",
        default=_PROJECTOR.target_refresh_hz,
        min=1.0,
        max=500.0,
        soft_min=15.0,
        soft_max=60.0,
        precision=1,
    )
    placement: EnumProperty(
        name="Placement",
        description="How points are set along the strokes",
        items=[
            ("PLANNED", "Planned", "The beam moves by its acceleration limits"),
            ("SIMPLE", "Simple", "Even spacing, with dwells at corners"),
        ],
        default=_PROJECTOR.placement.upper(),
    )
    group: StringProperty(
        name="Group",
        description="Projectors of one group share the strokes that are assigned to the group's "
        "name, so that several scanners draw one rich picture",
        default=_PROJECTOR.group,
    )
    camera: PointerProperty(
        name="Camera",
        description="Draw this projector's picture through its own camera instead of the scene's",
        type=bpy.types.Object,
        poll=_is_camera,
    )
    profile: PointerProperty(type=BEAMWRIGHT_PG_profile)
    aim: PointerProperty(type=BEAMWRIGHT_PG_aim)
    safety: PointerProperty(type=BEAMWRIGHT_PG_safety)
    light: PointerProperty(type=BEAMWRIGHT_PG_light)
    live: PointerProperty(type=BEAMWRIGHT_PG_live)

    def to_core(self) -> Projector:
        """Return the frozen projector."""
        return Projector(
            name=self.name,
            profile=self.profile.to_core(),
            target_refresh_hz=exact(self.target_refresh_hz, _PROJECTOR.target_refresh_hz),
            aim=self.aim.to_core(),
            number=self.number,
            placement="simple" if self.placement == "SIMPLE" else "planned",
            group=self.group.strip(),
        )
