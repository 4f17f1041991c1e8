# SPDX-License-Identifier: GPL-3.0-or-later
"""Lettering: pen strokes out of the contours of a font, and which characters a font has.

A single-stroke font draws each pen stroke as a closed contour of no area that runs out and
back along the same points (see packaging/build_lettering_font.py).
"""

from __future__ import annotations

import struct
from collections.abc import Collection, Iterable
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from ..errors import FormatError, OutputError
from .shapes import Page, Shape

__all__ = [
    "FONT_FAMILY",
    "FONT_PATH",
    "LetteringStrokes",
    "font_coverage",
    "lettering_page",
    "missing_characters",
    "strokes_of_contours",
]

FONT_FAMILY = "Beamwright Stroke"
FONT_PATH = Path(__file__).with_name("fonts") / "beamwright-stroke.ttf"

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]


@dataclass(frozen=True, eq=False)
class LetteringStrokes:
    """Lines of lettering in writing order.

    Attributes
    ----------
    points : (m, d) float64
    offsets : (k + 1,) int64
        One line for each contour; an outline repeats its first point at the end.
    pen_stroke : (k,) bool
        The contour ran out and back: the line is a pen stroke, else it is an outline.
    """

    points: FloatArray
    offsets: IntArray
    pen_stroke: NDArray[np.bool_]


def strokes_of_contours(
    points: FloatArray, offsets: IntArray, tolerance: float = 1e-5
) -> LetteringStrokes:
    """Halve the contours that run out and back; close the others.

    Parameters
    ----------
    points : (n, d) float64
        Corners of closed contours, the first not repeated.
    offsets : (c + 1,) int64
        Contours in writing order (by character, then stroke).
    tolerance
        Largest distance between a point on the way out and on the way back, in the units of
        `points`.
    """
    offsets = np.asarray(offsets, np.int64)
    counts = np.diff(offsets)
    contour = np.repeat(np.arange(len(counts)), counts)
    place = np.arange(len(points)) - offsets[:-1][contour]
    # The partner of place j in a palindrome of n points is n - j; 0 and n / 2 have none.
    mirror = offsets[:-1][contour] + np.where(place == 0, 0, counts[contour] - place)
    apart = np.abs(points - points[mirror]).max(axis=1, initial=0.0) > tolerance
    broken = np.bincount(contour, weights=apart, minlength=len(counts)) > 0
    pen_stroke = (counts >= 2) & (counts % 2 == 0) & ~broken
    new_counts = np.where(pen_stroke, counts // 2 + 1, counts + (counts > 0))
    new_offsets = np.concatenate([[0], np.cumsum(new_counts)]).astype(np.int64)
    line = np.repeat(np.arange(len(counts)), new_counts)
    step = np.arange(new_offsets[-1]) - new_offsets[:-1][line]
    source = offsets[:-1][line] + step % np.maximum(counts[line], 1)
    return LetteringStrokes(points[source], new_offsets, pen_stroke)


def lettering_page(
    knots: FloatArray,
    offsets: IntArray,
    character: NDArray[np.integer],
    colour: tuple[float, float, float, float],
    *,
    filled: bool = True,
    tolerance: float = 1e-5,
) -> Page:
    """Return set text as a page: one shape for each character, in writing order.

    Parameters
    ----------
    knots : (n, 3, 2) float64
        Contours of the glyphs as closed Bézier curves, in the plane of the text.
    offsets : (c + 1,) int64
    character : (c,) int
        Place in the text of the character a contour belongs to.
    colour
        RGBA as in `Page.fill`.
    filled
        Characters of an ordinary font hide what is beneath; else only their outlines are drawn.
    tolerance
        As in `strokes_of_contours`.
    """
    offsets = np.asarray(offsets, np.int64)
    pen_stroke = strokes_of_contours(knots[:, 1], offsets, tolerance).pen_stroke
    nothing = (0.0, 0.0, 0.0, 0.0)
    shapes = []
    order = np.argsort(character, kind="stable")
    for place in np.unique(character).tolist():
        rows = order[character[order] == place]
        contours = []
        for row in rows.tolist():
            contour = knots[offsets[row] : offsets[row + 1]]
            if pen_stroke[row]:
                contour = contour[: len(contour) // 2 + 1].copy()
                contour[0, 0], contour[-1, 2] = contour[0, 1], contour[-1, 1]
            contours.append(contour)
        outline = filled and not pen_stroke[rows].any()
        shapes.append(
            Shape(
                contours=contours,
                closed=(~pen_stroke[rows]).tolist(),
                fill=colour if outline else nothing,
                stroke=nothing if outline else colour,
            )
        )
    return Page.from_shapes(shapes)


def missing_characters(text: str, coverage: Collection[int]) -> tuple[str, ...]:
    """Return the characters of `text` the font lacks, each once, in order of appearance.

    Blanks, line ends and other characters without a picture never count as missing.
    """
    seen = dict.fromkeys(text)
    return tuple(c for c in seen if c.isprintable() and c != " " and ord(c) not in coverage)


@lru_cache(maxsize=16)
def font_coverage(path: Path = FONT_PATH) -> frozenset[int]:
    """Return the character codes a TrueType or OpenType font maps to glyphs.

    Raises
    ------
    OutputError
        The file cannot be read.
    FormatError
        It is no such font, or has no Unicode table of format 4 or 12.

    Notes
    -----
    The `cmap` table, OpenType specification (ISO/IEC 14496-22).
    """
    try:
        content = path.read_bytes()
    except OSError as error:
        raise OutputError(f"The font {path} cannot be read: {error.strerror}.") from error
    try:
        codes = set(_covered(content))
    except (struct.error, IndexError) as error:
        raise FormatError(f"{path.name} is not a TrueType or OpenType font.") from error
    if not codes:
        raise FormatError(f"The font {path.name} has no Unicode character table.")
    return frozenset(codes)


def _covered(content: bytes) -> Iterable[int]:
    (table_count,) = struct.unpack_from(">H", content, 4)
    start = None
    for i in range(table_count):
        tag, _, offset, _ = struct.unpack_from(">4s3I", content, 12 + 16 * i)
        if tag == b"cmap":
            start = offset
    if start is None:
        return
    (subtable_count,) = struct.unpack_from(">H", content, start + 2)
    for i in range(subtable_count):
        platform, _, offset = struct.unpack_from(">HHI", content, start + 4 + 8 * i)
        if platform in (0, 3):
            yield from _subtable(content, start + offset)


def _subtable(content: bytes, start: int) -> Iterable[int]:
    (form,) = struct.unpack_from(">H", content, start)
    if form == 12:
        (count,) = struct.unpack_from(">I", content, start + 12)
        for i in range(count):
            first, last, glyph = struct.unpack_from(">3I", content, start + 16 + 12 * i)
            yield from range(first + (glyph == 0), min(last, 0x10FFFF) + 1)
    elif form == 4:
        (double_count,) = struct.unpack_from(">H", content, start + 6)
        count = double_count // 2
        rows = [
            struct.unpack_from(f">{count}H", content, start + 14 + k * double_count + 2 * (k > 0))
            for k in range(4)
        ]
        for i, (last, first, delta, reach) in enumerate(zip(*rows, strict=True)):
            for code in range(first, min(last, 0xFFFE) + 1):
                glyph = code
                if reach:
                    place = start + 16 + 3 * double_count + 2 * i + reach + 2 * (code - first)
                    (glyph,) = struct.unpack_from(">H", content, place)
                    if glyph == 0:
                        continue
                if (glyph + delta) & 0xFFFF:
                    yield code
