# SPDX-License-Identifier: GPL-3.0-or-later
"""Pictures to look at show what mirrors and light make of a frame, where it was to be."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
import shapely
from beamwright.core.points.plan import plan_strokes
from beamwright.core.points.projector import Aim, Projector, ScannerProfile
from beamwright.core.proof import beam_path, beam_picture
from beamwright.core.report.page_picture import decode_picture
from beamwright.core.strokes import Strokes

RED = (1.0, 0.0, 0.0)
GREEN = (0.0, 1.0, 0.0)


def two_lines():
    return [np.array([(-0.6, 0.5), (0.6, 0.5)]), np.array([(-0.6, -0.5), (0.0, -0.5)])]


def planned(profile):
    projector = Projector(profile=profile, aim=Aim(scale_x=1.0, scale_y=1.0))
    strokes = Strokes.from_polylines(two_lines(), colour=np.array([RED, GREEN]))
    return plan_strokes(strokes, [], projector).frame


PROFILES = [
    ScannerProfile(),
    ScannerProfile(rise_us=0.0),
    ScannerProfile(colour_delay_us=(60.0, 60.0, 60.0), rise_us=40.0),
    ScannerProfile(point_rate_hz=12000.0, natural_frequency_hz=1200.0),
]


def distances(frame, profile):
    """How far each line's light lies from the line, or the line from its light."""
    drawn = {RED: [], GREEN: []}
    for vertices, colour in decode_picture(beam_picture(frame, profile)):
        drawn[tuple(colour)].append(vertices)
    return [
        shapely.hausdorff_distance(
            shapely.MultiLineString(drawn[colour]), shapely.LineString(wanted), densify=0.05
        )
        for wanted, colour in zip(two_lines(), (RED, GREEN), strict=True)
    ]


@pytest.mark.parametrize("profile", PROFILES)
def test_light_lies_where_it_was_to_be(profile):
    # The planner's tolerance, and some part of what a sample covers at full speed.
    assert max(distances(planned(profile), profile)) < profile.tolerance_field + 0.03


def test_light_at_the_wrong_time_is_seen():
    profile = ScannerProfile()
    wrong = replace(profile, colour_delay_us=(400.0, 400.0, 400.0))
    assert max(distances(planned(profile), wrong)) > 0.1


def test_without_a_profile_one_is_assumed():
    frame = planned(ScannerProfile())
    assert beam_picture(frame)[2] > 0


def test_late_light_is_shown_late():
    """Whoever tunes the delay wrongly sees it."""
    profile = ScannerProfile(rise_us=0.0)
    frame = planned(profile)
    late = replace(profile, colour_delay_us=(100.0, 0.0, 0.0))
    xy, rgb, lit = beam_path(frame, profile)
    xy_late, rgb_late, _ = beam_path(frame, late)
    np.testing.assert_array_equal(xy, xy_late)
    np.testing.assert_array_equal(lit, rgb.max(axis=1) > 1e-6)
    # 100 µs at 30,000 samples a second in four rows each.
    np.testing.assert_allclose(np.roll(rgb[:, 0], 12), rgb_late[:, 0], atol=1e-9)
    np.testing.assert_allclose(rgb[:, 1], rgb_late[:, 1], atol=1e-9)
