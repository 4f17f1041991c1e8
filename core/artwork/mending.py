# SPDX-License-Identifier: GPL-3.0-or-later
"""Mend lines after set operations: join what was cut needlessly, draw what is double once."""

from __future__ import annotations

import math
from itertools import combinations

import numpy as np
import shapely
from numpy.typing import NDArray

from .regions import Geometries

__all__ = ["drawn_once", "polylines", "rejoined"]

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

MIXERS = np.array(
    [0x9E3779B97F4A7C1, 0x2545F4914F6CDD1D, 0x369DEA0F31A53F85, 0x27BB2EE687B0B0FD], np.int64
)
"""Odd numbers that spread four coordinates over the 64 bits; overflow is wanted."""


def rejoined(before: Geometries, after: Geometries) -> Geometries:
    """Join the pieces a difference leaves: at the start of a ring, and straight on where a
    line crosses itself (it is cut there, too)."""
    after = shapely.line_merge(after)
    several = np.flatnonzero(shapely.get_num_geometries(after) > 1)
    for i in several[~shapely.is_simple(before[several])]:
        parts = [shapely.get_coordinates(part) for part in shapely.get_parts(after[i])]
        joined = _straight_on(parts)
        if len(joined) < len(parts):
            after[i] = shapely.multilinestrings([shapely.linestrings(p) for p in joined])
    return after


def _straight_on(parts: list[FloatArray]) -> list[FloatArray]:
    """Join polylines end to end where several meet, each with the one it continues best."""
    ends: dict[tuple[float, ...], list[tuple[int, int]]] = {}
    for i, part in enumerate(parts):
        for side, point in ((0, part[0]), (1, part[-1])):
            ends.setdefault(tuple(point.tolist()), []).append((i, side))
    if all(len(meeting) < 3 for meeting in ends.values()):
        return parts
    partner: dict[tuple[int, int], tuple[int, int]] = {}
    for meeting in ends.values():
        if len(meeting) < 3:
            continue
        outward = []
        for i, side in meeting:
            step = parts[i][1] - parts[i][0] if side == 0 else parts[i][-2] - parts[i][-1]
            length = math.hypot(*step)
            outward.append((float(step[0]) / length, float(step[1]) / length))
        straightest = sorted(
            (outward[a][0] * outward[b][0] + outward[a][1] * outward[b][1], a, b)
            for a, b in combinations(range(len(meeting)), 2)
        )
        for cosine, a, b in straightest:
            one, other = meeting[a], meeting[b]
            if cosine < -0.5 and one not in partner and other not in partner:
                partner[one], partner[other] = other, one
    used = [False] * len(parts)
    result = []
    # Chains with a free end first; what is left runs in rings.
    starts = [(i, side) for i in range(len(parts)) for side in (0, 1) if (i, side) not in partner]
    for i, side in [*starts, *((i, 0) for i in range(len(parts)))]:
        if used[i]:
            continue
        chain: list[FloatArray] = []
        while not used[i]:
            used[i] = True
            piece = parts[i] if side == 0 else parts[i][::-1]
            chain.append(piece if not chain else piece[1:])
            leaving = (i, 1 - side)
            if leaving not in partner:
                break
            i, side = partner[leaving]
        result.append(np.concatenate(chain))
    return result


def polylines(lines: Geometries) -> tuple[FloatArray, IntArray, IntArray]:
    """Return points, offsets and the index into `lines` of each polyline."""
    parts, owner = shapely.get_parts(lines, return_index=True)
    line = (shapely.get_type_id(parts) == 1) | (shapely.get_type_id(parts) == 2)
    line &= ~shapely.is_empty(parts)
    parts, owner = parts[line], owner[line]
    points, part = shapely.get_coordinates(parts, return_index=True)
    offsets = np.searchsorted(part, np.arange(len(parts) + 1)).astype(np.int64)
    return points, offsets, owner


def drawn_once(
    points: FloatArray, offsets: IntArray, shape: NDArray[np.int32], grid: float
) -> tuple[FloatArray, IntArray, NDArray[np.int32]]:
    """Drop a piece that another polyline draws too; the topmost keeps it."""
    if len(points) < 2:
        return points, offsets, shape
    line = np.repeat(np.arange(len(offsets) - 1), np.diff(offsets))
    first = np.flatnonzero(line[1:] == line[:-1])
    place = np.round(points / grid).astype(np.int64)
    a, b = place[first], place[first + 1]
    swap = (a[:, 0] > b[:, 0]) | ((a[:, 0] == b[:, 0]) & (a[:, 1] > b[:, 1]))
    ends = np.where(swap[:, None], np.hstack([b, a]), np.hstack([a, b]))
    # One number for both ends, so that equal pieces are neighbours once sorted. Later pieces lie
    # higher: reversed, the first of equal ones is the topmost.
    mixed = ends @ MIXERS
    order = np.argsort(mixed, kind="stable")[::-1]
    same = mixed[order][1:] == mixed[order][:-1]
    same &= np.all(ends[order[1:]] == ends[order[:-1]], axis=1)
    if not same.any():
        return points, offsets, shape
    dropped = np.zeros(len(first), bool)
    dropped[order[1:][same]] = True
    kept = first[~dropped]
    begins = np.ones(len(kept), bool)
    begins[1:] = (kept[1:] != kept[:-1] + 1) | (line[kept[1:]] != line[kept[:-1]])
    run = np.cumsum(begins) - 1
    counts = np.bincount(run) + 1
    new_offsets = np.concatenate([[0], np.cumsum(counts)]).astype(np.int64)
    starts = kept[begins]
    index = np.repeat(starts - new_offsets[:-1], counts) + np.arange(int(counts.sum()))
    return points[index], new_offsets, shape[line[starts]]
