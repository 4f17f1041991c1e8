# SPDX-License-Identifier: GPL-3.0-or-later
"""Where the triangles of two bodies pass through each other: reference in numpy."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from .records import Body, CrossingEnds

__all__ = ["crossing_ends", "pierced_pairs"]

FloatArray = NDArray[np.float64]
IndexArray = NDArray[np.int64]
BoolArray = NDArray[np.bool_]

PAIRS_AT_ONCE = 1 << 20


def crossing_ends(a: Body, b: Body, within: bool, contact: float) -> CrossingEnds:
    """Return all pairs of triangles that cross in a segment, with its ends.

    Parameters
    ----------
    a, b
        Two bodies, or one twice.
    within
        Both are the same body: each pair once, none with a common vertex.
    contact
        Distance from a plane that counts as touching, from the positive side.

    Notes
    -----
    An end is where an edge of the one pierces the triangle of the other; a pair crosses in a
    segment where exactly two of its six edges do. Touching counts as being on the positive
    side, for all edges of a plane alike, so a curve through a vertex stays whole and coplanar
    contact gives nothing.
    """
    triangle_a, triangle_b = pierced_pairs(
        a.positions, a.triangles, b.positions, b.triangles, within
    )
    order = np.lexsort((triangle_b, triangle_a))
    triangle_a, triangle_b = triangle_a[order], triangle_b[order]
    hits = np.zeros((len(triangle_a), 6), bool)
    places = np.zeros((len(triangle_a), 6))
    edges = np.zeros((len(triangle_a), 6), np.int32)
    for side, (body, own, target, other) in enumerate(
        ((a, triangle_a, b, triangle_b), (b, triangle_b, a, triangle_a))
    ):
        triangle = target.positions[target.triangles[other]]
        for k in range(3):
            edge = body.triangle_edges[own, k]
            hit, u = _pierce(
                body.positions[body.edges[edge]], triangle, contact, other_first=side == 1
            )
            column = 3 * side + k
            hits[:, column], places[:, column], edges[:, column] = hit, u, edge
    pair = np.flatnonzero(hits.sum(axis=1) == 2)
    chosen = hits[pair]
    ends = np.stack([chosen.argmax(axis=1), 5 - chosen[:, ::-1].argmax(axis=1)], axis=1)
    rows = pair[:, None]
    return CrossingEnds(
        triangles=np.stack([triangle_a[pair], triangle_b[pair]], axis=1).astype(np.int32),
        side=(ends >= 3).astype(np.uint8),
        edge=edges[rows, ends],
        u=places[rows, ends],
    )


def _pierce(
    edge: FloatArray, triangle: FloatArray, contact: float, other_first: bool
) -> tuple[BoolArray, FloatArray]:
    """Tell which edges pass through their triangle, and where.

    Parameters
    ----------
    edge : (n, 2, 3) float64
    triangle : (n, 3, 3) float64
    contact
        Distance that counts as touching from the positive side.
    other_first
        The edge belongs to the second body.

    Returns
    -------
    hit : (n,) bool
    u : (n,) float64
        Position on the edge.

    Notes
    -----
    Touching counts as being on the positive side, for all edges of a plane alike, so a curve
    through a vertex stays whole and coplanar contact gives nothing.
    """
    p0, p1 = edge[:, 0], edge[:, 1]
    a, b, c = (triangle[:, k] for k in range(3))
    normal = _cross(b - a, c - a)
    length = np.sqrt(_dot(normal, normal))
    unit = normal / np.where(length > 0.0, length, 1.0)[:, None]
    d0 = _dot(p0 - a, unit)
    d1 = _dot(p1 - a, unit)
    crosses = ((d0 >= -contact) != (d1 >= -contact)) & (length > 0.0)
    step = d0 - d1
    u = np.clip(np.divide(d0, step, out=np.zeros_like(d0), where=step != 0.0), 0.0, 1.0)
    # Inside: the line passes all three sides on one hand (signed volumes). The sign of two
    # lines must not depend on who asks, so both are put in order first, the first body's ahead.
    turned = _before(p1, p0)
    line = _ordered(p0, p1, turned)
    hands = []
    for start, end in ((a, b), (b, c), (c, a)):
        swap = _before(end, start)
        side = _ordered(start, end, swap)
        first, second = (side, line) if other_first else (line, side)
        origin = first[0]
        volume = _dot(_cross(second[0] - origin, second[1] - origin), first[1] - origin)
        hands.append((volume >= 0.0) != (swap != turned))
    inside = (hands[0] == hands[1]) & (hands[1] == hands[2])
    return crosses & inside, u


def _ordered(a: FloatArray, b: FloatArray, swap: BoolArray) -> tuple[FloatArray, FloatArray]:
    return np.where(swap[:, None], b, a), np.where(swap[:, None], a, b)


def _before(a: FloatArray, b: FloatArray) -> BoolArray:
    """Lexicographic order of points, (n,)."""
    result: BoolArray = (a[:, 0] < b[:, 0]) | (
        (a[:, 0] == b[:, 0]) & ((a[:, 1] < b[:, 1]) | ((a[:, 1] == b[:, 1]) & (a[:, 2] < b[:, 2])))
    )
    return result


def _dot(a: FloatArray, b: FloatArray) -> FloatArray:
    """Row by row, each product rounded, as C does it."""
    result: FloatArray = np.add(np.add(a[:, 0] * b[:, 0], a[:, 1] * b[:, 1]), a[:, 2] * b[:, 2])
    return result


def _cross(a: FloatArray, b: FloatArray) -> FloatArray:
    result = np.empty_like(a)
    for k in range(3):
        m, n = (k + 1) % 3, (k + 2) % 3
        result[:, k] = a[:, m] * b[:, n] - a[:, n] * b[:, m]
    return result


def pierced_pairs(
    positions_a: FloatArray,
    triangles_a: NDArray[np.int32],
    positions_b: FloatArray,
    triangles_b: NDArray[np.int32],
    within: bool = False,
) -> tuple[IndexArray, IndexArray]:
    """Return the pairs of triangles whose boxes overlap and whose planes separate neither.

    Parameters
    ----------
    positions_a, positions_b : (n, 3) float64
    triangles_a, triangles_b : (n, 3) int32
    within
        Both are the same mesh: each pair once, none with a common vertex.

    Notes
    -----
    Uniform grid in space; a pair is taken in the one cell that holds the lower corner of its
    common box, so no pair comes twice.
    """
    none = np.empty(0, np.int64), np.empty(0, np.int64)
    sets = []
    low, high = np.full(3, -np.inf), np.full(3, np.inf)
    for positions, triangles in ((positions_a, triangles_a), (positions_b, triangles_b)):
        box = _boxes(positions, triangles)
        sets.append(box)
        if len(triangles) == 0:
            return none
        low, high = np.maximum(low, box[0].min(axis=0)), np.minimum(high, box[1].max(axis=0))
    if np.any(low > high):
        return none
    rows = [np.flatnonzero(_all((box[0] <= high) & (box[1] >= low))) for box in sets]
    if len(rows[0]) == 0 or len(rows[1]) == 0:
        return none
    boxes = [(box[0][row], box[1][row]) for box, row in zip(sets, rows, strict=True)]
    entries, counts = _grid_entries(boxes, low, high)
    pairs_a, pairs_b = [], []
    (cell_a, owner_a), (cell_b, owner_b) = entries
    begin = np.searchsorted(cell_b, cell_a)
    finish = np.searchsorted(cell_b, cell_a, side="right")
    bounds = np.concatenate([[0], np.cumsum(finish - begin)])
    first = 0
    while first < len(cell_a):
        last = int(np.searchsorted(bounds, bounds[first] + PAIRS_AT_ONCE, side="right")) - 1
        last = max(last, first + 1)
        lengths = finish[first:last] - begin[first:last]
        entry = np.repeat(np.arange(first, last), lengths)
        local = np.arange(len(entry)) - np.repeat(bounds[first:last] - bounds[first], lengths)
        i, j = owner_a[entry], owner_b[begin[entry] + local]
        if within:
            half = i < j
            i, j, entry = i[half], j[half], entry[half]
        corner = np.maximum(boxes[0][0][i], boxes[1][0][j])
        overlap = _all(corner <= np.minimum(boxes[0][1][i], boxes[1][1][j]))
        i, j, entry, corner = i[overlap], j[overlap], entry[overlap], corner[overlap]
        home = counts.cell_of(np.maximum(corner, low)) == cell_a[entry]
        pairs_a.append(rows[0][i[home]])
        pairs_b.append(rows[1][j[home]])
        first = last
    a, b = np.concatenate(pairs_a), np.concatenate(pairs_b)
    if within:
        shared = np.zeros(len(a), bool)
        for k in range(3):
            for m in range(3):
                shared |= triangles_a[a, k] == triangles_b[b, m]
        a, b = a[~shared], b[~shared]
    apart = _separated(positions_a[triangles_a[a]], positions_b[triangles_b[b]])
    a, b = a[~apart], b[~apart]
    apart = _separated(positions_b[triangles_b[b]], positions_a[triangles_a[a]])
    return a[~apart], b[~apart]


def _boxes(positions: FloatArray, triangles: NDArray[np.int32]) -> tuple[FloatArray, FloatArray]:
    """Return the lower and upper corners of all triangles, two (n, 3)."""
    a, b, c = (positions[triangles[:, k]] for k in range(3))
    return np.minimum(np.minimum(a, b), c), np.maximum(np.maximum(a, b), c)


def _all(mask: BoolArray) -> BoolArray:
    """Return where all three columns are true; faster than a reduction over three."""
    result: BoolArray = mask[:, 0] & mask[:, 1] & mask[:, 2]
    return result


def _separated(points: FloatArray, plane: FloatArray) -> BoolArray:
    """True where all three points lie strictly on one side of the triangle's plane, (n,)."""
    origin = plane[:, 0]
    normal = _cross(plane[:, 1] - origin, plane[:, 2] - origin)
    distance = np.stack([_dot(points[:, k] - origin, normal) for k in range(3)], axis=1)
    apart = _all(distance > 0.0) | _all(distance < 0.0)
    return apart


@dataclass(frozen=True, eq=False)
class _Cells:
    low: FloatArray
    size: float
    count: IndexArray

    def column(self, points: FloatArray) -> IndexArray:
        cells = np.floor((points - self.low) / self.size).astype(np.int64)
        clipped: IndexArray = np.clip(cells, 0, self.count - 1)
        return clipped

    def cell_of(self, points: FloatArray) -> IndexArray:
        column = self.column(points)
        cell: IndexArray = (column[:, 0] * self.count[1] + column[:, 1]) * self.count[2] + column[
            :, 2
        ]
        return cell


def _grid_entries(
    boxes: list[tuple[FloatArray, FloatArray]], low: FloatArray, high: FloatArray
) -> tuple[list[tuple[IndexArray, IndexArray]], _Cells]:
    """Enter boxes into the cells they touch; both sets into one grid, sorted by cell."""
    sizes = [box[1] - box[0] for box in boxes]
    extents = [np.maximum(np.maximum(s[:, 0], s[:, 1]), s[:, 2]) for s in sizes]
    total = sum(len(extent) for extent in extents)
    typical = min(float(np.median(extent)) for extent in extents)
    span = float(np.max(high - low))
    size = max(1.5 * typical, span / 512.0, 1e-300)
    while True:
        cells = _Cells(low, size, np.floor((high - low) / size).astype(np.int64) + 1)
        ranges = [(cells.column(box[0]), cells.column(box[1])) for box in boxes]
        spans = [last - first + 1 for first, last in ranges]
        numbers = [span[:, 0] * span[:, 1] * span[:, 2] for span in spans]
        if sum(int(number.sum()) for number in numbers) <= 16 * total + 4096 or size >= span:
            break
        size *= 2.0
    entries = []
    for (first, last), number in zip(ranges, numbers, strict=True):
        owner = np.repeat(np.arange(len(number)), number)
        local = np.arange(len(owner)) - np.repeat(np.cumsum(number) - number, number)
        wide = (last - first + 1)[owner]
        rest, z = np.divmod(local, wide[:, 2])
        x, y = np.divmod(rest, wide[:, 1])
        column = first[owner] + np.stack([x, y, z], axis=1)
        cell = (column[:, 0] * cells.count[1] + column[:, 1]) * cells.count[2] + column[:, 2]
        order = np.argsort(cell, kind="stable")
        entries.append((cell[order], owner[order]))
    return entries, cells
