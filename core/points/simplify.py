# SPDX-License-Identifier: GPL-3.0-or-later
"""Remove vertices that do not matter, and what cannot be drawn."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import shapely
from numpy.typing import NDArray

from ..strokes import Strokes

__all__ = ["SHORTEST_SEGMENT", "drawable", "simplified"]

SHORTEST_SEGMENT = 1e-6
"""Shorter segments (field units) are removed: far below what a scanner can resolve."""


def drawable(strokes: Strokes) -> tuple[Strokes, NDArray[np.int64]]:
    """Return the strokes that can be drawn, and the rows of those that cannot.

    Left out are strokes with a coordinate or colour that is not finite. Strokes that are
    black are left out too, but not counted: nobody would see them.

    Returns
    -------
    strokes, broken : Strokes, (m,) int64
    """
    if len(strokes) == 0:
        return strokes, np.empty(0, np.int64)
    finite_point = np.all(np.isfinite(strokes.points), axis=1)
    finite = np.logical_and.reduceat(finite_point, strokes.offsets[:-1])
    finite &= np.all(np.isfinite(strokes.colour), axis=1)
    seen = np.any(strokes.colour > 0.0, axis=1)
    broken = np.flatnonzero(~finite)
    keep = finite & seen
    return (strokes if np.all(keep) else strokes.take(keep)), broken


def simplified(strokes: Strokes, tolerance_field: float) -> Strokes:
    """Remove vertices that lie within `tolerance_field` of the line without them.

    Strokes of a single point stay dots, and a stroke smaller than the tolerance becomes one.
    A closed stroke is first rotated to its sharpest corner, so that no vertex is kept in the
    middle of an edge.

    Notes
    -----
    Douglas and Peucker 1973, through shapely. Removal by area is no alternative: an
    out-and-back spike has no area.
    """
    if len(strokes) == 0:
        return strokes
    strokes = _rotated_to_corner(strokes)
    counts = strokes.counts
    long_rows = np.flatnonzero(counts > 1)
    points = [strokes.points]
    point_rows = [strokes.stroke_of_point]
    if len(long_rows):
        mask = np.repeat(counts > 1, counts)
        which = np.repeat(np.arange(len(long_rows)), counts[long_rows])
        lines = shapely.linestrings(strokes.points[mask], indices=which)
        lines = shapely.simplify(lines, tolerance_field, preserve_topology=False)
        simple, index = shapely.get_coordinates(lines, return_index=True)
        points = [strokes.points[~mask], simple]
        point_rows = [strokes.stroke_of_point[~mask], long_rows[index]]
    xy = np.concatenate(points)
    row = np.concatenate(point_rows)
    order = np.argsort(row, kind="stable")
    xy, row = xy[order], row[order]
    # Repeated points: keep the first of a run, but the last point of a stroke bit for bit.
    new = np.ones(len(xy), bool)
    same_row = row[1:] == row[:-1]
    short = np.abs(np.diff(xy, axis=0)).max(axis=1) < SHORTEST_SEGMENT
    new[1:] = ~(same_row & short)
    last = np.ones(len(xy), bool)
    last[:-1] = ~same_row
    dropped_last = last & ~new
    kept_before = np.maximum.accumulate(np.where(new, np.arange(len(xy)), 0))
    targets = kept_before[dropped_last]
    first = np.ones(len(xy), bool)
    first[1:] = ~same_row
    movable = ~first[targets]
    xy[targets[movable]] = xy[dropped_last][movable]
    xy, row = xy[new], row[new]
    kept = np.bincount(row, minlength=len(strokes))
    offsets = np.concatenate([[0], np.cumsum(kept)]).astype(np.int64)
    return replace(strokes, points=np.ascontiguousarray(xy), offsets=offsets)


def _rotated_to_corner(strokes: Strokes) -> Strokes:
    closed = strokes.closed & (strokes.counts > 3)
    if not np.any(closed):
        return strokes
    points = strokes.points
    step = np.diff(points, axis=0)
    length = np.maximum(np.hypot(step[:, 0], step[:, 1]), 1e-300)
    unit = step / length[:, None]
    start = strokes.offsets[:-1]
    stop = strokes.offsets[1:]
    straightness = np.full(len(points), np.inf)
    straightness[1:-1] = np.sum(unit[1:] * unit[:-1], axis=1)
    rows = np.flatnonzero(closed)
    straightness[start[rows]] = np.sum(unit[start[rows]] * unit[stop[rows] - 2], axis=1)
    straightness[stop[rows] - 1] = np.inf
    moved = points.copy()
    for row in rows:
        first, last = int(start[row]), int(stop[row]) - 1
        corner = int(np.argmin(straightness[first:last]))
        # A start that is as good stays, so that the seam does not wander.
        if straightness[first] <= straightness[first + corner] + 1e-9:
            continue
        ring = np.roll(points[first:last], -corner, axis=0)
        moved[first:last] = ring
        moved[last] = ring[0]
    return strokes.with_points(moved)
