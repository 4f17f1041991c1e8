# SPDX-License-Identifier: GPL-3.0-or-later
"""The page record and the flattening of curves."""

import numpy as np
import pytest
import shapely
from beamwright.core.artwork.shapes import (
    Clip,
    ClipPart,
    Page,
    Shape,
    flatten,
    knots_from_polyline,
    transform_knots,
)
from beamwright.core.errors import SettingError
from hypothesis import given, settings
from hypothesis import strategies as st

SQUARE = knots_from_polyline([[0, 0], [10, 0], [10, 10], [0, 10]], closed=True)
CIRCLE_HANDLE = 0.5522847498  # the usual four-piece circle; radial error 0.03 % (from memory)


def circle(radius=1.0):
    points = radius * np.array([[1, 0], [0, 1], [-1, 0], [0, -1]], float)
    along = CIRCLE_HANDLE * np.stack([-points[:, 1], points[:, 0]], axis=1)
    return np.stack([points - along, points, points + along], axis=1)


def bezier(p, t):
    t = t[:, None]
    return (
        (1 - t) ** 3 * p[0] + 3 * (1 - t) ** 2 * t * p[1] + 3 * (1 - t) * t**2 * p[2] + t**3 * p[3]
    )


coordinate = st.floats(-100, 100, allow_nan=False, width=32)
point = st.tuples(coordinate, coordinate)


@settings(derandomize=True, max_examples=80, deadline=None)
@given(st.lists(point, min_size=4, max_size=4), st.sampled_from([3.0, 0.1, 0.004]))
def test_no_point_of_a_curve_is_farther_from_its_chords_than_the_tolerance(control, tolerance):
    p = np.array(control)
    knots = np.array([[p[0], p[0], p[1]], [p[2], p[3], p[3]]])
    points, offsets = flatten(knots, np.array([0, 2]), np.array([False]), tolerance)
    assert np.array_equal(points[[0, -1]], p[[0, 3]])
    assert offsets.tolist() == [0, len(points)]
    curve = shapely.points(bezier(p, np.linspace(0, 1, 400)))
    assert shapely.distance(curve, shapely.linestrings(points)).max() <= tolerance * (1 + 1e-9)


def test_a_circle_is_as_fine_as_asked_and_not_much_finer():
    counts = []
    for tolerance in (1e-2, 1e-4):
        points, _ = flatten(circle(), np.array([0, 4]), np.array([True]), tolerance)
        assert np.array_equal(points[0], points[-1])
        middles = (points[1:] + points[:-1]) / 2
        assert 1.0 - np.hypot(*middles.T).min() <= tolerance
        counts.append(len(points))
    # Chords grow with the square root of the tolerance.
    assert 7.0 <= counts[1] / counts[0] <= 11.0


def test_straight_pieces_take_one_step_and_keep_their_ends():
    points, offsets = flatten(
        np.concatenate([SQUARE, SQUARE[:3]]), np.array([0, 4, 7]), np.array([True, False]), 1e-6
    )
    assert points.tolist() == [
        [0, 0], [10, 0], [10, 10], [0, 10], [0, 0], [0, 0], [10, 0], [10, 10],
    ]  # fmt: skip
    assert offsets.tolist() == [0, 5, 8]


def test_empty_and_single_contours():
    points, offsets = flatten(
        SQUARE[:1], np.array([0, 0, 1, 1]), np.array([True, True, False]), 0.1
    )
    assert points.tolist() == [[0, 0]]
    assert offsets.tolist() == [0, 0, 1, 1]
    points, offsets = flatten(np.empty((0, 3, 2)), np.array([0]), np.empty(0, bool), 0.1)
    assert points.shape == (0, 2)
    assert offsets.tolist() == [0]


def test_space_curves_are_flattened_too():
    knots = np.zeros((2, 3, 3))
    knots[1] = [[0, 0, 3], [1, 1, 3], [1, 1, 3]]
    points, _ = flatten(knots, np.array([0, 2]), np.array([False]), 0.01)
    assert points.shape[1] == 3
    assert np.array_equal(points[-1], [1, 1, 3])


@pytest.mark.parametrize("tolerance", [0.0, -1.0, float("nan")])
def test_a_tolerance_must_be_above_zero(tolerance):
    with pytest.raises(SettingError, match="above 0"):
        flatten(SQUARE, np.array([0, 4]), np.array([True]), tolerance)


@settings(derandomize=True, max_examples=60, deadline=None)
@given(st.lists(point, min_size=2, max_size=6), st.sampled_from([0.5, 0.01]))
def test_a_curve_drawn_in_reverse_gives_the_same_points_on_the_grid(control, tolerance):
    p = np.array(control)
    knots = np.stack([np.roll(p, 1, axis=0), p, np.roll(p, -2, axis=0)], axis=1)
    reverse = knots[::-1, ::-1].copy()
    offsets, closed = np.array([0, len(p)]), np.array([False])
    there, _ = flatten(knots, offsets, closed, tolerance)
    back, _ = flatten(reverse, offsets, closed, tolerance)
    grid = 2.0**-10
    assert np.array_equal(np.round(there / grid), np.round(back[::-1] / grid))


def page():
    return Page.from_shapes(
        [
            Shape([SQUARE, SQUARE[::-1]], [True, False], fill=(1, 0, 0, 1), layer="sea"),
            Shape([], [], layer="sky", name="nothing"),
            Shape([circle()], [True], stroke=(0, 1, 0, 0.5), width=3, even_odd=True, layer="sea"),
        ],
        1920,
        1080,
    )


def test_shapes_are_packed_bottom_to_top():
    packed = page()
    assert len(packed) == 3
    assert packed.shape_offsets.tolist() == [0, 2, 2, 3]
    assert packed.contour_offsets.tolist() == [0, 4, 8, 12]
    assert packed.contour_closed.tolist() == [True, False, True]
    assert packed.layer_names == ("sea", "sky")
    assert packed.layer.tolist() == [0, 1, 0]
    assert np.array_equal(packed.knots_of(2), circle())
    assert packed.line_width.tolist() == [1, 1, 3]


def test_taking_shapes_keeps_each_as_it_was():
    packed = page()
    taken = packed.take([2, 0])
    assert np.array_equal(taken.knots_of(0), circle())
    assert np.array_equal(taken.knots_of(1), packed.knots_of(0))
    assert taken.even_odd.tolist() == [True, False]
    assert taken.names == ("", "")
    assert packed.take(np.array([True, False, True])).digests() == taken.take([1, 0]).digests()
    assert taken.digests() == [packed.digests()[2], packed.digests()[0]]


def test_digests_follow_geometry_rule_and_clip_and_nothing_else():
    def digest(shape, clips=()):
        return Page.from_shapes([shape], 100, 100, clips).digests()[0]

    plain = digest(Shape([SQUARE], [True], fill=(1, 0, 0, 1)))
    assert plain == digest(Shape([SQUARE.copy()], [True], fill=(0, 0, 1, 0.2), name="other"))
    moved = SQUARE.copy()
    moved[0, 1, 0] = np.nextafter(0.0, 1.0)
    whole = np.array([0, 4])
    clip = Clip((ClipPart(SQUARE, whole),))
    other = Clip((ClipPart(moved, whole),))
    inner = (clip, Clip((ClipPart(SQUARE, whole),), (0,)))
    different = [
        plain,
        digest(Shape([moved], [True])),
        digest(Shape([SQUARE], [False])),
        digest(Shape([SQUARE], [True], even_odd=True)),
        digest(Shape([SQUARE[:2], SQUARE[2:]], [True, True])),
        digest(Shape([SQUARE], [True], clip=0), (clip,)),
        digest(Shape([SQUARE], [True], clip=0), (other,)),
        digest(Shape([SQUARE], [True], clip=1), inner),
    ]
    assert len(set(different)) == len(different)


def test_the_grid_is_a_power_of_two_fit_for_the_page():
    assert page().grid == 1 / 1024
    assert Page.from_shapes([], 200, 100).grid == 2.0**-13
    unbounded = Page.from_shapes([Shape([SQUARE], [True])])
    assert not unbounded.bounded
    assert unbounded.grid == 2.0 ** (5 - 21)


def test_transforms_are_affine():
    moved = transform_knots(SQUARE, (0, 2, -2, 0, 5, 7))  # a quarter turn, doubled, moved
    assert moved[1, 1].tolist() == [5, 27]
    assert moved[3, 1].tolist() == [-15, 7]
