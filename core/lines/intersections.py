# SPDX-License-Identifier: GPL-3.0-or-later
"""Lines where surfaces pass through each other.

View-independent: found in space, and kept while the two bodies do not move against one
another. Every end of a segment is a mesh edge that pierces a triangle; this pair is its key,
so that the segments of one curve share their points exactly.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import count
from threading import Lock

import numpy as np
from numpy.typing import NDArray

from ..scene import LineKind, Surface, Topology
from .adjacency import adjacency
from .features import KEPT_SCENES, SceneArrays, box_of
from .memory import Bounded, ByParts
from .motion import similarity_between
from .visibility import ForcedEdges

__all__ = ["SOURCE_BASE", "intersection_edges", "pierced_pairs"]

FloatArray = NDArray[np.float64]
IndexArray = NDArray[np.int64]
BoolArray = NDArray[np.bool_]

SOURCE_BASE = 1 << 31
"""Intersection segments are numbered from here, by the piercing edge."""
CONTACT = 1e-7
"""Vertices this near to a plane, relative to the coordinates, touch it from outside."""
KEPT_BYTES = 1 << 27
PAIRS_AT_ONCE = 1 << 20


@dataclass(frozen=True, eq=False)
class _Crossing:
    """Where two bodies (or one and itself) cross, independent of where both stand together.

    `side` 0 or 1 tells which body's edge pierces; the point lies at `u` on that edge.
    """

    side: NDArray[np.int64]  # (nP,)
    edge: IndexArray  # (nP,)
    u: FloatArray  # (nP,)
    segments: IndexArray  # (n, 2) into the points
    triangles: IndexArray  # (n, 2) triangle of body 0 and of body 1


@dataclass(frozen=True, eq=False)
class _Kept:
    topologies: tuple[Topology, Topology]
    positions: tuple[FloatArray, FloatArray]
    versions: tuple[int, int]
    crossing: _Crossing


@dataclass(frozen=True, eq=False)
class _Placed:
    positions: FloatArray
    version: int


_kept: Bounded[tuple[str, str], _Kept] = Bounded(4096, KEPT_BYTES)
_placed: Bounded[str, _Placed] = Bounded(4096, KEPT_BYTES)
_results: Bounded[tuple[object, ...], ForcedEdges] = Bounded(4)
_of_still_scenes: dict[tuple[bool, bool], ByParts[ForcedEdges]] = {
    (between, within): ByParts(KEPT_SCENES) for between in (False, True) for within in (False, True)
}
_NOTHING = ForcedEdges.none()
_version = count(1)
_lock = Lock()


def intersection_edges(
    surfaces: Sequence[Surface],
    arrays: SceneArrays,
    between: bool = True,
    within: bool = False,
) -> ForcedEdges:
    """Return the segments where surfaces cross.

    Parameters
    ----------
    surfaces
        All that are drawn or hide something take part. A segment belongs to the first of the
        two that draws `LineKind.INTERSECTION`.
    arrays
        `features.collect(surfaces)`.
    between, within
        Between two surfaces; within one.

    Returns
    -------
    ForcedEdges
        Faces of coplanar contact give nothing.
    """
    parts = (arrays, *surfaces)
    known = _of_still_scenes[between, within].get(parts)
    if known is not None:
        return known
    if not within and not (between and _may_cross(surfaces)):
        return _of_still_scenes[between, within].put(parts, _NOTHING)
    with _lock:  # frames may be worked on side by side; what is kept is shared
        key = (between, within, *(_state(surface) for surface in surfaces))
        found = _results.get(key)
        if found is None:
            found = _results.put(key, _intersection_edges(surfaces, arrays, between, within))
        return _of_still_scenes[between, within].put(parts, found)


def _may_cross(surfaces: Sequence[Surface]) -> bool:
    """Whether two bodies come near each other and one shows a line there."""
    draws = [_draws(surface) for surface in surfaces]
    return len(surfaces) > 1 and any(draws) and bool(_overlapping_surfaces(surfaces, draws))


def _draws(surface: Surface) -> bool:
    return surface.lines.drawn and LineKind.INTERSECTION in surface.lines.kinds


def _state(surface: Surface) -> tuple[object, ...]:
    """Return all that the intersections depend on, hashable."""
    return surface.topology, _version_of(surface), surface.lines


def _intersection_edges(
    surfaces: Sequence[Surface], arrays: SceneArrays, between: bool, within: bool
) -> ForcedEdges:
    draws = [_draws(surface) for surface in surfaces]
    pairs = _overlapping_surfaces(surfaces, draws) if between else []
    if within:
        pairs += [(i, i) for i in range(len(surfaces)) if draws[i]]
    versions = {i: _version_of(surfaces[i]) for pair in pairs for i in pair}
    positions, edges = [np.empty((0, 3))], [np.empty((0, 2), np.int64)]
    faces = [np.empty((0, 2), np.int64)]
    owners, materials = [np.empty(0, np.int64)], [np.empty(0, np.int64)]
    sources = [np.empty(0, np.int64)]
    points = 0
    for i, j in pairs:
        a, b = surfaces[i], surfaces[j]
        crossing = _crossing(a, b, (versions[i], versions[j]))
        if len(crossing.segments) == 0:
            continue
        meshes = adjacency(a.topology), adjacency(b.topology)
        placed = np.empty((len(crossing.edge), 3))
        for side, surface in enumerate((a, b)):
            rows = crossing.side == side
            start, end = meshes[side].edges[crossing.edge[rows]].T
            p = surface.positions
            placed[rows] = p[start] + crossing.u[rows, None] * (p[end] - p[start])
        positions.append(placed)
        edges.append(crossing.segments + points)
        points += len(placed)
        faces.append(crossing.triangles + arrays.triangle_start[[i, j]])
        own = 0 if draws[i] else 1
        owners.append(np.full(len(crossing.segments), (i, j)[own]))
        mesh, surface = meshes[own], (a, b)[own]
        triangle = mesh.source_triangle[crossing.triangles[:, own]]
        materials.append(np.asarray(surface.topology.triangle_material, np.int64)[triangle])
        sources.append(SOURCE_BASE + crossing.edge[crossing.segments].min(axis=1))
    total = sum(len(part) for part in edges)
    return ForcedEdges(
        positions=np.concatenate(positions),
        edges=np.concatenate(edges).astype(np.int32),
        faces=np.concatenate(faces).astype(np.int32),
        kind=np.full(total, LineKind.INTERSECTION, np.uint16),
        surface=np.concatenate(owners).astype(np.int32),
        material=np.concatenate(materials).astype(np.int32),
        source=np.concatenate(sources),
    )


def _overlapping_surfaces(
    surfaces: Sequence[Surface], draws: Sequence[bool]
) -> list[tuple[int, int]]:
    """Return the pairs i < j whose boxes overlap and that could show a line."""
    there = np.array(
        [
            len(surface.topology.triangles) > 0 and (surface.lines.drawn or surface.lines.occludes)
            for surface in surfaces
        ],
        bool,
    )
    rows = np.flatnonzero(there)
    if len(rows) < 2:
        return []
    boxes = [box_of(surfaces[i]) for i in rows.tolist()]
    low = np.array([box.low for box in boxes])
    high = np.array([box.high for box in boxes])
    shows = np.array(draws, bool)[rows]
    overlap = np.ones((len(rows), len(rows)), bool)
    for k in range(3):
        overlap &= (low[:, None, k] <= high[None, :, k]) & (low[None, :, k] <= high[:, None, k])
    overlap &= shows[:, None] | shows[None, :]
    first, second = np.nonzero(np.triu(overlap, 1))
    return list(zip(rows[first].tolist(), rows[second].tolist(), strict=True))


def _version_of(surface: Surface) -> int:
    """Return a number that changes whenever the surface's positions do."""
    placed = _placed.get(surface.identity)
    if placed is not None and np.array_equal(placed.positions, surface.positions):
        return placed.version
    placed = _Placed(surface.positions.copy(), next(_version))
    return _placed.put(surface.identity, placed, surface.positions.nbytes).version


def _crossing(a: Surface, b: Surface, versions: tuple[int, int]) -> _Crossing:
    """Return where two surfaces cross, from memory where they only moved together."""
    key = (a.identity, b.identity)
    kept = _kept.get(key)
    if (
        kept is not None
        and kept.topologies == (a.topology, b.topology)
        and (
            kept.versions == versions
            or _unmoved(kept.positions, (a.positions, b.positions), within=a is b)
        )
    ):
        return kept.crossing
    crossing = _find(a, b, within=a is b)
    positions = _kept_positions(a), _kept_positions(b)
    size = positions[0].nbytes + positions[1].nbytes
    _kept.put(key, _Kept((a.topology, b.topology), positions, versions, crossing), size)
    return crossing


def _kept_positions(surface: Surface) -> FloatArray:
    """Return a copy of the positions, the one already made if there is one."""
    placed = _placed.get(surface.identity)
    return surface.positions.copy() if placed is None else placed.positions


def _unmoved(
    old: tuple[FloatArray, FloatArray], new: tuple[FloatArray, FloatArray], within: bool
) -> bool:
    """Both moved as one body."""
    first = similarity_between(old[0], new[0])
    if first is None or within:
        return first is not None
    moved = old[1] @ first[:, :3].T + first[:, 3]
    return old[1].shape == new[1].shape and bool(
        np.abs(moved - new[1]).max() <= 1e-9 * np.abs(new[1]).max()
    )


def _find(a: Surface, b: Surface, within: bool) -> _Crossing:
    """Find all crossings of two surfaces."""
    meshes = adjacency(a.topology), adjacency(b.topology)
    triangle_a, triangle_b = pierced_pairs(
        a.positions, meshes[0].triangles, b.positions, meshes[1].triangles, within
    )
    size = max(float(np.abs(a.positions).max()), float(np.abs(b.positions).max()))
    contact = CONTACT * size
    # Candidates: every edge of the one against the other's triangle, each only once.
    found: list[tuple[IndexArray, FloatArray]] = []
    hits = np.zeros((len(triangle_a), 6), bool)
    keys = np.zeros((len(triangle_a), 6), np.int64)
    for side, (own, other) in enumerate(((triangle_a, triangle_b), (triangle_b, triangle_a))):
        mesh, target = meshes[side], meshes[1 - side]
        edge = mesh.triangle_edges[own].astype(np.int64)
        key = edge * (len(target.triangles) + 1) + other[:, None]
        unique, place = np.unique(key.reshape(-1), return_inverse=True)
        edge_of, triangle_of = np.divmod(unique, len(target.triangles) + 1)
        positions = (a.positions, b.positions)
        hit, u = _pierce(
            positions[side][mesh.edges[edge_of]],
            positions[1 - side][target.triangles[triangle_of]],
            contact,
            other_first=side == 1,
        )
        place = place.reshape(-1, 3)
        hits[:, 3 * side : 3 * side + 3] = hit[place]
        base = len(found[0][0]) if side else 0
        keys[:, 3 * side : 3 * side + 3] = place + base
        found.append((edge_of, u))
    pair = np.flatnonzero(hits.sum(axis=1) == 2)
    chosen = hits[pair]
    first = chosen.argmax(axis=1)
    last = 5 - chosen[:, ::-1].argmax(axis=1)
    ends = np.stack([keys[pair, first], keys[pair, last]], axis=1)
    used, segments = np.unique(ends, return_inverse=True)
    border = len(found[0][0])
    return _Crossing(
        side=(used >= border).astype(np.int64),
        edge=np.concatenate([found[0][0], found[1][0]])[used],
        u=np.concatenate([found[0][1], found[1][1]])[used],
        segments=segments.reshape(-1, 2).astype(np.int64),
        triangles=np.stack([triangle_a[pair], triangle_b[pair]], axis=1),
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
    normal = np.cross(b - a, c - a)
    length = np.sqrt(np.einsum("ij,ij->i", normal, normal))
    unit = normal / np.where(length > 0.0, length, 1.0)[:, None]
    d0 = np.einsum("ij,ij->i", p0 - a, unit)
    d1 = np.einsum("ij,ij->i", p1 - a, unit)
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
        volume = np.einsum(
            "ij,ij->i", np.cross(second[0] - origin, second[1] - origin), first[1] - origin
        )
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
    normal = np.cross(plane[:, 1] - origin, plane[:, 2] - origin)
    distance = np.einsum("nkj,nj->nk", points - origin[:, None], normal)
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
