# SPDX-License-Identifier: GPL-3.0-or-later
"""Fewer vertices on strokes, within a tolerance."""

from __future__ import annotations

from dataclasses import replace

from ..kernels import simplified
from ..strokes import Strokes

__all__ = ["simplify"]


def simplify(strokes: Strokes, tolerance_field: float) -> Strokes:
    """Drop vertices that lie within a tolerance of what is left.

    Parameters
    ----------
    strokes
        Ends, dots and closedness are kept.
    tolerance_field
        Largest distance of a dropped vertex from the result, field units.

    Notes
    -----
    Douglas-Peucker. A closed stroke that would fold up is left as it is.
    """
    if tolerance_field <= 0.0 or len(strokes) == 0:
        return strokes
    points, offsets = simplified(strokes.points, strokes.offsets, tolerance_field)
    return replace(strokes, points=points, offsets=offsets)
