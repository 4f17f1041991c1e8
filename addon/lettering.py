# SPDX-License-Identifier: GPL-3.0-or-later
"""Lettering: text objects set in the single-stroke font."""

import math
from collections.abc import Sequence
from typing import Any

import bpy
from mathutils import Matrix, Vector

from ..core.artwork.lettering import FONT_PATH, font_coverage, missing_characters
from ..core.points.projector import GENERIC_PROFILES
from .properties import PROPERTY

__all__ = [
    "PROJECTOR",
    "SIZE_OF_EM",
    "colour_characters",
    "lettering_projector",
    "line_material",
    "missing_in",
    "new_text",
    "place",
    "stroke_font",
]

PROJECTOR = "Lettering"
"""Name of the projector that draws lettering, where there is none to take."""

SIZE_OF_EM = 1.567
"""Size of a text object whose font's em is 1 unit: Blender scales a font by the height of the
box around all its letters, which here is 1567 of 1000 units of the em."""

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


def colour_characters(curve: Any, colours: Sequence[Any]) -> None:
    """Give a text the line materials of some colours, one for each of its characters."""
    slots = {colour: place for place, colour in enumerate(dict.fromkeys(colours))}
    for colour in slots:
        curve.materials.append(line_material(colour))
    for character, colour in zip(curve.body_format, colours, strict=False):
        character.material_index = slots[colour]


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


def place(scene: bpy.types.Scene, item: bpy.types.Object, share: float) -> None:
    """Put a text before the camera, facing it, `share` of its frame wide.

    It goes as far away as the 3D cursor where that is in front of the camera. Without a camera
    it stands upright at the cursor.
    """
    camera = scene.camera
    if camera is None or camera.type != "CAMERA":
        item.matrix_world = Matrix.Translation(scene.cursor.location) @ Matrix.Rotation(
            math.pi / 2.0, 4, "X"
        )
        return
    scene.view_layers[0].update()
    frame = camera.matrix_world.normalized()
    distance = -(frame.inverted() @ scene.cursor.location).z
    if not camera.data.clip_start < distance < camera.data.clip_end:
        distance = 10.0
    corners = list(camera.data.view_frame(scene=scene))
    middle = sum(corners, Vector()) / len(corners)
    factor = distance / -middle.z if camera.data.type == "PERSP" else 1.0
    width = (max(c.x for c in corners) - min(c.x for c in corners)) * factor
    height = (max(c.y for c in corners) - min(c.y for c in corners)) * factor
    own_width, own_height = _extent(scene, item)
    curve: Any = item.data
    curve.size *= min(share * width / own_width, 0.5 * height / own_height)
    item.matrix_world = frame @ Matrix.Translation(
        (middle.x * factor, middle.y * factor, -distance)
    )


def _extent(scene: bpy.types.Scene, item: bpy.types.Object) -> tuple[float, float]:
    """Return width and height of a text; Blender's own box needs a mesh, which this has not."""
    depsgraph: Any = scene.view_layers[0].depsgraph
    evaluated = item.evaluated_get(depsgraph)
    curve = evaluated.to_curve(depsgraph)
    points = [point.co for spline in curve.splines for point in spline.bezier_points]
    x, y = [point.x for point in points] or [0.0], [point.y for point in points] or [0.0]
    result = max(x) - min(x), max(y) - min(y)
    evaluated.to_curve_clear()
    return max(result[0], 1e-6), max(result[1], 1e-6)
