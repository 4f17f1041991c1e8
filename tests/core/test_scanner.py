# SPDX-License-Identifier: GPL-3.0-or-later
"""Closed forms of second-order systems (any textbook on control) and of the sample-and-hold."""

from __future__ import annotations

import math

import numpy as np
import pytest
from beamwright.core.frame import Frame
from beamwright.core.kernels.numpy_points import saturating_response
from beamwright.core.points.projector import ScannerProfile
from beamwright.core.points.scanner import (
    light_response,
    linear_response,
    picture_error,
    simulate,
)
from beamwright.core.strokes import Strokes
from hypothesis import given
from hypothesis import strategies as st
from strategies import STEADY, frames

ROOT_HALF = math.sqrt(0.5)


def frequency(hertz: float, rate: float = 30000.0) -> float:
    return 2.0 * math.pi * hertz / rate


def step_response(damping: float, hertz: float, substeps: int = 64) -> tuple[np.ndarray, float]:
    """Unit step at sample 1000 of a long loop; returns the positions after it and their step."""
    command = np.zeros((2000, 2))
    command[1000:, 0] = 1.0
    position, _, _, _ = linear_response(command, frequency(hertz), damping, substeps)
    return position[1000 * substeps :, 0], 1.0 / substeps / 30000.0


@pytest.mark.parametrize(
    ("damping", "hertz", "overshoot", "rise_us", "settling_us"),
    [
        (0.6, 2177.2, 9.478, 135.5, 457.5),
        (ROOT_HALF, 2500.0, 4.321, 136.8, 419.3),
        (0.8, 2870.6, 1.516, 136.8, 352.2),
        (1.0, 3884.4, 0.0, 137.6, 272.0),
    ],
)
def test_step_response(
    damping: float, hertz: float, overshoot: float, rise_us: float, settling_us: float
) -> None:
    x, step = step_response(damping, hertz)
    assert 100.0 * (x.max() - 1.0) == pytest.approx(overshoot, abs=0.02)
    if damping < 1.0:
        closed = 100.0 * math.exp(-math.pi * damping / math.sqrt(1.0 - damping**2))
        assert overshoot == pytest.approx(closed, abs=1e-3)
    rise = (np.argmax(x >= 0.9) - np.argmax(x >= 0.1)) * step * 1e6
    assert rise == pytest.approx(rise_us, abs=1.2)
    outside = np.flatnonzero(np.abs(x - 1.0)[: len(x) // 2] > 0.01)
    assert (outside[-1] + 1) * step * 1e6 == pytest.approx(settling_us, abs=1.5)


@pytest.mark.parametrize(
    ("damping", "hertz", "gain_1k", "gain_5k", "phase_deg"),
    [
        (0.6, 2177.2, 1.0390, 0.1966, -103.0),
        (ROOT_HALF, 2500.0, 0.9874, 0.2425, -90.0),
        (0.8, 2870.6, 0.9611, 0.2898, -80.2),
        (1.0, 3884.4, 0.9378, 0.3764, -65.5),
    ],
)
def test_frequency_response(
    damping: float, hertz: float, gain_1k: float, gain_5k: float, phase_deg: float
) -> None:
    for test_hz, gain, phase in (
        (1000, gain_1k, None),
        (5000, gain_5k, None),
        (2500, ROOT_HALF, phase_deg),
    ):
        # Many points a turn, so that the hold hardly matters; its closed form is divided out.
        points = 480
        rate = test_hz * points
        angle = 2.0 * np.pi * np.arange(points) / points
        command = np.stack([np.cos(angle), np.sin(angle)], axis=1)
        position, _, _, _ = linear_response(command, frequency(hertz, rate), damping, 1)
        hold = math.sin(math.pi / points) / (math.pi / points)
        response = np.mean((position[:, 0] + 1j * position[:, 1]) * np.exp(-1j * angle)) / hold
        assert abs(response) == pytest.approx(gain, abs=2e-4)
        if phase is not None:
            half_sample = 180.0 / points
            assert np.degrees(np.angle(response)) + half_sample == pytest.approx(phase, abs=0.1)


@pytest.mark.parametrize(
    ("points", "gain"),
    [(8, 0.97450), (10, 0.98363), (12, 0.98862), (16, 0.99359), (24, 0.99715), (60, 0.99954)],
)
def test_zero_order_hold_gain(points: int, gain: float) -> None:
    # sin(π/n) / (π/n); the fundamental of a held circle, measured through a nearly ideal loop.
    angle = 2.0 * np.pi * np.arange(points) / points
    command = np.stack([np.cos(angle), np.sin(angle)], axis=1)
    substeps = 64
    position, _, _, _ = linear_response(command, 2.0 * math.pi * 40.0 / points, 1.0, substeps)
    fine = 2.0 * np.pi * (np.arange(points * substeps) + 0.0) / (points * substeps)
    loop = abs(1.0 / (1.0 + 1j / 40.0) ** 2)
    measured = abs(np.mean((position[:, 0] + 1j * position[:, 1]) * np.exp(-1j * fine))) / loop
    assert measured == pytest.approx(gain, abs=3e-4)


def test_twelve_point_circle_in_steady_state() -> None:
    # Damping 0.70711, 2500 Hz, 30 kpps: mean radius 0.69906 = 0.98862 × 0.70711.
    angle = 2.0 * np.pi * np.arange(12) / 12
    command = np.stack([np.cos(angle), np.sin(angle)], axis=1)
    position, _, _, _ = linear_response(command, frequency(2500.0), ROOT_HALF, 64)
    radius = np.hypot(position[:, 0], position[:, 1])
    assert radius.mean() == pytest.approx(0.69906, abs=1e-5)
    assert radius.min() == pytest.approx(0.69790, abs=1e-5)
    assert radius.max() == pytest.approx(0.70027, abs=1e-5)


@pytest.mark.parametrize("damping", [0.6, ROOT_HALF, 0.8, 1.0, 1.4])
def test_ramp_lag(damping: float) -> None:
    # A second-order loop follows a ramp 2 z / W late; the hold adds half a sample.
    command = np.zeros((400, 2))
    command[:, 0] = np.concatenate([np.arange(200), np.arange(200, 0, -1)]) / 200.0
    natural = frequency(2500.0)
    position, _, _, _ = linear_response(command, natural, damping, 2)
    middle = slice(2 * 120, 2 * 190)
    time = np.arange(2 * 120, 2 * 190) / 2.0
    lag = time - position[middle, 0].copy() * 200.0
    assert lag.mean() == pytest.approx(2.0 * damping / natural + 0.5, abs=1e-2)
    travelled = position[2 * 190, 0] - position[2 * 120, 0]
    assert travelled == pytest.approx(70.0 / 200.0, rel=1e-4)


@STEADY
@given(frames(), st.floats(0.3, 1.6), st.sampled_from([1, 4, 8]))
def test_saturating_path_is_exact_while_unsaturated(
    frame: Frame, damping: float, substeps: int
) -> None:
    natural = 1.2
    wanted, _, _, _ = linear_response(frame.xy, natural, damping, substeps)
    result, _ = saturating_response(frame.xy, natural, damping, 1e9, 1e9, substeps, passes=60)
    assert result == pytest.approx(wanted, abs=1e-7)


def test_saturated_jump_takes_the_bang_bang_time() -> None:
    # Far from the target the loop accelerates as hard as it can: half way after √(d / a).
    command = np.zeros((400, 2))
    command[100:300, 0] = 1.6
    amax = 0.01
    position, velocity = saturating_response(command, 0.5236, 0.71, amax, 10.0, 8)
    after = position[100 * 8 : 300 * 8, 0]
    early = np.arange(1, 80)
    assert after[early] == pytest.approx(0.5 * amax * (early / 8.0) ** 2, rel=1e-6)
    assert np.abs(np.diff(velocity, axis=0)).max() <= amax / 8.0 * (1 + 1e-9)
    limited, slow = saturating_response(command, 0.5236, 0.71, amax, 0.05, 8)
    assert np.abs(slow).max() <= 0.05 * (1 + 1e-12)
    assert limited[250 * 8, 0] == pytest.approx(1.6, abs=0.01)


def test_light_is_late_and_rises() -> None:
    level = np.zeros((40, 3))
    level[10:20] = 1.0
    plain = light_response(level, (0.0, 0.0, 0.0), 0.0, 4)
    assert np.array_equal(plain[:, 0] > 0.5, np.repeat(level[:, 0] > 0.5, 4))
    light = light_response(level, (0.0, 2.0, 5.25), 0.8, 32)
    for channel, delay in enumerate((0.0, 2.0, 5.25)):
        rows = np.arange(32 * 3) + int(32 * (10 + delay))
        time = (rows - 32 * (10 + delay)) / 32.0
        assert light[rows, channel] == pytest.approx(1.0 - np.exp(-time / 0.8), abs=1e-6)
    # 0.69 of the time constant to half the level, as the colour shift assumes.
    half = np.argmax(light[:, 0] >= 0.5) / 32.0 - 10.0
    assert half == pytest.approx(0.69 * 0.8, abs=1 / 32)


def slow_frame(line: np.ndarray, lead: int = 60) -> Frame:
    xy = np.concatenate([np.repeat(line[:1], lead, axis=0), line, np.repeat(line[-1:], lead, 0)])
    xy = np.concatenate([xy, xy[::-1]])
    rgb = np.zeros((len(xy), 3))
    rgb[lead : lead + len(line)] = 1.0
    return Frame(
        xy=xy,
        rgb=rgb,
        blanked=~rgb.any(axis=1),
        stroke=np.where(rgb.any(axis=1), 0, -1).astype(np.int32),
        object_index=np.zeros(len(xy), np.int32),
        point_rate_hz=30000.0,
    )


def test_picture_error_of_a_displaced_line() -> None:
    line = np.stack([np.linspace(-0.5, 0.5, 400), np.full(400, 0.1)], axis=1)
    profile = ScannerProfile()
    beam = simulate(slow_frame(line), profile, 4)
    assert not beam.saturated
    exact = picture_error(beam, Strokes.from_polylines([line[[0, -1]]]))
    assert exact.quantile_99 < 0.01  # light is not shifted here: both ends are off by the lag
    away = picture_error(beam, Strokes.from_polylines([line[[0, -1]] + [0.0, 0.03]]))
    assert away.stray == pytest.approx(0.03, abs=1e-3)
    assert away.missing == pytest.approx(0.03, abs=1e-3)
    assert exact.brightness_evenness > 0.9
    assert exact.corner_rounding == 0.0
    twice = Strokes.from_polylines([line[[0, -1]], [[0.0, -0.5], [0.2, -0.5]]])
    assert picture_error(beam, twice).worst == pytest.approx(0.6, abs=5e-3)


def test_picture_error_of_nothing() -> None:
    dark = simulate(Frame.dark(30000.0), ScannerProfile())
    assert picture_error(dark, Strokes.empty()).worst == 0.0
    assert picture_error(dark, Strokes.from_polylines([[[0, 0], [1, 0]]])).worst == math.inf
