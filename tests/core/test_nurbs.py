# SPDX-License-Identifier: GPL-3.0-or-later
"""NURBS curves against forms known in closed terms."""

import numpy as np
import pytest
from beamwright.core.artwork.nurbs import nurbs_polyline


def test_a_quarter_circle_is_exact():
    # Piegl and Tiller, The NURBS Book, example 7.1: weights 1, cos 45°, 1.
    points = nurbs_polyline(
        [(1, 0), (1, 1), (0, 1)], [1, np.sqrt(0.5), 1], 3, cyclic=False, clamped=True
    )
    assert np.hypot(*points.T) == pytest.approx(1.0, abs=1e-12)
    assert points[[0, -1]] == pytest.approx(np.array([(1, 0), (0, 1)]), abs=1e-12)


def test_uniform_cubic_spans_are_those_of_the_matrix_form():
    # The uniform cubic B-spline at a knot: (p0 + 4 p1 + p2) / 6.
    control = np.random.default_rng(3).normal(size=(7, 2))
    points = nurbs_polyline(control, np.ones(7), 4, cyclic=True, clamped=False, steps=5)
    assert len(points) == 7 * 5
    knots = (np.roll(control, 1, 0) + 4 * control + np.roll(control, -1, 0)) / 6
    assert points[::5] == pytest.approx(np.roll(knots, -1, axis=0), abs=1e-12)


@pytest.mark.parametrize("order", [2, 3, 4, 9])
def test_evenly_placed_points_give_the_straight_line(order):
    control = np.column_stack([np.arange(6.0), 2.0 * np.arange(6.0)])
    points = nurbs_polyline(control, np.ones(6), order, cyclic=False, clamped=True)
    assert points[:, 1] == pytest.approx(2.0 * points[:, 0], abs=1e-12)
    assert points[[0, -1]] == pytest.approx(control[[0, -1]])
    assert np.all(np.diff(points[:, 0]) > 0)


def test_order_two_is_the_polygon():
    control = np.array([(0.0, 0.0), (1.0, 2.0), (3.0, 1.0)])
    points = nurbs_polyline(control, np.ones(3), 2, cyclic=False, clamped=True, steps=4)
    assert points[[0, 4, 8]] == pytest.approx(control)
