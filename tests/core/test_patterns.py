# SPDX-License-Identifier: GPL-3.0-or-later
from __future__ import annotations

import math

import numpy as np
import pytest
from beamwright.core.errors import SettingError
from beamwright.core.points.patterns import FLICKER_HZ, PATTERNS, pattern_frames
from beamwright.core.points.projector import GENERIC_PROFILES, ScannerProfile
from beamwright.core.points.scanner import simulate


@pytest.mark.parametrize("name", PATTERNS)
@pytest.mark.parametrize("label", GENERIC_PROFILES)
def test_every_frame_is_legal(name: str, label: str) -> None:
    profile = GENERIC_PROFILES[label]
    for frame in pattern_frames(name, profile):
        assert len(frame) <= 65535
        assert frame.blanked[[0, -1]].all()
        assert np.array_equal(frame.xy[0], frame.xy[-1])
        assert np.all(np.abs(frame.xy) <= 1.0)
        assert not frame.rgb[frame.blanked].any()
        assert (~frame.blanked).any()
        assert frame.point_rate_hz == profile.point_rate_hz


def test_unknown_name_is_refused() -> None:
    with pytest.raises(SettingError, match="circle-in-square"):
        pattern_frames("nothing", ScannerProfile())


def drawn_radius(profile: ScannerProfile, real: ScannerProfile) -> float:
    """Radius of the left circle as drawn, over its square's half side."""
    (frame,) = pattern_frames("circle-in-square", profile)
    beam = simulate(frame, real, 8)
    green = (beam.rgb[:, 1] > 0.5) & (beam.rgb[:, 0] < 0.1) & (beam.xy[:, 0] < 0.0)
    half = 0.175 * profile.rated_angle_deg / profile.field_deg
    away = np.hypot(beam.xy[green, 0] + 0.4, beam.xy[green, 1])
    return float(np.median(away) / half)


@pytest.mark.parametrize("label", GENERIC_PROFILES)
def test_circle_touches_its_square_on_a_scanner_as_rated(label: str) -> None:
    # The 12-point rule (common practice): stored √2 too large, drawn just right.
    profile = GENERIC_PROFILES[label]
    assert drawn_radius(profile, profile) == pytest.approx(1.0, abs=0.01)


def test_circle_shows_a_scanner_that_is_too_slow_or_too_fast() -> None:
    profile = GENERIC_PROFILES["30 kpps"]
    for factor in (0.8, 1.25):
        real = ScannerProfile(natural_frequency_hz=factor * profile.natural_frequency_hz)
        ratio = drawn_radius(profile, real)
        assert (ratio < 0.9) if factor < 1.0 else (ratio > 1.1)


def test_strobe_draws_the_step_response() -> None:
    # The row of the furthest dot gives the overshoot: exp(-π z / √(1 - z²)).
    profile = ScannerProfile(damping=0.5, rise_us=1.0)
    (frame,) = pattern_frames("strobe-small", profile)
    beam = simulate(frame, profile, 32)
    white = beam.rgb.min(axis=1) > 0.9
    overshoot = (beam.xy[white, 0].max() - 0.075) / 0.15
    assert not beam.saturated
    assert overshoot == pytest.approx(math.exp(-math.pi * 0.5 / math.sqrt(0.75)), abs=0.01)


@pytest.mark.parametrize("delay_us", [0.0, 40.0])
def test_comb_aligns_when_the_delay_is_right(delay_us: float) -> None:
    real = ScannerProfile(colour_delay_us=(delay_us,) * 3)
    misses = {}
    for entered in (delay_us, delay_us + 66.7):
        profile = ScannerProfile(colour_delay_us=(entered,) * 3)
        (frame,) = pattern_frames("blanking-delay", profile)
        beam = simulate(frame, real, 32)
        row = np.abs(beam.xy[:, 1] - 0.65) < 0.01
        back = np.abs(beam.xy[:, 1] - 0.60) < 0.01
        left = [beam.xy[beam.lit & which, 0].min() for which in (row, back)]
        misses[entered] = left[1] - left[0]
    # Two samples wrong, 2 × 0.04 each; whole samples of the light leave up to one.
    assert abs(misses[delay_us]) < 0.05
    shift = abs(misses[delay_us + 66.7] - misses[delay_us])
    assert shift == pytest.approx(0.16, abs=0.05)


def test_flicker_ladder_steps() -> None:
    profile = ScannerProfile()
    frames = pattern_frames("flicker-ladder", profile)
    assert [round(frame.refresh_hz) for frame in frames] == list(FLICKER_HZ)
