# SPDX-License-Identifier: GPL-3.0-or-later
"""Which scene frame is shown when; the sequencer itself is the reference in tests/addon."""

from dataclasses import replace

import pytest
from beamwright.core.points.projector import Projector
from beamwright.core.show.timeline import (
    Crop,
    EffectStrip,
    SceneStrip,
    Timeline,
    Timetable,
    Wipe,
    alone,
    families,
    scene_frame,
)
from hypothesis import given
from hypothesis import strategies as st

FAST = Projector(name="Fast")
SLOW = Projector(name="Slow", number=1)


def strip(name="A", channel=1, first=10, end=20, **values):
    settings = {
        "scene": f"Scene {name}",
        "scene_frame_start": 1,
        "content_start": first,
        "content_length": end - first,
    }
    return SceneStrip(name=name, channel=channel, first=first, end=end, **{**settings, **values})


def shown(timeline, frame, projector=FAST):
    return Timetable(timeline).layers_at(frame, projector)


def names(timeline, frame, projector=FAST):
    return [layer.strip for layer in shown(timeline, frame, projector)]


def show(*strips, effects=(), **values):
    return Timeline("Show", 1, 100, strips, effects, **values)


class TestSceneFrame:
    def test_plain(self):
        assert [scene_frame(strip(), frame) for frame in (10, 15, 19)] == [1, 6, 10]

    def test_held_beyond_the_content(self):
        """Handles beyond the content hold its first or last frame."""
        held = replace(strip(), first=5, end=30)
        assert [scene_frame(held, frame) for frame in (5, 9, 10, 19, 25)] == [1, 1, 1, 10, 10]

    def test_trim_and_start(self):
        cut = strip(trim=3, scene_frame_start=101)
        assert scene_frame(cut, 10) == 104

    def test_reverse_and_strobe(self):
        assert [scene_frame(strip(reverse=True), frame) for frame in (10, 19)] == [10, 1]
        assert [scene_frame(strip(strobe=3), frame) for frame in range(10, 17)] == [
            1, 1, 1, 4, 4, 4, 7,
        ]  # fmt: skip

    @given(
        st.integers(-50, 50), st.integers(1, 40), st.integers(0, 9), st.booleans(),
        st.integers(1, 7), st.integers(-99, 99),
    )  # fmt: skip
    def test_never_leaves_the_content(self, start, length, trim, reverse, strobe, frame):
        item = strip(
            content_start=start, content_length=length, trim=trim, reverse=reverse, strobe=strobe
        )
        assert 1 + trim <= scene_frame(item, frame) <= trim + length


class TestChannels:
    def test_gaps_are_dark(self):
        assert names(show(strip()), 9) == names(show(strip()), 20) == []
        assert names(show(strip()), 19) == ["A"]

    def test_upper_channel_wins(self):
        both = (strip("Low", 1), strip("High", 4, first=12))
        assert names(show(*both), 11) == ["Low"]
        assert names(show(*both), 12) == ["High"]
        assert names(show(*both, draw_both=True), 12) == ["Low", "High"]

    def test_a_channel_belongs_to_a_projector(self):
        timeline = show(strip("Low", 1), strip("High", 2), targets={1: "Fast", 2: "Slow"})
        assert names(timeline, 12, FAST) == ["Low"]
        assert names(timeline, 12, SLOW) == ["High"]
        assert [layer.target for layer in shown(timeline, 12, SLOW)] == ["Slow"]

    def test_a_group_shares_its_channel(self):
        member = replace(FAST, group="Wall")
        timeline = show(strip(), targets={1: "Wall"})
        assert names(timeline, 12, member) == ["A"]
        assert names(timeline, 12, SLOW) == []

    def test_without_a_target_everyone_draws(self):
        assert names(show(strip()), 12, FAST) == names(show(strip()), 12, SLOW) == ["A"]

    def test_repeated_scene(self):
        timeline = show(strip("A"), strip("B", first=30, end=40, scene="Scene A"))
        first, again = shown(timeline, 12)[0], shown(timeline, 32)[0]
        assert (first.scene, first.frame) == (again.scene, again.frame)


class TestTransitions:
    def cross(self, kind="cross", **values):
        return EffectStrip("X", 3, 16, 20, kind, ("A", "B"), **values)

    def pair(self, **values):
        later = strip("B", 2, first=16, end=30)
        return show(strip("A", 1), later, effects=(self.cross(**values),))

    def levels(self, timeline, frame):
        return {layer.strip: layer.brightness for layer in shown(timeline, frame)}

    def test_cross(self):
        """Blender: t = (frame - left) / (right - left), 0 in the first frame."""
        timeline = self.pair()
        assert self.levels(timeline, 15) == {"A": 1.0}
        assert self.levels(timeline, 16) == {"A": 1.0}
        assert self.levels(timeline, 17) == {"A": 0.75, "B": 0.25}
        assert self.levels(timeline, 19) == {"A": 0.25, "B": 0.75}
        assert self.levels(timeline, 20) == {"B": 1.0}

    def test_gamma_cross(self):
        """((1 - t) √a + t √b)²: squares for light on black."""
        assert self.levels(self.pair(kind="gamma_cross"), 18) == {"A": 0.25, "B": 0.25}

    def test_fader(self):
        timeline = self.pair(fader=(0.5,))
        assert self.levels(timeline, 16) == self.levels(timeline, 19) == {"A": 0.5, "B": 0.5}
        moving = self.pair(fader=(1.0, 0.9, 0.2, 0.0))
        assert self.levels(moving, 17) == pytest.approx({"A": 0.1, "B": 0.9})

    def test_wipe(self):
        wipe = Wipe("single", 0.3, True)
        layers = shown(self.pair(kind="wipe", wipe=wipe), 17)
        assert [layer.crops for layer in layers] == [
            (Crop(wipe, 0.25, False),),
            (Crop(wipe, 0.25, True),),
        ]

    def test_brightness_of_strips_and_effects_multiplies(self):
        timeline = show(
            strip("A", 1, brightness=(0.5,)),
            strip("B", 2, first=16, end=30, brightness=tuple(k / 14 for k in range(14))),
            effects=(self.cross(brightness=(0.5,)),),
        )
        levels = self.levels(timeline, 18)
        assert levels == pytest.approx({"A": 0.5 * 0.5 * 0.5, "B": 0.5 * 0.5 * 2 / 14})

    def test_inputs_on_channels_of_two_projectors(self):
        """Each projector draws its side of the transition alone."""
        timeline = replace_targets(self.pair(), {1: "Fast", 2: "Slow"})
        assert names(timeline, 18, FAST) == ["A"]
        assert names(timeline, 18, SLOW) == ["B"]

    def test_effect_of_an_effect(self):
        outer = EffectStrip("Y", 5, 16, 20, "cross", ("X", "C"))
        timeline = show(
            strip("A", 1),
            strip("B", 2, first=16, end=30),
            strip("C", 4, first=16, end=20),
            effects=(self.cross(), outer),
        )
        levels = self.levels(timeline, 18)
        assert levels == {"A": 0.25, "B": 0.25, "C": 0.5}

    def test_muted_input_is_simply_not_there(self):
        timeline = show(strip("B", 2, first=16, end=30), effects=(self.cross(),))
        assert self.levels(timeline, 18) == {"B": 0.5}


def replace_targets(timeline, targets):
    return Timeline(timeline.name, 1, 100, timeline.strips, timeline.effects, targets=targets)


def test_alone():
    """A strip's own file has its frames without transitions."""
    timeline = TestTransitions().pair()
    part = alone(timeline, timeline.strips[1])
    assert (part.frame_start, part.frame_end) == (16, 29)
    assert {layer.brightness for frame in range(16, 30) for layer in shown(part, frame)} == {1.0}


def test_families():
    grouped = [replace(FAST, group="Wall"), SLOW, replace(FAST, name="Other", group="Wall")]
    assert [[entry.name for entry in family] for family in families(grouped)] == [
        ["Fast", "Other"],
        ["Slow"],
    ]
