# SPDX-License-Identifier: GPL-3.0-or-later
"""Filled regions against winding numbers counted by brute force."""

from itertools import pairwise

import numpy as np
import pytest
import shapely
from beamwright.core.artwork.regions import clip_region, fill_regions, winding_numbers
from hypothesis import given, settings
from hypothesis import strategies as st

GRID = 2.0**-12


def turn_sum(points, ring):
    """Winding number as the sum of the angles a ring's edges subtend (its definition)."""
    ring = np.vstack([ring, ring[:1]])
    spoke = ring[None] - points[:, None]
    angle = np.arctan2(spoke[..., 1], spoke[..., 0])
    step = (np.diff(angle, axis=1) + np.pi) % (2 * np.pi) - np.pi
    return np.round(step.sum(axis=1) / (2 * np.pi)).astype(int)


def circle(x=0.0, y=0.0, radius=1.0, count=40, reverse=False):
    angle = np.linspace(0, 2 * np.pi, count, endpoint=False)
    ring = np.stack([x + radius * np.cos(angle), y + radius * np.sin(angle)], axis=1)
    return ring[::-1] if reverse else ring


def square(half=1.0, x=0.0, y=0.0, reverse=False):
    ring = np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]], float) * half + [x, y]
    return ring[::-1] if reverse else ring


star = circle(count=5)[[0, 2, 4, 1, 3]]
spiral_angle = np.linspace(0, 6 * np.pi, 90)
spiral = (np.linspace(0.1, 1.0, 90) * np.array([np.cos(spiral_angle), np.sin(spiral_angle)])).T
eight_angle = np.linspace(0, 2 * np.pi, 60, endpoint=False)
RINGS = {
    "star": [star],
    "bow tie": [np.array([[-1, -1], [1, 1], [1, -1], [-1, 1]], float)],
    "hole in the same direction": [square(), square(0.5)],
    "hole in reverse": [square(), square(0.5, reverse=True)],
    "overlapping circles": [circle(), circle(0.8)],
    "overlapping circles, opposite": [circle(), circle(0.8, reverse=True)],
    "spiral": [spiral],
    "square run twice": [np.vstack([square(), square()])],
    "spike": [np.array([[-1, -1], [1, -1], [1, 0], [2, 0], [1, 0], [1, 1], [-1, 1]], float)],
    "40 random points": [np.random.default_rng(3).uniform(-1, 1, (40, 2))],
    "figure eight": [np.stack([np.sin(eight_angle), np.sin(2 * eight_angle)], axis=1)],
    "squares touching in a corner": [square(0.5, -0.5, -0.5), square(0.5, 0.5, 0.5)],
    "three nested circles": [circle(), circle(radius=0.7), circle(radius=0.4)],
    "the same circle twice": [circle(), circle()],
    "a circle forth and back": [circle(), circle(reverse=True)],
    "shared edge": [square(0.5, -0.5), square(0.5, 0.5)],
    "a sliver": [np.array([[0, 0], [1, GRID], [2, 0], [1, -GRID]], float)],
    "no area": [np.array([[0, 0], [1, 0], [2, 0]], float)],
    "too few points": [np.array([[0, 0], [1, 0]], float)],
}


def region(rings, even_odd):
    points = np.round(np.concatenate(rings) / GRID) * GRID
    offsets = np.concatenate([[0], np.cumsum([len(ring) for ring in rings])])
    (result,) = fill_regions(points, offsets, np.array([0, len(rings)]), np.array([even_odd]))
    return result, [points[a:b] for a, b in pairwise(offsets)]


def check(rings, even_odd, samples=3000):
    result, rings = region(rings, even_odd)
    assert result.is_valid
    everything = np.concatenate(rings)
    low, high = everything.min(axis=0) - 0.1, everything.max(axis=0) + 0.1
    points = np.random.default_rng(5).uniform(low, high, (samples, 2))
    # Points on an edge have no winding number; keep clear of the edges by a grid step.
    edges = shapely.multilinestrings([shapely.linestrings(np.vstack([r, r[:1]])) for r in rings])
    points = points[shapely.distance(shapely.points(points), edges) > 2 * GRID]
    turns = sum(turn_sum(points, ring) for ring in rings)
    inside = turns % 2 != 0 if even_odd else turns != 0
    assert np.array_equal(shapely.contains_xy(result, points), inside)
    return inside


@pytest.mark.parametrize("even_odd", [False, True], ids=["non-zero", "even-odd"])
@pytest.mark.parametrize("name", RINGS)
def test_crafted_rings_fill_what_their_winding_numbers_say(name, even_odd):
    check(RINGS[name], even_odd)


lattice = st.integers(-8, 8).map(lambda i: i / 8)
ring = st.lists(st.tuples(lattice, lattice), min_size=3, max_size=9).map(np.array)


@settings(derandomize=True, max_examples=60, deadline=None)
@given(st.lists(ring, min_size=1, max_size=4), st.booleans())
def test_any_rings_on_a_coarse_lattice(rings, even_odd):
    # The lattice is coarse, so that edges overlap, corners touch and rings run back.
    check(rings, even_odd, samples=400)


def test_areas_of_known_figures():
    assert region(RINGS["hole in reverse"], False)[0].area == 3.0
    assert region(RINGS["hole in the same direction"], False)[0].area == 4.0
    assert region(RINGS["hole in the same direction"], True)[0].area == 3.0
    assert region(RINGS["square run twice"], False)[0].area == 4.0
    assert region(RINGS["square run twice"], True)[0].area == 0.0
    assert region(RINGS["bow tie"], False)[0].area == 2.0
    assert region(RINGS["no area"], False)[0].is_empty
    assert region(RINGS["too few points"], False)[0].is_empty


def test_many_shapes_at_once_do_not_mix():
    rings = [square(), circle(), square(0.5), star, np.empty((0, 2))]
    points = np.concatenate(rings)
    offsets = np.concatenate([[0], np.cumsum([len(r) for r in rings])])
    result = fill_regions(
        points, offsets, np.array([0, 1, 1, 3, 4, 5]), np.array([False, True, True, True, False])
    )
    assert result[0].area == 4.0
    assert result[1].is_empty
    assert result[2].area == pytest.approx(shapely.Polygon(circle()).area - 1.0, rel=1e-12)
    assert 0.0 < result[3].area < shapely.Polygon(circle(count=5)).area / 2
    assert result[4].is_empty


def test_a_closing_point_makes_no_difference():
    open_ring, closed_ring = square(), np.vstack([square(), square()[:1]])
    assert region([open_ring], False)[0].equals(region([closed_ring], False)[0])


def test_winding_numbers_in_chunks_equal_those_at_once(monkeypatch):
    rng = np.random.default_rng(1)
    ring = rng.uniform(-1, 1, (50, 2))
    points = rng.uniform(-1, 1, (200, 2))
    start, end = ring, np.roll(ring, -1, axis=0)
    at_once = winding_numbers(points, start, end)
    assert np.array_equal(at_once, turn_sum(points, ring))
    assert len(np.unique(at_once)) > 3
    monkeypatch.setattr("beamwright.core.artwork.regions.MOST_PAIRS", 200)
    assert np.array_equal(winding_numbers(points, start, end), at_once)


def test_clip_regions_unite_and_intersect():
    parts = np.array([shapely.box(0, 0, 2, 2), shapely.box(2, 0, 4, 2)], dtype=object)
    assert clip_region(parts, []).area == 8.0
    assert clip_region(parts, [shapely.box(1, 1, 3, 3)]).area == 2.0
    assert clip_region(parts, [shapely.box(4, 0, 5, 2)]).is_empty  # they touch in a line
    assert clip_region(parts[:0], []).is_empty
