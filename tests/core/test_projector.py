# SPDX-License-Identifier: GPL-3.0-or-later
from __future__ import annotations

import json
import math

import pytest
from beamwright.core.errors import FormatError, SettingError
from beamwright.core.points.projector import (
    GENERIC_PROFILES,
    Projector,
    ScannerProfile,
    profile_from_json,
    profile_from_rating,
    profile_to_json,
)
from hypothesis import given
from strategies import STEADY, profiles


def gain(profile: ScannerProfile, frequency_hz: float) -> float:
    """|H| of a second-order low-pass (any textbook on control)."""
    ratio = frequency_hz / profile.natural_frequency_hz
    return 1.0 / math.hypot(1.0 - ratio**2, 2.0 * profile.damping * ratio)


@pytest.mark.parametrize("kpps", [12, 20, 30, 40, 60])
def test_rating_makes_the_twelve_point_circle_right(kpps: int) -> None:
    # Common practice: 12 points a turn, stored √2 times its size; hold gain sin(x)/x, x = π/12.
    profile = GENERIC_PROFILES[f"{kpps} kpps"]
    hold = math.sin(math.pi / 12) / (math.pi / 12)
    assert hold == pytest.approx(0.98862, abs=5e-6)
    assert hold * gain(profile, kpps * 1000 / 12) == pytest.approx(math.sqrt(0.5), rel=1e-12)
    assert profile.point_rate_hz == kpps * 1000


@pytest.mark.parametrize(
    ("damping", "frequency_hz"),
    [(0.6, 2177.2), (0.7071067811865476, 2500.0), (0.8, 2870.6), (1.0, 3884.4)],
)
def test_natural_frequency_for_a_gain(damping: float, frequency_hz: float) -> None:
    # Computed from |H(2500 Hz)| = 0.7071, without the hold: scale the rating to take it out.
    hold = math.sin(math.pi / 12) / (math.pi / 12)
    profile = profile_from_rating(30000.0, damping=damping)
    middle = 1 - 2 * damping**2
    with_hold = middle + math.sqrt(middle**2 + 2 * hold**2 - 1)
    without = middle + math.sqrt(middle**2 + 1)
    corrected = profile.natural_frequency_hz * math.sqrt(with_hold / without)
    assert corrected == pytest.approx(frequency_hz, abs=0.06)


def test_default_profile_in_samples() -> None:
    units = ScannerProfile().sampled
    assert units.natural_frequency == pytest.approx(0.5236, abs=1e-4)
    assert units.acceleration_max == pytest.approx(0.0544, abs=1e-4)
    assert units.speed_max == pytest.approx(0.333, abs=1e-3)
    assert units.mirror_lag == pytest.approx(2.71, abs=5e-3)
    assert units.rise == pytest.approx(0.3)


@STEADY
@given(profiles())
def test_conversion_keeps_the_physics(profile: ScannerProfile) -> None:
    other = profile.converted(point_rate_hz=24000.0, field_deg=30.0)
    rate = profile.point_rate_hz / 24000.0
    angle = profile.field_deg / 30.0
    before, after = profile.sampled, other.sampled
    assert after.natural_frequency == pytest.approx(before.natural_frequency * rate)
    assert after.speed_max == pytest.approx(before.speed_max * rate * angle)
    assert after.acceleration_max == pytest.approx(before.acceleration_max * rate**2 * angle)
    assert after.rise == pytest.approx(before.rise / rate)
    back = other.converted(profile.point_rate_hz, profile.field_deg)
    assert back.sampled.acceleration_max == pytest.approx(before.acceleration_max)


@STEADY
@given(profiles())
def test_json_round_trip(profile: ScannerProfile) -> None:
    assert profile_from_json(profile_to_json(profile)) == profile


@pytest.mark.parametrize(
    ("field", "value"),
    [
        ("point_rate_hz", 0.0),
        ("point_rate_hz", -1.0),
        ("point_rate_hz", math.nan),
        ("point_rate_hz", math.inf),
        ("field_deg", 120.5),
        ("field_deg", 0.0),
        ("rated_angle_deg", math.nan),
        ("natural_frequency_hz", -5.0),
        ("damping", 0.0),
        ("acceleration_max_deg_s2", math.nan),
        ("velocity_max_deg_s", 0.0),
        ("colour_delay_us", (0.0, math.nan, 0.0)),
        ("rise_us", -1.0),
        ("tolerance_field", 0.0),
        ("minimum_level", 1.0),
    ],
)
def test_impossible_numbers_are_refused(field: str, value: object) -> None:
    with pytest.raises(SettingError, match="profile"):
        ScannerProfile(**{field: value})  # type: ignore[arg-type]


@pytest.mark.parametrize(
    "change",
    [
        {"name": " "},
        {"target_refresh_hz": 0.0},
        {"target_refresh_hz": math.nan},
        {"number": 256},
        {"placement": "other"},
    ],
)
def test_impossible_projectors_are_refused(change: dict[str, object]) -> None:
    with pytest.raises(SettingError):
        Projector(**change)  # type: ignore[arg-type]


def test_budget() -> None:
    for refresh, points in ((30, 1000), (50, 600), (60, 500)):
        assert Projector(target_refresh_hz=refresh).budget == points


@pytest.mark.parametrize(
    "text",
    [
        "{",
        "[]",
        '{"schema": "other", "version": 1}',
        '{"schema": "beamwright-scanner-profile", "version": 2}',
        '{"schema": "beamwright-scanner-profile", "version": 1, "speed": 3}',
        '{"schema": "beamwright-scanner-profile", "version": 1, "damping": "a lot"}',
        '{"schema": "beamwright-scanner-profile", "version": 1, "settle": 1}',
        '{"schema": "beamwright-scanner-profile", "version": 1, "colour_delay_us": [1, 2]}',
    ],
)
def test_broken_profile_files_are_refused(text: str) -> None:
    with pytest.raises(FormatError):
        profile_from_json(text)


def test_missing_fields_keep_their_default() -> None:
    text = json.dumps({"schema": "beamwright-scanner-profile", "version": 1, "damping": 0.8})
    assert profile_from_json(text) == ScannerProfile(damping=0.8)
