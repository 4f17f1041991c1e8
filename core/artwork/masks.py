# SPDX-License-Identifier: GPL-3.0-or-later
"""Layers that show only inside others: masks of a drawing become clips of its page."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np
import shapely
from numpy.typing import NDArray

from .regions import EMPTY, Geometries, fill_regions, polygons_only
from .shapes import Clip, ClipPart, Page, flatten, knots_from_polyline

__all__ = ["LayerMask", "ink_region", "mask_region", "with_masks"]

FloatArray = NDArray[np.float64]
LayerMask = tuple[str, bool]
"""Name of the layer that masks, and whether the layer shows outside it instead of inside."""

ARC_STEPS = 8
"""Steps of a quarter of a pen's round tip: 0.5 % of its radius off."""


def ink_region(page: Page, tolerance: float, alpha_min: float) -> shapely.Geometry:
    """Return all that a page covers: its fills, and its strokes as wide as they are.

    Parameters
    ----------
    tolerance
        Largest deviation of a flattened curve, page units.
    alpha_min
        Paint thinner than this covers nothing.
    """
    least = max(alpha_min, 1e-9)
    filled = np.flatnonzero(page.fill[:, 3] >= least)
    parts: list[shapely.Geometry] = []
    if len(filled):
        part = page.take(filled)
        points, offsets = flatten(part.knots, part.contour_offsets, part.contour_closed, tolerance)
        parts.extend(fill_regions(points, offsets, part.shape_offsets, part.even_odd))
    stroked = np.flatnonzero((page.stroke[:, 3] >= least) & (page.line_width > 0.0))
    if len(stroked):
        parts.extend(_thick_lines(page.take(stroked), tolerance))
    return shapely.union_all(parts) if parts else EMPTY


def _thick_lines(page: Page, tolerance: float) -> Geometries:
    """Return the area of each contour drawn by a round pen."""
    points, offsets = flatten(page.knots, page.contour_offsets, page.contour_closed, tolerance)
    counts = np.diff(offsets)
    width = np.repeat(page.line_width, np.diff(page.shape_offsets))
    line = np.repeat(np.arange(len(counts)), counts)
    result = []
    for several in (True, False):
        rows = np.flatnonzero(counts > 1 if several else counts == 1)
        chosen = np.isin(line, rows)
        at = np.searchsorted(rows, line[chosen])
        drawn = (
            shapely.linestrings(points[chosen], indices=at)
            if several
            else shapely.points(points[chosen])
        )
        if len(rows):
            result.append(shapely.buffer(drawn, width[rows] / 2.0, quad_segs=ARC_STEPS))
    return np.concatenate(result) if result else np.empty(0, dtype=object)


def mask_region(
    ink: Mapping[str, shapely.Geometry],
    masks: Sequence[LayerMask],
    everything: shapely.Geometry,
) -> shapely.Geometry:
    """Return where a masked layer shows.

    Parameters
    ----------
    ink
        What each layer covers, by name; a layer that is missing covers nothing.
    masks
        The masks of the layer, in the order of the layers, bottom to top.
    everything
        Holds all there is.

    Notes
    -----
    Blender's rule, taken from pictures it renders (tests/gui/check_masks.py): masks add up;
    where one is inverted and the one below it is not, or the other way round, all that has
    added up so far is turned inside out first. So A, then C inverted, shows A without C. What
    masks the masks does not count.
    """
    covered, inside_out, begun = EMPTY, False, False
    for name, inverted in masks:
        if inverted != inside_out:
            inside_out = inverted
            if begun:
                covered = polygons_only(shapely.difference(everything, covered))
        begun = True
        covered = polygons_only(shapely.union(covered, ink.get(name, EMPTY)))
    if inside_out:
        covered = shapely.difference(everything, covered)
    return polygons_only(covered)


def with_masks(
    page: Page,
    sources: Mapping[str, Mapping[str, Page]],
    masks: Mapping[str, Sequence[LayerMask]],
    tolerance: float,
    alpha_min: float,
) -> Page:
    """Clip the masked layers of a page that has no clips of its own.

    Parameters
    ----------
    sources
        For each masked layer the layers that mask it, by name, seen in its plane.
    masks
        By masked layer, as in `mask_region`.
    tolerance, alpha_min
        As in `ink_region`.
    """
    clip = page.clip.copy()
    clips: list[Clip] = []
    known: dict[int, shapely.Geometry] = {}
    for layer, pages in sources.items():
        if layer not in page.layer_names:
            continue
        for source in pages.values():
            if id(source) not in known:
                known[id(source)] = ink_region(source, tolerance, alpha_min)
        ink = {name: known[id(source)] for name, source in pages.items()}
        region = mask_region(ink, masks[layer], _around(page, list(ink.values())))
        clip[page.layer == page.layer_names.index(layer)] = len(clips)
        clips.append(_as_clip(region))
    return replace(page, clip=clip, clips=tuple(clips))


def _around(page: Page, regions: Sequence[shapely.Geometry]) -> shapely.Geometry:
    """Return a box that holds a page and some regions, with room around them."""
    # Beziers lie within the hull of their control points.
    corners = [page.knots.reshape(-1, 2)]
    if page.bounded:
        corners.append(np.array([[-page.width, -page.height], [page.width, page.height]]) / 2.0)
    corners.extend(
        shapely.bounds(region).reshape(2, 2) for region in regions if not shapely.is_empty(region)
    )
    points = np.concatenate(corners)
    low, high = points.min(axis=0), points.max(axis=0)
    room = 0.1 * float(np.max(high - low)) + 1.0
    return shapely.box(*(low - room), *(high + room))


def _as_clip(region: shapely.Geometry) -> Clip:
    parts = shapely.get_parts(region)
    rings = shapely.get_rings(parts[shapely.get_type_id(parts) == 3])
    if len(rings) == 0:
        return Clip(())
    contours = [knots_from_polyline(shapely.get_coordinates(r)[:-1], closed=True) for r in rings]
    offsets = np.concatenate([[0], np.cumsum([len(knots) for knots in contours])])
    return Clip((ClipPart(np.concatenate(contours), offsets.astype(np.int64), even_odd=True),))
