# SPDX-License-Identifier: GPL-3.0-or-later
"""Visible lines of a page: stacking order, opacity, clips and the page's edge.

A line of one shape loses what lies in an opaque region of a shape above it. A spatial index
finds the pairs; the differences run in rounds, each one vectorised call over all lines that
still have a region to subtract, topmost first. Flattened regions, lines and finished lines are
kept by a hash of their content, so that an animated page only redoes what has changed.
"""

from __future__ import annotations

import hashlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray

from ..writing import WriteSettings, write_on
from .ink import ArtworkCache, ArtworkSettings, Recent, clip_regions, page_inks
from .mending import drawn_once, polylines, rejoined
from .regions import Geometries, polygons_only
from .shapes import Page

__all__ = ["ArtworkCache", "ArtworkSettings", "PageLines", "visible_lines"]

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]


@dataclass(frozen=True, eq=False)
class PageLines:
    """Visible lines of a page, in page space.

    Attributes
    ----------
    points : (n, 2) float64
    offsets : (k + 1,) int64
        A closed line repeats its first point.
    shape : (k,) int32
        The shape a line belongs to, an index into the page; -1 for the page's border. In
        stacking order.
    colour : (k, 3) float64
        RGB as in the page.
    hiding_shape : (h,) int32
        Shapes that hide what is behind them.
    hiding : (h,) object
        Their regions, cut at the page's edge.
    tip : (t, 2) float64
        Where a line is being written on.
    tip_shape : (t,) int32
    dot : (d, 2) float64
        Single points that are seen; `ArtworkSettings.dots`.
    dot_shape : (d,) int32
    dot_colour : (d, 3) float64
    """

    points: FloatArray
    offsets: IntArray
    shape: NDArray[np.int32]
    colour: FloatArray
    hiding_shape: NDArray[np.int32]
    hiding: Geometries
    tip: FloatArray = field(default_factory=lambda: np.empty((0, 2)))
    tip_shape: NDArray[np.int32] = field(default_factory=lambda: np.empty(0, np.int32))
    dot: FloatArray = field(default_factory=lambda: np.empty((0, 2)))
    dot_shape: NDArray[np.int32] = field(default_factory=lambda: np.empty(0, np.int32))
    dot_colour: FloatArray = field(default_factory=lambda: np.empty((0, 3)))

    def __len__(self) -> int:
        return len(self.offsets) - 1

    @property
    def length(self) -> float:
        """Length of all lines, page units."""
        if len(self.points) == 0:
            return 0.0
        step = np.hypot(*np.diff(self.points, axis=0).T)
        step[self.offsets[1:-1] - 1] = 0.0
        return float(step.sum())


def visible_lines(
    page: Page,
    tolerance: float,
    settings: ArtworkSettings | None = None,
    cache: ArtworkCache | None = None,
    writing: WriteSettings | Mapping[str, WriteSettings] | None = None,
) -> PageLines:
    """Return what is to be seen of a page.

    Parameters
    ----------
    tolerance
        Largest deviation of a flattened curve, page units.
    cache
        Keep one for each animated page.
    writing
        Write-on state of the page in stacking order, or of single layers by name. Lines are
        trimmed before anything hides them, so that the tip moves evenly; a shape that is not
        begun hides nothing.
    """
    settings = settings or ArtworkSettings()
    cache = cache or ArtworkCache()
    has_stroke = page.stroke[:, 3] > 0.0
    has_fill = page.fill[:, 3] > 0.0
    hides = page.fill[:, 3] >= max(settings.alpha_min, 1e-9)
    # What a shape needs: its centre line, its outline, its region.
    outlined = has_fill & ~has_stroke & page.outlined & settings.fill_outlines
    roles = has_stroke * 1 + outlined * 2 + hides * 4
    keys, inks = page_inks(page, roles, tolerance, settings, cache)
    line_shape = np.array([i for i, k in enumerate(inks) if k and k.line is not None], np.int32)
    lines = np.array([inks[i].line for i in line_shape], dtype=object)
    line_keys = [keys[i] for i in line_shape]
    region_shape = np.array([i for i, k in enumerate(inks) if k and k.hides is not None], np.int32)
    regions = np.array([inks[i].hides for i in region_shape], dtype=object)
    tip, tip_shape = np.empty((0, 2)), np.empty(0, np.int64)
    single, dot_shape = _single_points(page, has_stroke & settings.dots)
    if writing is not None:
        if len(dot_shape):
            written = _dots_written(page, dot_shape, lines, line_shape, writing)
            single[single], dot_shape = written, dot_shape[written]
        lines, line_keys, tip, tip_shape = _written(page, lines, line_keys, line_shape, writing)
        begun = ~shapely.is_empty(lines)
        unseen = line_shape[~begun]
        kept = ~np.isin(region_shape, unseen)
        region_shape, regions = region_shape[kept], regions[kept]
        lines, line_shape = lines[begun], line_shape[begun]
        line_keys = [key for key, seen in zip(line_keys, begun, strict=True) if seen]
    region_keys = [keys[i] for i in region_shape]
    lines = _hidden_removed(
        lines, line_shape, line_keys, regions, region_shape, region_keys, cache.lines
    )
    if settings.crop and page.bounded:
        lines, regions = _cropped(page, lines, regions)
    points, offsets, line = polylines(lines)
    shape = line_shape[line]
    if settings.remove_coincident:
        points, offsets, shape = drawn_once(points, offsets, shape, page.grid)
    shape_colour = np.where(has_stroke[:, None], page.stroke[:, :3], page.fill[:, :3])
    shape_colour[shape_colour.max(axis=1, initial=0.0) < settings.dark_below] = settings.dark_ink
    colour = shape_colour[shape]
    dot = np.empty((0, 2))
    if len(dot_shape):
        dot_shape, dot = _dots(
            page, tolerance, single, dot_shape, regions, region_shape, settings, cache
        )
    if settings.page_border and page.bounded:
        points, offsets, shape, colour = _with_border(page, points, offsets, shape, colour)
    return PageLines(
        points,
        offsets,
        shape,
        colour,
        region_shape,
        regions,
        tip,
        tip_shape.astype(np.int32),
        dot,
        dot_shape,
        shape_colour[dot_shape],
    )


def _single_points(
    page: Page, stroked: NDArray[np.bool_]
) -> tuple[NDArray[np.bool_], NDArray[np.int32]]:
    """Which contours are a single point of a stroke, (c,), and the shape of each of them."""
    shape = np.repeat(np.arange(len(page), dtype=np.int32), np.diff(page.shape_offsets))
    single = (np.diff(page.contour_offsets) == 1) & stroked[shape]
    return single, shape[single]


def _dots(
    page: Page,
    tolerance: float,
    single: NDArray[np.bool_],
    shape: NDArray[np.int32],
    regions: Geometries,
    region_shape: NDArray[np.int32],
    settings: ArtworkSettings,
    cache: ArtworkCache,
) -> tuple[NDArray[np.int32], FloatArray]:
    """Return the single points that no clip, page edge or fill above hides.

    Parameters
    ----------
    single : (c,) bool
        The contours that are such points, and written.
    shape : (d,) int32
        The shape of each.
    """
    points = page.knots[page.contour_offsets[:-1][single], 1]
    seen = np.ones(len(points), bool)
    if settings.crop and page.bounded:
        seen &= np.all(np.abs(points) <= np.array([page.width, page.height]) / 2.0, axis=1)
    if np.any(page.clip[shape] >= 0):
        clips = np.array([*clip_regions(page, tolerance, cache), None], dtype=object)
        clip = clips[page.clip[shape]]  # -1 takes the last, which is none
        seen &= shapely.is_missing(clip) | shapely.covers(clip, shapely.points(points))
    if len(points) and len(regions):
        point, region = shapely.STRtree(regions).query(
            shapely.points(points), predicate="intersects"
        )
        seen[point[region_shape[region] > shape[point]]] = False
    return shape[seen], points[seen]


def _dots_written(
    page: Page,
    shape: NDArray[np.int32],
    lines: Geometries,
    line_shape: NDArray[np.int32],
    writing: WriteSettings | Mapping[str, WriteSettings],
) -> NDArray[np.bool_]:
    """Which dots are written: in order they come when the pen reaches their shape, all at once
    with its first touch. Where nothing has a length they come at an even pace.

    Parameters
    ----------
    shape : (d,) int
        Shape of each dot, rising.
    lines, line_shape
        All lines, before they are trimmed.
    """
    lengths, pieces = np.zeros(len(page)), np.zeros(len(page))
    lengths[line_shape], pieces[line_shape] = (
        shapely.length(lines),
        shapely.get_num_geometries(lines),
    )
    written = np.ones(len(shape), bool)
    if isinstance(writing, WriteSettings):
        parts = [(writing, np.ones(len(page), bool))]
    else:
        layer = np.array(page.layer_names, dtype=object)[page.layer]
        parts = [(state, layer == name) for name, state in writing.items()]
    for state, rows in parts:
        dots = np.flatnonzero(rows[shape])
        progress = min(max(state.progress, 0.0), 1.0)
        if state.mode == "together" or progress in (0.0, 1.0):
            written[dots] = progress > 0.0
            continue
        pen = np.where(rows, lengths + state.lift * pieces, 0.0)
        whole = pen.sum() - state.lift
        turn = (np.cumsum(pen) - pen)[shape[dots]] / whole if whole > 0.0 else None
        if turn is None:
            turn = (np.arange(len(dots)) + 0.5) / len(dots)
        written[dots] = turn >= 1.0 - progress if state.backwards else turn <= progress
    return written


def _written(
    page: Page,
    lines: Geometries,
    keys: list[Any],
    shape: NDArray[np.int32],
    writing: WriteSettings | Mapping[str, WriteSettings],
) -> tuple[Geometries, list[Any], FloatArray, IntArray]:
    """Trim lines to what is written; the tips and the shapes they are on come last."""
    lines, keys = lines.copy(), list(keys)
    tips, tip_shapes = [np.empty((0, 2))], [np.empty(0, np.int64)]
    if isinstance(writing, WriteSettings):
        parts = [(writing, np.arange(len(lines)))]
    else:
        layer = page.layer[shape]
        parts = [
            (state, np.flatnonzero(layer == page.layer_names.index(name)))
            for name, state in writing.items()
            if name in page.layer_names
        ]
    for state, rows in parts:
        pieces, owner = shapely.get_parts(lines[rows], return_index=True)
        points, piece = shapely.get_coordinates(pieces, return_index=True)
        offsets = np.searchsorted(piece, np.arange(len(pieces) + 1)).astype(np.int64)
        done = write_on(points, offsets, state)
        lines[rows] = shapely.MultiLineString()
        if len(done.source):
            line = np.repeat(np.arange(len(done.source)), np.diff(done.offsets))
            trimmed = shapely.linestrings(done.points, indices=line)
            target = lines[rows]
            shapely.multilinestrings(trimmed, indices=owner[done.source], out=target)
            lines[rows] = target
        for row in rows.tolist():
            keys[row] = hashlib.blake2b(shapely.to_wkb(lines[row]), digest_size=16).digest()
        tips.append(done.tip)
        tip_shapes.append(shape[rows[owner[done.tip_source]]].astype(np.int64))
    return lines, keys, np.concatenate(tips), np.concatenate(tip_shapes)


def _hidden_removed(
    lines: Geometries,
    line_rank: NDArray[np.int32],
    line_keys: Sequence[Any],
    regions: Geometries,
    region_rank: NDArray[np.int32],
    region_keys: Sequence[Any],
    cache: Recent[Any],
) -> Geometries:
    """Subtract from each line the regions above it."""
    if len(lines) == 0 or len(regions) == 0:
        return lines
    line, region = shapely.STRtree(regions).query(lines, predicate="intersects")
    above = region_rank[region] > line_rank[line]
    line, region = line[above], region[above]
    order = np.lexsort((-region, line))
    line, region = line[order], region[order]
    start = np.searchsorted(line, np.arange(len(lines) + 1))
    count = np.diff(start)
    result = lines.copy()
    todo = np.zeros(len(lines), bool)
    keys: dict[int, Any] = {}
    for i in np.flatnonzero(count).tolist():
        hiders = tuple(region_keys[r] for r in region[start[i] : start[i + 1]].tolist())
        keys[i] = (line_keys[i], hiders)
        known = cache.get(keys[i])
        if known is None:
            todo[i] = True
        else:
            result[i] = known
    for step in range(int(count[todo].max(initial=0))):
        rows = np.flatnonzero(todo & (count > step))
        rows = rows[~shapely.is_empty(result[rows])]
        if len(rows):
            hider = regions[region[start[rows] + step]]
            result[rows] = shapely.difference(result[rows], hider)
    redone = np.flatnonzero(todo)
    if len(redone):
        result[redone] = rejoined(lines[redone], result[redone])
        for i in redone.tolist():
            cache.put(keys[i], result[i])
    return result


def _cropped(page: Page, lines: Geometries, regions: Geometries) -> tuple[Geometries, Geometries]:
    """Cut at the page's edge, adding no border to lines."""
    half = np.array([page.width, page.height]) / 2.0
    edge = (-half[0], -half[1], half[0], half[1])
    lines, regions = lines.copy(), regions.copy()
    for geometries in (lines, regions):
        bounds = shapely.bounds(geometries)
        # A line on the very edge is cut too: a backdrop gives no frame.
        out = np.any((bounds[:, :2] <= -half) | (bounds[:, 2:] >= half), axis=1)
        if geometries is regions:
            page_box = shapely.box(*edge)
            cut = shapely.intersection(regions[out], page_box)
            regions[out] = [polygons_only(region) for region in cut]
        else:
            lines[out] = shapely.clip_by_rect(lines[out], *edge)
    return lines, regions


def _with_border(
    page: Page,
    points: FloatArray,
    offsets: IntArray,
    shape: NDArray[np.int32],
    colour: FloatArray,
) -> tuple[FloatArray, IntArray, NDArray[np.int32], FloatArray]:
    corners = np.array([[-1, -1], [1, -1], [1, 1], [-1, 1], [-1, -1]]) / 2.0
    border = corners * [page.width, page.height]
    return (
        np.concatenate([points, border]),
        np.append(offsets, len(points) + len(border)),
        np.append(shape, np.int32(-1)),
        np.concatenate([colour, [[1.0, 1.0, 1.0]]]),
    )
