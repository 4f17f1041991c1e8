# SPDX-License-Identifier: GPL-3.0-or-later
"""Morph: strokes of one drawing turn into those of another.

Partners are matched closed with closed first, by place and length. Both get the corners of
either, by share of arc length, so that neither loses one on the way.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from ..strokes import Strokes

__all__ = ["blended", "partners"]

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

MISMATCH_COST = 4.0
"""Price, in field units, of matching a closed stroke with an open one."""


def partners(sources: Strokes, targets: Strokes) -> IntArray:
    """Match two stroke sets, each stroke of the larger one to one of the smaller.

    Returns
    -------
    (m, 2) int64
        Row of the source and of the target; every stroke occurs at least once, and those of
        the larger set exactly once.

    Notes
    -----
    Greedy on the cost: distance of the centres plus difference of the lengths. When the smaller
    set is used up, the rest of the larger one goes to the nearest, spread evenly: a stroke takes
    at most ``ceil(larger / smaller)`` partners.
    """
    few, many = (sources, targets) if len(sources) <= len(targets) else (targets, sources)
    if len(few) == 0:
        return np.empty((0, 2), np.int64)
    gap = _centres(few)[:, None] - _centres(many)[None]
    cost = np.hypot(gap[..., 0], gap[..., 1])
    cost += np.abs(few.lengths[:, None] - many.lengths[None])
    cost += MISMATCH_COST * (few.closed[:, None] != many.closed[None])
    room = -(-len(many) // len(few))
    mate = np.full(len(many), -1, np.int64)
    taken = np.zeros(len(few), np.int64)
    order = np.argsort(cost, axis=None, kind="stable")
    # First everybody of the smaller set gets one, then the rest is shared out.
    for limit in (1, room):
        for place in order:
            row, column = divmod(int(place), len(many))
            if mate[column] < 0 and taken[row] < limit:
                mate[column] = row
                taken[row] += 1
    pairs = np.stack([mate, np.arange(len(many))], axis=1)
    return pairs if few is sources else pairs[:, ::-1]


def blended(sources: Strokes, targets: Strokes, factor: float) -> Strokes:
    """Return the strokes on the way from `sources` (0) to `targets` (1).

    Identity, kind and object are those of the larger set's strokes, so that the picture stays
    calm on the way. A set without partners shrinks to, or grows from, its strokes' centres.
    """
    if factor <= 0.0:
        return sources
    if factor >= 1.0:
        return targets
    if len(sources) == 0 and len(targets) == 0:
        return sources
    if len(sources) == 0:
        return _scaled(targets, factor)
    if len(targets) == 0:
        return _scaled(sources, 1.0 - factor)
    pairs = partners(sources, targets)
    lines = [
        _between(sources.polyline(a), targets.polyline(b), factor, bool(closed))
        for (a, b), closed in zip(
            pairs, sources.closed[pairs[:, 0]] & targets.closed[pairs[:, 1]], strict=True
        )
    ]
    lead, column = (targets, 1) if len(targets) >= len(sources) else (sources, 0)
    rows = pairs[:, column]
    colour = (1.0 - factor) * sources.colour[pairs[:, 0]] + factor * targets.colour[pairs[:, 1]]
    return Strokes.from_polylines(
        lines,
        colour=colour,
        kind=lead.kind[rows],
        object_index=lead.object_index[rows],
        identity=lead.identity[rows],
        object_names=lead.object_names,
    )


def _centres(strokes: Strokes) -> FloatArray:
    low = np.minimum.reduceat(strokes.points, strokes.offsets[:-1])
    high = np.maximum.reduceat(strokes.points, strokes.offsets[:-1])
    centres: FloatArray = (low + high) / 2.0
    return centres


def _scaled(strokes: Strokes, share: float) -> Strokes:
    centre = _centres(strokes)[strokes.stroke_of_point]
    return strokes.with_points(centre + share * (strokes.points - centre))


def _shares(line: FloatArray) -> FloatArray:
    """Share of the arc length at each corner, 0…1."""
    along = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(line, axis=0).T))])
    if along[-1] > 0.0:
        return np.asarray(along / along[-1])
    return np.linspace(0.0, 1.0, len(line)) if len(line) > 1 else np.zeros(1)


def _at(line: FloatArray, shares: FloatArray, places: FloatArray) -> FloatArray:
    return np.stack(
        [np.interp(places, shares, line[:, 0]), np.interp(places, shares, line[:, 1])], axis=1
    )


def _between(first: FloatArray, second: FloatArray, factor: float, closed: bool) -> FloatArray:
    """Blend two lines point by point, the second turned and reversed to lie best."""
    shares = _shares(first)
    best = _fitted(first, second, closed)
    best_shares = _shares(best)
    places = np.union1d(shares, best_shares)
    if len(places) == 1:
        places = np.array([0.0])
    line = (1.0 - factor) * _at(first, shares, places) + factor * _at(best, best_shares, places)
    if closed:
        line[-1] = line[0]
    return np.asarray(line)


def _fitted(first: FloatArray, second: FloatArray, closed: bool) -> FloatArray:
    """Return `second` with the direction, and for loops the start, that moves least."""
    places = np.linspace(0.0, 1.0, 33)
    # Only the shape counts: where it lies must not choose the direction.
    wanted = _at(first, _shares(first), places)
    wanted = wanted - wanted.mean(axis=0)
    best, least = second, np.inf
    for way in (second, second[::-1]):
        starts = range(len(way) - 1) if closed else range(1)
        for start in starts:
            turned = np.vstack([way[start:-1], way[: start + 1]]) if start else way
            there = _at(turned, _shares(turned), places)
            there = there - there.mean(axis=0)
            cost = float(((there - wanted) ** 2).sum())
            if cost < least - 1e-12:
                best, least = turned, cost
    return best
