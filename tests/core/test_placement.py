# SPDX-License-Identifier: GPL-3.0-or-later
from __future__ import annotations

import math

import numpy as np
import pytest
import shapely
import time_optimal
from beamwright.core.points.order import order_strokes
from beamwright.core.points.placement import (
    Clock,
    MotionLimits,
    Tour,
    build_route,
    limits_at,
    position_at,
    run_clock,
    sample_clock,
)
from beamwright.core.points.projector import ScannerProfile
from beamwright.core.points.simplify import simplified
from beamwright.core.strokes import Strokes
from hypothesis import given
from hypothesis import strategies as st
from strategies import STEADY, profiles, strokes

LIMITS = MotionLimits(
    acceleration=0.012,
    jump_acceleration=0.035,
    speed=0.05,
    jump_speed=0.2,
    blend=0.004,
    settle_before=3.0,
    settle_after=1.0,
    dot_dwell=5.0,
    tolerance=0.004,
)
NO_LAG = (0.0, 0.0, 0.0)


def as_given(count: int) -> Tour:
    return Tour(np.arange(count, dtype=np.int32), np.zeros(count, bool), np.zeros(count, np.int32))


def timed(lines: list[object], limits: MotionLimits = LIMITS) -> Clock:
    drawn = Strokes.from_polylines(lines)  # type: ignore[arg-type]
    return run_clock(build_route(drawn, as_given(len(drawn))), limits, NO_LAG)


def lit_motion(clock: Clock) -> float:
    """Time of the lit pieces without the rest at their ends."""
    route = clock.route
    return float(clock.durations[route.lit].sum() - clock.durations[route.ends_lit, 0].sum())


def walk() -> np.ndarray:
    return np.cumsum(np.random.default_rng(1).uniform(-0.15, 0.15, (25, 2)), axis=0)


def shapes() -> dict[str, np.ndarray]:
    square = np.array([[-0.5, -0.5], [0.5, -0.5], [0.5, 0.5], [-0.5, 0.5], [-0.5, -0.5]])
    turn = np.arange(6) * 4 * np.pi / 5
    star = 0.5 * np.stack([np.sin(turn), np.cos(turn)], axis=1)
    angle = np.linspace(0, 2 * np.pi, 61)
    circle = 0.5 * np.stack([np.cos(angle), np.sin(angle)], axis=1)
    return {"square": square, "star": star, "circle": circle, "walk": walk()}


# Time-optimal by toppra 0.6.8, 100 grid points a piece (see `time_optimal`), at acceleration
# 0.012, speed 0.05, blend 0.004 and at 0.0037, 0.04, 0.002.
OPTIMAL = {
    "square": (92.560, 138.015),
    "star": (112.909, 166.837),
    "circle": (66.940, 89.086),
    "walk": (112.727, 213.660),
}


@pytest.mark.parametrize("name", OPTIMAL)
@pytest.mark.parametrize("case", [0, 1])
def test_lit_time_is_near_the_optimum(name: str, case: int) -> None:
    acceleration, speed, blend = ((0.012, 0.05, 0.004), (0.0037, 0.04, 0.002))[case]
    limits = MotionLimits(acceleration, 0.035, speed, 0.2, blend, 0.0, 0.0, 5.0, 0.004)
    line = shapes()[name]
    line[-1] = line[0] if name != "walk" else line[-1]
    ratio = lit_motion(timed([line], limits)) / OPTIMAL[name][case]
    # A blend accelerates evenly, the optimum need not: never faster, hardly slower.
    assert 0.9995 < ratio < 1.005


@pytest.mark.skipif(not time_optimal.AVAILABLE, reason="toppra is not installed")
@pytest.mark.parametrize("name", ["square", "star"])
def test_reference_numbers_are_toppras(name: str) -> None:
    line = shapes()[name]
    assert time_optimal.shortest_time(line, 0.012, 0.05, 0.004) == pytest.approx(
        OPTIMAL[name][0], abs=0.01
    )


@pytest.mark.parametrize("distance", [0.01, 0.3, 1.0])
def test_jump_time(distance: float) -> None:
    # Rest to rest at constant acceleration: 2 √(d / a); above v²/a a cruise: d/v + v/a.
    clock = timed([[[0.0, 0.0], [0.1, 0.0]], [[0.1, distance], [0.2, distance]]])
    jump = np.flatnonzero(clock.route.ends_jump)[1] - 1
    assert clock.durations[jump, 1:].sum() == pytest.approx(2.0 * math.sqrt(distance / 0.035))
    far = timed([[[0.0, -0.9], [0.1, -0.9]], [[0.1, 0.9], [0.2, 0.9]]])
    assert far.durations[jump, 1:].sum() == pytest.approx(1.8 / 0.2 + 0.2 / 0.035)


def test_jump_limits_are_per_axis() -> None:
    clock = timed([[[0.0, 0.0], [0.1, 0.0]], [[0.4, 0.3], [0.5, 0.3]]])
    jump = np.flatnonzero(clock.route.ends_jump)[1] - 1
    assert clock.durations[jump, 1:].sum() == pytest.approx(2.0 * math.sqrt(0.3 / 0.035))


def test_straight_stroke_time() -> None:
    clock = timed([[[-0.5, 0.0], [0.5, 0.0]]])
    assert lit_motion(clock) == pytest.approx(1.0 / 0.05 + 0.05 / 0.012)
    short = timed([[[0.0, 0.0], [0.01, 0.0]]])
    assert lit_motion(short) == pytest.approx(2.0 * math.sqrt(0.01 / 0.012))


def test_corner_is_cut_by_the_blend() -> None:
    clock = timed([[[-0.5, 0.0], [0.0, 0.0], [0.0, 0.5]]])
    xy = position_at(clock, np.linspace(0.0, clock.total, 20001)[:-1])
    assert np.hypot(*xy.T).min() == pytest.approx(LIMITS.blend, rel=1e-4)


def test_total_is_the_sum_of_its_parts() -> None:
    # One stroke of 0.5 and the way back, two settles, the seam's sample: nothing else.
    clock = timed([[[0.0, 0.0], [0.5, 0.0]]])
    stroke = 0.5 / 0.05 + 0.05 / 0.012
    back = 2.0 * math.sqrt(0.5 / 0.035)
    assert clock.total == pytest.approx(stroke + back + 3.0 + 1.0 + 1.0, abs=1e-5)


def test_joined_strokes_are_drawn_without_a_stop_between() -> None:
    apart = timed([[[-0.5, 0.0], [0.0, 0.0]], [[0.0, 0.0], [0.5, 0.0]]])
    whole = timed([[[-0.5, 0.0], [0.0, 0.0], [0.5, 0.0]]])
    assert apart.total == pytest.approx(whole.total)
    assert apart.route.stroke[apart.route.entry].tolist() == [0, 1]


def moving(drawn: Strokes, limits: MotionLimits) -> Clock:
    ready = simplified(drawn, 0.001)
    return run_clock(build_route(ready, order_strokes(ready, limits)), limits, NO_LAG)


@STEADY
@given(strokes(), st.sampled_from([0.002, 0.004, 0.016]))
def test_acceleration_limit_is_kept(drawn: Strokes, blend: float) -> None:
    limits = MotionLimits(0.012, 0.035, 0.05, 0.2, blend, 3.0, 1.0, 5.0, 0.004)
    clock = moving(drawn, limits)
    step = 0.05
    time = np.arange(0.0, clock.total, step)
    xy = position_at(clock, time)
    second = np.abs(np.diff(xy, n=2, axis=0)).max(axis=1) / step**2
    slot = np.searchsorted(clock.starts, time, side="right") - 1
    lit = clock.route.lit[slot // 4]
    inside = lit[:-2] & lit[1:-1] & lit[2:]
    # Measured: the blends do not exceed the box of limits at all (1.000 on 900 drawings).
    assert second[inside].max(initial=0.0) <= (1 + 1e-6) * limits.acceleration
    assert second.max() <= (1 + 1e-6) * limits.jump_acceleration
    speed = np.hypot(*np.diff(xy, axis=0).T) / step
    assert speed[lit[:-1] & lit[1:]].max(initial=0.0) <= limits.speed * (1 + 1e-6)


@STEADY
@given(strokes())
def test_command_stays_on_the_strokes(drawn: Strokes) -> None:
    clock = moving(drawn, LIMITS)
    time = np.arange(0.0, clock.total, 0.2)
    slot = np.searchsorted(clock.starts, time, side="right") - 1
    lit = clock.route.lit[slot // 4]
    ready = simplified(drawn, 0.001)
    lines = [ready.polyline(row) for row in range(len(ready))]
    wanted = np.array(
        [
            shapely.linestrings(np.repeat(line, 2, axis=0) if len(line) == 1 else line)
            for line in lines
        ]
    )
    probes = shapely.points(position_at(clock, time[lit]))
    away = shapely.distance(wanted[:, None], probes).min(axis=0)
    assert away.max() <= LIMITS.blend + 2e-4  # strokes join over gaps up to 1e-4 per axis


@STEADY
@given(strokes())
def test_every_stroke_is_drawn_exactly_once(drawn: Strokes) -> None:
    clock = moving(drawn, LIMITS)
    route = clock.route
    owners = route.stroke[route.entry]
    assert sorted(owners.tolist()) == list(range(len(drawn)))
    ready = simplified(drawn, 0.001)
    lit_length = np.bincount(
        route.stroke[route.lit], weights=route.length[route.lit], minlength=len(ready)
    )
    assert lit_length == pytest.approx(ready.lengths, abs=2e-4)


@STEADY
@given(strokes(), profiles())
def test_time_falls_with_stress(drawn: Strokes, profile: ScannerProfile) -> None:
    ready = simplified(drawn, 0.25 * profile.tolerance_field)
    route = build_route(ready, order_strokes(ready, limits_at(profile, 0.5)))
    totals = [
        run_clock(route, limits_at(profile, stress), profile.sampled.light_lag).total
        for stress in np.linspace(0.0, 1.0, 21)
    ]
    assert np.all(np.diff(totals) <= 1e-9)


@STEADY
@given(strokes(), profiles(), st.floats(1.0, 3.0))
def test_frame_is_a_loop_that_is_dark_at_its_seam(
    drawn: Strokes, profile: ScannerProfile, slower: float
) -> None:
    ready = simplified(drawn, 0.001)
    limits = limits_at(profile, 0.5)
    route = build_route(ready, order_strokes(ready, limits))
    clock = run_clock(route, limits, profile.sampled.light_lag)
    frame = sample_clock(clock, ready, profile, math.ceil(clock.total * slower))
    assert frame.blanked[[0, -1]].all()
    assert frame.xy[0] == pytest.approx(frame.xy[-1], abs=1e-12)
    assert not frame.rgb[frame.blanked].any()
    assert np.all(frame.rgb[~frame.blanked].max(axis=1) > profile.minimum_level)
    assert np.all((frame.stroke >= 0) == ~frame.blanked)
    assert set(frame.stroke[~frame.blanked].tolist()) == set(range(len(ready)))
    assert np.all(frame.object_index >= 0)


def test_colours_are_given_late_by_the_mirrors_lag() -> None:
    profile = ScannerProfile(colour_delay_us=(0.0, 50.0, 100.0))
    drawn = Strokes.from_polylines([[[-0.5, 0.0], [0.5, 0.0]]])
    limits = limits_at(profile, 0.0)
    clock = run_clock(build_route(drawn, as_given(1)), limits, profile.sampled.light_lag)
    frame = sample_clock(clock, drawn, profile, math.ceil(clock.total))
    step = clock.total / len(frame)
    first_lit = clock.starts[4 * int(np.flatnonzero(clock.route.entry)[0])]
    lag = 2.0 * 0.71 / (2.0 * math.pi * 2500.0 / 30000.0) - 0.69 * 0.3
    for channel, delay in enumerate((0.0, 1.5, 3.0)):
        begin = int(np.flatnonzero(frame.rgb[:, channel])[0])
        assert begin == math.ceil((first_lit / step) + lag - delay - 1e-9)


def test_cost_is_shared_at_the_middle_of_a_blank_move() -> None:
    drawn = Strokes.from_polylines(
        [[[-0.5, 0.0], [-0.1, 0.0]], [[0.3, 0.0], [0.7, 0.0]]], object_index=[0, 1]
    )
    profile = ScannerProfile()
    clock = run_clock(build_route(drawn, as_given(2)), LIMITS, profile.sampled.light_lag)
    frame = sample_clock(clock, drawn, profile, math.ceil(clock.total))
    first, second = np.bincount(frame.object_index)
    assert first + second == len(frame)
    assert abs(int(first) - int(second)) <= 2  # equal strokes, equal halves of the moves
