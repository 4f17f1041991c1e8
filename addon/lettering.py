# SPDX-License-Identifier: GPL-3.0-or-later
"""Lettering: text objects set in the single-stroke font."""

from typing import Any

import bpy

from ..core.artwork.lettering import FONT_PATH, font_coverage, missing_characters
from ..core.points.projector import GENERIC_PROFILES
from .properties import PROPERTY

__all__ = [
    "PROJECTOR",
    "SIZE_OF_EM",
    "lettering_projector",
    "line_material",
    "missing_in",
    "new_text",
    "stroke_font",
]

PROJECTOR = "Lettering"
"""Name of the projector that draws lettering, where there is none to take."""

SIZE_OF_EM = 1.0
"""Size of a text object whose font's em is 1 unit."""

RATING = "20 kpps"
REFRESH_HZ = 25.0


def stroke_font() -> Any:
    """Return the single-stroke font, packed into the file so that it opens anywhere."""
    for font in bpy.data.fonts:
        if font.name.startswith("Beamwright Stroke") and font.packed_file is not None:
            return font
    font = bpy.data.fonts.load(str(FONT_PATH), check_existing=False)
    font.name = "Beamwright Stroke"
    font.pack()
    font.filepath = f"//{FONT_PATH.name}"
    return font


def new_text(
    body: str, name: str, collection: bpy.types.Collection
) -> tuple[bpy.types.Object, str]:
    """Add a text object in the stroke font; return it, and a sentence where letters lack."""
    curve: Any = bpy.data.curves.new(name, "FONT")
    curve.font = stroke_font()
    curve.body = body
    curve.fill_mode = "NONE"
    item = bpy.data.objects.new(name, curve)
    collection.objects.link(item)
    return item, missing_in(item)


def missing_in(item: bpy.types.Object) -> str:
    """Say which letters of a text its font lacks; empty where none, or where another font."""
    curve: Any = item.data
    if curve.font is None or not curve.font.name.startswith("Beamwright Stroke"):
        return ""
    missing = missing_characters(curve.body, font_coverage())
    if not missing:
        return ""
    listed = ", ".join(f"{letter} (U+{ord(letter):04X})" for letter in missing)
    return f"The lettering font has no {listed}: “{item.name}” is drawn without."


def line_material(colour: Any) -> bpy.types.Material:
    """Return a material whose viewport colour is a line colour."""
    values = tuple(round(float(value), 6) for value in colour)
    name = "Line #" + "".join(f"{round(255 * value):02x}" for value in values)
    material = bpy.data.materials.get(name)
    if material is None:
        material = bpy.data.materials.new(name)
        material.diffuse_color = (*values, 1.0)
    return material


def lettering_projector(scene: bpy.types.Scene) -> str:
    """Return the name of the projector for lettering; made where the scene has none."""
    settings = getattr(scene, PROPERTY)
    for projector in settings.projectors:
        if projector.name.casefold().startswith(PROJECTOR.casefold()):
            return projector.name
    if not len(settings.projectors):
        settings.add_projector("Pictures")
    projector = settings.add_projector(PROJECTOR)
    projector.profile.set_from(
        GENERIC_PROFILES[RATING].converted(field_deg=projector.profile.field_deg)
    )
    projector.target_refresh_hz = REFRESH_HZ
    return projector.name
