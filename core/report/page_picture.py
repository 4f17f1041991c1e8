# SPDX-License-Identifier: GPL-3.0-or-later
"""One frame's drawn picture in few bytes, for the report page.

A picture is the lit parts of the beam's path, in the order they are drawn; the dark ways
between them follow from that order. Each lit part becomes a polyline with one colour, thinned
out to what a screen can show. The bytes, all of them LEB128 numbers (the variable-length
integers of the DWARF standard)::

    extent of x, extent of y: largest magnitudes in 1/127 of half the field, rounded up
    number of polylines
    for each:  vertices * 2 + (1 where the colour changes)
               [red, green, blue, 0…31 each, in one number: red * 1024 + green * 32 + blue]
               for each vertex: x and y as differences to the vertex before, zigzag-coded

Differences run on from polyline to polyline and start at 0. Coordinates are steps of
1/2047 of half the field.
"""

from __future__ import annotations

import numpy as np
import shapely
from numpy.typing import NDArray

__all__ = ["COORDINATE_STEPS", "VERTICES_MAX", "decode_picture", "encode_picture", "picture_extent"]

COORDINATE_STEPS = 2047
COLOUR_STEPS = 31
#: Most vertices of a picture, unless it has more separate strokes than half of that.
VERTICES_MAX = 600

# Half a pixel where the field is 1000 pixels wide.
_TOLERANCE_STEPS = 2.0
_EXTENT_STEPS = 127
_NOTHING = bytes(3)


def encode_picture(
    xy: NDArray[np.float64],
    rgb: NDArray[np.float64],
    lit: NDArray[np.bool_],
    vertices_max: int = VERTICES_MAX,
) -> bytes:
    """Return the bytes of a picture.

    Parameters
    ----------
    xy : (n, 2)
        Path of the beam, field units; the last row leads to the first.
    rgb : (n, 3)
        Light on the way to each row, 0…1.
    lit : (n,)
        Whether there is light on the way to each row.
    vertices_max
        Pictures with more vertices are drawn coarser until they have no more, as far as two
        for each polyline allow it.
    """
    if not lit.any():
        return _NOTHING
    # Begin in the dark, so that no lit part is torn at the seam of the loop.
    shift = 0 if lit.all() else int(np.flatnonzero(~lit)[0])
    xy = np.roll(xy, -shift, axis=0)
    rgb = np.roll(rgb, -shift, axis=0)
    lit = np.roll(lit, -shift)
    # A colour half way between two steps, with the last digits astray, would be both in turn, and
    # tear a stroke into pieces.
    steady = np.round(np.clip(rgb, 0.0, 1.0), 5)
    steps = np.rint(steady * COLOUR_STEPS).astype(np.int64)
    colour = steps @ np.array([1024, 32, 1])
    key = np.where(lit, colour, -1)
    starts = np.flatnonzero(np.diff(key, prepend=-2))
    stops = np.append(starts[1:], len(key))
    drawn = key[starts] >= 0
    starts, stops = starts[drawn], stops[drawn]
    # Light on the way to a row begins at the row before.
    counts = stops - starts + 1
    offsets = np.concatenate([[0], np.cumsum(counts)])
    place = np.arange(offsets[-1]) - np.repeat(offsets[:-1] - (starts - 1), counts)
    lines = shapely.linestrings(
        xy[place] * COORDINATE_STEPS, indices=np.repeat(np.arange(len(starts)), counts)
    )
    tolerance = _TOLERANCE_STEPS
    thin = shapely.simplify(lines, tolerance, preserve_topology=False)
    while shapely.get_num_coordinates(thin).sum() > max(vertices_max, 2 * len(starts)):
        tolerance *= 1.5
        if tolerance > 2 * COORDINATE_STEPS:
            break
        thin = shapely.simplify(lines, tolerance, preserve_topology=False)
    # A beam that stands still is a line of no length, which simplifying leaves or empties.
    empty = shapely.is_empty(thin)
    if empty.any():
        first = xy[starts[empty] - 1] * COORDINATE_STEPS
        thin[empty] = shapely.linestrings(np.stack([first, first], axis=1))
    vertices, owner = shapely.get_coordinates(thin, return_index=True)
    limit = COORDINATE_STEPS
    fixed = np.clip(np.rint(vertices), -limit, limit).astype(np.int64)
    return _pack(fixed, np.bincount(owner, minlength=len(starts)), key[starts])


def _pack(
    vertices: NDArray[np.int64], counts: NDArray[np.int64], colours: NDArray[np.int64]
) -> bytes:
    difference = np.diff(vertices, axis=0, prepend=np.zeros((1, 2), np.int64))
    zigzag = ((difference << 1) ^ (difference >> 63)).ravel()
    changed = np.diff(colours, prepend=-1) != 0
    heads = counts * 2 + changed
    # Where each polyline's head goes among the coordinates; its colour, if any, behind it.
    before = 2 * (np.cumsum(counts) - counts)
    numbers = np.insert(
        zigzag,
        np.concatenate([before, before[changed]]),
        np.concatenate([heads, colours[changed]]),
    )
    extent = -(-np.abs(vertices).max(axis=0) * _EXTENT_STEPS // COORDINATE_STEPS)
    numbers = np.concatenate([extent, [len(counts)], numbers])
    # LEB128; no number here needs more than three bytes but the counts of absurd pictures.
    size = np.searchsorted(1 << np.array([7, 14, 21, 28]), numbers, side="right") + 1
    ends = np.cumsum(size)
    packed = np.zeros(int(ends[-1]), np.uint8)
    for rank in range(5):
        has = size > rank
        more = np.where(size[has] > rank + 1, 128, 0)
        packed[ends[has] - size[has] + rank] = ((numbers[has] >> (7 * rank)) & 127) | more
    return packed.tobytes()


def picture_extent(picture: bytes) -> tuple[float, float]:
    """Return the largest |x| and |y| of a picture in field units, rounded up."""
    return picture[0] / _EXTENT_STEPS, picture[1] / _EXTENT_STEPS


def decode_picture(picture: bytes) -> list[tuple[NDArray[np.float64], NDArray[np.float64]]]:
    """Return the polylines of a picture: vertices (n, 2) in field units, colour (3,) 0…1."""
    numbers = []
    value = bits = 0
    for byte in picture:
        value |= (byte & 127) << bits
        bits += 7
        if byte < 128:
            numbers.append(value)
            value = bits = 0
    lines = []
    colour = np.zeros(3)
    at = np.zeros(2, np.int64)
    place = 3
    for _ in range(numbers[2]):
        head = numbers[place]
        place += 1
        if head & 1:
            packed = numbers[place]
            colour = np.array([packed >> 10, packed >> 5 & 31, packed & 31]) / COLOUR_STEPS
            place += 1
        count = head >> 1
        zigzag = np.array(numbers[place : place + 2 * count], np.int64).reshape(count, 2)
        place += 2 * count
        vertices = at + np.cumsum((zigzag >> 1) ^ -(zigzag & 1), axis=0)
        at = vertices[-1]
        lines.append((vertices / COORDINATE_STEPS, colour))
    return lines
