# SPDX-License-Identifier: GPL-3.0-or-later
"""What the artist sets, stored in the .blend file.

``scene.beamwright``, ``collection.beamwright`` and ``object.beamwright`` are the only
properties added to Blender's types. Defaults come from core's settings; `to_core` gives
the frozen settings back.
"""

import math
from collections.abc import Iterable, Sequence
from typing import Any

import bpy
import numpy as np
from bpy.props import (
    BoolProperty,
    CollectionProperty,
    EnumProperty,
    FloatProperty,
    FloatVectorProperty,
    IntProperty,
    PointerProperty,
    StringProperty,
)

from ..core.points.projector import GENERIC_PROFILES, Aim, Projector, ScannerProfile
from ..core.scene import Assignment, DrawingSettings, LineKind, LineSettings

PROPERTY = "beamwright"
"""Name of the pointer property on scenes, collections and objects."""

DATA_VERSION = 1
"""Version of the stored settings; `migrate` brings older files up to it."""

DEFAULT_PROJECTOR_NAME = "Projector"

_LINES = LineSettings()
_DRAWING = DrawingSettings()
_PROFILE = ScannerProfile()
_AIM = Aim()
_ASSIGNMENT = Assignment()
_PROJECTOR = Projector()


def exact(value: float, default: float = math.nan) -> float:
    """Return the number the artist meant by a stored single-precision value.

    Blender stores 0.95 as 0.949999988…; the shortest decimal that gives the same single
    is taken, or `default` where that is the one stored.
    """
    single = np.float32(value)
    if single == np.float32(default):
        return float(default)
    return float(str(single))


RATINGS = {f"K{name.split()[0]}": name for name in GENERIC_PROFILES}
"""Identifiers of the ratings to choose from, and their names in `GENERIC_PROFILES`."""

_RATING_ITEMS = [
    (
        identifier,
        name,
        f"Scanners rated at {GENERIC_PROFILES[name].rated_rate_hz:,.0f} points a second at "
        f"{GENERIC_PROFILES[name].rated_angle_deg:g} degrees",
    )
    for identifier, name in RATINGS.items()
] + [("CUSTOM", "Custom", "The values below, for a measured or tuned scanner pair")]


_RATING_FIELDS = (
    "point_rate_hz",
    "rated_rate_hz",
    "rated_angle_deg",
    "natural_frequency_hz",
    "damping",
    "acceleration_max_deg_s2",
    "velocity_max_deg_s",
)
"""What a rating settles; the rest is the artist's."""


def _get_rating(profile: Any) -> int:
    """Return the place of the rating whose values these are; the last where none fits."""
    for place, name in enumerate(RATINGS.values()):
        generic = GENERIC_PROFILES[name]
        if all(
            np.float32(getattr(profile, field)) == np.float32(getattr(generic, field))
            for field in _RATING_FIELDS
        ):
            return place
    return len(RATINGS)


def _set_rating(profile: Any, place: int) -> None:
    """Take over a rating's values; the last place keeps those that are set."""
    if place < len(RATINGS):
        generic = GENERIC_PROFILES[list(RATINGS.values())[place]]
        profile.set_from(generic.converted(field_deg=profile.field_deg))


class BEAMWRIGHT_PG_profile(bpy.types.PropertyGroup):
    """What a scanner pair and its laser can do."""

    rating: EnumProperty(
        name="Rating",
        description="Fill in the usual values of a scanner pair with this rating",
        items=_RATING_ITEMS,
        get=_get_rating,
        set=_set_rating,
    )
    label: StringProperty(
        name="Label", description="Name of this scanner profile", default=_PROFILE.label
    )
    point_rate_hz: IntProperty(
        name="Point Rate",
        description="Points sent to the scanners each second",
        default=round(_PROFILE.point_rate_hz),
        min=1000,
        max=200000,
        soft_min=8000,
        soft_max=60000,
        step=1000,
    )
    field_deg: FloatProperty(
        name="Scan Angle",
        description="Full optical angle that the picture's field spans, in degrees. "
        "A wider field asks more of the scanners at the same point rate",
        default=_PROFILE.field_deg,
        min=0.5,
        max=120.0,
        soft_min=4.0,
        soft_max=60.0,
        precision=1,
    )
    rated_rate_hz: IntProperty(
        name="Rated Rate",
        description="Point rate at which the pair draws the standard test picture right",
        default=round(_PROFILE.rated_rate_hz),
        min=1000,
        max=200000,
        step=1000,
    )
    rated_angle_deg: FloatProperty(
        name="Rated Angle",
        description="Full optical angle of the rating, in degrees",
        default=_PROFILE.rated_angle_deg,
        min=0.5,
        max=120.0,
        precision=1,
    )
    natural_frequency_hz: FloatProperty(
        name="Natural Frequency",
        description="How fast the scanners follow: natural frequency of their closed loop, "
        "in hertz. About a twelfth of the rated point rate",
        default=_PROFILE.natural_frequency_hz,
        min=50.0,
        max=50000.0,
        precision=0,
    )
    damping: FloatProperty(
        name="Damping",
        description="Damping ratio of the closed loop. Below 0.7 corners ring, "
        "above 1 the scanners creep",
        default=_PROFILE.damping,
        min=0.2,
        max=3.0,
        soft_min=0.5,
        soft_max=1.2,
        step=1,
        precision=2,
    )
    acceleration_max_deg_s2: FloatProperty(
        name="Acceleration Limit",
        description="Largest acceleration of the beam, in degrees per second squared",
        default=_PROFILE.acceleration_max_deg_s2,
        min=1.0e5,
        max=1.0e11,
        precision=0,
    )
    velocity_max_deg_s: FloatProperty(
        name="Speed Limit",
        description="Largest speed of the beam, in degrees per second",
        default=_PROFILE.velocity_max_deg_s,
        min=100.0,
        max=1.0e8,
        precision=0,
    )
    colour_delay_us: FloatVectorProperty(
        name="Colour Delay",
        description="How late red, green and blue light come after their point, in microseconds",
        size=3,
        default=_PROFILE.colour_delay_us,
        min=-2000.0,
        max=2000.0,
        soft_min=-200.0,
        soft_max=500.0,
        precision=1,
    )
    rise_us: FloatProperty(
        name="Rise Time",
        description="Time constant with which the light comes up, in microseconds",
        default=_PROFILE.rise_us,
        min=0.0,
        max=2000.0,
        soft_max=200.0,
        precision=1,
    )
    settle: BoolProperty(
        name="Settle",
        description="Hold the beam still for a moment at both ends of a stroke. "
        "Cleaner ends for a few more points",
        default=_PROFILE.settle,
    )
    tolerance_field: FloatProperty(
        name="Corner Tolerance",
        description="Largest rounding of a corner that is accepted, in half widths of the field",
        default=_PROFILE.tolerance_field,
        min=0.0001,
        max=0.1,
        step=0.1,
        precision=4,
    )
    minimum_level: FloatProperty(
        name="Lowest Level",
        description="Drive level at which the laser starts to shine; drawn colours begin above it",
        default=_PROFILE.minimum_level,
        min=0.0,
        max=0.99,
        subtype="FACTOR",
    )

    def set_from(self, profile: ScannerProfile) -> None:
        """Take over the values of a core profile."""
        self.label = profile.label
        self.point_rate_hz = round(profile.point_rate_hz)
        self.field_deg = profile.field_deg
        self.rated_rate_hz = round(profile.rated_rate_hz)
        self.rated_angle_deg = profile.rated_angle_deg
        self.natural_frequency_hz = profile.natural_frequency_hz
        self.damping = profile.damping
        self.acceleration_max_deg_s2 = profile.acceleration_max_deg_s2
        self.velocity_max_deg_s = profile.velocity_max_deg_s
        self.colour_delay_us = profile.colour_delay_us
        self.rise_us = profile.rise_us
        self.settle = profile.settle
        self.tolerance_field = profile.tolerance_field
        self.minimum_level = profile.minimum_level

    def to_core(self) -> ScannerProfile:
        """Return the frozen profile."""
        red, green, blue = (exact(value) for value in self.colour_delay_us)
        return ScannerProfile(
            label=self.label,
            point_rate_hz=float(self.point_rate_hz),
            field_deg=exact(self.field_deg, _PROFILE.field_deg),
            rated_rate_hz=float(self.rated_rate_hz),
            rated_angle_deg=exact(self.rated_angle_deg, _PROFILE.rated_angle_deg),
            natural_frequency_hz=exact(self.natural_frequency_hz, _PROFILE.natural_frequency_hz),
            damping=exact(self.damping, _PROFILE.damping),
            acceleration_max_deg_s2=exact(
                self.acceleration_max_deg_s2, _PROFILE.acceleration_max_deg_s2
            ),
            velocity_max_deg_s=exact(self.velocity_max_deg_s, _PROFILE.velocity_max_deg_s),
            colour_delay_us=(red, green, blue),
            rise_us=exact(self.rise_us, _PROFILE.rise_us),
            settle=self.settle,
            tolerance_field=exact(self.tolerance_field, _PROFILE.tolerance_field),
            minimum_level=exact(self.minimum_level, _PROFILE.minimum_level),
        )


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
        for reference in getattr(owner, PROPERTY).projectors:
            if reference.name == old:
                reference.name = new


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


class BEAMWRIGHT_PG_drawing(bpy.types.PropertyGroup):
    """Line settings of the whole scene."""

    intersections: BoolProperty(
        name="Intersections",
        description="Draw the lines where two objects pass through each other",
        default=_DRAWING.intersections,
    )
    self_intersections: BoolProperty(
        name="Self Intersections",
        description="Also where an object passes through itself (slower)",
        default=_DRAWING.self_intersections,
    )
    remove_coincident: BoolProperty(
        name="Merge Overlaps",
        description="Draw lines that lie on one another only once",
        default=_DRAWING.remove_coincident,
    )
    page_border: BoolProperty(
        name="Page Border",
        description="Draw the outline of the camera frame too",
        default=_DRAWING.page_border,
    )
    tolerance_field: FloatProperty(
        name="Simplify",
        description="Largest distance a simplified line may be off, in half widths of the field",
        default=_DRAWING.tolerance_field,
        min=0.0,
        max=0.1,
        step=0.01,
        precision=5,
    )
    depth_bias: FloatProperty(
        name="Depth Bias",
        description="Relative depth below which two surfaces count as touching",
        default=_DRAWING.depth_bias,
        min=0.0,
        max=0.01,
        precision=8,
    )

    def to_core(self) -> DrawingSettings:
        """Return the frozen drawing settings."""
        return DrawingSettings(
            intersections=self.intersections,
            self_intersections=self.self_intersections,
            remove_coincident=self.remove_coincident,
            page_border=self.page_border,
            tolerance_field=exact(self.tolerance_field, _DRAWING.tolerance_field),
            depth_bias=exact(self.depth_bias, _DRAWING.depth_bias),
        )


KIND_PROPERTIES: dict[str, LineKind] = {
    "silhouette": LineKind.SILHOUETTE,
    "crease": LineKind.CREASE,
    "border": LineKind.BORDER,
    "material": LineKind.MATERIAL,
    "mark": LineKind.MARK,
    "intersection": LineKind.INTERSECTION,
    "loose": LineKind.LOOSE,
    "dot": LineKind.DOT,
}
"""Boolean properties of `BEAMWRIGHT_PG_lines` and the line kinds they switch on."""


def _kind(name: str, label: str, description: str) -> Any:
    return BoolProperty(
        name=label, description=description, default=KIND_PROPERTIES[name] in _LINES.kinds
    )


class BEAMWRIGHT_PG_lines(bpy.types.PropertyGroup):
    """What is drawn of an object, and what it hides."""

    drawn: BoolProperty(
        name="Draw Lines",
        description="Draw this object's lines. Off, with Hide Behind on, it is an invisible "
        "shape that only covers what lies behind it",
        default=_LINES.drawn,
    )
    occludes: BoolProperty(
        name="Hide Behind",
        description="Hide the lines that lie behind this object. Off for glass, gauze and wire",
        default=_LINES.occludes,
    )
    silhouette: _kind("silhouette", "Silhouette", "Outlines, where the surface turns away")
    crease: _kind("crease", "Crease", "Edges where two faces meet at an angle")
    border: _kind("border", "Border", "Open edges, with a face on one side only")
    material: _kind("material", "Material Boundary", "Edges between two materials")
    mark: _kind("mark", "Marked Edges", "Edges that were marked by hand")
    intersection: _kind(
        "intersection", "Intersection", "Lines where this object passes through another one"
    )
    loose: _kind("loose", "Loose Edges", "Edges without faces, and open curves")
    dot: _kind(
        "dot",
        "Loose Points as Dots",
        "Single vertices as bright beam dots: sparks, stars, snow. A dot rests the beam in one "
        "place, so keep it away from the audience",
    )
    marks: EnumProperty(
        name="Marks",
        description="Which marks in the mesh count as marked edges",
        items=[
            ("FREESTYLE", "Freestyle", "Edges with a Freestyle edge mark"),
            ("SHARP", "Sharp", "Edges marked sharp"),
            ("SEAM", "Seam", "Edges marked as a seam"),
        ],
        options={"ENUM_FLAG"},
        default={"FREESTYLE"},
    )
    crease_angle: FloatProperty(
        name="Crease Angle",
        description="An edge is a crease where its faces turn by more than this; "
        "a flat surface has 0 degrees, a cube 90",
        default=_LINES.crease_angle_rad,
        min=0.0,
        max=math.pi,
        subtype="ANGLE",
    )
    crease_on_smooth: BoolProperty(
        name="Creases on Smooth Faces",
        description="Draw creases between two smooth-shaded faces as well",
        default=_LINES.crease_on_smooth,
    )
    smooth_contour: BoolProperty(
        name="Smooth Contour",
        description="Draw the outline of a smooth-shaded mesh as a smooth curve instead of "
        "along its edges",
        default=_LINES.smooth_contour,
    )
    rank: IntProperty(
        name="Rank",
        description="Which of two surfaces in the same plane lies on top: the higher rank",
        default=_LINES.rank,
        min=-32768,
        max=32767,
        soft_min=-100,
        soft_max=100,
    )
    colour_source: EnumProperty(
        name="Colour From",
        description="Where the colour of the lines comes from",
        items=[
            ("MATERIAL", "Material", "The viewport display colour of each material"),
            ("OBJECT", "Object", "The colour in the object's viewport display settings"),
            ("OWN", "Own Colour", "The colour set here"),
        ],
        default="MATERIAL",
    )
    colour: FloatVectorProperty(
        name="Colour",
        description="Colour of the lines",
        subtype="COLOR",
        size=3,
        default=(1.0, 1.0, 1.0),
        min=0.0,
        max=1.0,
    )

    def to_core(self) -> LineSettings:
        """Return the frozen line settings."""
        kinds = LineKind(0)
        for name, kind in KIND_PROPERTIES.items():
            if getattr(self, name):
                kinds |= kind
        return LineSettings(
            kinds=kinds,
            crease_angle_rad=exact(self.crease_angle, _LINES.crease_angle_rad),
            crease_on_smooth=self.crease_on_smooth,
            occludes=self.occludes,
            drawn=self.drawn,
            smooth_contour=self.smooth_contour,
            rank=self.rank,
        )


class BEAMWRIGHT_PG_projector_reference(bpy.types.PropertyGroup):
    """A projector by its name."""

    name: StringProperty(name="Projector", description="Name of a projector of the scene")


class BEAMWRIGHT_PG_object(bpy.types.PropertyGroup):
    """Beamwright's settings of one object."""

    lines: PointerProperty(type=BEAMWRIGHT_PG_lines)
    inherit_lines: BoolProperty(
        name="Follow Collection",
        description="Where a collection of this object sets its own lines, use those instead "
        "of the ones below",
        default=True,
    )
    projectors: CollectionProperty(type=BEAMWRIGHT_PG_projector_reference)
    priority: FloatProperty(
        name="Priority",
        description="When a frame has too many points, strokes of lower priority are left out "
        "first",
        default=_ASSIGNMENT.priority,
        soft_min=-10.0,
        soft_max=10.0,
        step=100,
        precision=1,
    )
    locked: BoolProperty(
        name="Always Draw",
        description="Never leave out this object's strokes, however full the frame is",
        default=_ASSIGNMENT.locked,
    )


class BEAMWRIGHT_PG_collection(bpy.types.PropertyGroup):
    """Beamwright's settings of one collection."""

    override_lines: BoolProperty(
        name="Set Lines for All Objects",
        description="Use these line settings for every object of the collection that follows it",
        default=False,
    )
    lines: PointerProperty(type=BEAMWRIGHT_PG_lines)
    projectors: CollectionProperty(type=BEAMWRIGHT_PG_projector_reference)


class BEAMWRIGHT_PG_scene(bpy.types.PropertyGroup):
    """Beamwright's settings of one scene."""

    data_version: IntProperty(
        name="Settings Version",
        description="Version of the stored settings; 0 where none were stored yet",
        default=0,
        options={"HIDDEN"},
    )
    drawing: PointerProperty(type=BEAMWRIGHT_PG_drawing)
    projectors: CollectionProperty(type=BEAMWRIGHT_PG_projector)
    active_projector: IntProperty(
        name="Active Projector", description="Projector shown below the list", default=0, min=0
    )
    output_folder: StringProperty(
        name="Output Folder",
        description="Folder for the frame sequences and the report; // is the folder of the "
        "saved file. Empty takes the folder set in the preferences",
        subtype="DIR_PATH",
        options={"PATH_SUPPORTS_BLEND_RELATIVE"},
        default="",
    )
    file_format: EnumProperty(
        name="Format",
        description="Record format of the frame sequence, as numbered in the ILDA standard",
        items=[
            ("5", "2D True Colour", "ILDA format 5: flat picture, 24-bit colour"),
            ("4", "3D True Colour", "ILDA format 4: with depth (always 0), 24-bit colour"),
            ("1", "2D Indexed", "ILDA format 1: flat picture, colours from a palette"),
            ("0", "3D Indexed", "ILDA format 0: with depth (always 0), colours from a palette"),
        ],
        default="5",
    )
    strokes: EnumProperty(
        name="Strokes",
        description="Also write the lines of each frame, to look at or to work on elsewhere",
        items=[
            ("NONE", "None", "Only the frame sequences and the report"),
            ("SVG", "SVG", "One drawing a frame"),
            ("JSON", "JSON", "One data file a frame"),
        ],
        default="NONE",
    )

    def projectors_to_core(self) -> tuple[Projector, ...]:
        """Return the scene's projectors; one default projector where it has none."""
        if not len(self.projectors):
            return (Projector(name=DEFAULT_PROJECTOR_NAME),)
        return tuple(projector.to_core() for projector in self.projectors)

    def add_projector(self, name: str = DEFAULT_PROJECTOR_NAME) -> Any:
        """Add a projector under a free name, with the next number, and select it."""
        number = max((projector.number for projector in self.projectors), default=-1) + 1
        projector = self.projectors.add()
        projector.name = name
        projector.number = min(number, 255)
        self.active_projector = len(self.projectors) - 1
        self.data_version = DATA_VERSION
        return projector


def assign(owner: bpy.types.Object | bpy.types.Collection, *names: str) -> None:
    """Let an object or a collection be drawn by the projectors of these names."""
    references = getattr(owner, PROPERTY).projectors
    references.clear()
    for name in names:
        references.add().name = name


def assigned_names(owner: Any) -> tuple[str, ...]:
    """Return the projector names stored on an object or collection, in order, once each."""
    return tuple(dict.fromkeys(reference.name for reference in getattr(owner, PROPERTY).projectors))


def stamp() -> None:
    """Write the version of the settings into every scene that holds some."""
    for scene in bpy.data.scenes:
        settings = getattr(scene, PROPERTY)
        if len(settings.projectors) and scene.library is None:
            settings.data_version = DATA_VERSION


MIGRATIONS: dict[int, Any] = {}
"""Version → function of a scene that brings its settings to the next version."""


def migrate() -> None:
    """Bring the settings of all scenes in the open file up to `DATA_VERSION`."""
    for scene in bpy.data.scenes:
        settings = getattr(scene, PROPERTY)
        version = settings.data_version
        if version == 0 or version >= DATA_VERSION or scene.library is not None:
            continue
        while version < DATA_VERSION:
            step = MIGRATIONS.get(version)
            if step is not None:
                step(scene)
            version += 1
        settings.data_version = DATA_VERSION


CLASSES = (
    BEAMWRIGHT_PG_profile,
    BEAMWRIGHT_PG_aim,
    BEAMWRIGHT_PG_projector,
    BEAMWRIGHT_PG_drawing,
    BEAMWRIGHT_PG_lines,
    BEAMWRIGHT_PG_projector_reference,
    BEAMWRIGHT_PG_object,
    BEAMWRIGHT_PG_collection,
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
        setattr(owner, PROPERTY, pointer(type=group))


def unregister() -> None:
    """Take everything back that `register` added."""
    for owner, _group in reversed(_OWNERS):
        delattr(owner, PROPERTY)
    for cls in reversed(CLASSES):
        bpy.utils.unregister_class(cls)
