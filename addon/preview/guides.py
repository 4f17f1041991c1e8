# SPDX-License-Identifier: GPL-3.0-or-later
"""Where the picture may lie: page, projector's field, safe area, keep-out areas."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import shapely
from numpy.typing import NDArray

__all__ = ["HUES", "Label", "edge_pieces", "field_outline", "hatching", "page_marks", "rectangle"]

FloatArray = NDArray[np.float64]

HUES = (
    (0.42, 0.86, 0.78),
    (0.98, 0.76, 0.42),
    (0.72, 0.68, 1.0),
    (0.98, 0.60, 0.72),
    (0.62, 0.84, 0.98),
    (0.80, 0.90, 0.52),
)
"""Screen colours of the projectors' guides, in their order."""

HATCH_FIELD = 0.035


@dataclass(frozen=True, slots=True)
class Label:
    """A name beside a guide, at a place of the camera's field."""

    text: str
    place: tuple[float, float]
    colour: tuple[float, float, float]


def rectangle(left: float, bottom: float, right: float, top: float, steps: int = 1) -> FloatArray:
    """Return the closed outline of a rectangle with `steps` pieces a side, (4 steps + 1, 2)."""
    corners = np.array([(left, bottom), (right, bottom), (right, top), (left, top), (left, bottom)])
    share = np.arange(steps)[:, None] / steps
    sides = [a + share * (b - a) for a, b in pairwise(corners)]
    return np.concatenate([*sides, corners[:1]])


def field_outline() -> FloatArray:
    """Return the outline of a projector's field, (5, 2), in its own coordinates."""
    return rectangle(-1.0, -1.0, 1.0, 1.0)


def edge_pieces(outline: FloatArray) -> FloatArray:
    """Return the pieces of an open polyline, (n - 1, 4)."""
    return np.concatenate([outline[:-1], outline[1:]], axis=1)


def page_marks(half_width: float, half_height: float, size: float = 0.06) -> FloatArray:
    """Return brackets at the page's corners, (8, 4)."""
    pieces = []
    for x in (-half_width, half_width):
        for y in (-half_height, half_height):
            pieces.append((x, y, x - np.sign(x) * size, y))
            pieces.append((x, y, x, y - np.sign(y) * size))
    return np.array(pieces, np.float64)


def hatching(outline: FloatArray, spacing: float = HATCH_FIELD) -> FloatArray:
    """Return slanted lines that fill an outline, (n, 4); what it winds round counts as inside."""
    finite = outline[np.isfinite(outline).all(axis=1)]
    if len(finite) < 3:
        return np.empty((0, 4))
    area = shapely.make_valid(shapely.Polygon(finite))
    low = np.maximum(finite.min(axis=0), -2.0)
    high = np.minimum(finite.max(axis=0), 2.0)
    if np.any(high <= low):
        return np.empty((0, 4))
    # Lines x + y = c at fixed places, so that hatching does not swim when the area moves.
    pitch = spacing * np.sqrt(2.0)
    first, last = np.ceil(low.sum() / pitch), np.floor(high.sum() / pitch)
    level = np.arange(first, last + 1.0) * pitch
    if len(level) == 0:
        return np.empty((0, 4))
    starts = np.stack([level - low[1], np.full(len(level), low[1])], axis=1)
    stops = np.stack([level - high[1], np.full(len(level), high[1])], axis=1)
    lines = shapely.linestrings(np.stack([starts, stops], axis=1))
    parts = shapely.get_parts(shapely.intersection(lines, area))
    parts = parts[shapely.get_type_id(parts) == 1]
    if len(parts) == 0:
        return np.empty((0, 4))
    coordinates, owner = shapely.get_coordinates(parts, return_index=True)
    start = np.flatnonzero(np.diff(owner) == 0)
    return np.concatenate([coordinates[start], coordinates[start + 1]], axis=1)
