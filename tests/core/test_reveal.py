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


def shown_first(lines, seed, share=0.5):
    """Identities of the strokes that half of the length shows."""
    effect = Reveal(frozenset({0}), 0.0, share, together=False, shuffle_seed=seed)
    return revealed(lines, effect).identity.tolist()


@STEADY
@given(
    st.lists(st.integers(0, 2**40), min_size=2, max_size=12, unique=True),
    st.integers(0, 2**31 - 1),
    st.randoms(use_true_random=False),
)
def test_a_random_order_hangs_on_the_identities_alone(identities, seed, chance):
    """Neither the place in the list nor strokes that come and go change who is before whom."""

    def lines(which):
        return Strokes.from_polylines([[[0, 0], [1, 0]]] * len(which), identity=which)

    def order(which):
        effect = Reveal(frozenset({0}), 0.0, 1.0 - 1e-12, together=False, shuffle_seed=seed)
        return revealed(lines(which), effect).identity.tolist()

    whole = order(identities)
    assert sorted(whole) == sorted(identities)
    mixed = chance.sample(identities, len(identities))
    assert order(mixed) == whole
    some = mixed[: max(1, len(mixed) // 2)]
    assert order(some) == [value for value in whole if value in some]


def test_seeds_give_different_orders_and_the_plain_one_none():
    """Of 24 strokes the first half differs from seed to seed; the number 0 shuffles, too."""
    lines = Strokes.from_polylines([[[0, k], [1, k]] for k in range(24)])
    halves = {tuple(shown_first(lines, seed)) for seed in range(30)}
    assert len(halves) == 30
    assert shown_first(lines, None) == list(range(12))
    # Every stroke is in the first half for about half of the seeds.
    counts = np.bincount(
        [row for seed in range(400) for row in shown_first(lines, seed)], minlength=24
    )
    # Binomial, n 400, p 1/2: standard deviation 10; four of them for 24 strokes.
    assert np.abs(counts - 200).max() < 45
