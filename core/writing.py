# SPDX-License-Identifier: GPL-3.0-or-later
"""Write-on: the part of some lines that is drawn so far, by arc length in writing order."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from .errors import SettingError

__all__ = ["WriteMode", "WriteSettings", "Written", "cut_between", "write_on"]

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]
WriteMode = Literal["in order", "together"]


@dataclass(frozen=True, slots=True)
class WriteSettings:
    """State and manner of writing.

    Attributes
    ----------
    progress
        Share of the length that is written, 0…1.
    mode
        ``"in order"``: stroke after stroke; ``"together"``: all strokes at once.
    backwards
        From the end: at progress 0.3 the last 0.3 are drawn. Running it from 1 to 0 erases in
        the order of writing; without it, from 1 to 0 takes back the last stroke first.
    lift
        Length the pen travels, in the units of the lines, while it is lifted between two
        strokes: the tip pauses there. Only in order.
    """

    progress: float = 1.0
    mode: WriteMode = "in order"
    backwards: bool = False
    lift: float = 0.0

    def __post_init__(self) -> None:
        if not self.lift >= 0.0:
            raise SettingError(f"The pen lift is {self.lift:g}; it must be 0 or more.")
        if self.mode not in ("in order", "together"):
            raise SettingError(f'The writing mode "{self.mode}" is not "in order" or "together".')


@dataclass(frozen=True, eq=False)
class Written:
    """What is drawn, and where the pen is.

    Attributes
    ----------
    points : (m, d) float64
    offsets : (k + 1,) int64
    source : (k,) int64
        The stroke each line is a part of.
    tip : (t, d) float64
        Where the pen touches: one point in order, one for each stroke together; none at
        progress 0 and 1 and while the pen is lifted.
    tip_direction : (t, d) float64
        Unit vectors, the way the pen moves when progress grows.
    tip_source : (t,) int64
        The stroke under the pen.
    """

    points: FloatArray
    offsets: IntArray
    source: IntArray
    tip: FloatArray
    tip_direction: FloatArray
    tip_source: IntArray


def write_on(points: FloatArray, offsets: IntArray, settings: WriteSettings) -> Written:
    """Return the written part of polylines.

    Parameters
    ----------
    points : (n, d) float64
        Any dimension, any units.
    offsets : (k + 1,) int64
        Strokes in writing order.
    settings
        Progress beyond 0…1 is held at the ends.

    Notes
    -----
    The drawn length is exactly the progress times the whole length; a cut falls on a straight
    piece, where the point is interpolated.
    """
    points = np.asarray(points, np.float64)
    offsets = np.asarray(offsets, np.int64)
    progress = float(min(max(settings.progress, 0.0), 1.0))
    if settings.backwards:
        progress = 1.0 - progress
    count = len(offsets) - 1
    step = np.zeros(len(points))
    step[1:] = np.sqrt((np.diff(points, axis=0) ** 2).sum(axis=1))
    step[offsets[:-1][offsets[:-1] < len(points)]] = 0.0
    if settings.mode == "together":
        along = np.cumsum(step)
        start, end = _ends(along, offsets)
        cut = start + progress * (end - start)
    else:
        if settings.lift:
            step[offsets[1:-1][np.diff(offsets)[1:] > 0]] = settings.lift
        along = np.cumsum(step)
        start, end = _ends(along, offsets)
        whole = along[-1] if len(along) else 0.0
        cut = np.clip(np.full(count, progress * whole), start, end)
    low, high = (cut, end) if settings.backwards else (start, cut)
    inside = (end > start) & (cut > start) & (cut < end)
    result = _between(points, offsets, along, low, high)
    tips = np.flatnonzero(inside) if 0.0 < progress < 1.0 else np.empty(0, np.int64)
    tip, direction = _at(points, offsets, along, cut, tips)
    if settings.backwards:
        direction = -direction
    return Written(*result, tip, direction, tips)


def cut_between(
    points: FloatArray, offsets: IntArray, first: float, last: float, mode: WriteMode
) -> tuple[FloatArray, IntArray, IntArray]:
    """Return the part of polylines between two shares of their length.

    Parameters
    ----------
    points : (n, d) float64
    offsets : (k + 1,) int64
    first, last
        Shares 0…1 of the whole length in order, or of each line's own together.
    mode
        See `WriteSettings`.

    Returns
    -------
    points : (m, d) float64
    offsets : (j + 1,) int64
    source : (j,) int64
        The line each part was cut from; lines outside the two shares are missing.
    """
    points = np.asarray(points, np.float64)
    offsets = np.asarray(offsets, np.int64)
    step = np.zeros(len(points))
    step[1:] = np.sqrt((np.diff(points, axis=0) ** 2).sum(axis=1))
    step[offsets[:-1][offsets[:-1] < len(points)]] = 0.0
    along = np.cumsum(step)
    start, end = _ends(along, offsets)
    if mode == "together":
        low, high = start + first * (end - start), start + last * (end - start)
    else:
        whole = along[-1] if len(along) else 0.0
        low, high = np.clip(first * whole, start, end), np.clip(last * whole, start, end)
    return _between(points, offsets, along, low, high)


def _ends(along: FloatArray, offsets: IntArray) -> tuple[FloatArray, FloatArray]:
    if len(along) == 0:
        return np.zeros(len(offsets) - 1), np.zeros(len(offsets) - 1)
    last = len(along) - 1
    start = along[np.minimum(offsets[:-1], last)]
    return start, np.maximum(along[np.maximum(offsets[1:] - 1, 0)], start)


def _at(
    points: FloatArray, offsets: IntArray, along: FloatArray, cut: FloatArray, rows: IntArray
) -> tuple[FloatArray, FloatArray]:
    """Points at a length along some strokes, strictly inside them, and directions there."""
    after = np.searchsorted(along, cut[rows], side="right")
    after = np.clip(after, offsets[rows] + 1, np.maximum(offsets[rows + 1] - 1, offsets[rows] + 1))
    before = after - 1
    span = along[after] - along[before]
    share = (cut[rows] - along[before]) / np.where(span > 0.0, span, 1.0)
    step = points[after] - points[before]
    length = np.sqrt((step**2).sum(axis=1, keepdims=True))
    place = points[before] + share[:, None] * step
    return place, step / np.where(length > 0.0, length, 1.0)


def _between(
    points: FloatArray, offsets: IntArray, along: FloatArray, low: FloatArray, high: FloatArray
) -> tuple[FloatArray, IntArray, IntArray]:
    """Cut each stroke to the lengths low…high; drop what is empty."""
    start, end = _ends(along, offsets)
    rows = np.flatnonzero((high > low) & (np.diff(offsets) > 0))
    head, tail = low[rows] > start[rows], high[rows] < end[rows]
    first_cut, _ = _at(points, offsets, along, low, rows)
    last_cut, _ = _at(points, offsets, along, high, rows)
    # Corners strictly between the cuts, or up to the ends where nothing is cut.
    first = np.where(head, np.searchsorted(along, low[rows], side="right"), offsets[rows])
    last = np.where(tail, np.searchsorted(along, high[rows], side="left"), offsets[rows + 1])
    inner = np.maximum(last - first, 0)
    counts = inner + head + tail
    new_offsets = np.concatenate([[0], np.cumsum(counts)]).astype(np.int64)
    result = np.empty((int(new_offsets[-1]), points.shape[1]))
    line = np.repeat(np.arange(len(rows)), inner)
    step = np.arange(len(line)) - np.repeat(np.cumsum(inner) - inner, inner)
    result[(new_offsets[:-1] + head)[line] + step] = points[first[line] + step]
    result[new_offsets[:-1][head]] = first_cut[head]
    result[new_offsets[1:][tail] - 1] = last_cut[tail]
    return result, new_offsets, rows
