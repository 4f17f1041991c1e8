# SPDX-License-Identifier: GPL-3.0-or-later
"""What each shape of a page draws and what it hides: flattened, clipped, kept by content."""

from __future__ import annotations

from collections import OrderedDict
from dataclasses import dataclass
from typing import Any, Generic, TypeVar

import numpy as np
import shapely
from numpy.typing import NDArray

from .regions import EMPTY, Geometries, clip_region, fill_regions, polygons_only
from .shapes import Page, flatten

__all__ = ["ArtworkCache", "ArtworkSettings", "Ink", "Recent", "clip_regions", "page_inks"]

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]
Colour = tuple[float, float, float]
Value = TypeVar("Value")


@dataclass(frozen=True, slots=True)
class ArtworkSettings:
    """How a flat page becomes lines.

    Attributes
    ----------
    alpha_min
        A fill hides what is beneath it only from this opacity on, 0…1.
    fill_outlines
        Draw the outline of a filled shape that has no stroke.
    clip_borders
        Draw the edge along which a clip path cuts a fill.
    page_border
        Draw the page's edge.
    crop
        Cut lines and fills at the page's edge.
    remove_coincident
        Draw lines that lie on one another once, the topmost.
    dark_below
        A colour whose brightest channel is below this cannot be projected and is replaced.
    dark_ink
        What replaces it, RGB 0…1.
    dots
        Draw the single points of a stroked shape as beam dots, whatever their line width; else
        they are left out.
    """

    alpha_min: float = 0.5
    fill_outlines: bool = True
    clip_borders: bool = False
    page_border: bool = False
    crop: bool = True
    remove_coincident: bool = True
    dark_below: float = 0.1
    dark_ink: Colour = (1.0, 1.0, 1.0)
    dots: bool = True


class Recent(Generic[Value]):
    """A dictionary that forgets what was not asked for lately."""

    def __init__(self, capacity: int) -> None:
        self.capacity = capacity
        self._values: OrderedDict[Any, Value] = OrderedDict()

    def __len__(self) -> int:
        return len(self._values)

    def get(self, key: Any) -> Value | None:
        value = self._values.get(key)
        if value is not None:
            self._values.move_to_end(key)
        return value

    def put(self, key: Any, value: Value) -> None:
        self._values[key] = value
        self._values.move_to_end(key)
        if len(self._values) > self.capacity:
            self._values.popitem(last=False)


class ArtworkCache:
    """What `visible_lines` keeps from frame to frame, by content, bounded.

    Parameters
    ----------
    capacity
        Entries of each kind; a few for each shape of the largest page.
    """

    def __init__(self, capacity: int = 4096) -> None:
        self.inks: Recent[Ink] = Recent(capacity)
        self.clips: Recent[Any] = Recent(capacity)
        self.lines: Recent[Any] = Recent(capacity)


@dataclass(frozen=True, slots=True)
class Ink:
    """Geometry of one shape: the line it draws and the region it hides, or None."""

    line: Any
    hides: Any


def page_inks(
    page: Page,
    roles: NDArray[Any],
    tolerance: float,
    settings: ArtworkSettings,
    cache: ArtworkCache,
) -> tuple[list[Any], list[Ink | None]]:
    """Return the key and the geometry of each shape, made anew where the cache has none.

    Parameters
    ----------
    roles : (s,) int
        1 draws its centre line, 2 draws its outline, 4 hides; 0 for a shape without paint.
    """
    grid = page.grid
    common = (tolerance, grid, settings.clip_borders)
    keys: list[Any] = [
        (digest, role, common) for digest, role in zip(page.digests(), roles.tolist(), strict=True)
    ]
    inks = [cache.inks.get(key) if key[1] else None for key in keys]
    wanted = [i for i, key in enumerate(keys) if key[1] and inks[i] is None]
    if not wanted:
        return keys, inks
    part = page.take(wanted)
    points, offsets = flatten(part.knots, part.contour_offsets, part.contour_closed, tolerance)
    points = np.round(points / grid) * grid
    role = roles[wanted]
    needs_region = np.flatnonzero(role >= 2)
    regions = np.full(len(part), EMPTY, dtype=object)
    if len(needs_region):
        filled = part.take(needs_region)
        at = _rows_of(part.shape_offsets, needs_region)
        index = _rows_of(offsets, at)
        sub = np.concatenate([[0], np.cumsum(np.diff(offsets)[at])]).astype(np.int64)
        regions[needs_region] = fill_regions(
            points[index], sub, filled.shape_offsets, filled.even_odd
        )
    centre = _centre_lines(points, offsets, part.shape_offsets)
    clips = clip_regions(page, tolerance, cache) if np.any(part.clip >= 0) else []
    for k, i in enumerate(wanted):
        clip = clips[part.clip[k]] if part.clip[k] >= 0 else None
        ink = _ink(int(role[k]), centre[k], regions[k], clip, grid, settings.clip_borders)
        inks[i] = ink
        cache.inks.put(keys[i], ink)
    return keys, inks


def _rows_of(offsets: IntArray, rows: NDArray[Any]) -> IntArray:
    counts = np.diff(offsets)[rows]
    before = np.cumsum(counts) - counts
    return np.repeat(offsets[rows] - before, counts) + np.arange(int(counts.sum()))


def _centre_lines(points: FloatArray, offsets: IntArray, shape_offsets: IntArray) -> Geometries:
    """One multi-line of each shape's contours, without repeated points."""
    counts = np.diff(offsets)
    contour = np.repeat(np.arange(len(counts)), counts)
    kept = np.ones(len(points), bool)
    kept[1:] = np.any(points[1:] != points[:-1], axis=1) | (contour[1:] != contour[:-1])
    points, contour = points[kept], contour[kept]
    counts = np.bincount(contour, minlength=len(counts))
    usable = counts >= 2
    kept = usable[contour]
    number = np.cumsum(usable) - 1
    lines = shapely.linestrings(points[kept], indices=number[contour[kept]])
    shape = np.repeat(np.arange(len(shape_offsets) - 1), np.diff(shape_offsets))[usable]
    result = np.full(len(shape_offsets) - 1, shapely.MultiLineString(), dtype=object)
    shapely.multilinestrings(lines, indices=shape, out=result)
    return result


def clip_regions(page: Page, tolerance: float, cache: ArtworkCache) -> list[Any]:
    """Return the region of each clip of the page."""
    result: list[Any] = []
    for clip, digest in zip(page.clips, page.clip_digests(), strict=True):
        key = (digest, tolerance, page.grid)
        region = cache.clips.get(key)
        if region is None:
            parts = []
            for part in clip.parts:
                closed = np.ones(len(part.contour_offsets) - 1, bool)
                points, offsets = flatten(part.knots, part.contour_offsets, closed, tolerance)
                points = np.round(points / page.grid) * page.grid
                (geometry,) = fill_regions(
                    points, offsets, np.array([0, len(closed)]), np.array([part.even_odd])
                )
                if part.clip >= 0:
                    geometry = polygons_only(shapely.intersection(geometry, result[part.clip]))
                parts.append(geometry)
            region = clip_region(np.array(parts, dtype=object), [result[p] for p in clip.parents])
            cache.clips.put(key, region)
        result.append(region)
    return result


def _ink(role: int, centre: Any, region: Any, clip: Any, grid: float, clip_borders: bool) -> Ink:
    """Return the line and the hiding region of one shape.

    role: 1 draws its centre line, 2 draws its outline, 4 hides.
    """
    inside = clip is None or shapely.covers(clip, region)
    line, hides = None, None
    if role & 1:
        line = centre
    elif role & 2:
        cut = clip_borders and not inside
        line = shapely.boundary(
            polygons_only(shapely.intersection(region, clip)) if cut else region
        )
    if line is not None and clip is not None and not shapely.covers(clip, line):
        line = _lines_only(shapely.intersection(line, clip))
    if role & 4:
        hides = region
        if not inside:
            # Along the clip's edge nothing of this shape is drawn, so a line beneath stays.
            edge = clip if clip_borders else shapely.buffer(clip, -grid, join_style="mitre")
            hides = polygons_only(shapely.intersection(region, edge))
        if not role & 3:
            hides = shapely.buffer(hides, -grid, join_style="mitre")
    return Ink(
        None if line is None or shapely.is_empty(line) else line,
        None if hides is None or shapely.is_empty(hides) else hides,
    )


def _lines_only(geometry: Any) -> Any:
    parts = shapely.get_parts(geometry)
    return shapely.multilinestrings(parts[shapely.get_type_id(parts) == 1])
