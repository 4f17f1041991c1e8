# SPDX-License-Identifier: GPL-3.0-or-later
"""From samples back to strokes: what the beam draws lit, as polylines."""

from __future__ import annotations

from itertools import pairwise

import numpy as np

from ..frame import Frame
from ..strokes import Strokes

__all__ = ["trace_strokes"]


def trace_strokes(frame: Frame) -> Strokes:
    """Return the lit path of a frame as strokes, one for each run of one colour.

    The move **to** a sample carries the sample's light, and the frame is a loop: the move to
    the first sample starts at the last. Repeated positions (dwell) are merged; a run that does
    not move at all is a stroke of a single point, a beam dot. All strokes belong to one unnamed
    object.
    """
    lit = ~frame.blanked & (frame.rgb.max(axis=1, initial=0.0) > 0.0)
    if not lit.any():
        return Strokes.empty()
    count = len(frame)
    # Start at a dark sample, so that no run wraps around the end.
    shift = 0 if lit.all() else int(np.argmin(lit))
    order = (np.arange(count) + shift) % count
    xy, rgb, lit = frame.xy[order], frame.rgb[order], lit[order]
    before = np.roll(xy, 1, axis=0)
    starts = lit.copy()
    starts[1:] &= ~lit[:-1] | np.any(rgb[1:] != rgb[:-1], axis=1)
    run = np.cumsum(starts) - 1
    polylines, colours = [], []
    bounds = np.searchsorted(run, np.arange(int(run[-1]) + 2))
    for first, stop in pairwise(bounds.tolist()):
        members = np.arange(first, stop)[lit[first:stop]]
        path = np.concatenate([before[members[:1]], xy[members]])
        moved = np.ones(len(path), bool)
        moved[1:] = np.any(path[1:] != path[:-1], axis=1)
        polylines.append(path[moved])
        colours.append(rgb[members[0]])
    return Strokes.from_polylines(polylines, colour=np.array(colours))
