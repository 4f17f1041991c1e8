# SPDX-License-Identifier: GPL-3.0-or-later
"""Frames kept in few bytes are those of the file."""

import numpy as np
import pytest
from beamwright.core.frame import Frame
from beamwright.core.live.kept_frames import KeptFrames
from beamwright.core.output import ilda


def frames(length=5):
    random = np.random.default_rng(1)
    made = []
    for count in random.integers(1, 400, length):
        blanked = random.random(count) < 0.3
        rgb = np.where(blanked[:, None], 0.0, random.random((count, 3)))
        index = np.zeros(count, np.int32)
        xy = random.uniform(-1, 1, (count, 2))
        made.append(Frame(xy, rgb, blanked, index, index, 24000.0))
    return made


def test_kept_frames_are_those_of_a_file(tmp_path):
    """Positions and colours of each sample are what an ILDA file gives back."""
    made = frames()
    path = tmp_path / "a.ild"
    ilda.write(path, made)
    kept = KeptFrames(made)
    assert len(kept) == len(made)
    for mine, file in zip(kept, ilda.read(path), strict=True):
        theirs = file.samples(24000.0)
        np.testing.assert_array_equal(mine.xy, theirs.xy)
        np.testing.assert_array_equal(mine.rgb, theirs.rgb)
        assert (mine.blanked >= theirs.blanked).all()
        assert not mine.rgb[mine.blanked].any()
        assert mine.point_rate_hz == 24000.0


def test_a_blanked_sample_never_comes_back_lit():
    """Whatever colour a blanked sample carried."""
    (frame,) = frames(1)
    wrong = Frame(frame.xy, np.ones_like(frame.rgb), frame.blanked, frame.stroke,
                  frame.object_index, frame.point_rate_hz)  # fmt: skip
    kept = KeptFrames([wrong])[0]
    np.testing.assert_array_equal(kept.blanked, frame.blanked)
    np.testing.assert_array_equal(kept.rgb.any(axis=1), ~frame.blanked)


def test_places_are_those_of_a_list():
    made = KeptFrames(frames())
    assert made[2] is made[2]
    assert [len(frame) for frame in made[1:4]] == [len(made[k]) for k in (1, 2, 3)]
    np.testing.assert_array_equal(made[-1].xy, made[4].xy)
    with pytest.raises(IndexError):
        made[5]
    with pytest.raises(IndexError):
        KeptFrames()[0]
