# SPDX-License-Identifier: GPL-3.0-or-later
"""Revealed strokes: the length drawn is exactly the share asked for."""

import numpy as np
import pytest
from beamwright.core.effects.reveal import revealed
from beamwright.core.scene import Reveal
from beamwright.core.strokes import Strokes
from hypothesis import given
from hypothesis import strategies as st
from strategies import STEADY, strokes

shares = st.floats(0.0, 1.0)


@STEADY
@given(strokes(objects=3), shares, shares, st.booleans())
def test_drawn_length_is_the_share_of_the_chosen_objects(lines, a, b, together):
    start, end = min(a, b), max(a, b)
    chosen = np.isin(lines.object_index, [0, 2])
    result = revealed(lines, Reveal(frozenset({0, 2}), start, end, together))
    kept = np.isin(result.object_index, [0, 2])
    assert result.lengths[kept].sum() == pytest.approx(
        (end - start) * lines.lengths[chosen].sum(), abs=1e-9
    )
    assert result.lengths[~kept].sum() == pytest.approx(lines.lengths[~chosen].sum(), abs=1e-9)


@STEADY
@given(strokes(objects=2), shares, st.booleans())
def test_the_two_halves_make_the_whole(lines, cut, together):
    everything = frozenset({0, 1})
    first = revealed(lines, Reveal(everything, 0.0, cut, together))
    second = revealed(lines, Reveal(everything, cut, 1.0, together))
    total = first.lengths.sum() + second.lengths.sum()
    assert total == pytest.approx(lines.lengths.sum(), abs=1e-9)


def test_the_whole_range_changes_nothing():
    lines = Strokes.from_polylines([[[0, 0], [1, 0]], [[0, 0]]])
    assert revealed(lines, Reveal(frozenset({0}))) is lines


def test_nothing_is_left_of_an_empty_range():
    lines = Strokes.from_polylines([[[0, 0], [1, 0]], [[0, 0]]], object_index=[0, 1])
    result = revealed(lines, Reveal(frozenset({0}), 0.5, 0.5))
    assert result.object_index.tolist() == [1]


def test_in_order_follows_the_identity_not_the_place_in_the_list():
    lines = Strokes.from_polylines([[[0, 0], [1, 0]], [[0, 1], [1, 1]]], identity=[7, 3])
    result = revealed(lines, Reveal(frozenset({0}), 0.0, 0.5, together=False))
    assert result.identity.tolist() == [3]
    assert result.lengths == pytest.approx([1.0])


def test_dots_in_order_appear_when_their_turn_comes():
    lines = Strokes.from_polylines([[[0, 0], [1, 0]], [[5, 5]], [[0, 1], [1, 1]]])
    before = revealed(lines, Reveal(frozenset({0}), 0.0, 0.4, together=False))
    after = revealed(lines, Reveal(frozenset({0}), 0.0, 0.6, together=False))
    assert 1 not in before.identity
    assert 1 in after.identity
