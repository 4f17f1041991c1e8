# SPDX-License-Identifier: GPL-3.0-or-later
"""The guard: it may darken, and nothing else."""

import numpy as np
import pytest
from beamwright.core.errors import SettingError
from beamwright.core.frame import Frame
from beamwright.core.points.projector import ScannerProfile
from beamwright.core.safety.guard import guard
from beamwright.core.safety.keep_out import light_window
from beamwright.core.safety.limits import SafetyLimits
from beamwright.core.safety.zones import KeepOut, widened
from fuzz_safety import fuzz, lit_samples
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

OFF = SafetyLimits(dwell_max_us=0.0, brightness_max=1.0, picture_min_field=0.0)
RATE = 30000.0


def make_frame(xy, rgb=None, blanked=None, rate=RATE):
    xy = np.asarray(xy, np.float64)
    count = len(xy)
    blanked = np.zeros(count, bool) if blanked is None else np.asarray(blanked, bool)
    rgb = np.where(blanked[:, None], 0.0, np.ones((count, 3))) if rgb is None else rgb
    index = np.arange(count, dtype=np.int32)
    return Frame(xy, np.asarray(rgb, np.float64), blanked, index, index, rate)


def circle(count=600, radius=0.8):
    angle = np.arange(count) / count * 2 * np.pi
    return np.c_[radius * np.cos(angle), radius * np.sin(angle)]


def limits_with(*zones, **changes):
    base = {"dwell_max_us": 0.0, "brightness_max": 1.0, "picture_min_field": 0.0}
    return SafetyLimits(
        zones=tuple(KeepOut(f"area {i}", tuple(map(tuple, z))) for i, z in enumerate(zones)),
        **{**base, **changes},
    )


def square(x, y, half):
    return ((x - half, y - half), (x + half, y - half), (x + half, y + half), (x - half, y + half))


numbers = st.floats(-3.0, 3.0) | st.sampled_from([np.nan, np.inf, -np.inf, 1e308, 1.0, -1.0, 0.0])


@st.composite
def any_frame(draw):
    count = draw(st.integers(1, 30))
    return Frame(
        xy=draw(
            arrays(
                np.float64,
                (count, 2),
                elements=draw(
                    st.sampled_from([st.floats(-1.0, 1.0), st.floats(-1.5, 1.5), numbers])
                ),
            )
        ),
        rgb=draw(
            arrays(
                np.float64,
                (count, 3),
                elements=draw(st.sampled_from([st.floats(0.0, 1.0), numbers])),
            )
        ),
        blanked=draw(arrays(np.bool_, count)),
        stroke=np.zeros(count, np.int32),
        object_index=np.zeros(count, np.int32),
        point_rate_hz=draw(st.sampled_from([12000.0, 30000.0, 60000.0])),
    )


any_limits = st.builds(
    SafetyLimits,
    zones=st.lists(
        st.builds(
            KeepOut,
            name=st.sampled_from(["front", "balcony"]),
            outline=st.lists(
                st.tuples(st.floats(-1.2, 1.2), st.floats(-1.2, 1.2)), min_size=1, max_size=7
            ).map(tuple),
        ),
        max_size=3,
    ).map(tuple),
    margin_field=st.sampled_from([1e-4, 0.01, 0.3]),
    window=st.sampled_from([(-1.0, -1.0, 1.0, 1.0), (-0.5, -1.0, 1.0, 0.9)]),
    spot_field=st.sampled_from([0.002, 0.02, 1.0]),
    dwell_max_us=st.sampled_from([0.0, 50.0, 300.0]),
    brightness_max=st.sampled_from([0.0, 0.1, 1.0]),
    picture_min_field=st.sampled_from([0.0, 0.1, 2.0]),
)


@given(frame=any_frame(), limits=any_limits, before=st.none() | any_frame())
@settings(max_examples=150, deadline=None, derandomize=True)
def test_only_ever_darkens(frame, limits, before):
    """Nothing inside the field moves, nothing gets brighter, and a second pass changes nothing."""
    safe = guard(frame, limits, previous=before)
    out = safe.frame
    assert np.isfinite(out.xy).all()
    assert (np.abs(out.xy) <= 1.0).all()
    assert ((out.rgb >= 0.0) & (out.rgb <= 1.0)).all()
    assert not out.rgb[out.blanked].any()
    np.testing.assert_array_equal(out.blanked, ~out.rgb.any(axis=1))
    if np.isfinite(frame.xy).all():
        inside = (np.abs(frame.xy) <= 1.0).all(axis=1)
        np.testing.assert_array_equal(out.xy[inside], frame.xy[inside])
        assert not lit_samples(out)[~inside].any() or np.abs(frame.xy).max() < 1.0 + 1e-8
        assert (out.rgb <= np.maximum(np.nan_to_num(frame.rgb, posinf=1e300), 0.0)).all()
        assert not (frame.blanked & ~out.blanked).any()
        np.testing.assert_array_equal(out.stroke, frame.stroke)
    else:
        assert len(out) == 1
        assert not lit_samples(out).any()
    again = guard(out, limits, previous=before)
    np.testing.assert_array_equal(again.frame.blanked, out.blanked)
    np.testing.assert_allclose(again.frame.rgb, out.rgb, rtol=1e-9, atol=0)


def test_a_clean_frame_passes_untouched():
    """A picture that breaks nothing comes back bit for bit, without findings."""
    frame = make_frame(circle())
    safe = guard(frame, SafetyLimits(zones=(KeepOut("far", square(0.0, 0.0, 0.3)),)))
    assert not safe.findings
    assert safe.darkened_count == 0
    np.testing.assert_array_equal(safe.frame.xy, frame.xy)
    np.testing.assert_array_equal(safe.frame.rgb, frame.rgb)


@pytest.mark.parametrize(
    ("broken", "word"),
    [
        (make_frame([[0.0, np.nan], [0.5, 0.5]]), "position"),
        (make_frame([[0.0, np.inf], [0.5, 0.5]]), "position"),
        (make_frame(np.empty((0, 2))), "no samples"),
        (make_frame([[0.0, 0.0]], rate=0.0), "rate"),
        (make_frame([[0.0, 0.0]], rate=np.nan), "rate"),
        (make_frame([[0.0, 0.0]], rgb=np.ones((2, 3)), blanked=[False]), "length"),
    ],
)
def test_a_frame_without_a_known_path_is_refused_whole(broken, word):
    """One dark sample at a good rate stands in for it."""
    safe = guard(broken, OFF)
    assert len(safe.frame) == 1
    assert safe.frame.blanked.all()
    assert safe.frame.point_rate_hz > 0.0
    assert word in safe.findings[0].message
    assert set(safe.darkened) == {"invalid"}


def test_a_colour_that_is_no_number_goes_dark_alone():
    rgb = np.ones((4, 3))
    rgb[2, 1] = np.nan
    safe = guard(make_frame(circle(4), rgb=rgb), OFF)
    np.testing.assert_array_equal(lit_samples(safe.frame), [True, True, False, True])


def test_outside_the_field_and_the_way_back_are_dark():
    """The move back starts outside, so the sample it leads to is dark as well."""
    xy = [[0.0, 0.0], [0.9, 0.0], [1.2, 0.0], [0.9, 0.1], [0.0, 0.1]]
    safe = guard(make_frame(xy), OFF)
    np.testing.assert_array_equal(lit_samples(safe.frame), [True, True, False, False, True])
    np.testing.assert_array_equal(safe.frame.xy[2], [1.0, 0.0])
    assert safe.darkened == {"field": 2}


def test_a_zone_darkens_points_and_crossing_moves():
    """A move that jumps over a narrow zone is dark though both its ends are outside."""
    frame = make_frame([[-0.5, 0.0], [0.5, 0.0], [0.5, 0.9], [-0.5, 0.9]])
    fast = ScannerProfile(natural_frequency_hz=60000.0, rise_us=0.0)
    zone = square(0.0, 0.0, 0.02)
    lit = lit_samples(guard(frame, limits_with(zone), fast).frame)
    np.testing.assert_array_equal(lit, [True, False, True, True])


@pytest.mark.parametrize("y", [0.011, -0.011])
def test_the_margin_is_kept_and_not_exceeded(y):
    """A still line is dark nearer than the margin and lit just beyond it."""
    x = np.concatenate([np.linspace(-0.3, 0.3, 500), np.linspace(0.3, -0.3, 500)])
    frame = make_frame(np.c_[x, np.full(1000, np.sign(y) * 0.1 + y)])
    zone = square(0.0, 0.0, 0.1)
    assert not lit_samples(guard(frame, limits_with(zone, margin_field=0.0112)).frame).all()
    assert lit_samples(guard(frame, limits_with(zone, margin_field=0.0108)).frame).all()


def test_overshoot_into_a_zone_is_dark():
    """A jump that ends short of a zone overshoots into it; the samples after it are dark.

    Overshoot of a second-order loop at damping 0.4 is exp(-πζ/√(1-ζ²)) = 25.4 %
    (control handbooks), so a step of 1 ends 0.25 beyond.
    """
    xy = np.repeat([[-0.5, 0.0], [0.5, 0.0]], 60, axis=0)
    blanked = np.zeros(120, bool)
    blanked[[0, 60]] = True
    frame = make_frame(xy, blanked=blanked)
    limits = limits_with(square(0.75, 0.0, 0.1))
    loose = ScannerProfile(damping=0.4, acceleration_max_deg_s2=1e15, velocity_max_deg_s=1e15)
    tight = ScannerProfile(damping=1.0, acceleration_max_deg_s2=1e15, velocity_max_deg_s=1e15)
    assert guard(frame, limits, loose).darkened_count > 0
    assert guard(frame, limits, tight).darkened_count == 0


def test_the_spread_of_the_natural_frequency_counts():
    """A zone that only a slower or faster pair would reach darkens too."""
    xy = np.repeat([[-0.5, 0.0], [0.5, 0.0]], 8, axis=0)
    frame = make_frame(xy)
    counts = []
    for spread in (0.0, 0.15):
        reach = [
            guard(frame, limits_with(square(x, 0.0, 0.002), frequency_spread=spread)).darkened_count
            for x in np.linspace(0.5, 0.7, 30)
        ]
        counts.append(np.count_nonzero(reach))
    assert counts[1] > counts[0] > 0


def test_a_saturated_beam_counts_where_it_really_is():
    """Mirrors too weak for a jump arrive late: the light meant for its end shines on the way.

    Under constant acceleration a the way D takes 2 √(D / a) (kinematics), here 40 samples;
    without saturation the beam is there after 8.
    """
    xy = np.repeat([[-0.5, 0.0], [0.5, 0.0]], 100, axis=0)
    blanked = np.zeros(200, bool)
    blanked[:115] = True
    blanked[195:] = True
    frame = make_frame(xy, blanked=blanked)
    limits = limits_with(square(0.0, 0.0, 0.1))
    half_field_deg = ScannerProfile().field_deg / 2
    weak = 4.0 * 1.0 / 40.0**2 * half_field_deg * RATE**2
    strong = ScannerProfile(acceleration_max_deg_s2=1e15, velocity_max_deg_s=1e15)
    assert guard(frame, limits, strong).darkened_count == 0
    safe = guard(frame, limits, ScannerProfile(acceleration_max_deg_s2=weak))
    dark = np.flatnonzero(~lit_samples(safe.frame) & ~blanked)
    assert len(dark) > 0
    assert dark.min() >= 115
    assert dark.max() < 150


def test_late_light_is_followed():
    """With a colour late by three samples, the dark part moves three samples ahead."""
    xy = np.c_[np.linspace(-0.9, 0.9, 1200), np.zeros(1200)]
    blanked = np.zeros(1200, bool)
    blanked[0] = True
    limits = limits_with(square(0.0, 0.0, 0.05))
    fast = {"natural_frequency_hz": 60000.0, "rise_us": 0.0}
    on_time = guard(make_frame(xy, blanked=blanked), limits, ScannerProfile(**fast)).frame
    late = guard(
        make_frame(xy, blanked=blanked),
        limits,
        ScannerProfile(colour_delay_us=(0.0, 100.0, 0.0), **fast),
    ).frame
    first = np.flatnonzero(~lit_samples(on_time))[1]
    assert np.flatnonzero(~lit_samples(late))[1] == first - 3
    assert light_window(ScannerProfile(rise_us=0.0), RATE) == (0, 0)
    # 10 µs rise: 4.605 time constants are 1.38 samples at 30 kHz.
    assert light_window(ScannerProfile(), RATE) == (0, 2)


def test_entry_from_the_previous_frame():
    """The way from the last sample of one frame into the next one is checked."""
    here = make_frame(np.repeat([[0.8, 0.0]], 200, axis=0))
    there = make_frame(np.repeat([[-0.8, 0.0]], 200, axis=0))
    limits = limits_with(square(0.0, 0.0, 0.1))
    assert guard(there, limits).darkened_count == 0
    safe = guard(there, limits, previous=here)
    dark = np.flatnonzero(~lit_samples(safe.frame))
    assert 0 in dark
    assert dark[dark < 100].max() < 30
    np.testing.assert_array_equal(
        lit_samples(guard(there, limits, previous=there).frame)[:190], np.ones(190, bool)
    )


def test_light_that_outlives_a_frame_is_dark_near_a_zone():
    """The laser's tail may shine on the next frame's first move, wherever that goes."""
    frame = make_frame(np.repeat([[0.3, 0.0]], 100, axis=0))
    near = limits_with(square(0.0, 0.0, 0.1))
    lit = lit_samples(guard(frame, near, previous=frame).frame)
    assert lit[:-2].all()
    assert not lit[-1]
    far = limits_with(square(-0.9, -0.9, 0.05))
    assert lit_samples(guard(frame, far, previous=frame).frame).all()


def test_the_window_holds_for_the_beam_too():
    """Inside a window the commanded circle may be cut, the beam never passes its edge."""
    frame = make_frame(circle(radius=0.8))
    safe = guard(frame, limits_with(window=(-1.0, -1.0, 0.5, 1.0)))
    lit = lit_samples(safe.frame)
    assert 0 < lit.sum() < 600
    assert safe.frame.xy[lit, 0].max() <= 0.5
    assert set(safe.darkened) == {"window"}


def test_a_profile_without_an_answer_darkens_everything():
    """Scanners too slow to settle within reason leave nothing to rely on."""
    profile = ScannerProfile(natural_frequency_hz=1e-3)
    frame = make_frame(circle())
    safe = guard(frame, limits_with(square(0.0, 0.0, 0.1)), profile, previous=frame)
    assert not lit_samples(safe.frame).any()
    assert "simulated" in safe.findings[0].message


def test_dwell_is_cut_at_its_limit():
    """100 lit samples in one spot at 30 kHz with 1 ms allowed: 30 stay."""
    xy = np.concatenate([np.repeat([[0.5, 0.5]], 100, axis=0), circle(300, 0.4)])
    limits = limits_with(dwell_max_us=1000.0)
    safe = guard(make_frame(xy), limits)
    lit = lit_samples(safe.frame)
    assert lit[:100].sum() == 30
    assert lit[100:].all()
    assert safe.darkened == {"dwell": 70}
    short = guard(make_frame(xy[70:]), limits)
    assert lit_samples(short.frame).all()


@pytest.mark.parametrize("count", [1, 5, 30, 31, 400])
def test_a_standing_beam_is_dark_at_any_frame_length(count):
    """A frame of nothing but one lit spot repeats for ever, however short it is."""
    frame = make_frame(np.repeat([[0.1, -0.2]], count, axis=0))
    safe = guard(frame, limits_with(dwell_max_us=1000.0))
    assert not lit_samples(safe.frame).any()


def test_a_small_picture_is_dimmed_in_proportion():
    """Half the least extent gives half the level; a dimmer picture passes as it is."""
    limits = limits_with(picture_min_field=0.4)
    small = circle(300, 0.1)
    safe = guard(make_frame(small), limits)
    assert safe.frame.rgb.max() == pytest.approx(0.5, rel=1e-3)
    assert safe.dimmed == 300
    dim = guard(make_frame(small, rgb=np.full((300, 3), 0.49)), limits)
    np.testing.assert_array_equal(dim.frame.rgb, 0.49)
    point = guard(make_frame(np.repeat([[0.0, 0.0]], 50, axis=0)), limits)
    assert not lit_samples(point.frame).any()
    assert point.darkened == {"size": 50}


@given(
    place=st.tuples(st.floats(-0.9, 0.9), st.floats(-0.9, 0.9)),
    share=st.floats(0.1, 1.0),
    allowed=st.floats(0.01, 0.9),
)
@settings(max_examples=60, deadline=None, derandomize=True)
def test_no_spot_gets_more_light_than_allowed(place, share, allowed):
    """Brute force over every spot's square: its share of the light stays within the limit."""
    count = 200
    rng = np.random.default_rng(3)
    xy = circle(count)
    here = rng.random(count) < share
    xy[here] = np.asarray(place) + rng.uniform(-0.01, 0.01, (here.sum(), 2))
    limits = limits_with(brightness_max=allowed, spot_field=0.02)
    frame = guard(make_frame(xy), limits).frame
    light = frame.rgb.mean(axis=1) / count
    for centre in frame.xy[here][:40]:
        within = (np.abs(frame.xy - centre) <= 0.01).all(axis=1)
        assert light[within].sum() <= allowed * (1.0 + 1e-9)


@pytest.mark.parametrize(
    "outline",
    [
        (),
        ((0.0, np.nan), (1.0, 0.0), (0.0, 1.0)),
        ((0.0, np.inf), (1.0, 0.0), (0.0, 1.0)),
        ((0.0, 2000.0), (1.0, 0.0), (0.0, 1.0)),
        tuple((float(i % 7), float(i % 5)) for i in range(10_001)),
    ],
)
def test_outlines_that_mean_nothing_are_refused_by_name(outline):
    limits = SafetyLimits(zones=(KeepOut("front rows", outline),))
    with pytest.raises(SettingError, match="front rows"):
        guard(make_frame(circle()), limits)


@pytest.mark.parametrize(
    ("outline", "inside"),
    [
        # Bow tie: both wings.
        (((-1, -1), (1, 1), (1, -1), (-1, 1)), [(-0.8, 0.0), (0.8, 0.0)]),
        # Pentagram: the core has winding number 2, out by even-odd but in by winding.
        (
            tuple((float(np.sin(a)), float(np.cos(a))) for a in np.arange(5) * 4 * np.pi / 5),
            [(0.0, 0.0), (0.0, 0.9)],
        ),
        # Drawn round twice: out by even-odd, in by winding.
        (((-1, -1), (1, -1), (1, 1), (-1, 1)) * 2, [(0.0, 0.0)]),
        # A line and a point.
        (((-0.5, 0.0), (0.5, 0.0)), [(0.0, 0.0)]),
        (((0.3, 0.3),), [(0.3, 0.3), (0.305, 0.3)]),
        # A sliver with no area.
        (((-0.5, 0.0), (0.5, 0.0), (0.2, 0.0)), [(0.4, 0.0), (-0.4, 0.009)]),
    ],
)
def test_a_broken_outline_counts_as_the_larger_reading(outline, inside):
    area = widened(KeepOut("zone", outline), 0.01)
    for x, y in inside:
        frame = make_frame(np.repeat([[x, y]], 3, axis=0))
        zone = limits_with(outline)
        assert not lit_samples(guard(frame, zone).frame).any(), (x, y)
    assert area.area > 0.0


def test_a_long_tangle_counts_as_its_hull():
    rng = np.random.default_rng(5)
    tangle = tuple(map(tuple, rng.uniform(-0.5, 0.5, (900, 2)).tolist()))
    assert widened(KeepOut("tangle", tangle), 0.01).area > 1.0


@pytest.mark.parametrize(
    "change",
    [
        {"margin_field": 0.0},
        {"margin_field": np.nan},
        {"frequency_spread": -0.1},
        {"spot_field": 0.0},
        {"dwell_max_us": np.inf},
        {"brightness_max": 1.5},
        {"picture_min_field": -1.0},
        {"window": (0.5, -1.0, 0.5, 1.0)},
        {"window": (-2.0, -1.0, 0.5, 1.0)},
        {"window": (np.nan, -1.0, 0.5, 1.0)},
    ],
)
def test_limits_out_of_range_are_refused(change):
    with pytest.raises(SettingError):
        SafetyLimits(**change)


def test_hostile_frames_never_reach_a_keep_out():
    """The fuzz in small; `make fuzz-safety FRAMES=1000000` is the same at length."""
    tally = fuzz(2000, seed=2026)
    assert tally.frames >= 2000
    assert tally.lit_out > 10_000
    assert tally.violations == {}
