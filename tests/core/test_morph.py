# SPDX-License-Identifier: GPL-3.0-or-later
"""Morphs: ends are exact, the way between is continuous, loops stay loops."""

from dataclasses import replace

import numpy as np
import pytest
import shapely
from beamwright.core.effects.morph import blended, partners
from beamwright.core.pipeline import visible_strokes
from beamwright.core.scene import Morph, Reveal
from beamwright.core.strokes import Strokes
from hypothesis import given
from hypothesis import strategies as st
from scenes import box, look_at, scene
from strategies import STEADY, strokes

SQUARE = np.array([[-1, -1], [1, -1], [1, 1], [-1, 1], [-1, -1]]) * 0.3


@STEADY
@given(strokes(), strokes())
def test_everybody_has_a_partner_and_nobody_too_many(first, second):
    pairs = partners(first, second)
    small, large = (0, 1) if len(first) <= len(second) else (1, 0)
    sizes = (len(first), len(second))
    assert sorted(pairs[:, large].tolist()) == list(range(sizes[large]))
    counts = np.bincount(pairs[:, small], minlength=sizes[small])
    assert counts.min() >= 1
    assert counts.max() <= -(-sizes[large] // sizes[small])


def _apart(strokes_a, strokes_b):
    """Greatest distance of a corner of one drawing from the lines of the other, both ways."""

    def shapes(drawing):
        return shapely.union_all(
            [
                shapely.LineString(drawing.polyline(k))
                if drawing.counts[k] > 1
                else shapely.Point(drawing.polyline(k)[0])
                for k in range(len(drawing))
            ]
        )

    a, b = shapes(strokes_a), shapes(strokes_b)
    return max(
        shapely.distance(shapely.points(strokes_a.points), b).max(),
        shapely.distance(shapely.points(strokes_b.points), a).max(),
    )


@STEADY
@given(strokes(), strokes())
def test_just_off_the_ends_it_looks_like_the_ends(first, second):
    assert blended(first, second, 0.0) is first
    assert blended(first, second, 1.0) is second
    assert _apart(blended(first, second, 1e-9), first) < 1e-6
    assert _apart(blended(first, second, 1.0 - 1e-9), second) < 1e-6


@STEADY
@given(strokes(), strokes(), st.floats(0.01, 0.98))
def test_a_small_step_moves_the_picture_little(first, second, factor):
    here = blended(first, second, factor)
    there = blended(first, second, factor + 1e-6)
    assert len(here) == len(there) == max(len(first), len(second))
    assert np.abs(here.points - there.points).max() < 1e-5


def test_a_turned_square_does_not_twist():
    reversed_later = np.roll(SQUARE[:-1], 2, axis=0)[::-1]
    other = np.vstack([reversed_later, reversed_later[:1]]) * 0.5
    half = blended(Strokes.from_polylines([SQUARE]), Strokes.from_polylines([other]), 0.5)
    assert half.closed.tolist() == [True]
    corners = np.unique(np.round(half.points, 9), axis=0)
    assert corners == pytest.approx(np.unique(np.round(SQUARE[:-1] * 0.75, 9), axis=0))


def test_closed_goes_with_closed():
    first = Strokes.from_polylines([SQUARE, [[0.5, 0], [0.9, 0]]])
    second = Strokes.from_polylines([[[-0.1, 0], [0.1, 0]], SQUARE + 0.5])
    assert sorted(map(tuple, partners(first, second).tolist())) == [(0, 1), (1, 0)]


def test_without_a_partner_strokes_grow_from_their_centres():
    lines = Strokes.from_polylines([SQUARE + np.array([0.2, 0.1])])
    half = blended(Strokes.empty(("",)), lines, 0.5)
    assert half.lengths == pytest.approx(0.5 * lines.lengths)
    assert half.points.mean(axis=0) == pytest.approx(
        0.5 * (lines.points + np.array([0.2, 0.1])).mean(axis=0)
    )


class TestInAScene:
    """Two boxes in one place turn into one another; a third stands in front."""

    view = look_at((3, -5, 2), (0, 0, 0))
    first = box(name="lamp")
    second = box((1.6, 0.4, 1.2), name="boat")
    front = box((0.3, 0.3, 0.3), centre=(1.2, -2, 0.8), name="gull")

    def drawn(self, factor, *objects):
        whole = scene(self.first, self.second, self.front, camera=self.view)
        effects = [Morph(frozenset({0}), frozenset({1}), factor)]
        return visible_strokes(replace(whole, effects=effects))

    @pytest.mark.parametrize(("factor", "alone"), [(0.0, 0), (1.0, 1)])
    def test_at_an_end_the_other_side_is_not_there(self, factor, alone):
        result = self.drawn(factor)
        shown = (self.first, self.second)[alone]
        expected = visible_strokes(scene(shown, self.front, camera=self.view))
        assert sorted(set(result.object_index.tolist())) == [alone, 2]
        assert result.object_names == ("lamp", "boat", "gull")
        assert result.lengths.sum() == pytest.approx(expected.lengths.sum(), abs=1e-9)

    def test_identities_stay_those_of_the_whole_scene(self):
        whole = visible_strokes(scene(self.first, self.second, self.front, camera=self.view))
        result = self.drawn(1.0)
        gull = result.identity[result.object_index == 2]
        assert set(gull.tolist()) <= set(whole.identity[whole.object_index == 2].tolist())

    def test_half_way_neither_hides_the_other(self):
        result = self.drawn(0.5)
        assert np.count_nonzero(result.object_index == 2) > 0
        moving = result.take(result.object_index != 2)
        low, high = moving.points.min(axis=0), moving.points.max(axis=0)
        ends = [self.drawn(f) for f in (0.0, 1.0)]
        ends = [end.take(end.object_index != 2).points for end in ends]
        middle_low = (ends[0].min(axis=0) + ends[1].min(axis=0)) / 2
        middle_high = (ends[0].max(axis=0) + ends[1].max(axis=0)) / 2
        assert low == pytest.approx(middle_low, abs=0.05)
        assert high == pytest.approx(middle_high, abs=0.05)

    def test_reveals_act_on_either_side_before_the_morph(self):
        """Just off an end the picture is the revealed side, and half way it is the blend."""
        whole = scene(self.first, self.second, self.front, camera=self.view)

        def drawn(factor):
            effects = [
                Reveal(frozenset({0}), 0.0, 0.3),
                Morph(frozenset({0}), frozenset({1}), factor),
                Reveal(frozenset({1}), 0.0, 0.8),
            ]
            result = visible_strokes(replace(whole, effects=effects))
            return result.take(result.object_index != 2)

        ends = [drawn(0.0), drawn(1.0)]
        full = [self.drawn(f) for f in (0.0, 1.0)]
        full = [end.take(end.object_index != 2).lengths.sum() for end in full]
        assert ends[0].lengths.sum() == pytest.approx(0.3 * full[0])
        assert ends[1].lengths.sum() == pytest.approx(0.8 * full[1])
        half = drawn(0.5)
        expected = blended(*ends, 0.5)
        assert np.array_equal(half.points, expected.points)
        assert np.array_equal(half.offsets, expected.offsets)
