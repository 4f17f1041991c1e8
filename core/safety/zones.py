# SPDX-License-Identifier: GPL-3.0-or-later
"""Keep-out areas: outlines made valid, widened by the margin, and asked about the beam."""

from __future__ import annotations

import functools
import math
import threading
from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray

from ..errors import SettingError

__all__ = ["MARGIN_MIN_FIELD", "KeepOut", "hulls_touch", "paths_near", "solid_area", "widened"]

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

MARGIN_MIN_FIELD = 1e-4
"""Least margin: three steps of the 16-bit coordinates that files and packets carry."""

OUTLINE_POINTS_MAX = 10_000
EXACT_REPAIR_POINTS_MAX = 200
COORDINATE_MAX = 1000.0
QUARTER_SEGMENTS = 8

# A prepared geometry builds its index on first use and must not be asked by two threads
# (Blender's and the sender's) at once.
_geometry_lock = threading.Lock()


@dataclass(frozen=True, slots=True)
class KeepOut:
    """An area of one projector's field in which nothing may ever be lit.

    Attributes
    ----------
    name
        As the artist called it.
    outline
        Corners in projector field coordinates, at least one; closed by itself. An outline
        that crosses itself counts as everything it winds round, which includes both the
        even-odd and the winding reading. One or two corners make a disc or a bar as wide
        as the margin.
    """

    name: str
    outline: tuple[tuple[float, float], ...]


@functools.lru_cache(maxsize=128)
def widened(zone: KeepOut, margin_field: float) -> shapely.Geometry:
    """Return the area of a zone and everything within the margin of it, prepared.

    Raises
    ------
    SettingError
        If the outline is empty, too long, or holds a number that is not finite or is far
        outside the field.
    """
    outline = np.asarray(zone.outline, np.float64)
    if outline.ndim != 2 or outline.shape[1] != 2 or len(outline) == 0:
        raise SettingError(
            f"Keep-out area “{zone.name}” has no outline; give it at least one corner (x, y)."
        )
    if len(outline) > OUTLINE_POINTS_MAX:
        raise SettingError(
            f"Keep-out area “{zone.name}” has {len(outline)} corners, more than "
            f"{OUTLINE_POINTS_MAX}; simplify its outline."
        )
    if not np.all(np.abs(outline) <= COORDINATE_MAX):
        raise SettingError(
            f"Keep-out area “{zone.name}” has a corner that is not a number or lies more than "
            f"{COORDINATE_MAX:g} field units away; move it to the projector's field."
        )
    if not (math.isfinite(margin_field) and MARGIN_MIN_FIELD <= margin_field <= 1.0):
        raise SettingError(
            f"The margin of keep-out areas is {margin_field:g} field units; "
            f"choose {MARGIN_MIN_FIELD:g} to 1."
        )
    # The round corners of a buffer are polygons inside the true arc: widen by what they miss.
    margin = margin_field / math.cos(math.pi / (4 * QUARTER_SEGMENTS))
    area = shapely.buffer(solid_area(outline), margin, quad_segs=QUARTER_SEGMENTS)
    shapely.prepare(area)
    return area


def solid_area(outline: FloatArray) -> shapely.Geometry:
    """Return the area an outline winds round, together with the outline itself."""
    corners = outline[np.append(True, np.any(np.diff(outline, axis=0) != 0.0, axis=1))]
    if len(corners) > 1 and np.all(corners[0] == corners[-1]):
        corners = corners[:-1]
    if len(corners) == 1:
        return shapely.Point(corners[0])
    if len(corners) == 2:
        return shapely.LineString(corners)
    ring = np.vstack([corners, corners[:1]])
    polygon = shapely.Polygon(ring)
    if polygon.is_valid:
        return polygon
    line = shapely.LineString(ring)
    if len(corners) > EXACT_REPAIR_POINTS_MAX:
        # Noding a long tangle is slow; the hull holds every reading of it.
        return line.convex_hull
    faces = [
        face
        for face in shapely.get_parts(shapely.polygonize([shapely.unary_union(line)]))
        if _winding_number(ring, shapely.get_coordinates(face.representative_point())[0]) != 0
    ]
    return shapely.unary_union([line, *faces])


def _winding_number(ring: FloatArray, point: FloatArray) -> int:
    """Count the turns of a closed ring round a point by signed crossings of a ray to the right.

    Sunday's winding number algorithm (2001).
    """
    start, end = ring[:-1], ring[1:]
    side = (end[:, 0] - start[:, 0]) * (point[1] - start[:, 1]) - (point[0] - start[:, 0]) * (
        end[:, 1] - start[:, 1]
    )
    upward = (start[:, 1] <= point[1]) & (end[:, 1] > point[1]) & (side > 0.0)
    downward = (start[:, 1] > point[1]) & (end[:, 1] <= point[1]) & (side < 0.0)
    return int(upward.sum()) - int(downward.sum())


def hulls_touch(
    area: shapely.Geometry, points: FloatArray, reach: FloatArray | None = None
) -> BoolArray:
    """Tell which sets of points have a convex hull that touches a prepared area.

    Parameters
    ----------
    area
        From `widened`.
    points : (m, 2, k) float64
        `k` sets of `m` >= 2 finite points. The hull of two is the segment between them.
    reach : (k,) float64
        How near a hull may come before it touches; 0 for all if None.

    Returns
    -------
    (k,) bool
    """
    left, bottom, right, top = shapely.bounds(area)
    (x_low, y_low), (x_high, y_high) = points.min(axis=0), points.max(axis=0)
    grown = np.zeros(points.shape[2]) if reach is None else reach
    near = (
        (x_high + grown >= left)
        & (x_low - grown <= right)
        & (y_high + grown >= bottom)
        & (y_low - grown <= top)
    )
    touch = np.zeros(points.shape[2], bool)
    rows = np.flatnonzero(near)
    if len(rows) == 0:
        return touch
    close = points[:, :, rows]
    with _geometry_lock:
        # Most hulls near an area have a point in it, which is quicker to find than an overlap.
        inside = shapely.intersects_xy(area, close[:, 0], close[:, 1]).any(axis=0)
        touch[rows[inside]] = True
        rest = np.moveaxis(close[:, :, ~inside], 2, 0)
        if len(rest):
            hulls = shapely.convex_hull(shapely.linestrings(rest))
            if reach is None:
                touch[rows[~inside]] = shapely.intersects(area, hulls)
            else:
                # GEOS leaves a division flag behind where a hull is a point.
                with np.errstate(divide="ignore"):
                    touch[rows[~inside]] = shapely.dwithin(area, hulls, reach[rows[~inside]])
    return touch


def paths_near(area: shapely.Geometry, paths: FloatArray, distance: float) -> BoolArray:
    """Tell which paths, (m, 2, k), come within a distance of an area, (k,) bool.

    Asked of their points, each standing for half the way to its neighbours: GEOS does not
    measure to a line whose points all coincide.
    """
    half_step = 0.5 * np.hypot(*np.moveaxis(np.diff(paths, axis=0), 1, 0)).max(axis=0)
    points = shapely.points(np.moveaxis(paths, 1, 2))
    with _geometry_lock:
        gap = shapely.distance(area, points).min(axis=0)
    near: BoolArray = gap <= distance + half_step
    return near
