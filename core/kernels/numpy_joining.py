# SPDX-License-Identifier: GPL-3.0-or-later
"""Pieces into strokes, and fewer vertices on them: reference implementation in numpy."""

from __future__ import annotations

import numpy as np
import shapely
from numpy.typing import NDArray

from ..scene import LineKind
from .numpy_chaining import chain
from .numpy_coincident import uncovered
from .records import Joined, JoinInput

__all__ = ["AT_END", "joined_pieces", "simplified"]

FloatArray = NDArray[np.float64]
IndexArray = NDArray[np.int64]

AT_END = 1e-7
"""A piece that ends this close to the end of its edge (in t) ends at the vertex."""


def joined_pieces(given: JoinInput) -> Joined:
    """Take away what coincides and join the rest end to end.

    Parameters
    ----------
    given
        See `JoinInput`. Dots and pieces without a length are passed over.
    """
    pieces = given.pieces
    rows = np.flatnonzero(
        ((pieces.kind & np.uint16(LineKind.DOT)) == 0)
        & ((pieces.xy[:, 0] != pieces.xy[:, 2]) | (pieces.xy[:, 1] != pieces.xy[:, 3]))
    )
    t, xy = pieces.t[rows], pieces.xy[rows]
    if given.coincident > 0.0 and len(rows):
        left, u = uncovered(xy, given.priority[rows], given.coincident)
        rows, t, xy = rows[left], _within(t[left], u), _within_xy(xy[left], u)
    chains = chain(
        _nodes(given, rows, t), len(given.positions), given.group[rows], np.ascontiguousarray(xy)
    )
    walk = chains.half_edges
    piece, backwards = walk >> 1, (walk & 1).astype(bool)
    counts = np.diff(chains.offsets)
    count = len(counts)
    if count == 0:
        none = np.empty(0, np.int64)
        return Joined(np.empty((0, 2)), np.zeros(1, np.int64), none, np.empty(0, np.uint16), none)

    # Points: the start of every piece on the walk, then the end of the last.
    ends = xy[piece].reshape(-1, 2, 2)
    start = np.where(backwards[:, None], ends[:, 1], ends[:, 0])
    stop = np.where(backwards[:, None], ends[:, 0], ends[:, 1])
    offsets = chains.offsets + np.arange(count + 1)
    points = np.empty((len(walk) + count, 2))
    points[np.arange(len(walk)) + np.repeat(np.arange(count), counts)] = start
    points[offsets[1:] - 1] = np.where(
        (chains.closed != 0)[:, None], start[chains.offsets[:-1]], stop[chains.offsets[1:] - 1]
    )
    source = rows[piece]
    return Joined(
        points=points,
        offsets=offsets,
        first=source[chains.offsets[:-1]],
        kind=np.bitwise_or.reduceat(pieces.kind[source], chains.offsets[:-1]),
        smallest=np.minimum.reduceat(given.source[source], chains.offsets[:-1]),
    )


def _within(t: FloatArray, u: FloatArray) -> FloatArray:
    """Parameters of parts u of the stretches t, exact where u is 0 or 1."""
    start, step = t[:, :1], t[:, 1:] - t[:, :1]
    part: FloatArray = np.where(u > 0.5, t[:, 1:] - step * (1.0 - u), start + step * u)
    return part


def _within_xy(xy: FloatArray, u: FloatArray) -> FloatArray:
    x, y = _within(xy[:, 0::2], u), _within(xy[:, 1::2], u)
    return np.stack([x[:, 0], y[:, 0], x[:, 1], y[:, 1]], axis=1)


def _nodes(given: JoinInput, rows: IndexArray, t: FloatArray) -> IndexArray:
    """Vertex at which a piece ends, -1 where it ends elsewhere, (n, 2)."""
    vertex = given.edges[given.pieces.edge[rows]].astype(np.int64)
    x, y, z = (given.positions[vertex, k] for k in range(3))
    row = given.height_row
    height = x * row[0] + y * row[1] + z * row[2] + row[3]
    # The end of an edge cut by the near or far plane is no vertex.
    at_vertex = (height >= given.near) & (height <= given.far)
    at_vertex &= np.stack([t[:, 0] <= AT_END, t[:, 1] >= 1.0 - AT_END], axis=1)
    nodes: IndexArray = np.ascontiguousarray(np.where(at_vertex, vertex, -1))
    return nodes


def simplified(
    points: FloatArray, offsets: IndexArray, tolerance: float
) -> tuple[FloatArray, IndexArray]:
    """Drop vertices of polylines that lie within a tolerance of what is left.

    Parameters
    ----------
    points : (n, 2) float64
    offsets : (k + 1,) int64
        Every polyline has at least one point.
    tolerance
        Largest distance of a dropped vertex from the result.

    Returns
    -------
    points, offsets
        Ends are kept; a ring that would fold up is left as it is.

    Notes
    -----
    Douglas-Peucker, by shapely: of the vertices between two that stay, the farthest from the
    segment (of equal ones the first) stays where its distance is above the tolerance.
    """
    counts = np.diff(offsets)
    long = np.flatnonzero(counts > 2)
    if len(long) == 0:
        return points, offsets
    line = np.repeat(np.arange(len(counts)), counts)
    place = np.full(len(counts), -1)
    place[long] = np.arange(len(long))
    chosen = place[line] >= 0
    lines = shapely.linestrings(points[chosen], indices=place[line[chosen]])
    first, last = points[offsets[long]], points[offsets[long + 1] - 1]
    simpler = shapely.simplify(lines, tolerance, preserve_topology=False)
    after = shapely.get_num_coordinates(simpler)
    folded = (first == last).all(axis=1) & (after < 4)
    simpler[folded] = lines[folded]
    left, owner = shapely.get_coordinates(simpler, return_index=True)
    every_owner = np.concatenate([long[owner], line[~chosen]])
    order = np.argsort(every_owner, kind="stable")
    every_point = np.concatenate([left, points[~chosen]])[order]
    new_counts = np.bincount(every_owner, minlength=len(counts))
    return every_point, np.concatenate([[0], np.cumsum(new_counts)]).astype(np.int64)
