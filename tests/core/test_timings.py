# SPDX-License-Identifier: GPL-3.0-or-later
"""Counted times give the quantiles of the times themselves."""

import numpy as np
import pytest
from beamwright.core.live.timings import Spread, Timings
from hypothesis import given
from hypothesis import strategies as st


def counted(times):
    timings = Timings()
    for time in times:
        timings.add(time)
    return timings


@given(st.lists(st.floats(0.0, 15.0), min_size=1, max_size=300))
def test_quantiles_are_right_to_two_per_cent(times):
    """Against numpy's quantile of the times; never too kind."""
    spread = counted(times).spread()
    for mine, share in ((spread.p50_ms, 0.5), (spread.p99_ms, 0.99)):
        exact = 1e3 * float(np.quantile(times, share, method="inverted_cdf"))
        assert exact - 1e-3 <= mine <= exact * 1.0201 + 1e-3
    assert spread.worst_ms == max(times) * 1e3


def test_nothing_is_zero_and_hours_cost_no_memory():
    timings = Timings()
    assert timings.spread() == Spread(0.0, 0.0, 0.0)
    size = timings._counts.nbytes
    for _ in range(20_000):
        timings.add(0.004)
    assert timings._counts.nbytes == size
    assert timings.spread().p50_ms == pytest.approx(4.0, rel=0.02)


def test_times_beyond_all_bounds_are_counted():
    """Whoever slept for a minute says so."""
    assert counted([60.0]).spread().worst_ms == 60_000.0
    assert counted([-1.0, 0.0]).spread() == Spread(0.0, 0.0, 0.0)
