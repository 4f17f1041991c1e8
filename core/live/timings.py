# SPDX-License-Identifier: GPL-3.0-or-later
"""How late things were: counted, not kept, so that asking costs the same after hours."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

__all__ = ["Spread", "Timings"]

SHORTEST_S = 1e-6
STEP = 1.02
BINS = 850
"""Up to 20 s, which is more than any time-out here."""


@dataclass(frozen=True, slots=True)
class Spread:
    """Median, 99th percentile and largest of a set of times, in milliseconds."""

    p50_ms: float
    p99_ms: float
    worst_ms: float


class Timings:
    """A set of times in bins that are 2 % wide; the largest is kept exactly.

    A thread that must not be late asks for its own figures while it works, so neither adding
    nor asking may take longer with time.
    """

    def __init__(self) -> None:
        self._counts = np.zeros(BINS, np.int64)
        self._worst_s = 0.0

    def add(self, seconds: float) -> None:
        """Count one; below a microsecond all are alike."""
        place = 0
        if seconds > SHORTEST_S:
            place = min(BINS - 1, 1 + int(math.log(seconds / SHORTEST_S) / math.log(STEP)))
        self._counts[place] += 1
        self._worst_s = max(self._worst_s, seconds)

    def spread(self) -> Spread:
        """Return the figures, rounded up by at most 2 %; all 0 if there are none."""
        below = np.cumsum(self._counts)
        if below[-1] == 0:
            return Spread(0.0, 0.0, 0.0)
        bins = np.searchsorted(below, [0.5 * below[-1], 0.99 * below[-1]])
        upper = [0.0 if place == 0 else SHORTEST_S * STEP ** int(place) for place in bins]
        p50, p99 = (min(edge, self._worst_s) * 1e3 for edge in upper)
        return Spread(p50, p99, self._worst_s * 1e3)
