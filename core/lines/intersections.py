# SPDX-License-Identifier: GPL-3.0-or-later
"""Lines where surfaces pass through each other.

View-independent: found in space, and kept while the two bodies do not move against one
another. Every end of a segment is a mesh edge that pierces a triangle; this pair is its key,
so that the segments of one curve share their points exactly.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import count, product
from threading import Lock

import numpy as np
from numpy.typing import NDArray

from ..kernels import Body, crossing_ends
from ..scene import LineKind, Surface, Topology
from .adjacency import adjacency
from .features import KEPT_SCENES, SceneArrays, box_of
from .memory import Bounded, ByParts
from .motion import SHAPE_TOLERANCE, similarity_between
from .visibility import ForcedEdges

__all__ = ["SOURCE_BASE", "intersection_edges"]

FloatArray = NDArray[np.float64]
IndexArray = NDArray[np.int64]
BoolArray = NDArray[np.bool_]

SOURCE_BASE = 1 << 31
"""Intersection segments are numbered from here, by the piercing edge."""
CONTACT = 1e-7
"""Vertices this near to a plane, relative to the coordinates, touch it from outside."""
KEPT_BYTES = 1 << 27


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
_of_still_scenes: dict[tuple[bool, ...], ByParts[ForcedEdges]] = {
    ways: ByParts(KEPT_SCENES) for ways in product((False, True), repeat=3)
}
_NOTHING = ForcedEdges.none()
_version = count(1)
_lock = Lock()


def intersection_edges(
    surfaces: Sequence[Surface],
    arrays: SceneArrays,
    between: bool = True,
    within: bool = False,
    alone: bool = False,
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
    alone
        Use nothing that was found at other positions, as for two bodies that move together:
        the last digits then do not depend on the frames before.

    Returns
    -------
    ForcedEdges
        Faces of coplanar contact give nothing.
    """
    parts = (arrays, *surfaces)
    still = _of_still_scenes[between, within, alone]
    known = still.get(parts)
    if known is not None:
        return known
    if not within and not (between and _may_cross(surfaces)):
        return still.put(parts, _NOTHING)
    with _lock:  # frames may be worked on side by side; what is kept is shared
        key = (between, within, alone, *(_state(surface) for surface in surfaces))
        found = _results.get(key)
        if found is None:
            found = _results.put(key, _intersection_edges(surfaces, arrays, between, within, alone))
        return still.put(parts, found)


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
    surfaces: Sequence[Surface], arrays: SceneArrays, between: bool, within: bool, alone: bool
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
        crossing = _crossing(a, b, (versions[i], versions[j]), alone)
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


def _crossing(a: Surface, b: Surface, versions: tuple[int, int], alone: bool) -> _Crossing:
    """Return where two surfaces cross, from memory where they only moved together."""
    key = (a.identity, b.identity)
    kept = _kept.get(key)
    if (
        kept is not None
        and kept.topologies == (a.topology, b.topology)
        and (
            kept.versions == versions
            # Where one of two stands still, the other did not move with it.
            or (
                not alone
                and kept.versions[0] != versions[0]
                and kept.versions[1] != versions[1]
                and _unmoved(kept.positions, (a.positions, b.positions), within=a is b)
            )
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
    """Both moved as one body, but for the rounding of world matrices in single precision."""
    first = similarity_between(old[0], new[0])
    if first is None or within:
        return first is not None
    moved = old[1] @ first[:, :3].T + first[:, 3]
    return old[1].shape == new[1].shape and bool(
        np.abs(moved - new[1]).max() <= SHAPE_TOLERANCE * np.abs(new[1]).max()
    )


def _find(a: Surface, b: Surface, within: bool) -> _Crossing:
    """Find all crossings of two surfaces."""
    bodies = [_body(a), _body(b)]
    size = max(float(np.abs(a.positions).max()), float(np.abs(b.positions).max()))
    ends = crossing_ends(bodies[0], bodies[1], within, CONTACT * size)
    # An edge pierces a triangle once: what has the same name is one point.
    side, edge = ends.side.astype(np.int64), ends.edge.astype(np.int64)
    other = np.where(side == 0, ends.triangles[:, 1:], ends.triangles[:, :1])
    most = max(len(body.triangles) for body in bodies) + 1
    longest = max(len(body.edges) for body in bodies) + 1
    key = (side * longest + edge) * most + other
    _, first, segments = np.unique(key, return_index=True, return_inverse=True)
    return _Crossing(
        side=side.reshape(-1)[first],
        edge=edge.reshape(-1)[first],
        u=ends.u.reshape(-1)[first],
        segments=segments.reshape(-1, 2).astype(np.int64),
        triangles=ends.triangles.astype(np.int64),
    )


def _body(surface: Surface) -> Body:
    mesh = adjacency(surface.topology)
    return Body(
        positions=np.ascontiguousarray(surface.positions, np.float64),
        triangles=mesh.triangles,
        triangle_edges=mesh.triangle_edges,
        edges=mesh.edges,
    )


def forget() -> None:
    """Drop what was kept of crossings."""
    _kept.clear()
    _placed.clear()
    _results.clear()
    for kept in _of_still_scenes.values():
        kept.clear()
