# SPDX-License-Identifier: GPL-3.0-or-later
"""Curves and text as contours of exact Bézier curves, before Blender makes a mesh of them."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass, replace
from typing import Any

import bpy
import numpy as np
from numpy.typing import NDArray

from ...core.artwork.lettering import lettering_page
from ...core.artwork.nurbs import nurbs_polyline
from ...core.artwork.shapes import Page, Shape, knots_from_polyline

__all__ = ["Contours", "curve_page", "read_contours", "stays_flat", "text_page"]

FloatArray = NDArray[np.float64]
Colour = tuple[float, float, float, float]
NOTHING: Colour = (0.0, 0.0, 0.0, 0.0)
PALINDROME = 2e-5  # single precision at the size of a line of text


@dataclass(frozen=True, eq=False)
class Contours:
    """Contours of an evaluated curve or text, c of them over n knots, in its own space.

    Attributes
    ----------
    knots : (n, 3, 3) float64
        Left handle, point, right handle.
    offsets : (c + 1,) int64
    closed : (c,) bool
    material, character : (c,) int
    digest
        Of all of it.
    """

    knots: FloatArray
    offsets: NDArray[np.int64]
    closed: NDArray[np.bool_]
    material: NDArray[np.int64]
    character: NDArray[np.int64]
    digest: bytes

    @property
    def flat(self) -> bool:
        """All of it lies in the plane z = 0."""
        depth = np.abs(self.knots[:, :, 2]).max(initial=0.0)
        return bool(depth <= 1e-6 * (1e-6 + np.abs(self.knots).max(initial=0.0)))


def stays_flat(item: bpy.types.Object) -> bool:
    """Whether an evaluated curve or text is a flat drawing, not a body made from one."""
    data: Any = item.data
    if data.extrude or data.bevel_depth or data.bevel_object is not None or data.offset:
        return False
    if item.type == "CURVE" and data.dimensions != "2D":
        return False
    return all(
        getattr(modifier, "use_apply_on_spline", False) or not modifier.show_viewport
        for modifier in item.modifiers
    )


def read_contours(item: bpy.types.Object, depsgraph: bpy.types.Depsgraph) -> Contours:
    """Return the contours of an evaluated curve or text, modifiers of splines applied."""
    curve = item.to_curve(depsgraph, apply_modifiers=item.type == "CURVE")
    digest = hashlib.blake2b(digest_size=16)
    knots, closed, material, character = [], [], [], []
    try:
        for spline in curve.splines:
            part = _spline_knots(spline)
            digest.update(part.tobytes())
            knots.append(part)
            closed.append(spline.use_cyclic_u)
            material.append(spline.material_index)
            character.append(spline.character_index)
    finally:
        item.to_curve_clear()
    offsets = np.concatenate([[0], np.cumsum([len(part) for part in knots], dtype=np.int64)])
    rows = np.array([closed, material, character], np.int64).reshape(3, -1)
    digest.update(rows.tobytes())
    digest.update(offsets.tobytes())
    return Contours(
        np.concatenate(knots) if knots else np.empty((0, 3, 3)),
        offsets.astype(np.int64),
        rows[0].astype(bool),
        rows[1],
        rows[2],
        digest.digest(),
    )


def _spline_knots(spline: Any) -> FloatArray:
    if spline.type == "BEZIER":
        count = len(spline.bezier_points)
        values = np.empty((3, 3 * count), np.float32)
        for row, name in zip(values, ("handle_left", "co", "handle_right"), strict=True):
            spline.bezier_points.foreach_get(name, row)
        return values.reshape(3, count, 3).transpose(1, 0, 2).astype(np.float64)
    flat = np.empty(4 * len(spline.points), np.float32)
    spline.points.foreach_get("co", flat)
    points = flat.reshape(-1, 4).astype(np.float64)
    line = points[:, :3]
    if spline.type == "NURBS":
        line = nurbs_polyline(
            points[:, :3],
            points[:, 3],
            spline.order_u,
            cyclic=spline.use_cyclic_u,
            clamped=spline.use_endpoint_u,
        )
    return knots_from_polyline(line, spline.use_cyclic_u)


def text_page(contours: Contours, colours: list[Colour], filled: bool) -> Page:
    """Return set text as a page in its own plane, a shape for each character."""
    page = lettering_page(
        contours.knots[:, :, :2],
        contours.offsets,
        contours.character,
        colours[0],
        filled=filled,
        tolerance=PALINDROME * (1.0 + np.abs(contours.knots).max(initial=0.0)),
    )
    if len(colours) == 1 or len(page) == 0:
        return page
    # A character has one material.
    _, first = np.unique(contours.character, return_index=True)
    slots = np.minimum(contours.material[first], len(colours) - 1)
    own = np.array(colours)[slots]
    return replace(
        page,
        fill=np.where(page.fill[:, 3:] > 0.0, own, 0.0),
        stroke=np.where(page.stroke[:, 3:] > 0.0, own, 0.0),
    )


def curve_page(contours: Contours, colours: list[Colour], filled: bool, even_odd: bool) -> Page:
    """Return a flat curve as a page: its closed splines one fill, each open one a stroke."""
    parts = [contours.knots[a:b, :, :2] for a, b in _pairs(contours.offsets)]
    ring = contours.closed & filled
    shapes = []
    if ring.any():
        first = int(np.flatnonzero(ring)[0])
        rings = [parts[i] for i in np.flatnonzero(ring)]
        shapes.append(
            Shape(
                rings,
                [True] * len(rings),
                fill=_colour(colours, contours.material[first]),
                even_odd=even_odd,
            )
        )
    shapes.extend(
        Shape(
            [parts[i]],
            [bool(contours.closed[i])],
            stroke=_colour(colours, contours.material[i]),
        )
        for i in np.flatnonzero(~ring)
    )
    return Page.from_shapes(shapes)


def _pairs(offsets: NDArray[np.int64]) -> list[tuple[int, int]]:
    return list(zip(offsets[:-1].tolist(), offsets[1:].tolist(), strict=True))


def _colour(colours: list[Colour], slot: Any) -> Colour:
    return colours[min(int(slot), len(colours) - 1)]
