# SPDX-License-Identifier: GPL-3.0-or-later
"""Fewer vertices on strokes, within a tolerance."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import shapely

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
    Douglas-Peucker, by shapely. A closed stroke that would fold up is left as it is.
    """
    counts = strokes.counts
    long = np.flatnonzero(counts > 2)
    if tolerance_field <= 0.0 or len(long) == 0:
        return strokes
    chosen = strokes.take(long)
    lines = shapely.linestrings(chosen.points, indices=chosen.stroke_of_point)
    simpler = shapely.simplify(lines, tolerance_field, preserve_topology=False)
    points, owner = shapely.get_coordinates(simpler, return_index=True)
    after = np.bincount(owner, minlength=len(long))
    folded = chosen.closed & (after < 4)
    if np.any(folded):
        untouched = np.repeat(folded, chosen.counts)
        kept = ~folded[owner]
        points = np.concatenate([points[kept], chosen.points[untouched]])
        owner = np.concatenate([owner[kept], chosen.stroke_of_point[untouched]])
        after = np.bincount(owner, minlength=len(long))
        points = points[np.argsort(owner, kind="stable")]
    short = np.repeat(counts <= 2, counts)
    every_owner = np.concatenate([long[np.repeat(np.arange(len(long)), after)],
                                  strokes.stroke_of_point[short]])  # fmt: skip
    every_point = np.concatenate([points, strokes.points[short]])
    order = np.argsort(every_owner, kind="stable")
    new_counts = counts.copy()
    new_counts[long] = after
    return replace(
        strokes,
        points=every_point[order],
        offsets=np.concatenate([[0], np.cumsum(new_counts)]).astype(np.int64),
    )
