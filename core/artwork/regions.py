# SPDX-License-Identifier: GPL-3.0-or-later
"""The region a set of rings fills, exact for both fill rules.

Rings may cross themselves and one another, run twice along the same edge, have spikes, or be
listed in any direction. All rings are noded together, faces are built, and each face is asked
for the winding number of an inner point.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray

__all__ = ["Geometries", "clip_region", "fill_regions", "polygons_only", "winding_numbers"]

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]
Geometries = NDArray[Any]
"""Array of shapely geometries, dtype object."""

EMPTY = shapely.Polygon()
MOST_PAIRS = 4_000_000


def winding_numbers(points: FloatArray, start: FloatArray, end: FloatArray) -> IntArray:
    """Return how often closed rings wind around points, counter-clockwise positive.

    Parameters
    ----------
    points : (p, 2) float64
    start, end : (e, 2) float64
        The directed edges of all rings.

    Notes
    -----
    Counts the upward and downward crossings of the ray to the right (the crossing-number
    algorithm in its signed form; e.g. D. Sunday, "Inclusion of a Point in a Polygon", 2001).
    """
    result = np.zeros(len(points), np.int64)
    rising = start[:, 1] < end[:, 1]
    chunk = max(1, MOST_PAIRS // max(len(start), 1))
    low = np.minimum(start[:, 1], end[:, 1])
    high = np.maximum(start[:, 1], end[:, 1])
    step = end - start
    for first in range(0, len(points), chunk):
        x, y = points[first : first + chunk, :1], points[first : first + chunk, 1:]
        point, edge = np.nonzero((low <= y) & (y < high))
        side = step[edge, 0] * (y[point, 0] - start[edge, 1]) - step[edge, 1] * (
            x[point, 0] - start[edge, 0]
        )
        sign = np.where(rising[edge], side > 0, -(side < 0).astype(np.int64))
        result[first : first + chunk] = np.bincount(point, weights=sign, minlength=len(x)).astype(
            np.int64
        )
    return result


def fill_regions(
    points: FloatArray, offsets: IntArray, shape_offsets: IntArray, even_odd: NDArray[np.bool_]
) -> Geometries:
    """Return the region each shape fills.

    Parameters
    ----------
    points : (m, 2) float64
        Flattened contours, on one grid; a contour need not be closed.
    offsets : (c + 1,) int64
        Points of each contour.
    shape_offsets : (s + 1,) int64
        Contours of each shape.
    even_odd : (s,) bool
        Fill rule.

    Returns
    -------
    (s,) object
        Valid polygons or multi-polygons, perhaps empty.
    """
    rings = _Rings(points, offsets)
    result = np.full(len(shape_offsets) - 1, EMPTY, dtype=object)
    ring_count = np.diff(np.concatenate([[0], np.cumsum(rings.usable)])[shape_offsets])
    single = np.flatnonzero(ring_count == 1)
    if len(single):
        usable = np.flatnonzero(rings.usable)
        shape_of_ring = np.repeat(np.arange(len(result)), np.diff(shape_offsets))[usable]
        ring = usable[np.flatnonzero(ring_count[shape_of_ring] == 1)]
        polygons = shapely.polygons(rings.linear_rings(ring))
        valid = shapely.is_valid(polygons)
        result[single[valid]] = polygons[valid]
        ring_count[single[valid]] = 0
    for shape in np.flatnonzero(ring_count).tolist():
        first, last = int(shape_offsets[shape]), int(shape_offsets[shape + 1])
        usable = first + np.flatnonzero(rings.usable[first:last])
        result[shape] = _noded_region(rings, usable, bool(even_odd[shape]))
    return result


class _Rings:
    """Contours closed, without repeated points; `usable` where three corners are left."""

    def __init__(self, points: FloatArray, offsets: IntArray) -> None:
        counts = np.diff(offsets)
        contour = np.repeat(np.arange(len(counts)), counts)
        kept = np.ones(len(points), bool)
        kept[1:] = np.any(points[1:] != points[:-1], axis=1) | (contour[1:] != contour[:-1])
        # The last point goes where it repeats the first: closing adds it again.
        last, first = offsets[1:][counts > 1] - 1, offsets[:-1][counts > 1]
        kept[last] &= np.any(points[last] != points[first], axis=1)
        before = np.concatenate([[0], np.cumsum(kept)]).astype(np.int64)
        self.points = points[kept]
        self.offsets = before[offsets]
        self.counts = np.diff(self.offsets)
        self.usable = self.counts >= 3

    def edges(self, rings: IntArray) -> tuple[FloatArray, FloatArray]:
        index = _ranges(self.offsets[rings], self.counts[rings])
        following = index + 1
        following[np.cumsum(self.counts[rings]) - 1] = self.offsets[rings]
        return self.points[index], self.points[following]

    def linear_rings(self, rings: IntArray) -> Geometries:
        counts = self.counts[rings] + 1
        index = _ranges(self.offsets[rings], counts)
        index[np.cumsum(counts) - 1] = self.offsets[rings]
        result: Geometries = shapely.linearrings(
            self.points[index], indices=np.repeat(np.arange(len(rings)), counts)
        )
        return result


def _ranges(starts: IntArray, counts: IntArray) -> IntArray:
    """Concatenate the ranges start … start + count."""
    before = np.cumsum(counts) - counts
    return np.repeat(starts - before, counts) + np.arange(int(counts.sum()))


def _noded_region(rings: _Rings, which: IntArray, even_odd: bool) -> Any:
    start, end = rings.edges(which)
    lines = shapely.linestrings(np.stack([start, end], axis=1))
    noded = shapely.node(shapely.multilinestrings(lines))
    faces = shapely.get_parts(shapely.polygonize(shapely.get_parts(noded)))
    if len(faces) == 0:
        return EMPTY
    inner = shapely.get_coordinates(shapely.point_on_surface(faces))
    winding = winding_numbers(inner, start, end)
    inside = winding % 2 != 0 if even_odd else winding != 0
    return shapely.union_all(faces[inside]) if inside.any() else EMPTY


def clip_region(parts: Geometries, parents: list[Any]) -> Any:
    """Return the union of the parts' regions, cut by all `parents`."""
    region = shapely.union_all(parts) if len(parts) else EMPTY
    for parent in parents:
        region = polygons_only(shapely.intersection(region, parent))
    return region


def polygons_only(geometry: Any) -> Any:
    """Drop the points and lines an intersection may leave."""
    if shapely.get_type_id(geometry) in (3, 6):
        return geometry
    parts = shapely.get_parts(geometry)
    parts = parts[shapely.get_type_id(parts) == 3]
    return shapely.union_all(parts) if len(parts) else EMPTY
