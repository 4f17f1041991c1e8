# SPDX-License-Identifier: GPL-3.0-or-later
"""Hair curves, evaluated as Blender draws them: points and the edges between them."""

from __future__ import annotations

from itertools import pairwise
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ...core.artwork.nurbs import nurbs_polyline
from ...core.scene import Topology

__all__ = ["hair_lines", "hair_topology"]

IntArray = NDArray[np.int32]
Points = NDArray[np.float32]

# Values of the attribute "curve_type", and of "knots_mode" where a curve ends in its end points.
CATMULL_ROM, POLY, BEZIER, NURBS = range(4)
CLAMPED = (1, 3)
RESOLUTION = 12
ORDER = 4


def hair_lines(curves: Any) -> tuple[NDArray[np.float32], IntArray]:
    """Read evaluated hair curves.

    Parameters
    ----------
    curves : bpy.types.Curves
        Evaluated, not kept.

    Returns
    -------
    points : (3 n,) float32
        In the object's space, flat.
    edges : (m, 2) int32
    """
    count = len(curves.curves)
    offsets = np.zeros(count + 1, np.int32)
    positions = np.empty(3 * len(curves.points), np.float32)
    if count:
        curves.curve_offset_data.foreach_get("value", offsets)
        curves.attributes["position"].data.foreach_get("vector", positions)
    points = positions.reshape(-1, 3)
    kind = _column(curves, "curve_type", count, CATMULL_ROM)
    cyclic = _column(curves, "cyclic", count, 0).astype(bool)
    steps = np.maximum(_column(curves, "resolution", count, RESOLUTION), 1)
    left, right = (_vectors(curves, name, points) for name in ("handle_left", "handle_right"))
    if (kind == NURBS).any():
        points, left, right, offsets = _without_nurbs(
            curves, points, left, right, offsets, np.where(kind == NURBS, steps, 0), cyclic
        )
    steps = np.where((kind == CATMULL_ROM) | (kind == BEZIER), steps, 1)
    return _evaluated(points, left, right, offsets, kind == BEZIER, cyclic, steps)


def hair_topology(points: NDArray[np.float32], edges: IntArray) -> Topology:
    """Return what joins the points: edges without faces, and single points."""
    count = len(points) // 3
    alone = np.ones(count, bool)
    alone[edges.ravel()] = False
    return Topology(
        vertex_count=count,
        triangles=np.empty((0, 3), np.int32),
        triangle_polygon=np.empty(0, np.int32),
        triangle_material=np.empty(0, np.int32),
        triangle_smooth=np.empty(0, bool),
        loose_edges=edges,
        loose_vertices=np.flatnonzero(alone).astype(np.int32),
    )


def _column(curves: Any, name: str, count: int, default: int) -> IntArray:
    attribute = curves.attributes.get(name)
    if attribute is None or attribute.domain != "CURVE":
        return np.full(count, default, np.int32)
    values = np.empty(count, np.int32)
    attribute.data.foreach_get("value", values)
    return values


def _vectors(curves: Any, name: str, default: NDArray[np.float32]) -> NDArray[np.float32]:
    attribute = curves.attributes.get(name)
    if attribute is None or attribute.domain != "POINT":
        return default
    values = np.empty(3 * len(attribute.data), np.float32)
    attribute.data.foreach_get("vector", values)
    return values.reshape(-1, 3)


def _without_nurbs(
    curves: Any,
    points: Points,
    left: Points,
    right: Points,
    offsets: IntArray,
    steps: IntArray,
    cyclic: NDArray[np.bool_],
) -> tuple[Points, Points, Points, IntArray]:
    """Put polylines in the place of the curves that have steps."""
    order = _column(curves, "nurbs_order", len(steps), ORDER)
    knots = _column(curves, "knots_mode", len(steps), 0)
    attribute = curves.attributes.get("nurbs_weight")
    weights = np.ones(len(points), np.float32)
    if attribute is not None and attribute.domain == "POINT":
        attribute.data.foreach_get("value", weights)
    parts = []
    for place, (begin, end) in enumerate(pairwise(offsets.tolist())):
        own = slice(begin, end)
        # With too few points for its order, Blender draws the points as they are.
        if steps[place] == 0 or end - begin < order[place]:
            parts.append((points[own], left[own], right[own]))
            continue
        line = nurbs_polyline(
            points[own],
            weights[own],
            int(order[place]),
            cyclic=bool(cyclic[place]),
            clamped=int(knots[place]) in CLAMPED,
            steps=int(steps[place]),
        ).astype(np.float32)
        parts.append((line, line, line))
    sizes = [len(part[0]) for part in parts]
    joined = [np.concatenate(column) for column in zip(*parts, strict=True)]
    return joined[0], joined[1], joined[2], np.cumsum([0, *sizes]).astype(np.int32)


def _evaluated(
    points: Points,
    left: Points,
    right: Points,
    offsets: IntArray,
    bezier: NDArray[np.bool_],
    cyclic: NDArray[np.bool_],
    steps: IntArray,
) -> tuple[NDArray[np.float32], IntArray]:
    """Cut each piece between two points into steps, and join them.

    Catmull-Rom and Bézier pieces by their polynomials; a piece of one step is a straight line.
    Open Catmull-Rom curves take their ends twice, as Blender does.
    """
    counts = np.diff(offsets)
    of = np.repeat(np.arange(len(counts)), counts)
    index = np.arange(len(points))
    closing = cyclic & (counts > 2)
    # Of each point: its curve's neighbours on either side, round where it closes.
    within = index - offsets[of]
    last = counts[of] - 1

    def neighbour(by: int) -> IntArray:
        moved = within + by
        found = np.where(closing[of], moved % (last + 1), np.clip(moved, 0, last))
        return (offsets[of] + found).astype(np.int32)

    # The last point of an open curve begins no piece: it is taken once, as it is.
    pieces = np.where((within < last) | closing[of], steps[of], 1)
    piece = np.repeat(index, pieces)
    first = np.cumsum(pieces) - pieces
    t = ((np.arange(len(piece)) - first[piece]) / pieces[piece])[:, None]
    a, b = points[piece], points[neighbour(1)[piece]]
    before, after = points[neighbour(-1)[piece]], points[neighbour(2)[piece]]
    smooth = 0.5 * (
        2.0 * a
        + (b - before) * t
        + (2.0 * before - 5.0 * a + 4.0 * b - after) * t**2
        + (3.0 * a - before - 3.0 * b + after) * t**3
    )
    out, into = right[piece], left[neighbour(1)[piece]]
    u = 1.0 - t
    bent = u**3 * a + 3.0 * u**2 * t * out + 3.0 * u * t**2 * into + t**3 * b
    line = np.where(bezier[of][piece][:, None], bent, smooth)
    sizes = np.bincount(of[piece], minlength=len(counts))
    ends = np.cumsum(sizes)
    joins = np.ones(len(line), bool)
    joins[(ends - 1)[sizes > 0]] = False
    start = np.flatnonzero(joins)
    edges = np.stack([start, start + 1], axis=1)
    round_again = np.stack([ends - 1, ends - sizes], axis=1)[closing]
    return (
        np.ascontiguousarray(line, np.float32).reshape(-1),
        np.concatenate([edges, round_again]).astype(np.int32),
    )
