# SPDX-License-Identifier: GPL-3.0-or-later
"""Pages as the arrays of a Grease Pencil drawing, and back: all but the calls into Blender.

One curve for each contour. A fill is a group of curves with the same number above 0. Blender
fills a group by exclusive or between curves, non-zero within one curve, which equals SVG's
even-odd rule for contours that do not cross themselves; wherever the two would differ, the fill
is stored as the rings of its region, so that the artist sees what is drawn. There are no clip
paths: clipped shapes are cut here.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from functools import reduce

import numpy as np
import shapely
from numpy.typing import NDArray

from .ink import ArtworkCache, clip_regions
from .regions import fill_regions, polygons_only
from .shapes import Page, Shape, flatten, knots_from_polyline

__all__ = ["PencilArrays", "page_from_pencil", "pencil_arrays", "to_linear", "to_srgb"]

FloatArray = NDArray[np.float64]
NOTHING = (0.0, 0.0, 0.0, 0.0)


@dataclass(frozen=True, eq=False)
class PencilArrays:
    """One drawing: curves over points, ready for ``foreach_set``.

    Attributes
    ----------
    counts : (c,) int32
        Points of each curve.
    position, handle_left, handle_right : (n, 2) float64
        Page space. To place them in the object's plane XZ: x, 0, y times the scale.
    cyclic : (c,) bool
        Also true for an open contour that is filled.
    closed : (c,) bool
        The line itself is closed; differs from `cyclic` for open contours with a fill.
    vertex_colour : (n, 4) float64
        Linear RGBA of the stroke.
    fill_colour : (c, 4) float64
        Linear RGBA.
    radius : (n,) float64
        Half the stroke width, page units.
    fill_id : (c,) int32
        Group of curves that are one fill, from 1; 0 for none.
    rank : (c,) int32
        Place of the shape in the stack.
    hide_stroke : (c,) bool
        The curve has a fill only.
    outlined : (c,) bool
        If so, its outline is drawn.
    layer : (c,) int32
        Index into `Page.layer_names`.
    """

    counts: NDArray[np.int32]
    position: FloatArray
    handle_left: FloatArray
    handle_right: FloatArray
    cyclic: NDArray[np.bool_]
    closed: NDArray[np.bool_]
    vertex_colour: FloatArray
    fill_colour: FloatArray
    radius: FloatArray
    fill_id: NDArray[np.int32]
    rank: NDArray[np.int32]
    hide_stroke: NDArray[np.bool_]
    outlined: NDArray[np.bool_]
    layer: NDArray[np.int32]

    def of_layer(self, layer: int) -> PencilArrays:
        """Return the curves of one layer."""
        return self.taken(self.layer == layer)

    def taken(self, kept: NDArray[np.bool_]) -> PencilArrays:
        """Return some of the curves."""
        points = np.repeat(kept, self.counts)
        by_point = {"position", "handle_left", "handle_right", "vertex_colour", "radius"}
        return PencilArrays(
            **{
                name: getattr(self, name)[points if name in by_point else kept]
                for name in self.__dataclass_fields__
            }
        )


def to_linear(colour: FloatArray) -> FloatArray:
    """Turn sRGB values 0…1 into linear ones (IEC 61966-2-1)."""
    colour = np.asarray(colour, np.float64)
    return np.where(colour <= 0.04045, colour / 12.92, ((colour + 0.055) / 1.055) ** 2.4)


def to_srgb(colour: FloatArray) -> FloatArray:
    """Turn linear values 0…1 into sRGB ones (IEC 61966-2-1)."""
    colour = np.asarray(colour, np.float64)
    safe = np.maximum(colour, 0.0031308)
    # Written so that 1 gives exactly 1.
    curve = 1.0 + 1.055 * (safe ** (1.0 / 2.4) - 1.0)
    return np.where(colour <= 0.0031308, colour * 12.92, curve)


def pencil_arrays(page: Page, tolerance: float) -> PencilArrays:
    """Return a page's shapes as the curves of one Grease Pencil drawing, bottom to top.

    Parameters
    ----------
    tolerance
        For the shapes that have to be stored as polylines: page units.
    """
    page = _as_curves_show(page, tolerance)
    counts = np.diff(page.contour_offsets)
    contours = np.diff(page.shape_offsets)
    shape = np.repeat(np.arange(len(page)), contours)
    kept = counts > 0
    filled = page.fill[:, 3] > 0.0
    stroked = page.stroke[:, 3] > 0.0
    group = np.where(filled, np.cumsum(filled), 0)
    point_shape = np.repeat(shape, counts)
    linear = [np.hstack([to_linear(c[:, :3]), c[:, 3:]]) for c in (page.stroke, page.fill)]
    return PencilArrays(
        counts=counts[kept].astype(np.int32),
        position=page.knots[:, 1],
        handle_left=page.knots[:, 0],
        handle_right=page.knots[:, 2],
        cyclic=(page.contour_closed | filled[shape])[kept],
        closed=page.contour_closed[kept],
        vertex_colour=linear[0][point_shape],
        fill_colour=linear[1][shape[kept]],
        radius=page.line_width[point_shape] / 2.0,
        fill_id=group[shape[kept]].astype(np.int32),
        rank=shape[kept].astype(np.int32),
        hide_stroke=~stroked[shape[kept]],
        outlined=page.outlined[shape[kept]],
        layer=page.layer[shape[kept]],
    )


def page_from_pencil(
    arrays: PencilArrays,
    layer_names: Sequence[str],
    width: float = math.inf,
    height: float = math.inf,
) -> Page:
    """Return the page a drawing shows, with Blender's fill rule.

    Curves of one layer with the same fill number are one shape, wherever they lie in the stack;
    it stands where its first curve stands. Every other curve is a shape of its own. Colours come
    back as sRGB. A fill of several curves where one crosses itself is not told apart from
    even-odd.
    """
    count = len(arrays.counts)
    filled = arrays.fill_id > 0
    number = np.where(filled, arrays.fill_id, -1 - np.arange(count))
    _, first, group = np.unique(
        np.column_stack([arrays.layer, number]), axis=0, return_index=True, return_inverse=True
    )
    # By the place of each shape's first curve.
    place = np.empty(len(first), np.int64)
    place[np.argsort(first)] = np.arange(len(first))
    shape_of = place[group.reshape(-1)]
    curves = np.argsort(shape_of, kind="stable")
    first = np.sort(first)
    offsets = _offsets(arrays.counts)
    knots = np.stack([arrays.handle_left, arrays.position, arrays.handle_right], axis=1)
    if not np.array_equal(curves, np.arange(count)):
        counts = arrays.counts[curves]
        new = _offsets(counts)
        knots = knots[np.repeat(offsets[curves] - new[:-1], counts) + np.arange(new[-1])]
    drawn = (arrays.counts[first] > 0) & ~arrays.hide_stroke[first]
    point = offsets[first][drawn]
    stroke, line_width = np.zeros((len(first), 4)), np.ones(len(first))
    stroke[drawn, :3] = to_srgb(arrays.vertex_colour[point, :3])
    stroke[drawn, 3] = arrays.vertex_colour[point, 3]
    held = arrays.counts[first] > 0
    line_width[held] = 2.0 * arrays.radius[offsets[first][held]]
    fill = np.hstack([to_srgb(arrays.fill_colour[first, :3]), arrays.fill_colour[first, 3:]])
    fill[~filled[first]] = 0.0
    members = np.bincount(shape_of, minlength=len(first))
    # Only the layers that hold something, by name in order of appearance, as `from_shapes` does.
    layers, at, layer = np.unique(arrays.layer[first], return_index=True, return_inverse=True)
    rank = np.empty(len(layers), np.int32)
    rank[np.argsort(at)] = np.arange(len(layers), dtype=np.int32)
    return Page(
        width=float(width),
        height=float(height),
        knots=knots,
        contour_offsets=_offsets(arrays.counts[curves]),
        contour_closed=arrays.closed[curves].astype(bool),
        shape_offsets=_offsets(members),
        fill=fill,
        stroke=stroke,
        line_width=line_width,
        even_odd=members > 1,
        clip=np.full(len(first), -1, np.int32),
        layer=rank[layer.reshape(-1)],
        outlined=arrays.outlined[first].astype(bool),
        names=("",) * len(first),
        layer_names=tuple(layer_names[i] for i in layers[np.argsort(at)].tolist()),
    )


def _offsets(counts: NDArray[np.integer]) -> NDArray[np.int64]:
    return np.concatenate([[0], np.cumsum(counts, dtype=np.int64)]).astype(np.int64)


def _colour(rgba: FloatArray) -> tuple[float, float, float, float]:
    red, green, blue, alpha = rgba.tolist()
    return (red, green, blue, alpha)


def _as_curves_show(page: Page, tolerance: float) -> Page:
    """Replace what Blender's curves cannot show: clipped shapes, and fills its rule would fill
    otherwise, by the rings of their regions; clipped strokes by polylines."""
    filled = page.fill[:, 3] > 0.0
    several = np.diff(page.shape_offsets) > 1
    asked = np.flatnonzero((page.clip >= 0) | (filled & (several | page.even_odd)))
    if len(asked) == 0:
        return page
    part = page.take(asked)
    points, offsets = flatten(part.knots, part.contour_offsets, part.contour_closed, tolerance)
    points = np.round(points / page.grid) * page.grid
    truth = fill_regions(points, offsets, part.shape_offsets, part.even_odd)
    # Blender: each curve by non-zero, then exclusive or.
    curve = fill_regions(points, offsets, np.arange(len(offsets)), np.zeros(len(offsets) - 1, bool))
    clips = clip_regions(page, tolerance, ArtworkCache())
    baked: dict[int, list[Shape]] = {}
    for k, i in enumerate(asked.tolist()):
        own = range(part.shape_offsets[k], part.shape_offsets[k + 1])
        lines = [points[offsets[c] : offsets[c + 1]] for c in own]
        drawn = shapely.MultiLineString([line for line in lines if len(line) > 1])
        clip = clips[page.clip[i]] if page.clip[i] >= 0 else None
        dots = [line[0] for line in lines if len(line) == 1]
        whole = [part for part in (drawn, shapely.MultiPoint(dots)) if not shapely.is_empty(part)]
        cut = clip is not None and not (whole and all(shapely.covers(clip, p) for p in whole))
        region = polygons_only(shapely.intersection(truth[k], clip)) if cut else truth[k]
        shown = reduce(shapely.symmetric_difference, (curve[c] for c in own))
        differs = shapely.area(shapely.symmetric_difference(shown, region))
        if cut or (filled[i] and differs > page.grid * shapely.length(region)):
            drawn = drawn if page.stroke[i, 3] > 0.0 else shapely.boundary(truth[k])
            left = shapely.intersection(drawn, clip) if cut else None
            seen = [dot for dot in dots if shapely.covers(clip, shapely.Point(dot))] if cut else []
            baked[i] = list(_baked(_shape(page, i), region, left, seen))
    shapes = [s for i in range(len(page)) for s in baked.get(i) or [_shape(page, i)]]
    result = Page.from_shapes(shapes, page.width, page.height)
    order = np.array([page.layer_names.index(name) for name in result.layer_names], np.int32)
    return replace(result, layer=order[result.layer], layer_names=page.layer_names)


def _baked(
    shape: Shape,
    region: shapely.Geometry,
    left: shapely.Geometry | None,
    dots: Sequence[FloatArray],
) -> Iterator[Shape]:
    """Yield a fill of plain rings and the line, cut where `left` and `dots` say what is left of
    it: the edge along which a fill is cut is no line."""
    if shape.fill[3] > 0.0:
        rings = [ring for part in shapely.get_parts(region) for ring in shapely.get_rings(part)]
        yield replace(
            shape,
            contours=[knots_from_polyline(shapely.get_coordinates(r)[:-1], True) for r in rings],
            closed=[True] * len(rings),
            even_odd=True,
            stroke=NOTHING,
            outlined=shape.outlined and left is None and shape.stroke[3] == 0.0,
        )
    colour = shape.stroke if shape.stroke[3] > 0.0 else shape.fill
    if shape.stroke[3] > 0.0 or (left is not None and shape.outlined):
        shape = replace(shape, fill=NOTHING, stroke=colour)
        if left is not None:
            parts = shapely.get_parts(shapely.line_merge(left))
            lines = [shapely.get_coordinates(p) for p in parts[shapely.get_type_id(parts) == 1]]
            lines += [dot.reshape(1, 2) for dot in dots]
            shape = replace(
                shape,
                contours=[knots_from_polyline(line, closed=False) for line in lines],
                closed=[False] * len(lines),
            )
        yield shape


def _shape(page: Page, index: int) -> Shape:
    first, last = page.shape_offsets[index], page.shape_offsets[index + 1]
    bounds = page.contour_offsets
    return Shape(
        contours=[page.knots[bounds[c] : bounds[c + 1]] for c in range(first, last)],
        closed=page.contour_closed[first:last].tolist(),
        fill=_colour(page.fill[index]),
        stroke=_colour(page.stroke[index]),
        width=float(page.line_width[index]),
        even_odd=bool(page.even_odd[index]),
        name=page.names[index],
        layer=page.layer_names[page.layer[index]],
        outlined=bool(page.outlined[index]),
    )
