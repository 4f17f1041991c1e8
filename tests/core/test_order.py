# SPDX-License-Identifier: GPL-3.0-or-later
from __future__ import annotations

import itertools
import pickle

import numpy as np
import pytest
from beamwright.core.kernels.numpy_points import (
    COST_UNIT,
    FORBIDDEN,
    greedy_tour,
    improve_tour,
    link_costs,
    neighbour_lists,
)
from beamwright.core.points import order
from beamwright.core.points.order import (
    ends_of,
    order_strokes,
    remember,
    stroke_keys,
    tour_cost,
)
from beamwright.core.points.placement import MotionLimits, Tour
from beamwright.core.points.simplify import simplified
from beamwright.core.strokes import Strokes
from hypothesis import given
from hypothesis import strategies as st
from strategies import STEADY, strokes

LIMITS = MotionLimits(0.012, 0.035, 0.05, 0.2, 0.004, 3.0, 1.0, 5.0, 0.004)


def segments(count: int, seed: int) -> Strokes:
    rng = np.random.default_rng(seed)
    start = rng.uniform(-0.9, 0.9, (count, 2))
    return Strokes.from_polylines(np.stack([start, start + rng.normal(0, 0.15, (count, 2))], 1))


def costs_of(drawn: Strokes) -> np.ndarray:
    xy, tangent, room = ends_of(drawn)
    return link_costs(xy, tangent, room, 0.012, 0.05, 0.004, 0.035, 0.2, 4.0, 1e-4)


def cost_of(costs: np.ndarray, entry: np.ndarray) -> int:
    return int(costs[entry ^ 1, np.roll(entry, -1)].sum())


def brute_force(costs: np.ndarray) -> int:
    """Cost of the best cyclic tour: all orders, all directions."""
    count = len(costs) // 2
    best = None
    for rest in itertools.permutations(range(1, count)):
        for flips in itertools.product((0, 1), repeat=count):
            entry = np.array([2 * s + f for s, f in zip((0, *rest), flips, strict=True)])
            cost = cost_of(costs, entry)
            best = cost if best is None else min(best, cost)
    assert best is not None
    return best


def is_tour(entry: np.ndarray, count: int) -> bool:
    return sorted((entry >> 1).tolist()) == list(range(count))


@pytest.mark.parametrize("seed", range(12))
def test_small_instances_are_solved_exactly(seed: int) -> None:
    drawn = segments(2 + seed % 4, seed)
    costs = costs_of(drawn)
    tour = order_strokes(drawn, LIMITS)
    assert tour_cost(drawn, tour, LIMITS) * COST_UNIT == pytest.approx(brute_force(costs))


@pytest.mark.parametrize("seed", range(4))
def test_six_strokes_with_kicks_are_solved_exactly(seed: int) -> None:
    drawn = segments(6, 100 + seed)
    costs = costs_of(drawn)
    near = neighbour_lists(costs)
    entry = improve_tour(costs, near, greedy_tour(costs, near), 60, 7)
    assert cost_of(costs, entry) == brute_force(costs)


def test_costs_are_symmetric_and_forbid_what_cannot_be() -> None:
    costs = costs_of(segments(20, 3))
    assert np.array_equal(costs, costs.T)
    node = np.arange(40)
    assert np.all(costs[node, node] == FORBIDDEN)
    assert np.all(costs[node, node ^ 1] == FORBIDDEN)


def test_costs_of_jumps_and_joins() -> None:
    # A jump over 0.5: v/a + settle + 2 √(D/a); straight on costs nothing, a reversal v/a nearly.
    drawn = Strokes.from_polylines(
        [[[0.0, 0.0], [0.5, 0.0]], [[0.5, 0.0], [0.9, 0.0]], [[0.5, 0.0], [0.2, 0.0]]]
    )
    costs = costs_of(drawn) / COST_UNIT
    stop = 0.05 / 0.012
    assert costs[0, 2] == pytest.approx(stop + 4.0 + 2.0 * np.sqrt(0.5 / 0.035), abs=1e-3)
    assert costs[1, 2] == pytest.approx(0.0, abs=1e-3)
    lowest = np.sqrt(2.0 * 0.008 * 0.012 / 2.0)
    assert costs[1, 4] == pytest.approx((0.05 - lowest) ** 2 / (0.012 * 0.05), abs=1e-3)


@pytest.mark.parametrize("count", [5, 40, 130])
@pytest.mark.parametrize("kicks", [0, 40])
def test_improvement_keeps_a_tour_and_never_lengthens_it(count: int, kicks: int) -> None:
    costs = costs_of(segments(count, count))
    near = neighbour_lists(costs)
    rng = np.random.default_rng(1)
    start = (2 * rng.permutation(count) + rng.integers(0, 2, count)).astype(np.int32)
    entry = improve_tour(costs, near, start, kicks, 5)
    assert is_tour(entry, count)
    assert cost_of(costs, entry) <= cost_of(costs, start)
    if count > 5:  # a random tour of many strokes is far from good
        assert cost_of(costs, entry) < 0.75 * cost_of(costs, start)
    again = improve_tour(costs, near, start, kicks, 5)
    assert np.array_equal(entry, again)


@STEADY
@given(strokes(max_size=20))
def test_every_stroke_once(drawn: Strokes) -> None:
    ready = simplified(drawn, 0.001)
    tour = order_strokes(ready, LIMITS)
    assert sorted(tour.stroke.tolist()) == list(range(len(ready)))
    again = order_strokes(ready, LIMITS)
    assert np.array_equal(tour.stroke, again.stroke)
    assert np.array_equal(tour.reverse, again.reverse)
    assert np.array_equal(tour.start, again.start)
    closed = ready.closed[tour.stroke]
    assert np.all(tour.start[~closed] == 0)
    assert np.all(tour.start < ready.counts[tour.stroke])


def test_loops_are_entered_at_the_best_point() -> None:
    angle = np.linspace(0, 2 * np.pi, 17)
    ring = np.stack([np.cos(angle), np.sin(angle)], axis=1)
    ring[-1] = ring[0]
    # Three rings in a row that all start at their far side, as (1, 0) and (-1, 0) would be.
    lines = [0.2 * ring + [-0.6, 0.0], 0.2 * ring, 0.2 * ring + [0.6, 0.0]]
    drawn = Strokes.from_polylines(lines)
    tour = order_strokes(drawn, LIMITS)
    # The best of all starts of all rings, by trying them.
    best = min(
        tour_cost(
            drawn, Tour(np.array([0, 1, 2], np.int32), np.zeros(3, bool), np.array(s)), LIMITS
        )
        for s in itertools.product(range(16), repeat=3)
    )
    assert tour_cost(drawn, tour, LIMITS) == pytest.approx(best, abs=1e-9)


def test_begins_after_the_longest_gap() -> None:
    drawn = Strokes.from_polylines(
        [[[-0.9, 0], [-0.8, 0]], [[-0.7, 0], [-0.6, 0]], [[0.8, 0.1], [0.9, 0.1]]]
    )
    tour = order_strokes(drawn, LIMITS)
    xy = ends_of(drawn)[0]
    entry = 2 * tour.stroke + tour.reverse
    gaps = np.abs(xy[np.roll(entry, 1) ^ 1] - xy[entry]).max(axis=1)
    assert gaps.argmax() == 0


def test_a_still_picture_settles() -> None:
    drawn = segments(60, 8)
    tour = order_strokes(drawn, LIMITS)
    costs = [tour_cost(drawn, tour, LIMITS)]
    for _ in range(6):
        memory = pickle.loads(pickle.dumps(remember(drawn, tour)))
        before, tour = tour, order_strokes(drawn, LIMITS, memory)
        costs.append(tour_cost(drawn, tour, LIMITS))
    assert np.all(np.diff(costs) <= 1e-9)
    assert links(drawn, tour) == links(drawn, before)


def links(drawn: Strokes, tour: Tour) -> set[frozenset[tuple[int, int, int]]]:
    keys = stroke_keys(drawn)
    entry = (2 * tour.stroke + tour.reverse).tolist()
    nodes = [(*keys[node >> 1], node & 1) for node in entry]
    leaving = [(identity, rank, end ^ 1) for identity, rank, end in nodes]
    return {frozenset(pair) for pair in zip(leaving, nodes[1:] + nodes[:1], strict=True)}


def test_links_stay_while_the_picture_moves() -> None:
    drawn = segments(80, 5)
    middle = drawn.points.reshape(-1, 2, 2).mean(axis=1)
    memory, before, kept = None, None, []
    for frame in range(40):
        x, y = middle.T
        shift = np.stack(
            [0.02 * np.sin(0.3 * frame + 4 * x), 0.03 * np.sin(0.2 * frame + 6 * y)], 1
        )
        moved = drawn.with_points(drawn.points + np.repeat(shift, 2, axis=0))
        tour = order_strokes(moved, LIMITS, memory)
        memory = remember(moved, tour)
        now = links(moved, tour)
        if before is not None:
            kept.append(len(now & before) / len(now))
        before = now
    assert np.mean(kept) >= 0.94


def test_new_and_vanished_strokes() -> None:
    drawn = segments(30, 2)
    memory = remember(drawn, order_strokes(drawn, LIMITS))
    fewer = drawn.take(np.arange(5, 30))
    tour = order_strokes(fewer, LIMITS, memory)
    assert sorted(tour.stroke.tolist()) == list(range(25))
    back = order_strokes(drawn, LIMITS, remember(fewer, tour))
    assert sorted(back.stroke.tolist()) == list(range(30))
    nothing = order_strokes(
        segments(3, 1),
        LIMITS,
        remember(
            Strokes.empty(), Tour(np.empty(0, np.int32), np.empty(0, bool), np.empty(0, np.int32))
        ),
    )
    assert sorted(nothing.stroke.tolist()) == [0, 1, 2]


def test_keys_tell_equal_identities_apart() -> None:
    drawn = Strokes.from_polylines([[[0, 0], [1, 0]]] * 3, identity=[7, 7, 9])
    assert stroke_keys(drawn) == [(7, 0), (7, 1), (9, 0)]


def test_very_many_strokes_are_ordered_without_a_matrix(monkeypatch: pytest.MonkeyPatch) -> None:
    drawn = segments(400, 9)
    dense = tour_cost(drawn, order_strokes(drawn, LIMITS), LIMITS)
    monkeypatch.setattr(order, "LARGEST_DENSE", 100)
    sparse = order_strokes(drawn, LIMITS)
    assert sorted(sparse.stroke.tolist()) == list(range(400))
    as_given = Tour(np.arange(400, dtype=np.int32), np.zeros(400, bool), np.zeros(400, np.int32))
    assert tour_cost(drawn, sparse, LIMITS) < 0.7 * tour_cost(drawn, as_given, LIMITS)
    assert dense <= tour_cost(drawn, sparse, LIMITS)


@STEADY
@given(st.integers(1, 6))
def test_hilbert_neighbours_are_neighbours(bits: int) -> None:
    # The curve visits every cell once and moves by one cell a step (Hilbert 1891).
    side = 1 << bits
    x, y = np.meshgrid(np.arange(side), np.arange(side))
    place = order._hilbert(x.ravel(), y.ravel(), bits)
    assert sorted(place.tolist()) == list(range(side * side))
    ranks = np.argsort(place)
    step = np.abs(np.diff(x.ravel()[ranks])) + np.abs(np.diff(y.ravel()[ranks]))
    assert np.all(step == 1)
