# SPDX-License-Identifier: GPL-3.0-or-later
"""Settings of flat artwork: how a page becomes lines, who draws its layers, write-on.

They hang on ``object.beamwright.artwork``.
"""

import math
from typing import Any

import bpy
from bpy.props import (
    BoolProperty,
    CollectionProperty,
    EnumProperty,
    FloatProperty,
    FloatVectorProperty,
    IntProperty,
    StringProperty,
)

from ...core.artwork.ink import ArtworkSettings
from ...core.writing import WriteMode, WriteSettings
from .assignment import OVERRIDABLE, SEPARATOR, drawn_by_property
from .single import exact

__all__ = ["CLASSES", "BEAMWRIGHT_PG_artwork", "BEAMWRIGHT_PG_artwork_layer"]

_ARTWORK = ArtworkSettings()
_WRITING = WriteSettings()

MODES: dict[str, WriteMode] = {"ORDER": "in order", "TOGETHER": "together"}
"""Identifiers of the writing modes and their names in core."""


class _Writing:
    """Write-on state: of a whole page, or of one layer."""

    progress: FloatProperty(
        name="Progress",
        description="Share of the length that is drawn so far. Animate it from 0 to 1 to "
        "write the lines on, or back to 0 to take them away",
        default=_WRITING.progress,
        min=0.0,
        max=1.0,
        subtype="FACTOR",
        precision=4,
        override=OVERRIDABLE,
    )
    mode: EnumProperty(
        name="Order",
        description="How the strokes follow one another",
        items=[
            ("ORDER", "Stroke by Stroke", "One stroke after the other, at an even speed"),
            ("TOGETHER", "All at Once", "All strokes begin and end at the same time"),
        ],
        default="ORDER",
        override=OVERRIDABLE,
    )
    backwards: BoolProperty(
        name="From the End",
        description="Draw the last part of the lines instead of the first. With the progress "
        "going down from 1 to 0 it erases in the order of writing",
        default=_WRITING.backwards,
        override=OVERRIDABLE,
    )

    def writing_to_core(self) -> WriteSettings | None:
        """Return the frozen state; None where all is written."""
        item: Any = self
        if item.progress >= 1.0:
            return None
        return WriteSettings(
            progress=float(item.progress), mode=MODES[item.mode], backwards=item.backwards
        )


class BEAMWRIGHT_PG_artwork_layer(_Writing, bpy.types.PropertyGroup):
    """What differs for one layer of an object."""

    name: StringProperty(name="Layer", description="Name of the layer of the artwork")
    drawn_by: drawn_by_property()

    def projectors(self) -> tuple[str, ...]:
        """Return the names of the projectors that draw the layer; none: those of the object."""
        return tuple(dict.fromkeys(filter(None, self.drawn_by.split(SEPARATOR))))

    def assign(self, *names: str) -> None:
        """Let the layer be drawn by the projectors of these names."""
        self.drawn_by = SEPARATOR.join(names)

    def rename_projector(self, old: str, new: str) -> None:
        """Follow a projector that was renamed."""
        names = self.projectors()
        if old in names:
            self.assign(*(new if name == old else name for name in names))


class BEAMWRIGHT_PG_artwork(_Writing, bpy.types.PropertyGroup):
    """How an object's flat drawing becomes lines."""

    alpha_min: FloatProperty(
        name="Opaque From",
        description="A fill hides what is beneath it only from this opacity on",
        default=_ARTWORK.alpha_min,
        min=0.0,
        max=1.0,
        subtype="FACTOR",
        override=OVERRIDABLE,
    )
    fill_outlines: BoolProperty(
        name="Outline Fills",
        description="Draw the outline of a filled shape that has no stroke",
        default=_ARTWORK.fill_outlines,
        override=OVERRIDABLE,
    )
    clip_borders: BoolProperty(
        name="Clip Borders",
        description="Also draw the edge along which a clip path or an import cut a fill",
        default=_ARTWORK.clip_borders,
        override=OVERRIDABLE,
    )
    page_border: BoolProperty(
        name="Page Border",
        description="Draw the edge of the imported page",
        default=_ARTWORK.page_border,
        override=OVERRIDABLE,
    )
    crop: BoolProperty(
        name="Crop to Page",
        description="Cut lines and fills at the edge of the imported page",
        default=_ARTWORK.crop,
        override=OVERRIDABLE,
    )
    dots: BoolProperty(
        name="Points as Dots",
        description="Draw strokes of a single point, such as stars, as beam dots: the beam rests "
        "there for a moment, within the safety limits. Keep dots away from the audience",
        default=_ARTWORK.dots,
        override=OVERRIDABLE,
    )
    reversed_behind: BoolProperty(
        name="Turn Stack Over",
        description="Seen from behind, what was at the bottom lies on top, as with cut paper. "
        "Off: the same picture from both sides, as Blender shows it",
        default=False,
        override=OVERRIDABLE,
    )
    blank_behind: BoolProperty(
        name="Blank Back",
        description="Seen from behind nothing is drawn, and the fills still hide what is beyond: "
        "a card printed on one side. Two back to back make the two sides of a card",
        default=False,
        override=OVERRIDABLE,
    )
    as_mesh: BoolProperty(
        name="Read as Mesh",
        description="Take this curve or text as the mesh Blender makes of it, with its line "
        "kinds, instead of as flat artwork",
        default=False,
        override=OVERRIDABLE,
    )
    tip: BoolProperty(
        name="Bright Tip",
        description="Let the beam rest where a line is being written on",
        default=False,
        override=OVERRIDABLE,
    )
    tip_colour: FloatVectorProperty(
        name="Tip Colour",
        description="Colour of the bright tip",
        subtype="COLOR",
        size=3,
        default=(1.0, 1.0, 1.0),
        min=0.0,
        max=1.0,
        override=OVERRIDABLE,
    )
    lift: FloatProperty(
        name="Pen Lift",
        description="How long the pen pauses between two strokes: the length it would have "
        "drawn meanwhile, in the object's units",
        default=_WRITING.lift,
        min=0.0,
        soft_max=1.0,
        precision=3,
        override=OVERRIDABLE,
    )
    layers: CollectionProperty(type=BEAMWRIGHT_PG_artwork_layer)
    active_layer: IntProperty(
        name="Active Layer", description="Layer shown below the list", default=0, min=0
    )
    page_width: FloatProperty(
        name="Page Width",
        description="Width of the imported page in its own units; 0 for a drawing without a page",
        default=0.0,
        min=0.0,
        override=OVERRIDABLE,
    )
    page_height: FloatProperty(
        name="Page Height",
        description="Height of the imported page in its own units",
        default=0.0,
        min=0.0,
        override=OVERRIDABLE,
    )
    page_scale: FloatProperty(
        name="Page Scale",
        description="Length of one unit of the page in the object. The page's centre is the "
        "object's origin, its width runs along X and its height along Z",
        default=1.0,
        min=1e-9,
        precision=6,
        override=OVERRIDABLE,
    )
    source: StringProperty(
        name="Source",
        description="File the artwork was imported from, or the first of a sequence",
        override=OVERRIDABLE,
    )

    def page_size(self) -> tuple[float, float]:
        """Return width and height of the page; infinite where there is none."""
        if self.page_width > 0.0 and self.page_height > 0.0:
            return exact(self.page_width), exact(self.page_height)
        return math.inf, math.inf

    def to_core(self) -> ArtworkSettings:
        """Return the frozen settings."""
        return ArtworkSettings(
            alpha_min=exact(self.alpha_min),
            fill_outlines=self.fill_outlines,
            clip_borders=self.clip_borders,
            page_border=self.page_border,
            crop=self.crop,
            dots=self.dots,
        )

    def layer(self, name: str, create: bool = False) -> Any:
        """Return the settings of a layer; None where it has none and none shall be made."""
        for layer in self.layers:
            if layer.name == name:
                return layer
        if not create:
            return None
        layer = self.layers.add()
        layer.name = name
        return layer


CLASSES = (
    BEAMWRIGHT_PG_artwork_layer,
    BEAMWRIGHT_PG_artwork,
)
