# SPDX-License-Identifier: GPL-3.0-or-later
from __future__ import annotations

import numpy as np
import pytest
from beamwright.core.points.order import order_strokes
from beamwright.core.points.placement import Tour, build_route, limits_at
from beamwright.core.points.projector import ScannerProfile
from beamwright.core.points.simplify import simplified
from beamwright.core.points.spacing import (
    SpacingSettings,
    count_points,
    place_points,
    spacing_at,
)
from beamwright.core.strokes import Strokes
from hypothesis import given
from strategies import STEADY, profiles, strokes

PLAIN = SpacingSettings(
    spacing=0.05,
    corner_dwell=4.0,
    settle_before=2,
    settle_after=1,
    jump_acceleration=0.02,
    jump_speed=0.3,
    dot_dwell=3,
)


def one(line: list[list[float]]) -> tuple[Strokes, Tour]:
    drawn = Strokes.from_polylines([line])
    return drawn, Tour(np.zeros(1, np.int32), np.zeros(1, bool), np.zeros(1, np.int32))


def test_points_of_a_bent_line() -> None:
    drawn, tour = one([[0.0, 0.0], [0.2, 0.0], [0.2, 0.1]])
    profile = ScannerProfile()
    frame = place_points(build_route(drawn, tour), drawn, profile, PLAIN)
    xy = frame.xy
    # Start 1 + 2, three between, corner 1 + 4 sin 45° = 4, one between, end 1 + 1.
    expected = [[0.0, 0.0]] * 3 + [[0.05, 0.0], [0.1, 0.0], [0.15, 0.0]]
    expected += [[0.2, 0.0]] * 4 + [[0.2, 0.05]] + [[0.2, 0.1]] * 2
    # 1 at home, then the ramp over 0.2: 2 √(0.2 / 0.02) = 6.3, so 6 points between.
    assert xy[7 : 7 + len(expected)] == pytest.approx(np.array(expected), abs=1e-12)
    assert xy[0] == pytest.approx([0.2, 0.1])
    # The light lag is 2.5 samples: the seam takes four samples.
    assert len(frame) == 7 + len(expected) + 4
    assert frame.blanked[[0, -1]].all()
    assert (~frame.blanked).sum() == len(expected)


def test_ramp_of_a_jump_is_smooth() -> None:
    drawn, tour = one([[0.0, 0.0], [0.9, 0.0]])
    route = build_route(drawn, tour)
    frame = place_points(route, drawn, ScannerProfile(), PLAIN)
    jump = frame.xy[:16, 0]
    assert np.all(np.diff(jump) <= 1e-12)
    assert np.abs(np.diff(jump, n=2)).max() <= PLAIN.jump_acceleration * 1.2


@STEADY
@given(strokes(), profiles())
def test_counts_fall_with_stress_and_agree_with_the_points(
    drawn: Strokes, profile: ScannerProfile
) -> None:
    ready = simplified(drawn, 0.001)
    route = build_route(ready, order_strokes(ready, limits_at(profile, 0.5)))
    lag = profile.sampled.light_lag
    counts = [count_points(route, spacing_at(profile, s), lag) for s in np.linspace(0.0, 1.0, 11)]
    assert np.all(np.diff(counts) <= 0)
    frame = place_points(route, ready, profile, spacing_at(profile, 0.0))
    assert len(frame) == counts[0]
    assert frame.blanked[[0, -1]].all()
    assert np.array_equal(frame.xy[0], frame.xy[-1])
    assert set(frame.stroke[frame.stroke >= 0].tolist()) == set(range(len(ready)))
