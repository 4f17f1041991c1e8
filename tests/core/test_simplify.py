# SPDX-License-Identifier: GPL-3.0-or-later
from __future__ import annotations

import numpy as np
import shapely
from beamwright.core.points.simplify import SHORTEST_SEGMENT, drawable, simplified
from beamwright.core.strokes import Strokes
from hypothesis import given
from hypothesis import strategies as st
from strategies import STEADY, strokes


@STEADY
@given(strokes(), st.sampled_from([0.001, 0.01, 0.1]))
def test_stays_within_tolerance(drawn: Strokes, tolerance: float) -> None:
    result = simplified(drawn, tolerance)
    assert len(result) == len(drawn)
    assert np.array_equal(result.identity, drawn.identity)
    for row in range(len(drawn)):
        before, after = drawn.polyline(row), result.polyline(row)
        assert len(after) <= len(before)
        as_line = shapely.linestrings(np.repeat(after, 2, axis=0) if len(after) == 1 else after)
        # shapely's distance is the reference here.
        assert shapely.distance(shapely.points(before), as_line).max() <= tolerance + 1e-5
        if len(after) > 1:
            assert np.abs(np.diff(after, axis=0)).max(axis=1).min() >= SHORTEST_SEGMENT


def test_ends_of_open_strokes_stay_bit_for_bit() -> None:
    rng = np.random.default_rng(5)
    lines = [np.cumsum(rng.normal(0, 0.01, (30, 2)), axis=0) for _ in range(20)]
    result = simplified(Strokes.from_polylines(lines), 0.01)
    for row, line in enumerate(lines):
        assert np.array_equal(result.polyline(row)[[0, -1]], line[[0, -1]])


def test_small_ring_becomes_a_dot() -> None:
    angle = np.linspace(0, 2 * np.pi, 12)
    ring = 0.0004 * np.stack([np.cos(angle), np.sin(angle)], axis=1)
    ring[-1] = ring[0]
    assert simplified(Strokes.from_polylines([ring]), 0.001).counts.tolist() == [1]


def test_ring_that_starts_mid_edge_is_turned_to_a_corner() -> None:
    square = [[0.0, -0.5], [0.5, -0.5], [0.5, 0.5], [-0.5, 0.5], [-0.5, -0.5], [0.0, -0.5]]
    result = simplified(Strokes.from_polylines([square]), 0.001)
    assert result.counts.tolist() == [5]
    assert result.closed.all()
    assert [0.0, -0.5] not in result.points.tolist()


def test_spike_is_kept() -> None:
    spike = [[0.0, 0.0], [0.5, 0.0], [0.5, 0.3], [0.5, 0.0], [1.0, 0.0]]
    result = simplified(Strokes.from_polylines([spike]), 0.1)
    assert [0.5, 0.3] in result.points.tolist()


def test_broken_and_black_strokes() -> None:
    drawn = Strokes.from_polylines(
        [[[0, 0], [1, 0]], [[0, np.nan], [1, 0]], [[0, 0], [0, np.inf]], [[0, 0], [0, 1]]],
        colour=[[1, 0, 0], [1, 0, 0], [1, 0, 0], [0, 0, 0]],
    )
    kept, broken = drawable(drawn)
    assert kept.identity.tolist() == [0]
    assert broken.tolist() == [1, 2]
    unknown = Strokes.from_polylines([[[0, 0], [1, 0]]], colour=[[np.nan, 0, 0]])
    assert drawable(unknown)[1].tolist() == [0]
