# SPDX-License-Identifier: GPL-3.0-or-later
"""Grease Pencil drawings written from arrays, and the attributes of ours they carry.

`core.artwork.pencil` says what the arrays hold. Blender 5.2 has fill numbers of its own. 4.5 has
none: there materials say what is filled, and our attributes which curves are one fill.
"""

from typing import Any

import bpy
import numpy as np

from ..core.artwork.pencil import PencilArrays
from . import compat

__all__ = ["adopt_fills", "artwork_materials", "write_drawing"]

FREE_HANDLE = 0
FILL, STROKE, BOTH = range(3)
_NAMES = ("Artwork Fill", "Artwork Stroke", "Artwork Fill and Stroke")


def artwork_materials() -> list[bpy.types.Material]:
    """Return the materials of imported artwork; colours are those of the curves."""
    materials: Any = bpy.data.materials
    result = []
    for place, name in enumerate(_NAMES if compat.fills_by_material() else ("Artwork",)):
        material = materials.get(name)
        if material is None or material.grease_pencil is None:
            material = materials.new(name)
            materials.create_gpencil_data(material)
        if compat.fills_by_material():
            material.grease_pencil.show_fill = place != STROKE
            material.grease_pencil.show_stroke = place != FILL
        result.append(material)
    return result


def write_drawing(drawing: Any, arrays: PencilArrays, scale: float) -> None:
    """Fill an empty drawing with Bézier curves in the plane XZ.

    Parameters
    ----------
    scale
        Length of one page unit in the object.
    """
    if len(arrays.counts) == 0:
        return
    drawing.add_strokes(arrays.counts.tolist())
    drawing.set_types(type="BEZIER")

    def write(name: str, kind: str, domain: str, field: str, values: Any, dtype: Any) -> None:
        attribute = drawing.attributes.get(name)
        if attribute is None:
            attribute = drawing.attributes.new(name, kind, domain)
        attribute.data.foreach_set(field, np.ascontiguousarray(values, dtype).ravel())

    for name in ("position", "handle_left", "handle_right"):
        flat = getattr(arrays, name) * scale
        points = np.column_stack([flat[:, 0], np.zeros(len(flat)), flat[:, 1]])
        write(name, "FLOAT_VECTOR", "POINT", "vector", points, np.float32)
    free = np.full(len(arrays.position), FREE_HANDLE)
    for name in ("handle_type_left", "handle_type_right"):
        write(name, "INT8", "POINT", "value", free, np.int32)
    write("cyclic", "BOOLEAN", "CURVE", "value", arrays.cyclic, bool)
    write("radius", "FLOAT", "POINT", "value", arrays.radius * scale, np.float32)
    write("opacity", "FLOAT", "POINT", "value", arrays.vertex_colour[:, 3], np.float32)
    write(
        "vertex_color", "FLOAT_COLOR", "POINT", "color", _opaque(arrays.vertex_colour), np.float32
    )
    write("fill_color", "FLOAT_COLOR", "CURVE", "color", _opaque(arrays.fill_colour), np.float32)
    write("fill_opacity", "FLOAT", "CURVE", "value", arrays.fill_colour[:, 3], np.float32)
    write("beamwright_closed", "BOOLEAN", "CURVE", "value", arrays.closed, bool)
    write("beamwright_outline", "BOOLEAN", "CURVE", "value", arrays.outlined, bool)
    filled = arrays.fill_id > 0
    if compat.fills_by_material():
        material = np.where(filled, np.where(arrays.hide_stroke, FILL, BOTH), STROKE)
        write("material_index", "INT", "CURVE", "value", material, np.int32)
        write("beamwright_fill", "INT", "CURVE", "value", arrays.fill_id, np.int32)
        write("beamwright_part", "INT", "CURVE", "value", _parts(arrays.fill_id), np.int32)
    else:
        write("fill_id", "INT", "CURVE", "value", arrays.fill_id, np.int32)
        write("hide_stroke", "BOOLEAN", "CURVE", "value", arrays.hide_stroke, bool)
    drawing.tag_positions_changed()


def _opaque(colour: Any) -> Any:
    """Let the colour replace the material's; how opaque it is, is told elsewhere."""
    return np.column_stack([colour[:, :3], np.ones(len(colour))])


def _parts(fill_id: Any) -> Any:
    """Count the curves of each fill from 0, so that copies can be told apart."""
    index = np.arange(len(fill_id))
    starts = np.ones(len(fill_id), bool)
    starts[1:] = (fill_id[1:] != fill_id[:-1]) | (fill_id[1:] <= 0)
    return index - np.maximum.accumulate(np.where(starts, index, 0))


def adopt_fills() -> None:
    """Give artwork that was saved by 4.5 the fill numbers that 5.2 draws by.

    When it opens such a file Blender makes each curve a fill of its own, without holes.
    """
    if compat.fills_by_material():
        return
    for data in compat.all_grease_pencils():
        if data.library is not None:
            continue
        for layer in data.layers:
            for frame in layer.frames:
                _adopt(frame.drawing)


def _adopt(drawing: Any) -> None:
    own = drawing.attributes.get("beamwright_fill")
    if own is None:
        return
    values = np.empty(len(own.data), np.int32)
    own.data.foreach_get("value", values)
    native = drawing.attributes.get("fill_id")
    if native is None:
        native = drawing.attributes.new("fill_id", "INT", "CURVE")
    native.data.foreach_set("value", values)
    for name in ("beamwright_fill", "beamwright_part"):
        attribute = drawing.attributes.get(name)
        if attribute is not None:
            drawing.attributes.remove(attribute)
    drawing.tag_positions_changed()
