# SPDX-License-Identifier: GPL-3.0-or-later
"""Where the beam may run: every scanner within the spread stays within reach of the hulls."""

import numpy as np
import pytest
import shapely
from beamwright.core.points.projector import ScannerProfile
from beamwright.core.points.scanner import linear_response
from beamwright.core.safety.beam import beam_paths

RATE = 30000.0
STRONG = {"acceleration_max_deg_s2": 1e15, "velocity_max_deg_s": 1e15}
FINE = 96


def commands(rng, count):
    """Jumps, rests and lines: what a frame is made of."""
    corners = np.repeat(rng.uniform(-1, 1, (count // 8 + 1, 2)), 8, axis=0)[:count]
    path = np.cumsum(rng.normal(0, 0.05, (count, 2)), axis=0)
    return np.clip(np.where(rng.random((count, 1)) < 0.5, corners, path), -1, 1)


@pytest.mark.parametrize(
    ("frequency", "damping"),
    [(1146.0, 0.345), (1500.0, 0.5), (2500.0, 0.71), (8000.0, 1.2), (28272.0, 0.954)],
)
def test_scanners_between_the_simulated_ones_stay_within_reach(frequency, damping):
    """Also light damping, which rings, and mirrors faster than the samples come.

    Three frequencies alone, or 32 straight pieces a sample alone, do not hold it: the check
    is of what is added for what lies between.
    """
    rng = np.random.default_rng(5)
    profile = ScannerProfile(natural_frequency_hz=frequency, damping=damping, **STRONG)
    outside_hulls = 0
    for count in (40, 75):
        xy = commands(rng, count)
        beams = beam_paths(xy, RATE, profile, 0.15, 5e-5)
        hulls = shapely.convex_hull(
            shapely.linestrings(np.moveaxis(beams.paths.reshape(-1, 2, count), 2, 0))
        )
        natural = 2.0 * np.pi * frequency / RATE
        for factor in (0.85, 0.9, 0.95, 1.03, 1.08, 1.13, 1.15):
            beam = linear_response(xy, natural * factor, damping, FINE)[0].reshape(count, FINE, 2)
            distance = shapely.distance(hulls[:, None], shapely.points(beam)).max(axis=1)
            outside_hulls += int((distance > 5e-5).sum())
            assert np.all(distance <= beams.reach[0] + 5e-5 + 1e-9)
    if damping < 0.4 or frequency > 20000.0:
        assert outside_hulls > 0


def test_the_usual_pair_needs_little_reach():
    """What is added costs the default profile next to no light."""
    xy = commands(np.random.default_rng(6), 300)
    beams = beam_paths(xy, RATE, ScannerProfile(**STRONG), 0.15, 0.005)
    assert np.median(beams.reach[0]) < 0.01
