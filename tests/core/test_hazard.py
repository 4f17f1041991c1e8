# SPDX-License-Identifier: GPL-3.0-or-later
"""Hazard figures against published worked values, to half a percent.

Sources, as far as they are public: Directive 2006/25/EC Annex II (the limit's formula), a
university's laser-safety sample calculations on AS/NZS IEC 60825 (2015), a health-physics
mailing list on ANSI Z136.1 (2000), a training handout that prints 225 m for 1 W at 1 mrad,
public summaries of FAA AC 70-1B, the CIE 1924 luminous efficiency. Values without a source
are computed from the stated formula.
"""

import math

import numpy as np
import pytest
from beamwright.core.frame import Frame
from beamwright.core.points.projector import ScannerProfile
from beamwright.core.safety.exposure import (
    APERTURE_M2,
    BeamWidth,
    Edition,
    Growth,
    aperture_fraction,
    beam_fraction_table,
    exposure_limit_j_m2,
    extended_distance_m,
    hazard_distance_m,
    irradiance_limit_w_m2,
    irradiance_w_m2,
    pass_energy_j,
    photochemical_limit_j_m2,
    pulse_train_factor,
    visual_correction,
)
from beamwright.core.safety.hazard import (
    PLANNING_NOTE,
    aviation_distances_m,
    planning_figures,
)
from beamwright.core.safety.laser import LaserSource
from beamwright.core.safety.scanned import worst_spot
from hypothesis import given, settings
from hypothesis import strategies as st

OLD, NEW = Edition.GENERATION_2006, Edition.GENERATION_2014
HALF_PERCENT = 5e-3
ONE_WATT = LaserSource(
    wavelength_nm=(638.0, 532.0, 450.0),
    power_w=(0.0, 1.0, 0.0),
    divergence_mrad=1.0,
    diameter_mm=3.0,
    width=BeamWidth.INVERSE_E,
)


@pytest.mark.parametrize(
    ("edition", "seconds", "expected"),
    [
        (NEW, 1e-9, 0.002),
        (NEW, 1e-6, 0.002),
        (OLD, 1e-9, 0.005),
        (OLD, 1e-6, 0.005),
        (NEW, 5e-6, 0.001903),
        (NEW, 1e-5, 0.003201),
        (OLD, 1e-5, 0.005),
        (OLD, 1e-12, 1.5e-4),
        (NEW, 1e-12, 1e-3),
        (OLD, 1e-10, 2.7e4 * 1e-10**0.75),
        *((edition, 1.8e-5, 0.004974) for edition in Edition),
        *((edition, 1e-4, 0.01800) for edition in Edition),
        *((edition, 1e-3, 0.10122) for edition in Edition),
        *((edition, 1e-2, 0.56921) for edition in Edition),
        *((edition, 0.1, 3.2009) for edition in Edition),
        *((edition, 0.25, 6.3640) for edition in Edition),
        *((edition, 1.0, 18.0) for edition in Edition),
        *((edition, 10.0, 100.0) for edition in Edition),
        *((edition, 100.0, 1000.0) for edition in Edition),
    ],
)
def test_thermal_limit(edition, seconds, expected):
    """The table of both generations."""
    assert exposure_limit_j_m2(seconds, edition) == pytest.approx(expected, rel=HALF_PERCENT)


def test_published_exposure_values():
    """Values printed in public sources, in their units."""
    limit = irradiance_limit_w_m2(0.25, 488.0)
    # University sheet: 1.8 x 0.25^0.75 = 0.64 mJ/cm², 2.55 mW/cm² at 488 nm, 0.25 s.
    assert exposure_limit_j_m2(0.25) / 10.0 == pytest.approx(0.6364, rel=HALF_PERCENT)
    assert limit / 10.0 == pytest.approx(2.55, rel=HALF_PERCENT)
    # The same sheet: 10 W in 1 cm is 12.7 W/cm²; against 3.8 W/cm² an optical density of 3.2.
    narrow = irradiance_w_m2(10.0, 0.01, BeamWidth.INVERSE_E)
    assert narrow / 1e4 == pytest.approx(12.7, rel=HALF_PERCENT)
    assert math.log10(3.8e4 / limit) == pytest.approx(3.174, rel=HALF_PERCENT)
    # Mailing list: 651 nm, 0.25 s: 6.36e-4 J/cm²; 2 mW through 7 mm is 5.19e-3 W/cm².
    assert exposure_limit_j_m2(0.25) / 1e4 == pytest.approx(6.36e-4, rel=HALF_PERCENT)
    assert pytest.approx(5.19e-3, rel=HALF_PERCENT) == 2e-3 / APERTURE_M2 / 1e4
    # 1 mW class limit: 25.456 W/m² through 7 mm.
    assert limit * APERTURE_M2 == pytest.approx(0.9797e-3, rel=HALF_PERCENT)


@pytest.mark.parametrize(
    ("wavelength", "photochemical", "governing"),
    [
        (445.0, 1.0, 1.0),
        (450.0, 1.0, 1.0),
        (460.0, 1.5849, 1.585),
        (488.0, 5.7544, 5.754),
        (520.0, 25.119, 10.0),
        (532.0, 43.652, 10.0),
        (638.0, math.inf, 10.0),
    ],
)
def test_photochemical_limit(wavelength, photochemical, governing):
    assert photochemical_limit_j_m2(100.0, wavelength) / 100.0 == pytest.approx(
        photochemical, rel=HALF_PERCENT
    )
    assert irradiance_limit_w_m2(100.0, wavelength) == pytest.approx(governing, rel=HALF_PERCENT)


@given(st.sampled_from(list(Edition)), st.floats(1e-13, 3e4), st.floats(1.0001, 1e3))
@settings(max_examples=200, deadline=None, derandomize=True)
def test_limits_rise_with_time(edition, seconds, factor):
    """Radiant exposure never falls by more than the table's own steps (5 % at 5 µs)."""
    later = min(seconds * factor, 3e4)
    if later > seconds:
        assert exposure_limit_j_m2(later, edition) >= 0.94 * exposure_limit_j_m2(seconds, edition)


@pytest.mark.parametrize(
    ("count", "expected"), [(1, 1.0), (15, 0.5081), (25, 0.4472), (600, 0.2021), (0, 1.0)]
)
def test_pulse_train_2006(count, expected):
    assert pulse_train_factor(count, 1e-4, 0.25) == pytest.approx(expected, rel=HALF_PERCENT)
    assert pulse_train_factor(count, 1e-4, 0.25, NEW) == 1.0


def test_pulse_train_2014_short_pulses():
    assert pulse_train_factor(10_000, 1e-6, 10.0, NEW) == pytest.approx(0.5)
    assert pulse_train_factor(1_000_000, 1e-6, 10.0, NEW) == 0.4


@pytest.mark.parametrize(
    ("power", "theta", "limit", "diameter", "width", "growth", "expected"),
    [
        # A training handout prints 225 m.
        (1.0, 1e-3, 25.0, 0.0, BeamWidth.INVERSE_E, Growth.QUADRATIC, 225.68),
        (1.0, 1e-3, 25.456, 0.0, BeamWidth.INVERSE_E, Growth.QUADRATIC, 223.65),
        (1.0, 1e-3, 25.456, 3e-3, BeamWidth.INVERSE_E, Growth.LINEAR, 220.65),
        (1.0, 1e-3, 25.456, 3e-3, BeamWidth.INVERSE_E, Growth.QUADRATIC, 223.63),
        (1.0, 1e-3, 10.0, 0.0, BeamWidth.INVERSE_E, Growth.QUADRATIC, 356.82),
        (1.0, 1e-3, 25.456, 0.0, BeamWidth.INVERSE_E2, Growth.QUADRATIC, 316.28),
        # An independent public calculator agrees with this one.
        (5e-3, 1e-3, 25.456, 1e-3, BeamWidth.INVERSE_E, Growth.LINEAR, 14.81),
        (10.0, 1.5e-3, 25.456, 0.0, BeamWidth.INVERSE_E, Growth.QUADRATIC, 471.49),
    ],
)
def test_hazard_distance(power, theta, limit, diameter, width, growth, expected):
    assert hazard_distance_m(power, theta, limit, diameter, width, growth) == pytest.approx(
        expected, rel=HALF_PERCENT
    )


def test_hazard_distance_of_a_harmless_beam_is_zero():
    assert hazard_distance_m(1e-6, 1e-3, 25.456, 3e-3, BeamWidth.INVERSE_E) == 0.0


def test_extended_distance():
    """7x50: the objective gathers (50/7)² times, the magnification allows 7²."""
    assert extended_distance_m(100.0, 0.05) == pytest.approx(714.29, rel=HALF_PERCENT)
    assert extended_distance_m(100.0, 0.05, 7.0) == pytest.approx(700.0)
    assert extended_distance_m(100.0, 0.003) == 100.0


@pytest.mark.parametrize(
    ("ratio", "expected"), [(0.5, 0.981684), (1.0, 0.632121), (2.0, 0.221199), (3.0, 0.105161)]
)
def test_aperture_fraction(ratio, expected):
    assert aperture_fraction(0.007 * ratio) == pytest.approx(expected, rel=1e-5)


@pytest.mark.parametrize(
    ("radius_mm", "expected"),
    [
        (0.5, 6.98207e-5),
        (3.5, 5.91024e-5),
        (5.0, 4.94123e-5),
        (10.0, 2.89350e-5),
        (20.0, 1.51216e-5),
    ],
)
def test_pass_energy(radius_mm, expected):
    """1 W at 100 m/s."""
    assert pass_energy_j(1.0, 100.0, radius_mm * 1e-3) == pytest.approx(expected, rel=1e-4)


def test_pass_energy_limits():
    assert pass_energy_j(1.0, 100.0, 1e-6) == pytest.approx(7e-5, rel=1e-6)
    wide = APERTURE_M2 * math.sqrt(2 / math.pi) / (0.5 * 100.0)
    assert pass_energy_j(1.0, 100.0, 0.5) == pytest.approx(wide, rel=1e-4)


@pytest.mark.parametrize("radius", [5e-4, 3.5e-3, 2e-2])
def test_offset_aperture_integrates_to_the_pass(radius):
    """The share over all offsets along a line is the energy of a pass: ∫ f dx = Q v / P."""
    offsets = np.linspace(0.0, 0.0035 + 4 * radius, 4000)
    share = beam_fraction_table(radius, offsets)
    assert share[0] == pytest.approx(aperture_fraction(radius * math.sqrt(2)), rel=1e-4)
    total = 2 * float(np.sum((share[1:] + share[:-1]) / 2) * (offsets[1] - offsets[0]))
    assert total == pytest.approx(100.0 * pass_energy_j(1.0, 100.0, radius), rel=1e-3)


@pytest.mark.parametrize(
    ("wavelength", "expected"),
    [(450.0, 0.0380), (520.0, 0.7100), (555.0, 1.0), (630.0, 0.2653), (650.0, 0.1070)],
)
def test_visual_correction(wavelength, expected):
    """CIE 1924 as quoted with AC 70-1B (which rounds 520 nm to 0.7092)."""
    assert visual_correction(wavelength) == pytest.approx(expected, rel=HALF_PERCENT)


def test_aviation_distances():
    """1 W, 1 mrad, V = 1: 725.8 / 3701.0 / 16543.6 / 165436 ft (from the summary's formulas)."""
    source = LaserSource(
        wavelength_nm=(555.0, None, None),
        power_w=(1.0, 0.0, 0.0),
        divergence_mrad=1.0,
        diameter_mm=1.0,
        width=BeamWidth.INVERSE_E,
    )
    distances = aviation_distances_m(source)
    assert list(distances.values()) == pytest.approx(
        [221.3, 1128.4, 5046.3, 50463.0], rel=HALF_PERCENT
    )


def line_frame(speed_m_s=100.0, distance=10.0, rate=30000.0, field_deg=20.0):
    """A straight line drawn at constant speed, back dark: one pass a frame at any place."""
    step = speed_m_s / rate / (math.radians(field_deg / 2) * distance)
    count = int(1.6 / step)
    out = -0.8 + step * np.arange(count)
    back = np.linspace(out[-1], -0.8, 60)
    x = np.concatenate([out, back])
    # Light only once the scanners have turned round and run at their speed.
    blanked = (np.arange(len(x)) >= count) | (np.arange(len(x)) < 20)
    rgb = np.where(blanked[:, None], 0.0, np.ones((len(x), 3)))
    index = np.zeros(len(x), np.int32)
    return Frame(np.c_[x, np.zeros(len(x))], rgb, blanked, index, index, rate)


def wide_source(radius_m, distance, power=1.0):
    """A source whose beam has that 1/e² radius at the distance."""
    return LaserSource(
        wavelength_nm=(638.0, 532.0, 450.0),
        power_w=(0.0, power, 0.0),
        divergence_mrad=0.05,
        diameter_mm=math.sqrt((2e3 * radius_m) ** 2 - (0.05 * distance) ** 2),
        width=BeamWidth.INVERSE_E2,
    )


def test_worst_spot_of_a_straight_pass():
    """1 W, 100 m/s, 5 mm radius: the worked case of a scanned pass, Q = 4.94123e-5 J.

    That case takes d63/v = 70.71 µs as the pulse; the length on the axis here is
    w √(π/2) / v = 62.67 µs, so the ratio is (70.71 / 62.67)^0.75 above the worked one of
    1 W / 10.81 mW.
    """
    frame = line_frame()
    spot = worst_spot(frame, wide_source(5e-3, 10.0), ScannerProfile(), 10.0, edition=NEW)
    assert spot.passes_per_frame == 1
    assert spot.energy_j == pytest.approx(4.94123e-5, rel=0.02)
    assert spot.pass_s == pytest.approx(62.67e-6, rel=0.02)
    worked = 1.0 / 10.81e-3
    assert spot.ratio == pytest.approx(worked * (70.71 / 62.67) ** 0.75, rel=0.03)
    old = worst_spot(frame, wide_source(5e-3, 10.0), ScannerProfile(), 10.0)
    repeats = 0.25 / frame.duration_s
    assert old.ratio == pytest.approx(spot.ratio * repeats**0.25, rel=0.01)
    assert old.rule == "train of passes"


def test_worst_spot_is_where_the_beam_rests():
    """A hold in a line is found, and exposure grows with it."""
    frame = line_frame()
    xy = np.insert(frame.xy, [100] * 40, frame.xy[100], axis=0)
    rgb = np.insert(frame.rgb, [100] * 40, 1.0, axis=0)
    blanked = np.insert(frame.blanked, [100] * 40, False)
    index = np.zeros(len(xy), np.int32)
    held = Frame(xy, rgb, blanked, index, index, 30000.0)
    source = wide_source(5e-3, 10.0)
    moving = worst_spot(frame, source, ScannerProfile(), 10.0)
    resting = worst_spot(held, source, ScannerProfile(), 10.0)
    assert resting.x == pytest.approx(frame.xy[100, 0], abs=0.01)
    assert resting.ratio > 1.5 * moving.ratio


def test_a_standing_beam_is_judged_as_one():
    """A frame of one lit spot is the standing beam: its irradiance over the 0.25 s limit."""
    index = np.zeros(50, np.int32)
    frame = Frame(np.zeros((50, 2)), np.ones((50, 3)), np.zeros(50, bool), index, index, 30000.0)
    spot = worst_spot(frame, ONE_WATT, ScannerProfile(), 20.0)
    standing = next(
        f for f in planning_figures(ONE_WATT, 20.0) if f.name == "Standing beam over its limit"
    )
    assert spot.ratio == pytest.approx(standing.value, rel=HALF_PERCENT)


def test_a_dark_frame_exposes_nobody():
    assert worst_spot(Frame.dark(30000.0), ONE_WATT, ScannerProfile(), 10.0).ratio == 0.0


@given(scale=st.floats(0.05, 1.0), distance=st.floats(2.0, 60.0))
@settings(max_examples=15, deadline=None, derandomize=True)
def test_exposure_is_linear_in_power(scale, distance):
    frame = line_frame()
    full = worst_spot(frame, ONE_WATT, ScannerProfile(), distance)
    weak = LaserSource(ONE_WATT.wavelength_nm, (0.0, scale, 0.0), 1.0, 3.0, BeamWidth.INVERSE_E)
    part = worst_spot(frame, weak, ScannerProfile(), distance)
    assert part.ratio == pytest.approx(scale * full.ratio, rel=1e-6)


@pytest.mark.parametrize(
    "change",
    [
        {"power_w": (None, 1.0, 0.0)},
        {"power_w": (0.0, math.nan, 0.0)},
        {"power_w": (0.0, -1.0, 0.0)},
        {"power_w": (0.0, 0.0, 0.0)},
        {"wavelength_nm": (638.0, None, 450.0)},
        {"wavelength_nm": (638.0, 1064.0, 450.0)},
        {"divergence_mrad": None},
        {"divergence_mrad": 0.0},
        {"diameter_mm": None},
        {"diameter_mm": math.inf},
        {"width": None},
    ],
)
def test_doubtful_input_gives_no_figure(change):
    """No figure that rests on the doubtful input, and a reason beside each gap."""
    known = {
        "wavelength_nm": ONE_WATT.wavelength_nm,
        "power_w": ONE_WATT.power_w,
        "divergence_mrad": 1.0,
        "diameter_mm": 3.0,
        "width": BeamWidth.INVERSE_E,
    }
    source = LaserSource(**{**known, **change})
    assert source.doubt
    assert worst_spot(line_frame(), source, ScannerProfile(), 10.0) is None
    for figure in planning_figures(source, 10.0):
        if not figure.name.startswith("Separation"):
            assert figure.value is None, figure.name
            assert source.doubt in figure.remark


@pytest.mark.parametrize("seconds", [None, math.nan, 0.0, -1.0, 1e-14, 1e5, math.inf])
def test_no_limit_outside_the_table(seconds):
    for edition in Edition:
        assert exposure_limit_j_m2(seconds, edition) is None
        assert irradiance_limit_w_m2(seconds, 532.0, edition) is None


@pytest.mark.parametrize("distance", [None, 0.0, math.nan, math.inf])
def test_no_figure_without_a_distance(distance):
    assert worst_spot(line_frame(), ONE_WATT, ScannerProfile(), distance) is None


def test_figures_name_their_formula_edition_and_certainty():
    spot = worst_spot(line_frame(), ONE_WATT, ScannerProfile(), 10.0)
    for edition in Edition:
        figures = planning_figures(ONE_WATT, 10.0, edition=edition, worst=spot)
        assert all(f.value is not None and f.value > 0.0 for f in figures)
        assert all(f.formula and f.unit and f.certainty for f in figures)
        assert sum(f.edition == edition.value for f in figures) >= 4
    assert "planning figures" in PLANNING_NOTE
    assert "laser safety officer" in PLANNING_NOTE
