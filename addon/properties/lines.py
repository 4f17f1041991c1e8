# SPDX-License-Identifier: GPL-3.0-or-later
"""Which lines are drawn: of the scene, of an object, of a collection."""

import math
from typing import Any

import bpy
from bpy.props import BoolProperty, EnumProperty, FloatProperty, FloatVectorProperty, IntProperty

from ...core.scene import DrawingSettings, LineKind, LineSettings
from .assignment import OVERRIDABLE
from .single import exact

_LINES = LineSettings()
_DRAWING = DrawingSettings()


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
_KIND_BITS = tuple((name, int(kind)) for name, kind in KIND_PROPERTIES.items())


def _kind(name: str, label: str, description: str) -> Any:
    return BoolProperty(
        name=label,
        description=description,
        default=KIND_PROPERTIES[name] in _LINES.kinds,
        override=OVERRIDABLE,
    )


class BEAMWRIGHT_PG_lines(bpy.types.PropertyGroup):
    """What is drawn of an object, and what it hides."""

    drawn: BoolProperty(
        name="Draw Lines",
        description="Draw this object's lines. Off, with Hide Behind on, it is an invisible "
        "shape that only covers what lies behind it",
        default=_LINES.drawn,
        override=OVERRIDABLE,
    )
    occludes: BoolProperty(
        name="Hide Behind",
        description="Hide the lines that lie behind this object. Off for glass, gauze and wire",
        default=_LINES.occludes,
        override=OVERRIDABLE,
    )
    silhouette: _kind("silhouette", "Silhouette", "Outlines, where the surface turns away")
    crease: _kind(
        "crease",
        "Crease",
        "Edges where two faces meet at more than the crease angle, such as those of a box",
    )
    border: _kind("border", "Border", "Open edges, with a face on one side only")
    material: _kind(
        "material",
        "Material Boundary",
        "Edges between faces of two materials, such as a painted window",
    )
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
        override=OVERRIDABLE,
    )
    crease_angle: FloatProperty(
        name="Crease Angle",
        description="An edge is a crease where its faces turn by more than this; "
        "a flat surface has 0 degrees, a cube 90",
        default=_LINES.crease_angle_rad,
        min=0.0,
        max=math.pi,
        subtype="ANGLE",
        override=OVERRIDABLE,
    )
    crease_on_smooth: BoolProperty(
        name="Creases on Smooth Faces",
        description="Draw creases between two smooth-shaded faces as well",
        default=_LINES.crease_on_smooth,
        override=OVERRIDABLE,
    )
    smooth_contour: BoolProperty(
        name="Smooth Contour",
        description="Draw the outline of a smooth-shaded mesh as a smooth curve instead of "
        "along its edges",
        default=_LINES.smooth_contour,
        override=OVERRIDABLE,
    )
    rank: IntProperty(
        name="Rank",
        description="Which of two surfaces in the same plane lies on top: the higher rank",
        default=_LINES.rank,
        min=-32768,
        max=32767,
        soft_min=-100,
        soft_max=100,
        override=OVERRIDABLE,
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
        override=OVERRIDABLE,
    )
    colour: FloatVectorProperty(
        name="Colour",
        description="Colour of the lines",
        subtype="COLOR",
        size=3,
        default=(1.0, 1.0, 1.0),
        min=0.0,
        max=1.0,
        override=OVERRIDABLE,
    )

    def to_core(self) -> LineSettings:
        """Return the frozen line settings."""
        kinds = 0  # plain numbers: joining flags costs more than reading them
        for name, bit in _KIND_BITS:
            if getattr(self, name):
                kinds |= bit
        return LineSettings(
            kinds=LineKind(kinds),
            crease_angle_rad=exact(self.crease_angle, _LINES.crease_angle_rad),
            crease_on_smooth=self.crease_on_smooth,
            occludes=self.occludes,
            drawn=self.drawn,
            smooth_contour=self.smooth_contour,
            rank=self.rank,
        )
