# SPDX-License-Identifier: GPL-3.0-or-later
"""Lines on one another are drawn once, and nothing else is lost."""

import numpy as np
import pytest
import shapely
from beamwright.core.kernels import numpy_coincident as coincident
from beamwright.core.kernels.numpy_coincident import COINCIDENT_FIELD, uncovered
from hypothesis import given, settings
from hypothesis import strategies as st


def pieces_left(xy, priority=None):
    xy = np.asarray(xy, float)
    rows, u = uncovered(xy, np.zeros(len(xy), int) if priority is None else np.asarray(priority))
    a, b = xy[rows, :2], xy[rows, 2:]
    return rows, a + u[:, :1] * (b - a), a + u[:, 1:] * (b - a)


def test_duplicates_and_partial_overlaps():
    xy = [[0, 0, 1, 0], [1, 0, 0, 0], [0.5, 0, 1.5, 0], [-1, 0, 2, 0], [0, 0, 0, 1]]
    rows, start, end = pieces_left(xy)
    assert rows.tolist() == [0, 2, 3, 3, 4]
    assert np.allclose(start[1:4], [[1, 0], [-1, 0], [1.5, 0]], atol=1e-12)
    assert np.allclose(end[1:4], [[1.5, 0], [0, 0], [2, 0]], atol=1e-12)


def test_priority_decides_which_stays():
    rows, *_ = pieces_left([[0, 0, 1, 0], [0, 0, 1, 0], [1, 0, 0, 0]], [2, 1, 3])
    assert rows.tolist() == [1]


@pytest.mark.parametrize(("gap", "kept"), [(0.9, 1), (1.1, 2)])
def test_tolerance_is_half_of_a_65536th_of_the_field(gap, kept):
    assert COINCIDENT_FIELD * 2 == 2 / 65536
    d = gap * COINCIDENT_FIELD
    rows, *_ = pieces_left([[0, 0, 1, 0.3], [-0.3 * d / 1.0440, d / 1.0440, 1, 0.3 + d * 1.0440]])
    assert len(rows) == kept


def test_crossing_touching_and_tangent_lines_stay():
    angle = np.linspace(0, np.pi, 401)  # a vertex touches the line
    arc = np.stack([np.cos(angle), np.sin(angle)], axis=1)
    polygon = np.column_stack([arc[:-1], arc[1:]])
    xy = np.concatenate([[[-1, 1, 1, 1]], polygon, [[0, 0, 0, 2]]])
    rows, u = uncovered(xy, np.zeros(len(xy), int))
    assert np.array_equal(rows, np.arange(len(xy)))
    assert np.array_equal(u, np.tile([0.0, 1.0], (len(xy), 1)))


@settings(max_examples=60, deadline=None, derandomize=True)
@given(seed=st.integers(0, 2**32 - 1))
def test_what_is_left_covers_the_same_picture_without_overlap(seed):
    """The union of the lines (shapely) keeps its length; the sum of lengths becomes that."""
    rng = np.random.default_rng(seed)
    ends = rng.integers(0, 5, (12, 4)) / 4.0
    ends = ends[np.any(ends[:, :2] != ends[:, 2:], axis=1)]
    _, start, end = pieces_left(ends)
    before = shapely.union_all(shapely.linestrings(ends.reshape(-1, 2, 2)), grid_size=1e-9)
    left = np.stack([start, end], axis=1)
    after = shapely.union_all(shapely.linestrings(left), grid_size=1e-9)
    assert after.length == pytest.approx(before.length, abs=1e-6)
    assert np.linalg.norm(end - start, axis=1).sum() == pytest.approx(before.length, abs=1e-3)


def test_nothing_and_one():
    assert len(uncovered(np.empty((0, 4)), np.empty(0, int))[0]) == 0
    assert uncovered(np.array([[0.0, 0, 1, 1]]), np.zeros(1, int))[0].tolist() == [0]


def test_many_lines_through_one_point(monkeypatch):
    """A fan has no pairs told apart by distance from the origin: another search serves."""
    angle = np.linspace(0, np.pi, 300, endpoint=False)
    fan = np.stack([0 * angle, 0 * angle, np.cos(angle), np.sin(angle)], axis=1)
    xy = np.concatenate([fan, 0.5 * fan[::3]])
    expected = uncovered(xy, np.zeros(len(xy), int))
    assert expected[0].tolist() == list(range(300))
    monkeypatch.setattr(coincident, "PAIRS_AT_MOST", 10)
    other = uncovered(xy, np.zeros(len(xy), int))
    assert np.array_equal(expected[0], other[0])
    assert np.array_equal(expected[1], other[1])
