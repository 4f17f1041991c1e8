# SPDX-License-Identifier: GPL-3.0-or-later
from __future__ import annotations

import math

import numpy as np
import pytest
from beamwright.core.points.budget import BudgetMemory, drop_groups, fit_frame, fit_stress
from beamwright.core.points.order import order_strokes, stroke_keys
from beamwright.core.points.placement import Tour, limits_at
from beamwright.core.points.projector import ScannerProfile
from beamwright.core.strokes import Strokes
from hypothesis import given
from hypothesis import strategies as st
from strategies import STEADY

LIMITS = limits_at(ScannerProfile(), 0.5)


@STEADY
@given(st.floats(10.0, 5000.0), st.floats(0.2, 2.0), st.floats(0.05, 1.2), st.floats(0.0, 1.0))
def test_stress_is_found(relaxed: float, slope: float, share: float, start: float) -> None:
    calls = []

    def duration(stress: float) -> float:
        calls.append(stress)
        return relaxed * math.exp(-slope * stress**1.3)

    budget = relaxed * share
    stress = fit_stress(duration, budget, start)
    assert len(calls) <= 10
    if stress is None:
        assert duration(1.0) > budget
    else:
        assert duration(stress) <= budget
        # As relaxed as can be: either nothing to gain, or nearly full.
        assert stress == 0.0 or duration(stress) > 0.95 * budget


def test_stress_of_steps() -> None:
    # Whole points make steps; a budget in a gap between them must still be kept.
    def duration(stress: float) -> float:
        return 100.0 if stress < 0.7 else 50.0

    stress = fit_stress(duration, 60.0)
    assert stress is not None
    assert duration(stress) == 50.0
    assert fit_stress(duration, 49.0) is None


def lengths_as_time(drawn: Strokes):  # type: ignore[no-untyped-def]
    """Samples = 100 × length at stress 0, half of it at stress 1: easy to foresee."""

    def prepare(tour: Tour):  # type: ignore[no-untyped-def]
        total = 100.0 * float(drawn.lengths[tour.stroke].sum())
        return lambda stress: total * (1.0 - 0.5 * stress)

    return prepare


def bars(lengths: list[float]) -> Strokes:
    lines = [[[0.0, 0.1 * row], [length, 0.1 * row]] for row, length in enumerate(lengths)]
    return Strokes.from_polylines(lines)


def fit(  # type: ignore[no-untyped-def]
    drawn: Strokes, budget: int, priority=None, locked=None, memory=None
):
    count = len(drawn)
    return fit_frame(
        drawn,
        lengths_as_time(drawn),
        LIMITS,
        budget,
        keys=stroke_keys(drawn),
        priority=np.zeros(count) if priority is None else np.asarray(priority, float),
        locked=np.zeros(count, bool) if locked is None else np.asarray(locked),
        memory=memory,
    )


def test_nothing_is_dropped_while_stress_is_enough() -> None:
    drawn = bars([0.1, 0.2, 0.3, 0.4])  # 100 samples relaxed, 50 stressed
    assert fit(drawn, 100).stress == 0.0
    middle = fit(drawn, 70)
    assert middle.kept.all()
    assert 0.5 <= middle.stress <= 0.7
    assert middle.groups == 0


def test_short_strokes_go_first() -> None:
    drawn = bars([0.1, 0.2, 0.3, 0.4])
    result = fit(drawn, 40)
    assert result.kept.tolist() == [False, False, True, True]
    assert result.groups == 2
    assert result.fits


def test_low_priority_goes_before_short() -> None:
    result = fit(bars([0.1, 0.2, 0.3, 0.4]), 40, priority=[5, 5, 5, 1])
    assert result.kept.tolist() == [True, True, True, False]


def test_locked_strokes_stay_even_over_budget() -> None:
    drawn = bars([0.1, 0.2, 0.3, 0.4])
    result = fit(drawn, 40, locked=[True, False, False, False])
    assert result.kept[0]
    over = fit(drawn, 10, locked=[False, False, False, True])
    assert over.kept.tolist() == [False, False, False, True]
    assert not over.fits
    assert over.stress == 1.0


def test_a_budget_for_nothing_drops_everything() -> None:
    result = fit(bars([0.1, 0.2]), 1)
    assert not result.kept.any()
    assert len(result.tour) == 0
    assert len(result.whole_tour) == 2


def test_stress_rises_at_once_and_falls_slowly() -> None:
    drawn = bars([0.1, 0.2, 0.3, 0.4])
    assert fit(drawn, 55, memory=BudgetMemory(stress=0.0)).stress > 0.89
    calm = fit(drawn, 100, memory=BudgetMemory(stress=0.5))
    assert calm.stress == pytest.approx(0.47)


def test_dropped_strokes_come_back_only_into_lasting_room() -> None:
    drawn = bars([0.1, 0.2, 0.3, 0.4])
    assert fit(drawn, 51).kept.all()
    dropped = frozenset({(0, 0)})
    memory = BudgetMemory(stress=1.0, dropped=dropped, dropped_groups=1)
    assert not fit(drawn, 51, memory=memory).kept[0]  # not room enough, ever
    frames = 0
    while True:
        result = fit(drawn, 54, memory=memory)
        frames += 1
        if result.kept[0]:
            break
        memory = BudgetMemory(dropped=dropped, dropped_groups=1, waited=result.waited)
    assert frames == 12


def test_a_locked_stroke_comes_back_at_once() -> None:
    memory = BudgetMemory(stress=1.0, dropped=frozenset({(0, 0)}), dropped_groups=1)
    result = fit(bars([0.1, 0.2, 0.3, 0.4]), 51, locked=[True, False, False, False], memory=memory)
    assert result.kept.all()


def test_drops_of_another_scene_are_forgotten() -> None:
    memory = BudgetMemory(stress=1.0, dropped=frozenset({(99, 0)}), dropped_groups=1)
    assert fit(bars([0.1, 0.2, 0.3, 0.4]), 51, memory=memory).kept.all()


def test_groups_are_runs_of_one_object() -> None:
    # A path of 0.1 and 0.1, joined; a third joined piece of another object; one apart; and a
    # long one that alone is more than an eighth.
    drawn = Strokes.from_polylines(
        [
            [[0.0, 0.0], [0.1, 0.0]],
            [[0.1, 0.0], [0.2, 0.0]],
            [[0.2, 0.0], [0.3, 0.0]],
            [[0.5, 0.5], [0.6, 0.5]],
            [[-0.9, -0.9], [0.9, -0.9]],
        ],
        object_index=[0, 0, 1, 0, 0],
    )
    groups = drop_groups(drawn, order_strokes(drawn, LIMITS))
    assert groups[0] == groups[1]
    assert len({groups[0], groups[2], groups[3], groups[4]}) == 4


def test_a_connected_drawing_is_not_one_group() -> None:
    points = np.stack([np.linspace(-0.9, 0.9, 41), np.zeros(41)], axis=1)
    drawn = Strokes.from_polylines(np.stack([points[:-1], points[1:]], axis=1))
    groups = drop_groups(drawn, order_strokes(drawn, LIMITS))
    length = np.bincount(groups, weights=drawn.lengths)
    assert len(length) >= 8
    assert length.max() <= 1.8 / 8 + 1e-9
