# SPDX-License-Identifier: GPL-3.0-or-later
"""Visible pieces of edges: reference implementation in numpy.

Every drawn edge is a segment in the image; each triangle before it takes one interval of the
segment's parameter away. A uniform screen grid finds the candidates. No sampling.

Depth is ``-1 / w`` in perspective, linear over the image of any plane, so that a hidden
interval is an intersection of four half-lines: three sides and one depth plane.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from .numpy_features import LEAST_PIECE, Features, along, clip_to_page, features_of
from .numpy_grid import (
    PAIRS_AT_ONCE,
    Cuts,
    cell_ranges,
    cut_at_grid_lines,
    entries_of,
    grid_over,
)
from .numpy_projection import Occluders, occluders_near, project
from .records import Pieces, VisibilityInput

__all__ = ["visible_pieces"]

FloatArray = NDArray[np.float64]
IndexArray = NDArray[np.int64]
BoolArray = NDArray[np.bool_]

SEAM = 1e-9
"""Hidden intervals grow by this in t, to close the seams between neighbouring triangles."""
COLLINEAR = 1e-12
"""An image point this close (times the side's length) to an interior side lies on it."""
GRID_SCALE = 0.5
LARGEST_GRID = 512
ENTRIES_PER_TRIANGLE = 32
BLOCK = 1 << 15


def visible_pieces(scene: VisibilityInput) -> Pieces:
    """Return the visible pieces of all drawn edges.

    Parameters
    ----------
    scene
        See `VisibilityInput`.

    Returns
    -------
    Pieces
        Ordered by edge, then along it.

    Notes
    -----
    Quantitative invisibility is replaced by subtraction of intervals; compare A. Appel, "The
    notion of quantitative invisibility and the machine rendering of solids", 1967 (cited from
    memory).
    """
    projection = project(scene)
    features = clip_to_page(features_of(scene, projection), scene.page)
    count = len(features.edge)
    if count == 0:
        return Pieces(
            np.empty(0, np.int32), np.empty(0, np.uint16), np.empty((0, 2)), np.empty((0, 4))
        )
    hidden = [np.empty(0, np.int64)], [np.empty(0)], [np.empty(0)]
    cells = min(max(GRID_SCALE * np.sqrt(len(scene.triangles)), 8), LARGEST_GRID)
    while True:
        grid = grid_over(features, int(cells))
        cuts = cut_at_grid_lines(features, grid)
        far = np.full(grid.width * grid.height, -np.inf)
        first = np.flatnonzero(np.diff(cuts.cell, prepend=-1))
        far[cuts.cell[first]] = np.maximum.reduceat(cuts.far, first)
        occluders = occluders_near(scene, projection, grid, far.reshape(grid.height, grid.width))
        small, entries = cell_ranges(occluders)
        if entries <= ENTRIES_PER_TRIANGLE * len(scene.triangles) + 65536 or cells <= 8:
            break
        cells = cells / 2
    if len(occluders.triangle):
        cell, order = entries_of(occluders, grid, far, small)
        _subtract(features, cuts, occluders, cell, order, hidden)
    feature, start, end = _gaps(
        np.concatenate(hidden[0]), np.concatenate(hidden[1]), np.concatenate(hidden[2]), features
    )
    return _pieces(features, feature, start, end)


def _subtract(
    features: Features,
    cuts: Cuts,
    occluders: Occluders,
    cell: IndexArray,
    order: IndexArray,
    hidden: tuple[list[IndexArray], list[FloatArray], list[FloatArray]],
) -> None:
    """Collect the hidden intervals of all pieces, the nearest triangles first."""
    count = len(occluders.near)
    key = cell * (count + 1) + order
    begin = np.searchsorted(key, cuts.cell * (count + 1))
    deepest = np.searchsorted(occluders.near, cuts.far)
    finish = np.searchsorted(key, cuts.cell * (count + 1) + deepest)
    piece = np.flatnonzero(finish > begin)
    begin, finish = begin[piece], finish[piece]
    (x0, x1, x2), (y0, y1, y2) = occluders.x, occluders.y
    occluder_box = np.stack(
        [
            np.maximum(np.maximum(x0, x1), x2),
            np.maximum(np.maximum(y0, y1), y2),
            -np.minimum(np.minimum(x0, x1), x2),
            -np.minimum(np.minimum(y0, y1), y2),
        ]
    )
    batch = 12
    while len(piece):
        stop = np.minimum(begin + batch, finish)
        bounds = np.concatenate([[0], np.cumsum(stop - begin)])
        low = 0
        while low < len(piece):
            high = int(np.searchsorted(bounds, bounds[low] + PAIRS_AT_ONCE, side="right")) - 1
            high = max(high, low + 1)
            lengths = stop[low:high] - begin[low:high]
            pair_piece = np.repeat(piece[low:high], lengths)
            shift = begin[low:high] - (bounds[low:high] - bounds[low])
            pair_entry = np.arange(len(pair_piece)) + np.repeat(shift, lengths)
            found = _hidden_intervals(
                features, cuts, occluders, occluder_box, pair_piece, order[pair_entry]
            )
            for store, values in zip(hidden, found, strict=True):
                store.append(values)  # type: ignore[attr-defined]  # three lists, three types
            low = high
        more = stop < finish
        piece, begin, finish = piece[more], stop[more], finish[more]
        if len(piece):
            seen = _still_visible(features, cuts, hidden, piece)
            piece, begin, finish = piece[seen], begin[seen], finish[seen]
        batch *= 3


def _still_visible(
    features: Features,
    cuts: Cuts,
    hidden: tuple[list[IndexArray], list[FloatArray], list[FloatArray]],
    piece: IndexArray,
) -> BoolArray:
    """Return a mask of the pieces that are not yet hidden wholly."""
    owner, start, end = _gaps(
        np.concatenate(hidden[0]), np.concatenate(hidden[1]), np.concatenate(hidden[2]), features
    )
    feature = cuts.feature[piece]
    if len(owner) == 0:
        return np.zeros(len(piece), bool)
    following = np.searchsorted(2.0 * owner + end, 2.0 * feature + cuts.t[0, piece], side="right")
    inside = np.minimum(following, len(owner) - 1)
    seen: BoolArray = (following < len(owner)) & (
        2.0 * owner[inside] + start[inside] < 2.0 * feature + cuts.t[1, piece]
    )
    return seen


def _hidden_intervals(
    features: Features,
    cuts: Cuts,
    occluders: Occluders,
    occluder_box: FloatArray,
    piece: IndexArray,
    occluder: IndexArray,
) -> tuple[IndexArray, FloatArray, FloatArray]:
    """Hide features by triangles, pair by pair: (m,) feature, start and end in t."""
    near = np.take(cuts.box[0], piece) <= np.take(occluder_box[0], occluder)
    for k in range(1, 4):
        near &= np.take(cuts.box[k], piece) <= np.take(occluder_box[k], occluder)
    hit = np.flatnonzero(near)
    feature, occluder = np.take(cuts.feature, np.take(piece, hit)), np.take(occluder, hit)

    touches = []
    for end in (0, 1):
        vertex = np.take(features.vertex[end], feature)
        corner = np.take(occluders.vertex[0], occluder) == vertex
        for k in (1, 2):
            corner |= np.take(occluders.vertex[k], occluder) == vertex
        touches.append(corner & (vertex >= 0))
    triangle = np.take(occluders.triangle, occluder)
    own = np.take(features.face[0], feature) == triangle
    own |= np.take(features.face[1], feature) == triangle
    hit = np.flatnonzero(~(own | (touches[0] & touches[1])))
    feature, occluder = np.take(feature, hit), np.take(occluder, hit)
    touch_a, touch_b = np.take(touches[0], hit), np.take(touches[1], hit)

    xa, xb = np.take(features.x[0], feature), np.take(features.x[1], feature)
    ya, yb = np.take(features.y[0], feature), np.take(features.y[1], feature)
    x = [np.take(occluders.x[k], occluder) for k in range(3)]
    y = [np.take(occluders.y[k], occluder) for k in range(3)]
    crosses = np.ones(len(feature), bool)
    sides = []
    for k in range(3):
        j = (k + 1) % 3
        ex, ey = x[j] - x[k], y[j] - y[k]
        a = ex * (ya - y[k]) - ey * (xa - x[k])
        b = ex * (yb - y[k]) - ey * (xb - x[k])
        interior = np.take(occluders.interior[k], occluder)
        slack = -COLLINEAR * (np.abs(ex) + np.abs(ey))
        a[interior & (a < 0.0) & (a > slack)] = 0.0
        b[interior & (b < 0.0) & (b > slack)] = 0.0
        # Open half-planes, but a point on an interior side is inside.
        crosses &= (np.maximum(a, b) > 0.0) | (interior & (a == 0.0) & (b == 0.0))
        sides.append((a, b))
    hit = np.flatnonzero(crosses)
    feature, occluder = np.take(feature, hit), np.take(occluder, hit)
    touch_a, touch_b = np.take(touch_a, hit), np.take(touch_b, hit)
    sides = [(np.take(a, hit), np.take(b, hit)) for a, b in sides]

    bias = np.take(features.bias, feature)
    if occluders.ranked:
        rank, own_rank = np.take(occluders.rank, occluder), np.take(features.rank, feature)
        ranked = np.take(features.ranked_bias, feature)
        bias = np.where(rank == own_rank, bias, np.where(rank > own_rank, -ranked, ranked))
    depths = [np.take(occluders.depth[k], occluder) for k in range(3)]
    behind = []
    for end, touch in ((0, touch_a), (1, touch_b)):
        s0, s1, s2 = (side[end] for side in sides)
        plane = (s1 * depths[0] + s2 * depths[1] + s0 * depths[2]) / np.take(
            occluders.area2, occluder
        )
        distance = np.take(features.depth[end], feature) - plane - bias
        behind.append(np.where(touch, 0.0, distance))
    sides.append((behind[0], behind[1]))
    start, stop = np.take(features.t0, feature), np.take(features.t1, feature)
    hides = (behind[0] > 0.0) | (behind[1] > 0.0)
    for a, b in sides:
        step = a - b
        turn = np.divide(a, step, out=np.zeros_like(a), where=step != 0.0)
        # Where both are 0 (along an interior side) there is no bound.
        start = np.where((a <= 0.0) & (step != 0.0), np.maximum(start, turn), start)
        stop = np.where((b <= 0.0) & (step != 0.0), np.minimum(stop, turn), stop)
    hit = np.flatnonzero(hides & (stop > start))
    return np.take(feature, hit), np.take(start, hit) - SEAM, np.take(stop, hit) + SEAM


def _gaps(
    owner: IndexArray, start: FloatArray, end: FloatArray, features: Features
) -> tuple[IndexArray, FloatArray, FloatArray]:
    """Return what a union of intervals leaves of [t0, t1], ordered by feature and t."""
    count = len(features.edge)
    found = []
    # In blocks, because the sort key spends the digits of t on the feature's number.
    for first in range(0, count, BLOCK):
        last = min(first + BLOCK, count)
        rows = np.flatnonzero((owner >= first) & (owner < last)) if count > BLOCK else slice(None)
        every = np.arange(last - first)
        index = np.concatenate([every, owner[rows] - first, every])
        low = np.concatenate([np.full(len(every), -0.25), start[rows], features.t1[first:last]])
        high = np.concatenate([features.t0[first:last], end[rows], np.full(len(every), 1.25)])
        base = 2.0 * index
        order = np.argsort(base + low, kind="stable")
        index, low = index[order], low[order]
        reached = np.maximum.accumulate((base + high)[order])[:-1] - 2.0 * index[:-1]
        gap = np.flatnonzero((low[1:] - reached > LEAST_PIECE) & (index[1:] == index[:-1]))
        found.append((index[gap] + first, reached[gap], low[gap + 1]))
    return (
        np.concatenate([part[0] for part in found]),
        np.concatenate([part[1] for part in found]),
        np.concatenate([part[2] for part in found]),
    )


def _pieces(features: Features, feature: IndexArray, start: FloatArray, end: FloatArray) -> Pieces:
    """Turn visible intervals into the records that go out."""
    x, y = features.x[:, feature], features.y[:, feature]
    return Pieces(
        edge=features.edge[feature].astype(np.int32),
        kind=features.kind[feature],
        t=np.stack([start, end], axis=1),
        xy=np.stack([along(x, start), along(y, start), along(x, end), along(y, end)], axis=1),
    )
