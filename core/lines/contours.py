# SPDX-License-Identifier: GPL-3.0-or-later
"""Smooth contours: silhouettes of smooth-shaded meshes that glide instead of hopping.

The contour is where the interpolated normal turns away from the eye (A. Hertzmann and
D. Zorin, "Illustrating smooth surfaces", 2000, from memory). It runs inside triangles, where
the mesh itself would hide about half of it, so its points are pulled towards the eye along
the view ray by the mean edge length of their triangle. The image does not change by that.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from ..scene import Camera, LineKind, Surface
from .features import SceneArrays
from .visibility import ForcedEdges

__all__ = ["SOURCE_BASE", "contour_edges"]

FloatArray = NDArray[np.float64]

PULL = 1.0
"""Towards the eye, in mean edge lengths of the triangle."""
SOURCE_BASE = 3 << 30
"""Contour segments are numbered from here, by triangle."""


def contour_edges(surfaces: Sequence[Surface], arrays: SceneArrays, camera: Camera) -> ForcedEdges:
    """Return the smooth contours of the surfaces that ask for them.

    Parameters
    ----------
    surfaces
        With `LineSettings.smooth_contour` and vertex normals; others give nothing.
    arrays
        `features.collect(surfaces)`.
    camera
        The view.

    Returns
    -------
    ForcedEdges
        Segments in world space, one for each smooth triangle the contour crosses.
    """
    if not any(surface.lines.smooth_contour for surface in surfaces):
        return ForcedEdges.none()
    positions, edges, faces = [np.empty((0, 3))], [np.empty((0, 2), np.int32)], []
    owners, materials, sources = [], [], []
    points = 0
    for index, surface in enumerate(surfaces):
        lines = surface.lines
        if (
            not lines.smooth_contour
            or surface.vertex_normals is None
            or not lines.drawn
            or LineKind.SILHOUETTE not in lines.kinds
        ):
            continue
        part = arrays.surfaces[index]
        found = _zero_set(surface, arrays, index, camera)
        if found is None:
            continue
        triangle, first, second = found
        count = len(triangle)
        mesh = part.adjacency
        ends, pulled = _pull(surface, mesh.triangles[triangle], first, second, mesh.edges, camera)
        # Points of one edge are pulled alike, so that they weld.
        unique, number = np.unique(ends, return_inverse=True)
        place = np.empty((len(unique), 3))
        place[number.reshape(-1)] = pulled
        positions.append(place)
        edges.append((number.reshape(2, count).T + points).astype(np.int32))
        points += len(unique)
        own = np.full((count, 2), -1, np.int64)
        own[:, 0] = triangle + arrays.triangle_start[index]
        faces.append(own)
        owners.append(np.full(count, index))
        material = np.asarray(surface.topology.triangle_material)
        materials.append(material[mesh.source_triangle[triangle]])
        sources.append(SOURCE_BASE + triangle)
    count = sum(len(part) for part in edges)
    return ForcedEdges(
        positions=np.concatenate(positions),
        edges=np.concatenate(edges),
        faces=np.concatenate([np.empty((0, 2), np.int32), *faces]).astype(np.int32),
        kind=np.full(count, LineKind.SILHOUETTE, np.uint16),
        surface=np.concatenate([np.empty(0, np.int32), *owners]).astype(np.int32),
        material=np.concatenate([np.empty(0, np.int32), *materials]).astype(np.int32),
        source=np.concatenate([np.empty(0, np.int64), *sources]).astype(np.int64),
    )


def _zero_set(
    surface: Surface, arrays: SceneArrays, index: int, camera: Camera
) -> tuple[NDArray[np.int64], NDArray[np.int64], NDArray[np.int64]] | None:
    """Find the triangles whose normals turn, and the two edges the contour crosses in each."""
    mesh = arrays.surfaces[index].adjacency
    smooth = np.asarray(surface.topology.triangle_smooth, bool)[mesh.source_triangle]
    if not np.any(smooth):
        return None
    away = _turned_away(surface, camera) > 0.0
    corner = away[mesh.triangles]
    changes = corner != np.roll(corner, -1, axis=1)  # on side k
    triangle = np.flatnonzero(changes.any(axis=1) & smooth)
    if len(triangle) == 0:
        return None
    sides = changes[triangle]
    first = sides.argmax(axis=1)
    last = 2 - sides[:, ::-1].argmax(axis=1)
    edge = mesh.triangle_edges[triangle].astype(np.int64)
    rows = np.arange(len(triangle))
    return triangle, edge[rows, first], edge[rows, last]


def _turned_away(surface: Surface, camera: Camera) -> FloatArray:
    """Return n·(p - eye), (nV,); positive where the surface is turned away."""
    normals = surface.vertex_normals
    assert normals is not None
    if camera.perspective:
        value = np.einsum("ij,ij->i", normals, surface.positions - camera.eye)
    else:
        value = normals @ camera.direction
    return np.where(value == 0.0, 1e-30, value)


def _pull(
    surface: Surface,
    corners: NDArray[np.int32],
    first: NDArray[np.int64],
    second: NDArray[np.int64],
    edges: NDArray[np.int32],
    camera: Camera,
) -> tuple[NDArray[np.int64], FloatArray]:
    """Place the points on their edges, then move them towards the eye; (2n,) edge, (2n, 3)."""
    value = _turned_away(surface, camera)
    ends = np.concatenate([first, second])
    a, b = edges[ends].T
    u = value[a] / (value[a] - value[b])
    start, step = surface.positions[a], surface.positions[b] - surface.positions[a]
    point = start + u[:, None] * step
    p = surface.positions[corners]
    sides = np.linalg.norm(p - np.roll(p, -1, axis=1), axis=2).mean(axis=1)
    unique, number = np.unique(ends, return_inverse=True)
    number = number.reshape(-1)
    reach = np.zeros(len(unique))
    np.maximum.at(reach, number, np.tile(sides, 2))
    distance = PULL * reach[number]
    if camera.perspective:
        ray = camera.eye - point
        length = np.linalg.norm(ray, axis=1)
        # Not past the near plane, nor the eye.
        depth = -(ray @ camera.direction)
        room = np.maximum(1.0 - camera.clip_start / np.maximum(depth, 1e-300), 0.0) * length
        distance = np.minimum(distance, 0.999 * room)
        return ends, point + ray * (distance / np.where(length > 0.0, length, 1.0))[:, None]
    return ends, point - np.outer(distance, camera.direction)
