# SPDX-License-Identifier: GPL-3.0-or-later
"""Mask: some strokes are drawn only where another object covers them in the image."""

from __future__ import annotations

import numpy as np
import shapely
from numpy.typing import NDArray

from ..scene import Camera, Mask
from ..strokes import Strokes

__all__ = ["covered_region", "masked"]

FloatArray = NDArray[np.float64]


def covered_region(
    positions: FloatArray, triangles: NDArray[np.int32], camera: Camera
) -> shapely.Geometry:
    """Return the region of the image that a mesh covers, in field coordinates.

    Triangles are cut at the near plane in clip space (Sutherland and Hodgman, one plane).

    Parameters
    ----------
    positions : (nV, 3) float64
        World space.
    triangles : (nT, 3) int32
    camera
    """
    if len(triangles) == 0:
        return shapely.Polygon()
    ones = np.ones((len(positions), 1))
    clip = np.hstack([positions, ones]) @ camera.view_projection.T
    near = camera.clip_start if camera.perspective else -1.0
    depth = clip[:, 3] if camera.perspective else clip[:, 2]
    behind = depth[triangles] < near
    whole = ~behind.any(axis=1)
    flat = clip[:, :2] / np.where(depth < near, 1.0, clip[:, 3])[:, None]
    rings = [flat[triangles[whole]]]
    cut: list[shapely.Geometry] = []
    for corners in triangles[behind.any(axis=1) & ~behind.all(axis=1)]:
        ring = []
        for a, b in zip(corners, np.roll(corners, -1), strict=True):
            if depth[a] >= near:
                ring.append(clip[a])
            if (depth[a] >= near) != (depth[b] >= near):
                share = (near - depth[a]) / (depth[b] - depth[a])
                ring.append(clip[a] + share * (clip[b] - clip[a]))
        outline = np.array(ring)
        cut.append(shapely.Polygon(outline[:, :2] / outline[:, 3:]))
    pieces = [*shapely.polygons(rings[0]), *cut] if len(rings[0]) else cut
    return shapely.union_all([piece for piece in pieces if piece.area > 0.0])


def masked(strokes: Strokes, effect: Mask, camera: Camera) -> Strokes:
    """Return the strokes with those of the effect's objects cut at the mask's outline.

    A closed stroke that is cut opens; one that is not cut stays as it was. A stretch on the
    very outline counts as covered.
    """
    chosen = np.isin(strokes.object_index, sorted(effect.objects))
    if not chosen.any():
        return strokes
    region = covered_region(effect.positions, effect.triangles, camera)
    shapely.prepare(region)
    part = strokes.take(chosen)
    points, stroke = _with_crossings(part, region)
    # A span from each point to the next of its stroke; a dot is a span of its own.
    single = np.bincount(stroke, minlength=len(part))[stroke] == 1
    follows = np.append(stroke[1:] == stroke[:-1], False)
    spans = np.flatnonzero(follows | single)
    ends = np.where(single[spans], spans, spans + 1)
    middle = (points[spans] + points[ends]) / 2.0
    kept = shapely.intersects_xy(region, middle[:, 0], middle[:, 1]) != effect.outside
    if kept.all():
        return strokes
    if not kept.any():
        return strokes.take(~chosen)
    spans, ends = spans[kept], ends[kept]
    head = np.ones(len(spans), bool)
    head[1:] = (spans[1:] != ends[:-1]) | (stroke[spans[1:]] != stroke[spans[:-1]])
    first = np.flatnonzero(head)
    runs = [
        points[spans[a] : ends[b] + 1]
        for a, b in zip(first, np.append(first[1:], len(spans)) - 1, strict=True)
    ]
    owner = stroke[spans[first]]
    runs, owner = _closed_over_seams(runs, owner, part.closed)
    source = part.take(owner)
    cut = Strokes.from_polylines(
        runs,
        colour=source.colour,
        kind=source.kind,
        object_index=source.object_index,
        identity=source.identity,
        object_names=strokes.object_names,
    )
    return Strokes.concatenate([strokes.take(~chosen), cut])


def _with_crossings(
    part: Strokes, region: shapely.Geometry
) -> tuple[FloatArray, NDArray[np.int64]]:
    """Return all corners and crossings with the region's outline, and the stroke of each."""
    stroke = part.stroke_of_point
    begin = np.flatnonzero(np.append(stroke[1:] == stroke[:-1], False))
    ways = part.points[begin + 1] - part.points[begin]
    segments = shapely.linestrings(np.stack([part.points[begin], part.points[begin + 1]], axis=1))
    met = shapely.intersection(segments, shapely.boundary(region))
    found, row = shapely.get_coordinates(met, return_index=True)
    square = np.einsum("ij,ij->i", ways, ways)
    along = np.einsum("ij,ij->i", found - part.points[begin[row]], ways[row])
    share = along / np.where(square[row] > 0.0, square[row], 1.0)
    within = (share > 0.0) & (share < 1.0)
    row, share = row[within], share[within]
    place = np.concatenate([np.arange(len(part.points), dtype=float), begin[row] + share])
    order = np.argsort(place, kind="stable")
    extra = part.points[begin[row]] + share[:, None] * ways[row]
    everything = np.concatenate([part.points, extra])[order]
    return everything, np.concatenate([stroke, stroke[begin[row]]])[order]


def _closed_over_seams(
    runs: list[FloatArray], owner: NDArray[np.int64], closed: NDArray[np.bool_]
) -> tuple[list[FloatArray], NDArray[np.int64]]:
    """Join the last run of a closed stroke to its first where both meet at the seam."""
    gone = np.zeros(len(runs), bool)
    for stroke in np.unique(owner[closed[owner]]):
        mine = np.flatnonzero(owner == stroke)
        last, first = mine[-1], mine[0]
        if last != first and np.array_equal(runs[last][-1], runs[first][0]):
            runs[first] = np.vstack([runs[last], runs[first][1:]])
            gone[last] = True
    return [run for run, lost in zip(runs, gone, strict=True) if not lost], owner[~gone]
