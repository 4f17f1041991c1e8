# SPDX-License-Identifier: GPL-3.0-or-later
"""A page of flat shapes, whatever it was drawn in: the record all artwork readers fill.

Page space
----------
Origin at the page's centre, x to the right, y up, in the units of the source (SVG: pixels of
1/96 inch). The page is the rectangle ±`width` / 2, ±`height` / 2; an unbounded page has
infinite sides. The order of the shapes is the stacking order, bottom to top.
"""

from __future__ import annotations

import hashlib
import math
from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ..errors import SettingError

__all__ = [
    "Clip",
    "ClipPart",
    "Lettering",
    "Page",
    "Shape",
    "flatten",
    "knots_from_polyline",
    "transform_knots",
]

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]
BoolArray = NDArray[np.bool_]

MOST_STEPS = 4096


@dataclass(frozen=True, eq=False)
class Shape:
    """One shape on its way into a `Page`.

    Attributes
    ----------
    contours : sequence of (k, 3, 2) float64
        Bézier knots of each contour: left handle, point, right handle. See `Page.knots`.
    closed : sequence of bool
    fill, stroke
        RGBA as in `Page.fill`; alpha 0 for none.
    """

    contours: Sequence[FloatArray]
    closed: Sequence[bool]
    fill: tuple[float, float, float, float] = (0.0, 0.0, 0.0, 0.0)
    stroke: tuple[float, float, float, float] = (0.0, 0.0, 0.0, 0.0)
    width: float = 1.0
    even_odd: bool = False
    clip: int = -1
    name: str = ""
    layer: str = ""
    outlined: bool = True


@dataclass(frozen=True, eq=False)
class ClipPart:
    """One child of a clip path: a filled path, itself perhaps clipped.

    Attributes
    ----------
    knots : (n, 3, 2) float64
    contour_offsets : (c + 1,) int64
        All contours count as closed.
    even_odd
        The fill rule.
    clip
        Index into `Page.clips` that cuts this part only; -1 for none.
    """

    knots: FloatArray
    contour_offsets: IntArray
    even_odd: bool = False
    clip: int = -1


@dataclass(frozen=True, eq=False)
class Clip:
    """A clip region: the union of its parts, cut by all the clips named in `parents`."""

    parts: tuple[ClipPart, ...]
    parents: tuple[int, ...] = ()


@dataclass(frozen=True, slots=True)
class Lettering:
    """A line of text kept as text.

    Attributes
    ----------
    text
        One line.
    matrix
        (a, b, c, d, e, f): text space (x along the baseline, y up, units of the page, origin
        at the anchor on the baseline) to page space, x' = a x + c y + e, y' = b x + d y + f.
    size
        Font size in text space.
    anchor
        ``"start"``, ``"middle"`` or ``"end"``.
    colour
        RGBA as in `Page.fill`; of the first character.
    stacking
        The number of shapes that lie below it.
    runs
        Number of characters and colour of each part of the text, in order; empty where all of it
        has `colour`.
    """

    text: str
    matrix: tuple[float, float, float, float, float, float]
    size: float
    anchor: str
    colour: tuple[float, float, float, float]
    name: str = ""
    layer: str = ""
    stacking: int = 0
    runs: tuple[tuple[int, tuple[float, float, float, float]], ...] = ()

    @property
    def colours(self) -> tuple[tuple[float, float, float, float], ...]:
        """Colour of each character."""
        runs = self.runs or ((len(self.text), self.colour),)
        return tuple(colour for count, colour in runs for _ in range(count))


@dataclass(frozen=True, eq=False)
class Page:
    """Shapes in stacking order, bottom to top, as ragged arrays.

    ``n, c, s`` count knots, contours, shapes.

    Attributes
    ----------
    width, height
        Size of the page; infinite where it has none.
    knots : (n, 3, 2) float64
        Left handle, point, right handle of each Bézier knot, page space. A straight piece has
        its handles at thirds.
    contour_offsets : (c + 1,) int64
        Contour `i` has the knots ``contour_offsets[i]:contour_offsets[i + 1]``.
    contour_closed : (c,) bool
        The last knot leads on to the first.
    shape_offsets : (s + 1,) int64
        Shape `i` has the contours ``shape_offsets[i]:shape_offsets[i + 1]``.
    fill, stroke : (s, 4) float64
        RGB as in the file (sRGB) and alpha, 0…1, group opacities included; alpha 0 for none.
    line_width : (s,) float64
        Stroke width in page units. Never changes geometry.
    even_odd : (s,) bool
        Fill rule: even-odd, else non-zero.
    clip : (s,) int32
        Index into `clips`; -1 for none.
    layer : (s,) int32
        Index into `layer_names`.
    outlined : (s,) bool
        A fill without stroke draws its outline.
    names, layer_names, clips, lettering
        As named; `lettering` holds text kept as text.
    warnings
        What was lost in reading, one sentence each.
    """

    width: float
    height: float
    knots: FloatArray
    contour_offsets: IntArray
    contour_closed: BoolArray
    shape_offsets: IntArray
    fill: FloatArray
    stroke: FloatArray
    line_width: FloatArray
    even_odd: BoolArray
    clip: NDArray[np.int32]
    layer: NDArray[np.int32]
    outlined: BoolArray
    names: tuple[str, ...]
    layer_names: tuple[str, ...]
    clips: tuple[Clip, ...] = ()
    lettering: tuple[Lettering, ...] = ()
    warnings: tuple[str, ...] = field(default=())

    def __len__(self) -> int:
        return len(self.shape_offsets) - 1

    @property
    def bounded(self) -> bool:
        """The page has a size to crop to."""
        return math.isfinite(self.width) and math.isfinite(self.height)

    @property
    def grid(self) -> float:
        """Step all flattened points are rounded to, page units: a power of two.

        Curves shared by two shapes must give equal points whichever way they were drawn.
        About a two-millionth of the page: 1/1024 for 1920 pixels.
        """
        if self.bounded:
            extent = max(self.width, self.height)
        elif len(self.knots):
            extent = float(2.0 * np.abs(self.knots[:, 1]).max())
        else:
            extent = 1.0
        return float(2.0 ** (math.ceil(math.log2(max(extent, 1e-300))) - 21))

    @property
    def field_scale(self) -> float:
        """Field units for one page unit when the page fills the picture."""
        return 2.0 / max(self.width, self.height)

    def knots_of(self, shape: int) -> FloatArray:
        """Knots of one shape, (k, 3, 2); a view."""
        first, last = self.shape_offsets[shape], self.shape_offsets[shape + 1]
        return self.knots[self.contour_offsets[first] : self.contour_offsets[last]]

    def digests(self) -> list[bytes]:
        """Return a content hash of each shape's geometry, rule and clip, colours left out."""
        clip_digests = self.clip_digests()
        knots = np.ascontiguousarray(self.knots)
        bounds = self.contour_offsets[self.shape_offsets].tolist()
        contours = self.shape_offsets.tolist()
        result = []
        for i in range(len(self)):
            first, last = contours[i], contours[i + 1]
            digest = hashlib.blake2b(knots[bounds[i] : bounds[i + 1]].tobytes(), digest_size=16)
            digest.update((self.contour_offsets[first : last + 1] - bounds[i]).tobytes())
            digest.update(self.contour_closed[first:last].tobytes())
            digest.update(b"e" if self.even_odd[i] else b"n")
            if self.clip[i] >= 0:
                digest.update(clip_digests[self.clip[i]])
            result.append(digest.digest())
        return result

    def clip_digests(self) -> list[bytes]:
        """Return a content hash of each clip; a clip only refers to earlier ones."""
        result: list[bytes] = []
        for clip in self.clips:
            digest = hashlib.blake2b(digest_size=16)
            for part in clip.parts:
                digest.update(np.ascontiguousarray(part.knots).tobytes())
                digest.update(part.contour_offsets.tobytes())
                digest.update(b"e" if part.even_odd else b"n")
                digest.update(result[part.clip] if part.clip >= 0 else b"-")
            for parent in clip.parents:
                digest.update(result[parent])
            result.append(digest.digest())
        return result

    def take(self, shapes: ArrayLike) -> Page:
        """Return the page with only these shapes (integers or a mask), in that order."""
        rows = np.asarray(shapes)
        if rows.dtype == bool:
            rows = np.flatnonzero(rows)
        rows = rows.astype(np.int64)
        contours, shape_offsets = _gather(self.shape_offsets, rows)
        knots, contour_offsets = _gather(self.contour_offsets, contours)
        return replace(
            self,
            knots=self.knots[knots],
            contour_offsets=contour_offsets,
            contour_closed=self.contour_closed[contours],
            shape_offsets=shape_offsets,
            fill=self.fill[rows],
            stroke=self.stroke[rows],
            line_width=self.line_width[rows],
            even_odd=self.even_odd[rows],
            clip=self.clip[rows],
            layer=self.layer[rows],
            outlined=self.outlined[rows],
            names=tuple(self.names[i] for i in rows),
        )

    @classmethod
    def from_shapes(
        cls,
        shapes: Sequence[Shape],
        width: float = math.inf,
        height: float = math.inf,
        clips: Sequence[Clip] = (),
        lettering: Sequence[Lettering] = (),
        warnings: Sequence[str] = (),
    ) -> Page:
        """Pack shapes, bottom to top; layers are named in order of appearance."""
        contours = [np.asarray(c, np.float64).reshape(-1, 3, 2) for s in shapes for c in s.contours]
        layers = list(dict.fromkeys(s.layer for s in shapes))
        return cls(
            width=float(width),
            height=float(height),
            knots=np.concatenate(contours) if contours else np.empty((0, 3, 2)),
            contour_offsets=_offsets([len(c) for c in contours]),
            contour_closed=np.array([c for s in shapes for c in s.closed], bool),
            shape_offsets=_offsets([len(s.contours) for s in shapes]),
            fill=np.array([s.fill for s in shapes], np.float64).reshape(-1, 4),
            stroke=np.array([s.stroke for s in shapes], np.float64).reshape(-1, 4),
            line_width=np.array([s.width for s in shapes], np.float64),
            even_odd=np.array([s.even_odd for s in shapes], bool),
            clip=np.array([s.clip for s in shapes], np.int32),
            layer=np.array([layers.index(s.layer) for s in shapes], np.int32),
            outlined=np.array([s.outlined for s in shapes], bool),
            names=tuple(s.name for s in shapes),
            layer_names=tuple(layers),
            clips=tuple(clips),
            lettering=tuple(lettering),
            warnings=tuple(warnings),
        )


def _offsets(counts: ArrayLike) -> IntArray:
    return np.concatenate([[0], np.cumsum(np.asarray(counts, np.int64))]).astype(np.int64)


def _gather(offsets: IntArray, rows: IntArray) -> tuple[IntArray, IntArray]:
    """Indices of the elements of some rows of a ragged array, and their new offsets."""
    counts = np.diff(offsets)[rows]
    new = _offsets(counts)
    index = np.repeat(offsets[rows] - new[:-1], counts) + np.arange(int(new[-1]), dtype=np.int64)
    return index.astype(np.int64), new


def knots_from_polyline(points: ArrayLike, closed: bool) -> FloatArray:
    """Return Bézier knots, (n, 3, d), of straight pieces through `points`, (n, d)."""
    points = np.asarray(points, np.float64)
    to_next = (np.roll(points, -1, axis=0) - points) / 3.0
    to_previous = (np.roll(points, 1, axis=0) - points) / 3.0
    if not closed and len(points):
        to_next[-1] = to_previous[0] = 0.0
    return np.stack([points + to_previous, points, points + to_next], axis=1)


def transform_knots(knots: FloatArray, matrix: Sequence[float]) -> FloatArray:
    """Apply the affine map (a, b, c, d, e, f), as in `Lettering.matrix`, to (…, 2) points."""
    a, b, c, d, e, f = matrix
    linear = np.array([[a, b], [c, d]])
    result: FloatArray = knots @ linear + np.array([e, f])
    return result


def flatten(
    knots: FloatArray, offsets: IntArray, closed: BoolArray, tolerance: float
) -> tuple[FloatArray, IntArray]:
    """Turn Bézier contours into polylines.

    Parameters
    ----------
    knots : (n, 3, d) float64
        Left handle, point, right handle.
    offsets : (c + 1,) int64
    closed : (c,) bool
    tolerance
        Largest distance of a chord from the curve, in the units of the knots.

    Returns
    -------
    points : (m, d) float64
    offsets : (c + 1,) int64
        A closed contour repeats its first point at the end.

    Notes
    -----
    The chord error of a curve cut into n equal parameter steps is at most max|B''| / (8 n²)
    (linear interpolation error bound), and B'' of a cubic lies between six times the second
    differences d of its control points: n = ceil(sqrt(0.75 d / tolerance)).
    """
    if not tolerance > 0.0:
        raise SettingError(f"The flattening tolerance is {tolerance:g}; it must be above 0.")
    counts = np.diff(offsets)
    if len(knots) == 0:
        return np.empty((0, knots.shape[-1])), np.zeros(len(offsets), np.int64)
    filled = counts > 0
    first, last = offsets[:-1][filled], offsets[1:][filled] - 1
    following = np.arange(1, len(knots) + 1)
    following[last] = first
    has_piece = np.ones(len(knots), bool)
    has_piece[last] = closed[filled] & (counts[filled] > 1)
    start = np.flatnonzero(has_piece)
    end = following[start]
    p0, p1, p2, p3 = knots[start, 1], knots[start, 2], knots[end, 0], knots[end, 1]
    bend = np.maximum(
        ((p0 - 2.0 * p1 + p2) ** 2).sum(-1),
        ((p1 - 2.0 * p2 + p3) ** 2).sum(-1),
    )
    steps = np.ceil(np.sqrt(0.75 / tolerance * np.sqrt(bend))).astype(np.int64)
    steps = np.clip(steps, 1, MOST_STEPS)
    # Each knot owns the points from itself up to the next; the end point follows its contour.
    owned = np.zeros(len(knots), np.int64)
    owned[start] = steps
    owned_before = np.concatenate([[0], np.cumsum(owned)])
    sampled = owned_before[offsets[1:]] - owned_before[offsets[:-1]]
    new_offsets = _offsets(sampled + filled)
    piece = np.repeat(np.arange(len(start)), steps)
    step = np.arange(len(piece)) - np.repeat(np.cumsum(steps) - steps, steps)
    t = (step / steps[piece])[:, None]
    s = 1.0 - t
    curve = (s * s * s) * p0[piece] + (t * t * t) * p3[piece]
    curve += 3.0 * s * t * (s * p1[piece] + t * p2[piece])
    straight = steps[piece] == 1
    curve[straight] = p0[piece[straight]]
    points = np.empty((int(new_offsets[-1]), knots.shape[-1]))
    ends = new_offsets[1:][filled] - 1
    inner = np.ones(len(points), bool)
    inner[ends] = False
    points[inner] = curve
    points[ends] = np.where(
        (closed[filled] & (counts[filled] > 1))[:, None], knots[first, 1], knots[last, 1]
    )
    return points, new_offsets
