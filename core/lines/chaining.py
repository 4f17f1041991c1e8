# SPDX-License-Identifier: GPL-3.0-or-later
"""Visible pieces become strokes: duplicates go, the rest is joined end to end."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from ..kernels import chain
from ..scene import LineKind, Surface
from ..strokes import Strokes
from .coincident import uncovered
from .visibility import SeenEdges

__all__ = ["chain_strokes"]

AT_END = 1e-7
"""A piece that ends this close to the end of its edge (in t) ends at the vertex."""

# When lines coincide, the kind that stands first stays.
_KIND_ORDER = (
    LineKind.SILHOUETTE,
    LineKind.BORDER,
    LineKind.CREASE,
    LineKind.INTERSECTION,
    LineKind.MATERIAL,
    LineKind.MARK,
    LineKind.DRAWN,
    LineKind.LOOSE,
)


def chain_strokes(
    seen: SeenEdges, surfaces: Sequence[Surface], remove_coincident: bool = True
) -> Strokes:
    """Join visible pieces into strokes of one object and one colour each.

    Parameters
    ----------
    seen
        Visible pieces.
    surfaces
        Of the scene, for colours and names.
    remove_coincident
        Draw lines that lie on one another once.

    Returns
    -------
    Strokes
        Field coordinates. `kind` holds the bits of all pieces of a stroke; `identity` is
        ``object << 32 | smallest edge number`` of them.
    """
    names = tuple(surface.name for surface in surfaces)
    pieces = seen.pieces
    if len(pieces.edge) == 0:
        return Strokes.empty(names)
    dot = (pieces.kind & np.uint16(LineKind.DOT)) != 0
    length = np.hypot(pieces.xy[:, 2] - pieces.xy[:, 0], pieces.xy[:, 3] - pieces.xy[:, 1])
    rows = np.flatnonzero(~dot & (length > 0.0))
    t, xy = pieces.t[rows], pieces.xy[rows]
    if remove_coincident and len(rows):
        left, u = uncovered(xy, _priority(seen, surfaces)[rows])
        if len(left) != len(rows) or not np.array_equal(u[:, 0], np.zeros(len(u))):
            rows, t, xy = rows[left], _within(t[left], u), _within_xy(xy[left], u)
        elif not np.all(u[:, 1] == 1.0):
            t, xy = _within(t, u), _within_xy(xy, u)

    colour_table, colour = _colours(seen, surfaces)
    nodes = _nodes(seen, rows, t)
    group, colour = _dense(seen.surface[rows], colour[rows], len(colour_table)), colour[rows]
    chains = chain(nodes, len(seen.view.positions), group, np.ascontiguousarray(xy))
    walk = chains.half_edges
    piece, backwards = walk >> 1, (walk & 1).astype(bool)
    counts = np.diff(chains.offsets)
    count = len(counts)

    # Points: the start of every piece on the walk, then the end of the last.
    ends = xy[piece].reshape(-1, 2, 2)
    start = np.where(backwards[:, None], ends[:, 1], ends[:, 0])
    stop = np.where(backwards[:, None], ends[:, 0], ends[:, 1])
    offsets = chains.offsets + np.arange(count + 1)
    points = np.empty((len(walk) + count, 2))
    points[np.arange(len(walk)) + np.repeat(np.arange(count), counts)] = start
    if count:
        final = np.where(
            (chains.closed != 0)[:, None],
            start[chains.offsets[:-1]],
            stop[chains.offsets[1:] - 1],
        )
        points[offsets[1:] - 1] = final
    first = piece[chains.offsets[:-1]]
    source = rows[piece]
    kind = np.empty(0, np.uint16)
    smallest = np.empty(0, np.int64)
    if count:
        kind = np.bitwise_or.reduceat(pieces.kind[source], chains.offsets[:-1])
        smallest = np.minimum.reduceat(seen.source[source], chains.offsets[:-1])
    owner = seen.surface[rows[first]]
    joined = Strokes(
        points=points,
        offsets=offsets,
        colour=colour_table[colour[first]].reshape(-1, 3),
        kind=kind,
        object_index=owner,
        identity=owner.astype(np.int64) << 32 | smallest,
        object_names=names,
    )
    if not np.any(dot):
        return joined
    return Strokes.concatenate([joined, _dots(seen, surfaces, np.flatnonzero(dot))])


def _dots(seen: SeenEdges, surfaces: Sequence[Surface], rows: NDArray[np.int64]) -> Strokes:
    """Strokes of one point."""
    table, colour = _colours(seen, surfaces)
    owner = seen.surface[rows]
    return Strokes(
        points=np.ascontiguousarray(seen.pieces.xy[rows, :2]),
        offsets=np.arange(len(rows) + 1, dtype=np.int64),
        colour=table[colour[rows]],
        kind=seen.pieces.kind[rows],
        object_index=owner,
        identity=owner.astype(np.int64) << 32 | seen.source[rows],
        object_names=tuple(surface.name for surface in surfaces),
    )


def _within(t: NDArray[np.float64], u: NDArray[np.float64]) -> NDArray[np.float64]:
    """Parameters of parts u of the stretches t, exact where u is 0 or 1."""
    start, step = t[:, :1], t[:, 1:] - t[:, :1]
    part: NDArray[np.float64] = np.where(u > 0.5, t[:, 1:] - step * (1.0 - u), start + step * u)
    return part


def _within_xy(xy: NDArray[np.float64], u: NDArray[np.float64]) -> NDArray[np.float64]:
    x, y = _within(xy[:, 0::2], u), _within(xy[:, 1::2], u)
    return np.stack([x[:, 0], y[:, 0], x[:, 1], y[:, 1]], axis=1)


def _priority(seen: SeenEdges, surfaces: Sequence[Surface]) -> NDArray[np.int64]:
    """Smaller stays: by kind, then by stacking rank, then by edge (the order of the pieces)."""
    priority = np.full(len(seen.pieces.edge), len(_KIND_ORDER), np.int64)
    for place in range(len(_KIND_ORDER) - 1, -1, -1):
        priority[(seen.pieces.kind & np.uint16(_KIND_ORDER[place])) != 0] = place
    rank = np.array([surface.lines.rank for surface in surfaces], np.int64)
    return (priority << 32) - rank[seen.surface]


def _nodes(seen: SeenEdges, rows: NDArray[np.int64], t: NDArray[np.float64]) -> NDArray[np.int64]:
    """Vertex at which a piece ends, -1 where it ends elsewhere, (n, 2)."""
    view = seen.view
    vertex = view.edges[seen.pieces.edge[rows]].astype(np.int64)
    matrix = view.view_projection
    row = matrix[3] if np.any(matrix[3, :3] != 0.0) else matrix[2]
    height = view.positions[vertex] @ row[:3] + row[3]
    # The end of an edge cut by the near or far plane is no vertex.
    at_vertex = (height >= view.near) & (height <= view.far)
    at_vertex &= np.stack([t[:, 0] <= AT_END, t[:, 1] >= 1.0 - AT_END], axis=1)
    nodes: NDArray[np.int64] = np.ascontiguousarray(np.where(at_vertex, vertex, -1))
    return nodes


def _colours(
    seen: SeenEdges, surfaces: Sequence[Surface]
) -> tuple[NDArray[np.float64], NDArray[np.int64]]:
    """Return the distinct colours of the scene, and the row of each piece."""
    slots = np.array([len(surface.colours) for surface in surfaces], np.int64)
    table, row_of = np.unique(
        np.concatenate([surface.colours for surface in surfaces]), axis=0, return_inverse=True
    )
    base = np.concatenate([[0], np.cumsum(slots)])[:-1]
    slot = np.minimum(seen.material, slots[seen.surface] - 1)
    return table, row_of.reshape(-1)[base[seen.surface] + np.maximum(slot, 0)]


def _dense(
    surface: NDArray[np.int32], colour: NDArray[np.int64], colours: int
) -> NDArray[np.int32]:
    """Number the pairs of object and colour that occur, (n,)."""
    _, number = np.unique(surface.astype(np.int64) * colours + colour, return_inverse=True)
    numbers: NDArray[np.int32] = number.reshape(-1).astype(np.int32)
    return numbers
