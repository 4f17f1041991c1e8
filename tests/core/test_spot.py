# SPDX-License-Identifier: GPL-3.0-or-later
"""Longest dwell and worst irradiance against counts by hand and the published limits."""

import numpy as np
import pytest
from beamwright.core.frame import Frame
from beamwright.core.points.projector import ScannerProfile
from beamwright.core.safety.exposure import BeamWidth, Edition
from beamwright.core.safety.laser import LaserSource
from beamwright.core.safety.scanned import WorstSpot, worst_spot
from beamwright.core.safety.spot import longest_dwell, spot_exposure
from hypothesis import given
from hypothesis import strategies as st


def frame(xy, lit=None):
    xy = np.array(xy, float)
    lit = np.ones(len(xy), bool) if lit is None else np.array(lit)
    index = np.zeros(len(xy), np.int32)
    return Frame(xy, lit[:, None] * np.ones(3), ~lit, index, index, 30000.0)


def test_a_dwell_across_the_loop_s_end_is_one():
    """Two samples at the end and three at the beginning in one corner, one dark between."""
    place = [(0.9, 0.9)] * 3 + [(-0.5, 0.0), (-0.2, 0.0)] + [(0.9, 0.9)] * 2
    dwell = longest_dwell(frame(place), 0.01)
    assert dwell.duration_us == pytest.approx(5e6 / 30000)
    assert (dwell.x, dwell.y) == pytest.approx((0.9, 0.9))
    lit = [True] * 7
    lit[6] = False
    assert longest_dwell(frame(place, lit), 0.01).duration_us == pytest.approx(3e6 / 30000)


def test_a_frame_that_stands_still_dwells_as_long_as_it_lasts():
    assert longest_dwell(frame([(0.1, 0.1)] * 40), 0.01).duration_us == pytest.approx(40e6 / 3e4)
    assert longest_dwell(frame([(0.1, 0.1)], [False]), 0.01).duration_us == 0.0


@given(
    st.lists(
        st.tuples(st.integers(0, 6), st.integers(0, 6), st.booleans()), min_size=1, max_size=40
    )
)
def test_longest_run_is_that_of_plain_counting(rows):
    """Every start and every length tried one by one."""
    made = frame([(x / 10, y / 10) for x, y, _ in rows], [lit for _, _, lit in rows])
    count, best = len(rows), 0
    for start in range(count):
        for length in range(1, count + 1):
            run = [rows[(start + step) % count] for step in range(length)]
            wide = max(max(p[axis] for p in run) - min(p[axis] for p in run) for axis in (0, 1))
            if all(lit for _, _, lit in run) and wide <= 2:
                best = max(best, length)
    assert longest_dwell(made, 0.2 + 1e-9).duration_us == pytest.approx(best * 1e6 / 30000)


def test_a_standing_beam_is_judged_against_25_watts():
    """0.25 s: 25.456 W/m² (18 t^0.75 J/m², Directive 2006/25/EC Annex II)."""
    source = LaserSource((638.0, 520.0, 450.0), (0.01, 0.0, 0.0), 1.0, 3.0, BeamWidth.INVERSE_E2)
    spot = worst_spot(frame([(0.0, 0.0)] * 40), source, ScannerProfile(), 10.0)
    exposure = spot_exposure(spot)
    assert exposure.limit_w_m2 == pytest.approx(25.456, rel=0.005)
    assert exposure.irradiance_w_m2 / exposure.limit_w_m2 == pytest.approx(spot.ratio)
    # Own arithmetic of the standing beam: d at 1/e², 2 J r²/w² through 7 mm.
    d = np.hypot(3.0, 10.0) / np.sqrt(2.0)
    expected = 0.01 * (1 - np.exp(-((7.0 / d) ** 2))) / 3.84845e-5
    assert exposure.irradiance_w_m2 == pytest.approx(expected, rel=0.01)


def test_a_single_pass_has_its_own_limit():
    """H = 1.28395 J/m² in 70.71 µs against 0.013880 J/m² (worked case of the scanned pass)."""
    ratio = 1.28395 / 0.013880
    spot = WorstSpot(0.0, 0.0, ratio, "one pass", 1, 1.28395 * 3.84845e-5, 70.71e-6)
    exposure = spot_exposure(spot, Edition.GENERATION_2014)
    assert exposure.irradiance_w_m2 == pytest.approx(1.28395 / 70.71e-6, rel=1e-4)
    assert exposure.limit_w_m2 == pytest.approx(0.013880 / 70.71e-6, rel=1e-4)
    assert "70.7 µs" in exposure.rule
    assert spot_exposure(WorstSpot(0.0, 0.0, 0.0, "no light", 0, 0.0, 0.0)) is None


def test_the_sum_is_judged_on_average():
    exposure = spot_exposure(WorstSpot(0.0, 0.0, 2.0, "sum over 0.25 s", 9, 1e-6, 1e-4))
    assert exposure.limit_w_m2 == pytest.approx(25.456, rel=0.005)
    assert exposure.irradiance_w_m2 == pytest.approx(2 * exposure.limit_w_m2)
    assert "on average over 0.25 s" in exposure.rule
