# SPDX-License-Identifier: GPL-3.0-or-later
"""Fades and wipes on strokes; shapely is the reference for cutting."""

import math
from itertools import pairwise

import numpy as np
import pytest
import shapely
from beamwright.core.points.order import stroke_keys
from beamwright.core.show.mix import Part, Region, cropped, mixed, region_of
from beamwright.core.show.timeline import Crop, Wipe
from beamwright.core.strokes import Strokes
from hypothesis import given
from hypothesis import strategies as st

WIDE = (1.0, 0.5625)
KINDS = ("single", "double", "iris", "clock")
SQUARE = [(-0.5, -0.4), (0.5, -0.4), (0.5, 0.4), (-0.5, 0.4), (-0.5, -0.4)]


def lines(*polylines, **columns):
    return Strokes.from_polylines(polylines, object_names=("Box",), **columns)


def wipes():
    return st.builds(Wipe, st.sampled_from(KINDS), st.floats(-1.5, 1.5), st.booleans())


class TestRegions:
    @pytest.mark.parametrize("kind", KINDS)
    @pytest.mark.parametrize("inward", [False, True])
    @pytest.mark.parametrize("angle", [0.0, 0.7, -0.7, math.pi / 2])
    def test_begins_with_the_one_and_ends_with_the_other(self, kind, inward, angle):
        """At 0 all of the strip that goes is there, at 1 all of the one that comes."""
        wipe = Wipe(kind, angle, inward)
        grid = np.stack(np.meshgrid(np.linspace(-0.99, 0.99, 41), np.linspace(-0.55, 0.55, 23)), -1)
        points = grid.reshape(-1, 2)
        for progress, coming in ((0.0, False), (1.0, True)):
            assert region_of(Crop(wipe, progress, coming), *WIDE).holds(points).all()
            assert not region_of(Crop(wipe, progress, not coming), *WIDE).holds(points).any()

    @given(wipes(), st.floats(0.0, 1.0), st.integers(0, 2**31))
    def test_both_sides_share_the_page(self, wipe, progress, seed):
        """Every point belongs to exactly one of the two strips, edges aside."""
        points = np.random.default_rng(seed).uniform(-1, 1, (50, 2)) * WIDE
        going, coming = (
            region_of(Crop(wipe, progress, side), *WIDE).holds(points) for side in (False, True)
        )
        assert (going != coming).all()

    @given(wipes(), st.floats(0.0, 0.99), st.floats(0.001, 0.5), st.integers(0, 2**31))
    def test_moves_one_way(self, wipe, progress, more, seed):
        """What has gone stays gone."""
        points = np.random.default_rng(seed).uniform(-1, 1, (50, 2)) * WIDE
        early, late = (
            region_of(Crop(wipe, value, False), *WIDE).holds(points)
            for value in (progress, min(progress + more, 1.0))
        )
        assert not (late & ~early).any()


class TestCropping:
    @given(wipes(), st.floats(0.02, 0.98), st.booleans(), st.integers(0, 2**31))
    def test_length_is_that_of_the_part_inside(self, wipe, progress, coming, seed):
        """Against points strewn along the line: the share inside is the share of the length."""
        line = np.random.default_rng(seed).uniform(-1, 1, (6, 2)) * WIDE
        region = region_of(Crop(wipe, progress, coming), *WIDE)
        share = np.linspace(0.0, 1.0, 4001)[:-1, None] + 1 / 8000
        inside = [region.holds(a + share * (b - a)).mean() for a, b in pairwise(line)]
        steps = np.hypot(*np.diff(line, axis=0).T)
        kept = cropped(lines(line), region)
        assert kept.lengths.sum() == pytest.approx(float(np.dot(inside, steps)), abs=6e-3)
        middles = 0.5 * (kept.points[:-1] + kept.points[1:])
        same = np.diff(kept.stroke_of_point) == 0
        assert region.holds(middles[same]).all()

    @given(st.floats(-1.5, 1.5), st.floats(0.05, 0.95), st.integers(0, 2**31))
    def test_like_shapely(self, angle, progress, seed):
        """A straight edge cuts a line where shapely cuts it with a big polygon."""
        line = np.random.default_rng(seed).uniform(-1, 1, (8, 2)) * WIDE
        region = region_of(Crop(Wipe("single", angle), progress, False), *WIDE)
        (nx, ny, c) = region.lines[0]
        foot, along = np.array([nx, ny]) * c, np.array([-ny, nx])
        far = 10.0 * np.array([nx, ny])
        half = shapely.Polygon([foot - 10 * along, foot + 10 * along,
                                foot + 10 * along + far, foot - 10 * along + far])  # fmt: skip
        wanted = shapely.LineString(line).intersection(half).length
        assert cropped(lines(line), region).lengths.sum() == pytest.approx(wanted, abs=1e-9)

    def test_whole_and_absent_strokes(self):
        left = Region(lines=((-1.0, 0.0, 0.0),))
        strokes = lines(np.array(SQUARE) * 0.2 - (0.5, 0), np.array(SQUARE) * 0.2 + (0.5, 0))
        kept = cropped(strokes, left)
        assert len(kept) == 1
        assert np.array_equal(kept.points, strokes.polyline(0))
        assert kept.closed.all()

    def test_a_ring_opens_and_its_seam_is_joined(self):
        """The square's seam lies on the kept side: one piece, not two."""
        left = Region(lines=((-1.0, 0.0, 0.0),))
        kept = cropped(lines(SQUARE), left)
        assert len(kept) == 1
        assert not kept.closed.any()
        assert kept.lengths.sum() == pytest.approx(0.5 + 0.8 + 0.5)
        assert np.abs(kept.points[[0, -1], 0]).max() == 0.0

    def test_dots(self):
        left = Region(lines=((-1.0, 0.0, 0.0),))
        kept = cropped(lines([(-0.5, 0.1)], [(0.5, 0.1)]), left)
        assert kept.points.tolist() == [[-0.5, 0.1]]

    def test_nothing(self):
        empty = Strokes.empty(("Box",))
        assert len(cropped(empty, Region(radius=0.5))) == 0


class TestMixing:
    def test_fade(self):
        strokes = lines(SQUARE, SQUARE, colour=[[1.0, 0.5, 0.0], [0.004, 0.0, 0.0]])
        faded = mixed([Part("A", strokes, 1.0, 1.0, brightness=0.25)], ("Box",))
        assert faded.colour.tolist() == [[0.25, 0.125, 0.0]]

    def test_full_level_changes_nothing(self):
        strokes = lines(SQUARE, colour=(0.3, 0.2, 0.1))
        (same,) = [mixed([Part("A", strokes, 1.0, 1.0)], ("Box",))]
        assert np.array_equal(same.points, strokes.points)
        assert np.array_equal(same.colour, strokes.colour)

    def test_objects_and_identities_of_two_scenes(self):
        """Strokes of two scenes keep apart, and keep their names in any mixture."""
        strokes = lines(SQUARE, SQUARE, identity=[5, 6], object_index=[0, -1])
        one, two = Part("A", strokes, 1, 1), Part("B", strokes, 1, 1, first_object=1)
        both = mixed([one, two], ("Box", "Box"))
        assert both.object_index.tolist() == [0, -1, 1, -1]
        assert len(set(stroke_keys(both))) == len(set(both.identity.tolist())) == 4
        alone = mixed([Part("B", strokes, 1, 1)], ("Box",))
        assert alone.identity.tolist() == both.identity.tolist()[2:]

    def test_nothing_on_show(self):
        assert len(mixed([], ())) == 0
