# SPDX-License-Identifier: GPL-3.0-or-later
"""Adjacency of a mesh: edges, their faces, parts. Computed once for each `Topology`."""

from __future__ import annotations

from dataclasses import dataclass
from weakref import WeakKeyDictionary

import numpy as np
from numpy.typing import NDArray

from ..scene import LineKind, Topology

__all__ = ["Adjacency", "adjacency"]

IntArray = NDArray[np.int32]
BoolArray = NDArray[np.bool_]


@dataclass(frozen=True, eq=False)
class Adjacency:
    """Connectivity derived from a `Topology`; triangles that repeat a vertex are left out.

    ``nE`` edges: mesh edges first, then loose edges, then dots (a vertex paired with itself).

    Attributes
    ----------
    source_triangle : (nT,) int64
        Index into `Topology.triangles`.
    triangles : (nT, 3) int32
    triangle_edges : (nT, 3) int32
        Edge of the side from corner k to corner k + 1.
    edges : (nE, 2) int32
    edge_faces : (nE, 2) int32
        -1 for none; the first two where there are more.
    mesh_edges
        Number of edges with a face.
    edge_flip : (nE,) uint8
        Both faces run the same way along the edge.
    base_kind : (nE,) uint16
        `LineKind` bits that need no positions.
    inner : (nE,) bool
        Inside one polygon: a triangulation diagonal.
    both_smooth : (nE,) bool
        Between two smooth-shaded faces.
    edge_material : (nE,) int32
        Material of the first face; 0 for none.
    triangle_material : (nT,) int32
    part : (nT,) int64
        Connected part of each triangle.
    part_sealed : (nP,) bool
        The part has no border, non-manifold or flipped edge.
    """

    source_triangle: NDArray[np.int64]
    triangles: IntArray
    triangle_edges: IntArray
    edges: IntArray
    edge_faces: IntArray
    mesh_edges: int
    edge_flip: NDArray[np.uint8]
    base_kind: NDArray[np.uint16]
    inner: BoolArray
    both_smooth: BoolArray
    edge_material: IntArray
    triangle_material: IntArray
    part: NDArray[np.int64]
    part_sealed: BoolArray


_known: WeakKeyDictionary[Topology, Adjacency] = WeakKeyDictionary()


def adjacency(topology: Topology) -> Adjacency:
    """Return the adjacency of a topology; kept as long as the topology lives."""
    known = _known.get(topology)
    if known is None:
        known = _known[topology] = _derive(topology)
    return known


def _derive(topology: Topology) -> Adjacency:
    corners = np.asarray(topology.triangles, np.int32).reshape(-1, 3)
    proper = (
        (corners[:, 0] != corners[:, 1])
        & (corners[:, 1] != corners[:, 2])
        & (corners[:, 2] != corners[:, 0])
    )
    source = np.flatnonzero(proper)
    triangles = np.ascontiguousarray(corners[source])
    count = len(triangles)

    a = triangles.reshape(-1).astype(np.int64)
    b = np.roll(triangles, -1, axis=1).reshape(-1).astype(np.int64)
    key = np.minimum(a, b) * topology.vertex_count + np.maximum(a, b)
    order = np.argsort(key, kind="stable")
    ordered = key[order]
    start = np.flatnonzero(np.diff(ordered, prepend=-1))
    uses = np.diff(np.append(start, len(ordered)))
    mesh_edges = len(start)
    edge_of_half = np.empty(len(key), np.int32)
    edge_of_half[order] = np.repeat(np.arange(mesh_edges, dtype=np.int32), uses)
    edge_key = ordered[start]
    first = order[start]
    second = order[np.minimum(start + 1, max(len(order) - 1, 0))]
    shared = uses >= 2

    loose_edges = np.asarray(topology.loose_edges, np.int32).reshape(-1, 2)
    dots = np.asarray(topology.loose_vertices, np.int32).reshape(-1)
    extra = len(loose_edges) + len(dots)
    total = mesh_edges + extra
    low, high = np.divmod(edge_key, max(topology.vertex_count, 1))
    edges = np.concatenate(
        [np.stack([low, high], axis=1), loose_edges, np.stack([dots, dots], axis=1)]
    ).astype(np.int32)
    faces = np.full((total, 2), -1, np.int32)
    faces[:mesh_edges, 0] = first // 3
    faces[:mesh_edges, 1] = np.where(shared, second // 3, -1)
    flip = np.zeros(total, np.uint8)
    flip[:mesh_edges] = (uses == 2) & ((a < b)[first] == (a < b)[second])

    polygon = np.asarray(topology.triangle_polygon)[source]
    material = np.asarray(topology.triangle_material, np.int32)[source]
    smooth = np.asarray(topology.triangle_smooth, bool)[source]
    inner = np.zeros(total, bool)
    both_smooth = np.zeros(total, bool)
    kind = np.zeros(total, np.uint16)
    edge_material = np.zeros(total, np.int32)
    pairs = np.flatnonzero(shared)
    f, g = faces[pairs].T
    inner[pairs] = (polygon[f] == polygon[g]) & (uses[pairs] == 2)
    both_smooth[pairs] = smooth[f] & smooth[g]
    if mesh_edges:
        edge_material[:mesh_edges] = material[faces[:mesh_edges, 0]]
    kind[:mesh_edges][uses != 2] |= np.uint16(LineKind.BORDER)
    boundary = pairs[material[f] != material[g]]
    kind[boundary[~inner[boundary]]] |= np.uint16(LineKind.MATERIAL)
    marked = np.sort(np.asarray(topology.marked_edges, np.int64).reshape(-1, 2), axis=1)
    if len(marked) and mesh_edges:
        marked_key = marked[:, 0] * topology.vertex_count + marked[:, 1]
        place = np.minimum(np.searchsorted(edge_key, marked_key), mesh_edges - 1)
        place = place[edge_key[place] == marked_key]
        kind[place[~inner[place]]] |= np.uint16(LineKind.MARK)
    kind[mesh_edges : mesh_edges + len(loose_edges)] |= np.uint16(topology.loose_kind)
    kind[mesh_edges + len(loose_edges) :] |= np.uint16(LineKind.DOT)

    part_of_vertex = _components(topology.vertex_count, low, high)
    part = part_of_vertex[triangles[:, 0]] if count else np.empty(0, np.int64)
    _, part = np.unique(part, return_inverse=True)
    part = part.reshape(-1)
    sealed = np.full(int(np.max(part)) + 1 if count else 0, True)
    unsound = np.flatnonzero((uses != 2) | (flip[:mesh_edges] != 0))
    sealed[part[faces[unsound, 0]]] = False
    return Adjacency(
        source_triangle=source,
        triangles=triangles,
        triangle_edges=edge_of_half.reshape(-1, 3),
        edges=edges,
        edge_faces=faces,
        mesh_edges=mesh_edges,
        edge_flip=flip,
        base_kind=kind,
        inner=inner,
        both_smooth=both_smooth,
        edge_material=edge_material,
        triangle_material=material,
        part=part,
        part_sealed=sealed,
    )


def _components(count: int, a: NDArray[np.int64], b: NDArray[np.int64]) -> NDArray[np.int64]:
    """Label connected components by their smallest vertex, (count,).

    Label hooking with pointer jumping (Shiloach and Vishkin 1982, from memory).
    """
    label = np.arange(count)
    while len(a):
        la, lb = label[a], label[b]
        apart = la != lb
        if not np.any(apart):
            break
        a, b, la, lb = a[apart], b[apart], la[apart], lb[apart]
        np.minimum.at(label, np.maximum(la, lb), np.minimum(la, lb))
        while True:
            jumped = label[label]
            if np.array_equal(jumped, label):
                break
            label = jumped
    return label
