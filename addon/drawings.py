# SPDX-License-Identifier: GPL-3.0-or-later
"""Grease Pencil drawings written from arrays, and the attributes of ours they carry.

`core.artwork.pencil` says what the arrays hold. Blender 5.2 has fill numbers of its own. 4.5 has
none: there materials say what is filled, and our attributes which curves are one fill.
"""

from typing import Any

import bpy
import numpy as np

from ..core.artwork.pencil import PencilArrays, to_srgb
from . import compat

__all__ = ["Palette", "adopt_fills", "write_drawing"]

FREE_HANDLE = 0
MOST_MATERIALS = 48
"""Looks beyond these have their colours in the curves alone, which solid shading does not show."""


class Palette:
    """Materials of imported artwork, one for each look: colour of fill and of stroke.

    Recolour a material and all its shapes follow.
    """

    def __init__(self, data: Any) -> None:
        self._data = data
        self._places: dict[tuple[Any, ...], int] = {}

    def places(self, arrays: PencilArrays) -> tuple[Any, Any]:
        """Return each curve's material slot, and whether that material has its colours."""
        filled, stroked = arrays.fill_id > 0, ~arrays.hide_stroke
        first = np.concatenate([[0], np.cumsum(arrays.counts)[:-1]]).astype(int)
        look = np.column_stack(
            [
                filled,
                stroked,
                np.where(filled[:, None], arrays.fill_colour[:, :3], 0.0),
                np.where(stroked[:, None], arrays.vertex_colour[first, :3], 0.0),
            ]
        )
        looks, look_of = np.unique(np.round(look, 6), axis=0, return_inverse=True)
        found = [self._place(tuple(row.tolist())) for row in looks]
        slot, own = (np.array(values)[look_of.reshape(-1)] for values in zip(*found, strict=True))
        return slot, own

    def _place(self, look: tuple[float, ...]) -> tuple[int, bool]:
        own = look in self._places or len(self._places) < MOST_MATERIALS
        key = look if own else look[:2]
        if key not in self._places:
            self._places[key] = len(self._places)
            self._data.materials.append(_material(key))
        return self._places[key], own


def _material(look: tuple[float, ...]) -> bpy.types.Material:
    filled, stroked = bool(look[0]), bool(look[1])
    kind = {(1, 1): "Fill and Stroke", (1, 0): "Fill", (0, 1): "Stroke"}.get(
        (int(filled), int(stroked)), "Nothing"
    )
    fill, stroke = look[2:5], look[5:8]
    shown = [colour for colour, used in ((fill, filled), (stroke, stroked)) if used and colour]
    name = " ".join([kind, *("#" + _hexadecimal(colour) for colour in shown)])
    materials: Any = bpy.data.materials
    material = materials.new(name)
    materials.create_gpencil_data(material)
    if compat.fills_by_material():
        material.grease_pencil.show_fill = filled
        material.grease_pencil.show_stroke = stroked
    if shown:
        material.grease_pencil.color = (*(stroke if stroked else fill), 1.0)
        material.grease_pencil.fill_color = (*(fill if filled else stroke), 1.0)
    return material


def _hexadecimal(linear: Any) -> str:
    return "".join(f"{round(255 * value):02x}" for value in to_srgb(np.array(linear)).tolist())


def write_drawing(
    drawing: Any, arrays: PencilArrays, scale: float, palette: Palette | None = None
) -> None:
    """Fill an empty drawing with Bézier curves in the plane XZ.

    Parameters
    ----------
    scale
        Length of one page unit in the object.
    palette
        Takes the colours into materials; without it they are in the curves.
    """
    if len(arrays.counts) == 0:
        return
    slot, own = np.zeros(len(arrays.counts), int), np.zeros(len(arrays.counts), bool)
    if palette is not None:
        slot, own = palette.places(arrays)
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
        "vertex_color",
        "FLOAT_COLOR",
        "POINT",
        "color",
        _over(arrays.vertex_colour, ~np.repeat(own, arrays.counts)),
        np.float32,
    )
    write(
        "fill_color", "FLOAT_COLOR", "CURVE", "color", _over(arrays.fill_colour, ~own), np.float32
    )
    write("fill_opacity", "FLOAT", "CURVE", "value", arrays.fill_colour[:, 3], np.float32)
    write("beamwright_closed", "BOOLEAN", "CURVE", "value", arrays.closed, bool)
    write("beamwright_outline", "BOOLEAN", "CURVE", "value", arrays.outlined, bool)
    write("material_index", "INT", "CURVE", "value", slot, np.int32)
    if compat.fills_by_material():
        write("beamwright_fill", "INT", "CURVE", "value", arrays.fill_id, np.int32)
        write("beamwright_part", "INT", "CURVE", "value", _parts(arrays.fill_id), np.int32)
    else:
        write("fill_id", "INT", "CURVE", "value", arrays.fill_id, np.int32)
        write("hide_stroke", "BOOLEAN", "CURVE", "value", arrays.hide_stroke, bool)
    drawing.tag_positions_changed()


def _over(colour: Any, replaces: Any) -> Any:
    """Let colours replace the material's, or not; how opaque they are, is told elsewhere."""
    return np.column_stack([colour[:, :3], replaces])


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
    for data in compat.grease_pencils():
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
