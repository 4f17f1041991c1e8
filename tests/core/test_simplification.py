# SPDX-License-Identifier: GPL-3.0-or-later
"""Simplified strokes stay within the tolerance and keep their ends (checked by shapely)."""

import numpy as np
import pytest
import shapely
from beamwright.core.lines.simplification import simplify
from beamwright.core.strokes import Strokes
from hypothesis import given, settings
from hypothesis import strategies as st


@settings(max_examples=80, deadline=None, derandomize=True)
@given(seed=st.integers(0, 2**32 - 1), tolerance=st.sampled_from([1 / 65536, 1 / 4096, 0.05, 0.5]))
def test_deviation_stays_below_the_tolerance(seed, tolerance):
    rng = np.random.default_rng(seed)
    lines = []
    for _ in range(rng.integers(1, 8)):
        line = np.cumsum(rng.normal(size=(rng.integers(1, 30), 2)) * 0.05, axis=0)
        if rng.random() < 0.4 and len(line) > 2:
            line = np.concatenate([line, line[:1]])
        lines.append(line)
    strokes = Strokes.from_polylines(lines, identity=rng.integers(0, 9, len(lines)))
    simpler = simplify(strokes, tolerance)
    assert len(simpler) == len(strokes)
    assert np.array_equal(simpler.identity, strokes.identity)
    assert np.array_equal(simpler.closed, strokes.closed)
    for row, line in enumerate(lines):
        after = simpler.polyline(row)
        assert np.array_equal(after[[0, -1]], line[[0, -1]])
        assert len(after) <= len(line)
        assert {tuple(p) for p in after} <= {tuple(p) for p in line}
        if len(line) > 1:
            gap = shapely.hausdorff_distance(
                shapely.LineString(line), shapely.LineString(after), densify=0.05
            )
            assert gap <= tolerance * (1 + 1e-9)


def test_corners_stay_and_straight_runs_go():
    square = np.array([[0, 0], [0.5, 0], [1, 0], [1, 0.3], [1, 1], [0, 1], [0, 0]], float)
    simpler = simplify(Strokes.from_polylines([square]), 1e-6)
    assert simpler.points.tolist() == [[0, 0], [1, 0], [1, 1], [0, 1], [0, 0]]


@pytest.mark.parametrize("tolerance", [0.0, -1.0])
def test_no_tolerance_changes_nothing(tolerance):
    strokes = Strokes.from_polylines([[[0, 0], [1, 0], [2, 0]]])
    assert simplify(strokes, tolerance) is strokes


def test_a_small_ring_does_not_fold_up():
    angle = np.linspace(0, 2 * np.pi, 20)
    ring = 1e-5 * np.stack([np.cos(angle), np.sin(angle)], axis=1)
    ring[-1] = ring[0]
    simpler = simplify(Strokes.from_polylines([ring, [[0, 0]], [[0, 0], [1, 1]]]), 1e-3)
    assert simpler.closed.tolist() == [True, False, False]
    assert simpler.counts.tolist() == [20, 1, 2]
