# SPDX-License-Identifier: GPL-3.0-or-later
"""Lines that lie on one another in the image are drawn once: reference in numpy."""

from __future__ import annotations

from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray

__all__ = ["COINCIDENT_FIELD", "uncovered"]

FloatArray = NDArray[np.float64]
IndexArray = NDArray[np.int64]

COINCIDENT_FIELD = 0.5 * 2.0 / 65536.0
"""Half of 1/65536 of the field (which is 2 wide): the widest gap between coincident lines."""
PAIRS_AT_MOST = 1 << 21
LARGEST_ANGLE_RAD = 1e-3
"""Lines at a wider angle only touch: a rim and the outline that leaves it keep all they have."""


def uncovered(
    xy: FloatArray, priority: NDArray[np.integer[Any]], tolerance: float = COINCIDENT_FIELD
) -> tuple[IndexArray, FloatArray]:
    """Take from each piece what an earlier piece already draws.

    Parameters
    ----------
    xy : (n, 4) float64
        x0, y0, x1, y1 in field coordinates.
    priority : (n,) integer
        Smaller first; equal ones in their order.
    tolerance
        Largest distance of coincident lines, field units. Common stretches shorter than four
        times this are left alone.

    Returns
    -------
    piece : (m,) int64
        Rising; a piece may be left in several stretches, or none.
    u : (m, 2) float64
        Start and end of the stretch along the piece, 0…1.
    """
    count = len(xy)
    everything = np.arange(count), np.tile([0.0, 1.0], (count, 1))
    if count < 2:
        return everything
    step = xy[:, 2:] - xy[:, :2]
    length = np.sqrt(step[:, 0] * step[:, 0] + step[:, 1] * step[:, 1])
    a, b = _near_one_line(xy, step, length, tolerance)
    # Not parallel within what the tolerance allows over the shorter piece: refused.
    cross = np.abs(step[a, 0] * step[b, 1] - step[a, 1] * step[b, 0])
    shorter, longer = np.minimum(length[a], length[b]), np.maximum(length[a], length[b])
    likely: NDArray[np.bool_] = (cross <= 2.0 * tolerance * longer) & (shorter > 4.0 * tolerance)
    likely &= cross <= LARGEST_ANGLE_RAD * shorter * longer
    a, b = a[likely], b[likely]
    if len(a) == 0:
        return everything
    order = np.empty(count, np.int64)
    order[np.argsort(priority, kind="stable")] = np.arange(count)
    swap = order[a] > order[b]
    kept, later = np.where(swap, b, a), np.where(swap, a, b)

    # Common stretch along the later piece, and its distance from the line of the kept one.
    along = step[later] / length[later, None]
    origin = xy[later, :2]
    s0 = _dot(xy[kept, :2] - origin, along)
    s1 = _dot(xy[kept, 2:] - origin, along)
    start = np.maximum(np.minimum(s0, s1), 0.0)
    end = np.minimum(np.maximum(s0, s1), length[later])
    kept_along = step[kept] / length[kept, None]
    touching: NDArray[np.bool_] = end - start > 4.0 * tolerance
    for at in (start, end):
        offset = origin + along * at[:, None] - xy[kept, :2]
        aside = np.abs(offset[:, 0] * kept_along[:, 1] - offset[:, 1] * kept_along[:, 0])
        touching &= aside <= tolerance
    later, start, end = later[touching], start[touching], end[touching]
    if len(later) == 0:
        return everything
    margin = tolerance / length[later]
    return _left_over(count, later, start / length[later], end / length[later], margin)


def _dot(a: FloatArray, b: FloatArray) -> FloatArray:
    """Row by row, with two roundings, as C does it (einsum may fuse them)."""
    result: FloatArray = np.add(a[:, 0] * b[:, 0], a[:, 1] * b[:, 1])
    return result


def _near_one_line(
    xy: FloatArray, step: FloatArray, length: FloatArray, tolerance: float
) -> tuple[IndexArray, IndexArray]:
    """Return pairs among which are all that may lie on one line.

    Lines that coincide pass the origin at the same distance, so sorting by it leaves few pairs.
    """
    away = np.abs(xy[:, 0] * step[:, 1] - xy[:, 1] * step[:, 0])
    away /= np.where(length > 0.0, length, 1.0)
    reach = float(np.max(np.abs(xy)))
    window = 1.5 * reach * LARGEST_ANGLE_RAD + 2.0 * tolerance
    order = np.argsort(away)
    away = away[order]
    every = np.arange(len(away))
    following = np.searchsorted(away, away + window, side="right") - every - 1
    total = int(following.sum())
    if total > PAIRS_AT_MOST:  # thousands of lines through one point
        low = np.minimum(xy[:, :2], xy[:, 2:]) - 0.5 * tolerance
        high = np.maximum(xy[:, :2], xy[:, 2:]) + 0.5 * tolerance
        boxes = shapely.box(low[:, 0], low[:, 1], high[:, 0], high[:, 1])
        a, b = shapely.STRtree(boxes).query(boxes)
        half = a < b
        return a[half], b[half]
    a = np.repeat(every, following)
    b = np.arange(total) - np.repeat(np.cumsum(following) - following, following) + a + 1
    return order[a], order[b]


def _left_over(
    count: int, owner: IndexArray, start: FloatArray, end: FloatArray, margin: FloatArray
) -> tuple[IndexArray, FloatArray]:
    """Return what intervals leave of [0, 1], ends within the margin counted as reached."""
    start = np.where(start <= margin, -0.25, start)
    end = np.where(end >= 1.0 - margin, 1.25, end)
    every = np.arange(count)
    index = np.concatenate([every, owner, every])
    low = np.concatenate([np.full(count, -0.25), start, np.ones(count)])
    high = np.concatenate([np.zeros(count), end, np.full(count, 1.25)])
    order = np.lexsort((low, index))
    index, low, high = index[order], low[order], high[order]
    # The farthest end so far of each piece, by its rank among all: a sum would lose digits.
    ends, rank = np.unique(high, return_inverse=True)
    farthest = np.maximum.accumulate(index * len(ends) + rank.reshape(-1))
    reached = ends[farthest - index * len(ends)][:-1]
    gap = np.flatnonzero((index[1:] == index[:-1]) & (low[1:] - reached > 1e-9))
    return index[gap], np.stack([reached[gap], low[gap + 1]], axis=1)
