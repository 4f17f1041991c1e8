# SPDX-License-Identifier: GPL-3.0-or-later
"""Keep-out areas from flat objects that a camera sees over the page.

An object is taken for everything it may mean: all its faces, whole rings of edges, and the
convex hull of whatever else it has. Holes count as filled.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import shapely
from numpy.typing import NDArray

from ..errors import SceneError
from ..scene import Camera
from .zones import KeepOut, solid_area

__all__ = ["object_areas"]

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

NEAR_FIELD = 4.0
"""What lies farther out than this, in field units, is cut off: no light comes near it."""

FACES_MAX = 20_000


def object_areas(
    name: str,
    positions: FloatArray,
    faces: Sequence[IntArray],
    edges: IntArray,
    camera: Camera,
    placement: FloatArray,
) -> tuple[KeepOut, ...]:
    """Return the areas of a projector's field that an object covers, as the camera sees it.

    Parameters
    ----------
    name
        Of the object; all its areas have it.
    positions : (nV, 3) float64
        World space.
    faces
        Vertex indices of each.
    edges : (nE, 2) int
        Edges without faces.
    camera
        Whose page the object lies over.
    placement : (3, 3) float64
        Camera field to projector's field, from `points.aim.aim_matrix`.

    Returns
    -------
    tuple of KeepOut
        Empty where the object lies far outside the field.

    Raises
    ------
    SceneError
        If the object has no vertices, too many faces, coordinates that are no numbers, or a
        part of it lies behind the camera or the placement's horizon, so that nobody can tell
        where the area is.
    """
    if len(positions) == 0:
        raise SceneError(
            f"Keep-out area “{name}” is empty: give its object a face, or take it out of the "
            "keep-out collection."
        )
    if len(faces) > FACES_MAX:
        raise SceneError(
            f"Keep-out area “{name}” has {len(faces)} faces, more than {FACES_MAX}: use a plain "
            "flat outline."
        )
    places = _placed(name, positions, camera, placement)
    parts = [solid_area(places[face]) for face in faces]
    used = np.zeros(len(places), bool)
    for face in faces:
        used[face] = True
    for chain, closed in _chains(edges, len(places)):
        used[chain] = True
        points = places[chain]
        # An open line stands for what it could enclose.
        parts.append(solid_area(points) if closed else shapely.MultiPoint(points).convex_hull)
    if not used.all():
        parts.append(shapely.MultiPoint(places[~used]).convex_hull)
    box = shapely.box(-NEAR_FIELD, -NEAR_FIELD, NEAR_FIELD, NEAR_FIELD)
    area = shapely.intersection(shapely.unary_union(parts), box)
    return tuple(
        KeepOut(name, _outline(part)) for part in shapely.get_parts(area) if not part.is_empty
    )


def _placed(name: str, positions: FloatArray, camera: Camera, placement: FloatArray) -> FloatArray:
    """Bring world positions into the projector's field, (nV, 2)."""
    clip = positions @ camera.view_projection[:, :3].T + camera.view_projection[:, 3]
    if not np.isfinite(clip).all():
        raise SceneError(
            f"Keep-out area “{name}” has a corner that is not a number: look for NaN in its "
            "modifiers and drivers."
        )
    if camera.perspective and np.any(clip[:, 3] < 1e-6):
        raise SceneError(
            f"Keep-out area “{name}” reaches behind its camera, so nobody can tell what it "
            "covers: move it in front of the camera."
        )
    seen = np.stack([clip[:, 0] / clip[:, 3], clip[:, 1] / clip[:, 3], np.ones(len(clip))], axis=1)
    placed = seen @ placement.T
    if np.any(placed[:, 2] <= 1e-6):
        raise SceneError(
            f"Keep-out area “{name}” lies behind the horizon of the projector's keystone: move "
            "the keystone's corners back, or the area nearer to the page."
        )
    result: FloatArray = placed[:, :2] / placed[:, 2:]
    return result


def _chains(edges: IntArray, count: int) -> list[tuple[IntArray, bool]]:
    """Return the connected parts of edges, and whether each is one ring (then in order)."""
    neighbours: dict[int, list[int]] = {}
    for a, b in edges.tolist():
        neighbours.setdefault(a, []).append(b)
        neighbours.setdefault(b, []).append(a)
    found = []
    seen = np.zeros(count, bool)
    for start in neighbours:
        if seen[start]:
            continue
        seen[start] = True
        chain, pending = [], [start]
        while pending:
            vertex = pending.pop()
            chain.append(vertex)
            for other in neighbours[vertex]:
                if not seen[other]:
                    seen[other] = True
                    pending.append(other)
        ring = len(chain) > 2 and all(len(neighbours[vertex]) == 2 for vertex in chain)
        found.append((np.array(_round(start, neighbours) if ring else chain, np.int64), ring))
    return found


def _round(start: int, neighbours: dict[int, list[int]]) -> list[int]:
    """Walk once round a ring."""
    before, here = start, neighbours[start][0]
    ring = [start]
    while here != start:
        ring.append(here)
        first, second = neighbours[here]
        before, here = here, second if first == before else first
    return ring


def _outline(part: shapely.Geometry) -> tuple[tuple[float, float], ...]:
    ring = part.exterior if isinstance(part, shapely.Polygon) else part
    coordinates = shapely.get_coordinates(ring)
    if len(coordinates) > 1 and np.all(coordinates[0] == coordinates[-1]):
        coordinates = coordinates[:-1]
    return tuple((x, y) for x, y in coordinates.tolist())
