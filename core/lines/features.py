# SPDX-License-Identifier: GPL-3.0-or-later
"""Feature edges: which edges of a surface may be drawn, and what may hide them.

What needs no camera is kept: adjacency for each topology, creases and closedness for each
shape (a body moved as a whole keeps its shape), and the concatenated arrays of a scene.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from threading import Lock
from typing import Any
from weakref import WeakKeyDictionary

import numpy as np
from numpy.typing import NDArray

from ..errors import SceneError
from ..scene import Camera, LineKind, LineSettings, Surface, Topology
from .adjacency import Adjacency, adjacency
from .memory import Bounded, ByParts
from .motion import frame_corners, similarity_between

__all__ = [
    "KEPT_SCENES",
    "Box",
    "SceneArrays",
    "ShapeArrays",
    "SurfaceArrays",
    "box_of",
    "collect",
    "open_parts",
]

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int32]

CAP = 1e-6
"""A triangle lower than this times its longest side, with its apex between the ends of that
side, is a vertex on an edge: it has no normal of its own."""
NEEDLE = 1e-9
"""So has one whose apex is at an end; that may be the wall of a thin plate, so less is allowed."""
CREASE_SLACK = 1e-6
"""Cosine by which a crease must be sharper than asked, so that equal angles do not flicker."""
LEAST_VOLUME = 1e-13
"""A part of less volume than this times its extent cubed has no inside that can be trusted."""
KEPT_SHAPES = 8
KEPT_POSITIONS = 4096
KEPT_SCENES = 8
"""Frames that may be under way at once, with some to spare."""
KEPT_BYTES = 1 << 26


@dataclass(frozen=True, eq=False)
class ShapeArrays:
    """What depends on the positions, but not on the camera nor on where the body stands.

    Attributes
    ----------
    edge_faces : (nE, 2) int32
        As in `Adjacency`, but a sliver is stood in for by its neighbour.
    turn : (nE,) float64
        Cosine of the turn between the two faces; 1 where there is none, and between two
        smooth faces unless `smooth_turns`.
    inverted : (nT,) bool
        The triangle's part is closed and inside out.
    closed : (nT,) uint8
    """

    edge_faces: IntArray
    turn: FloatArray
    smooth_turns: bool
    inverted: NDArray[np.bool_]
    closed: NDArray[np.uint8]
    dressed: Bounded[LineSettings, SurfaceArrays] = field(
        default_factory=lambda: Bounded(KEPT_SHAPES)
    )


@dataclass(frozen=True, eq=False)
class SurfaceArrays:
    """One surface's share of `VisibilityInput`, in its own numbering."""

    adjacency: Adjacency
    triangles: IntArray
    triangle_edges: IntArray
    edge_faces: IntArray
    edge_kind: NDArray[np.uint16]
    edge_silhouette: NDArray[np.uint8]
    triangle_closed: NDArray[np.uint8]
    occludes: bool
    rank: int
    vertex_count: int

    def same_as(self, other: SurfaceArrays) -> bool:
        """Same arrays; for surfaces of one topology and one set of line settings."""
        return all(
            np.array_equal(getattr(self, name), getattr(other, name))
            for name in ("edge_kind", "edge_faces", "triangle_closed", "triangles")
        )


@dataclass(frozen=True, eq=False)
class SceneArrays:
    """All surfaces of a scene, concatenated; everything but the positions.

    Attributes
    ----------
    vertex_start, triangle_start, edge_start : (nS + 1,) int64
        Where each surface begins.
    edge_surface : (nE,) int32
        Surface of each edge.
    edge_material : (nE,) int32
    edge_source : (nE,) int64
        Number of each edge within its surface.
    two_materials : (nE,) bool or None
        Between faces of two materials; None where no edge is.
    surface_rank : (nS,) int64
    """

    surfaces: tuple[SurfaceArrays, ...]
    vertex_start: NDArray[np.int64]
    triangle_start: NDArray[np.int64]
    edge_start: NDArray[np.int64]
    triangles: IntArray
    edges: IntArray
    edge_faces: IntArray
    triangle_edges: IntArray
    edge_kind: NDArray[np.uint16]
    edge_silhouette: NDArray[np.uint8]
    edge_flip: NDArray[np.uint8]
    edge_rank: NDArray[np.int16]
    edge_surface: IntArray
    edge_material: IntArray
    triangle_closed: NDArray[np.uint8]
    triangle_occludes: NDArray[np.uint8]
    triangle_rank: NDArray[np.int16]
    triangle_material: IntArray
    edge_source: NDArray[np.int64]
    two_materials: NDArray[np.bool_] | None
    surface_rank: NDArray[np.int64]


@dataclass(eq=False)
class _Shapes:
    """Shapes seen of one topology."""

    placed: Bounded[tuple[str, bool, bool], tuple[FloatArray, ShapeArrays]]
    recent: list[tuple[FloatArray, NDArray[np.int64], ShapeArrays]]
    dressed: dict[LineSettings, SurfaceArrays]


@dataclass(frozen=True, eq=False)
class Box:
    """Where a surface lies; its corners are (3,) float64, world space."""

    low: FloatArray
    high: FloatArray


_shapes: WeakKeyDictionary[Topology, _Shapes] = WeakKeyDictionary()
_boxes: WeakKeyDictionary[Surface, Box] = WeakKeyDictionary()
_scenes: Bounded[tuple[int, ...], SceneArrays] = Bounded(4)
_collected: ByParts[SceneArrays] = ByParts(KEPT_SCENES)
_collected_alone: ByParts[SceneArrays] = ByParts(KEPT_SCENES)
_corners: ByParts[tuple[FloatArray, FloatArray]] = ByParts(KEPT_SCENES)
_lock = Lock()


def box_of(surface: Surface) -> Box:
    """Return the box around a surface, kept as long as the surface.

    Raises
    ------
    SceneError
        Where vertices are not finite: names the object, the vertex and the remedy.
    """
    known = _boxes.get(surface)
    if known is not None:
        return known
    if len(surface.positions):
        # By columns: numpy is several times faster on contiguous x, y, z.
        columns = np.ascontiguousarray(surface.positions.T)
        box = Box(columns.min(axis=1), columns.max(axis=1))
    else:
        box = Box(np.full(3, np.inf), np.full(3, -np.inf))
    if len(surface.positions) and not np.isfinite(box.low + box.high).all():
        # Finite corners may overflow in the sum, so all are asked.
        bad = np.flatnonzero(~np.isfinite(surface.positions).all(axis=1))
        if len(bad):
            raise SceneError(
                f"Object '{surface.name}' has {len(bad)} vertices whose position is not a finite "
                f"number (first: vertex {bad[0]}); repair its mesh or the modifier that makes it, "
                "or exclude the object"
            )
    _boxes[surface] = box
    return box


def collect(surfaces: Sequence[Surface], alone: bool = False) -> SceneArrays:
    """Gather the feature edges and occluders of all surfaces.

    Parameters
    ----------
    surfaces
    alone
        Use nothing that was found at other positions: a body that moves as a whole is
        otherwise carried along from where it was seen first, and an angle at the very limit
        then depends, in its last digits, on the frames before.

    Raises
    ------
    SceneError
        Where a surface has vertices that are not finite.
    """
    with _lock:  # frames may be worked on side by side; what is kept is shared
        collected = _collected_alone if alone else _collected
        known = collected.get(surfaces)
        if known is not None:
            return known
        for surface in surfaces:
            box_of(surface)
        return collected.put(surfaces, _collect(surfaces, alone))


def _collect(surfaces: Sequence[Surface], alone: bool) -> SceneArrays:
    parts = [_dressed(surface, alone) for surface in surfaces]
    key = tuple(id(part) for part in parts)  # alive as long as the entry that holds them
    known = _scenes.get(key)
    if known is None:
        known = _scenes.put(key, _concatenate(tuple(parts)))
    return known


def open_parts(
    arrays: SceneArrays, surfaces: Sequence[Surface], camera: Camera
) -> NDArray[np.uint8]:
    """Return `triangle_closed` for one view, (nT,).

    A part with a vertex before the near plane is open: one sees into it through the cut. A
    part that holds the eye always has one.
    """
    row = camera.view_projection[3 if camera.perspective else 2]
    near = near_far(camera)[0]
    closed = arrays.triangle_closed
    if not surfaces:
        return closed
    corners = _corners.get(surfaces)
    if corners is None:
        boxes = [box_of(surface) for surface in surfaces]
        corners = _corners.put(
            surfaces,
            (np.array([box.low for box in boxes]), np.array([box.high for box in boxes])),
        )
    nearest = np.where(row[:3] > 0.0, *corners) @ row[:3] + row[3]
    if nearest.min() >= near:
        return closed
    for index in np.flatnonzero(~(nearest >= near)).tolist():
        surface, part = surfaces[index], arrays.surfaces[index]
        if len(part.triangles) == 0 or not np.any(part.triangle_closed):
            continue
        height = row[:3] @ surface.positions.T + row[3]
        before = height < near
        if not before.any():
            continue
        which = part.adjacency.part
        cut = np.zeros(len(part.adjacency.part_sealed), bool)
        cut[which[before[part.triangles].any(axis=1)]] = True
        if closed is arrays.triangle_closed:
            closed = closed.copy()
        closed[arrays.triangle_start[index] : arrays.triangle_start[index + 1]][cut[which]] = 0
    return closed


def near_far(camera: Camera) -> tuple[float, float]:
    """Return the clip distances in the terms of `VisibilityInput`."""
    if camera.perspective:
        return camera.clip_start, camera.clip_end
    matrix = camera.view_projection
    ends = [
        float(matrix[2, :3] @ (camera.eye + camera.direction * distance) + matrix[2, 3])
        for distance in (camera.clip_start, camera.clip_end)
    ]
    return ends[0], ends[1]


def _shape(surface: Surface, alone: bool) -> ShapeArrays:
    """Return the surface's shape, from memory where the body only moved, or stood still."""
    shapes = _shapes.get(surface.topology)
    if shapes is None:
        shapes = _shapes[surface.topology] = _Shapes(Bounded(KEPT_POSITIONS, KEPT_BYTES), [], {})
    positions = surface.positions
    place = (surface.identity, surface.mirrored, alone)
    known = shapes.placed.get(place)
    wanted = surface.lines.crease_on_smooth
    if (
        known is not None
        and (known[1].smooth_turns or not wanted)
        and np.array_equal(known[0], positions)
    ):
        return known[1]
    for old, corner, known_shape in () if alone else shapes.recent:
        if wanted and not known_shape.smooth_turns:
            continue
        if similarity_between(old, positions, corner) is not None:
            shape = known_shape
            break
    else:
        shape = _measure(surface)
        corners = None if alone else frame_corners(positions)
        if corners is not None:
            shapes.recent.insert(0, (positions.copy(), corners, shape))
            del shapes.recent[KEPT_SHAPES:]
    shapes.placed.put(place, (positions.copy(), shape), positions.nbytes)
    return shape


def _measure(surface: Surface) -> ShapeArrays:
    """Measure creases, slivers and the orientation of closed parts."""
    mesh = adjacency(surface.topology)
    positions = surface.positions
    if len(positions):
        positions = positions - positions.mean(axis=0)  # volumes far from the origin lose digits
    # By columns: numpy is several times faster on contiguous x, y, z.
    columns = np.ascontiguousarray(positions.T)
    corners = [np.ascontiguousarray(mesh.triangles[:, k]) for k in range(3)]
    p0, p1, p2 = ([np.take(axis, corner) for axis in columns] for corner in corners)
    side0, side1, side2 = _difference(p1, p0), _difference(p2, p1), _difference(p0, p2)
    normal = _cross(side2, side0)
    area2 = np.sqrt(_dot(normal, normal))
    length2 = np.stack([_dot(side, side) for side in (side0, side1, side2)])
    base2 = np.max(length2, axis=0)
    # area2 / base = height; a cap's shortest side is much longer than its height.
    flat = area2 <= CAP * base2
    sliver = area2 <= NEEDLE * base2
    if np.any(flat):
        sliver |= flat & (np.min(length2, axis=0) * base2 > 100.0 * area2 * area2)
    unit = np.stack(normal) / np.where(area2 > 0.0, area2, 1.0)

    faces = mesh.edge_faces
    if np.any(sliver):
        faces = _without_slivers(mesh, sliver, np.argmax(length2, axis=0))
    turn = np.ones(len(faces))
    creases = (faces[:, 0] >= 0) & (faces[:, 1] >= 0) & ~mesh.inner
    smooth_turns = surface.lines.crease_on_smooth
    if not smooth_turns:
        creases &= ~mesh.both_smooth
    pairs = np.flatnonzero(creases)
    f, g = (np.ascontiguousarray(faces[pairs, k]) for k in (0, 1))
    cosine = _dot([np.take(axis, f) for axis in unit], [np.take(axis, g) for axis in unit])
    cosine *= np.where(mesh.edge_flip[pairs] != 0, -1.0, 1.0)
    # Where a neighbour has no normal, nothing is told.
    cosine[sliver[f] | sliver[g]] = 1.0
    turn[pairs] = cosine

    count = len(mesh.part_sealed)
    volume6 = np.bincount(mesh.part, _dot(p0, _cross(p1, p2)), count)
    extent = float(np.max(np.ptp(positions, axis=0))) if len(positions) else 0.0
    sure = mesh.part_sealed & (np.abs(volume6) > LEAST_VOLUME * extent**3)
    return ShapeArrays(
        edge_faces=faces,
        turn=turn,
        smooth_turns=smooth_turns,
        inverted=(sure & (volume6 < 0.0))[mesh.part],
        closed=sure[mesh.part].astype(np.uint8),
    )


def _difference(a: Sequence[FloatArray], b: Sequence[FloatArray]) -> list[FloatArray]:
    return [a[k] - b[k] for k in range(3)]


def _dot(a: Sequence[FloatArray], b: Sequence[FloatArray]) -> FloatArray:
    product: FloatArray = a[0] * b[0] + a[1] * b[1] + a[2] * b[2]
    return product


def _cross(a: Sequence[FloatArray], b: Sequence[FloatArray]) -> list[FloatArray]:
    return [
        a[1] * b[2] - a[2] * b[1],
        a[2] * b[0] - a[0] * b[2],
        a[0] * b[1] - a[1] * b[0],
    ]


def _without_slivers(
    mesh: Adjacency, sliver: NDArray[np.bool_], longest: NDArray[np.int64]
) -> IntArray:
    """Let the face across its longest side stand in for each sliver."""
    stand_in = np.arange(len(sliver))
    rows = np.flatnonzero(sliver)
    across = mesh.edge_faces[mesh.triangle_edges[rows, longest[rows]]]
    other = np.where(across[:, 0] == rows, across[:, 1], across[:, 0])
    stand_in[rows] = np.where(other >= 0, other, rows)
    for _ in range(8):  # slivers beside slivers
        stand_in[rows] = stand_in[stand_in[rows]]
    faces = np.where(mesh.edge_faces >= 0, stand_in[mesh.edge_faces], -1)
    return faces.astype(np.int32)


def _dressed(surface: Surface, alone: bool) -> SurfaceArrays:
    """Apply what the artist wants drawn of a surface."""
    shape = _shape(surface, alone)
    lines = surface.lines
    known = shape.dressed.get(lines)
    if known is not None:
        return known
    mesh = adjacency(surface.topology)
    kind = mesh.base_kind.copy()
    crease = shape.turn < np.cos(lines.crease_angle_rad) - CREASE_SLACK
    if not lines.crease_on_smooth:
        crease &= ~mesh.both_smooth
    kind[crease] |= np.uint16(LineKind.CREASE)
    kind &= np.uint16(lines.kinds if lines.drawn else 0)
    two = (mesh.edge_faces[:, 0] >= 0) & (mesh.edge_faces[:, 1] >= 0)
    if lines.smooth_contour and surface.vertex_normals is not None:
        two &= ~mesh.both_smooth
    outlined = lines.drawn and LineKind.SILHOUETTE in lines.kinds
    triangles, triangle_edges = mesh.triangles, mesh.triangle_edges
    if np.any(shape.inverted):
        turned = shape.inverted[:, None]
        triangles = np.where(turned, triangles[:, [0, 2, 1]], triangles)
        triangle_edges = np.where(turned, triangle_edges[:, [2, 1, 0]], triangle_edges)
    known = SurfaceArrays(
        adjacency=mesh,
        triangles=np.ascontiguousarray(triangles),
        triangle_edges=np.ascontiguousarray(triangle_edges),
        edge_faces=shape.edge_faces,
        edge_kind=kind,
        edge_silhouette=(two & outlined).astype(np.uint8),
        # The back of a see-through body is seen, so it is not closed for this purpose.
        triangle_closed=shape.closed * np.uint8(lines.occludes),
        occludes=lines.occludes,
        rank=lines.rank,
        vertex_count=surface.topology.vertex_count,
    )
    # A body may change its shape and not one of its features: then nothing else is rebuilt.
    dressed = _shapes[surface.topology].dressed
    before = dressed.get(lines)
    if before is not None and known.same_as(before):
        known = before
    elif len(dressed) >= KEPT_SHAPES:
        dressed.clear()
    dressed[lines] = known
    return shape.dressed.put(lines, known)


def _concatenate(parts: tuple[SurfaceArrays, ...]) -> SceneArrays:
    def starts(counts: list[int]) -> NDArray[np.int64]:
        return np.concatenate([[0], np.cumsum(counts)]).astype(np.int64)

    def joined(name: str, shape: tuple[int, ...], dtype: type[Any]) -> NDArray[Any]:
        arrays = [getattr(part, name) for part in parts]
        return np.ascontiguousarray(np.concatenate([np.empty((0, *shape), dtype), *arrays]))

    vertex = starts([part.vertex_count for part in parts])
    triangle = starts([len(part.triangles) for part in parts])
    edge = starts([len(part.edge_kind) for part in parts])
    triangles_of, edges_of = np.diff(triangle), np.diff(edge)
    edges = np.concatenate(
        [np.empty((0, 2), np.int32), *(part.adjacency.edges for part in parts)]
    ).astype(np.int32)
    edges += np.repeat(vertex[:-1], edges_of).astype(np.int32)[:, None]
    triangles = joined("triangles", (3,), np.int32)
    triangles = triangles + np.repeat(vertex[:-1], triangles_of).astype(np.int32)[:, None]
    triangle_edges = joined("triangle_edges", (3,), np.int32)
    triangle_edges = triangle_edges + np.repeat(edge[:-1], triangles_of).astype(np.int32)[:, None]
    faces = joined("edge_faces", (2,), np.int32)
    faces = np.where(
        faces >= 0, faces + np.repeat(triangle[:-1], edges_of).astype(np.int32)[:, None], faces
    )
    empty = np.empty(0, np.int32)
    materials = np.concatenate([empty, *(part.adjacency.triangle_material for part in parts)])
    two = (faces >= 0).all(axis=1)
    if len(materials):
        two &= materials[faces[:, 0]] != materials[faces[:, 1]]
    ranks = np.array([part.rank for part in parts], np.int16)
    occludes = np.array([part.occludes for part in parts], np.uint8)
    return SceneArrays(
        surfaces=parts,
        vertex_start=vertex,
        triangle_start=triangle,
        edge_start=edge,
        triangles=triangles,
        edges=np.ascontiguousarray(edges),
        edge_faces=faces,
        triangle_edges=triangle_edges,
        edge_kind=joined("edge_kind", (), np.uint16),
        edge_silhouette=joined("edge_silhouette", (), np.uint8),
        edge_flip=np.concatenate(
            [np.empty(0, np.uint8), *(part.adjacency.edge_flip for part in parts)]
        ),
        edge_rank=np.repeat(ranks, edges_of),
        edge_surface=np.repeat(np.arange(len(parts), dtype=np.int32), edges_of),
        edge_material=np.concatenate([empty, *(part.adjacency.edge_material for part in parts)]),
        triangle_closed=joined("triangle_closed", (), np.uint8),
        triangle_occludes=np.repeat(occludes, triangles_of),
        triangle_rank=np.repeat(ranks, triangles_of),
        triangle_material=materials,
        edge_source=np.arange(len(edges)) - np.repeat(edge[:-1], edges_of),
        two_materials=two if two.any() else None,
        surface_rank=ranks.astype(np.int64),
    )


def forget() -> None:
    """Drop what was kept of shapes and scenes."""
    _shapes.clear()
    _scenes.clear()
    _collected.clear()
    _collected_alone.clear()
    _corners.clear()
