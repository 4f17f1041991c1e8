# SPDX-License-Identifier: GPL-3.0-or-later
"""Write-on by arc length."""

from itertools import pairwise

import numpy as np
import pytest
from beamwright.core.errors import SettingError
from beamwright.core.writing import WriteSettings, write_on
from hypothesis import given, settings
from hypothesis import strategies as st

POINTS = np.array([[0, 0], [3, 0], [3, 4], [10, 0], [10, 10]], float)  # 7 and 10 long
OFFSETS = np.array([0, 3, 5])


def length(points, offsets):
    return sum(np.hypot(*np.diff(points[a:b], axis=0).T).sum() for a, b in pairwise(offsets))


coordinate = st.floats(-1, 1, width=32)
strokes = st.lists(
    st.lists(st.tuples(coordinate, coordinate, coordinate), min_size=1, max_size=8),
    min_size=1,
    max_size=6,
)


@settings(derandomize=True, max_examples=150, deadline=None)
@given(strokes, st.floats(0, 1), st.sampled_from(["in order", "together"]), st.booleans())
def test_the_drawn_length_is_the_progress_times_the_whole(lines, progress, mode, backwards):
    points = np.array([p for line in lines for p in line], float)
    offsets = np.concatenate([[0], np.cumsum([len(line) for line in lines])])
    done = write_on(points, offsets, WriteSettings(progress, mode, backwards))
    step = np.sqrt((np.diff(points, axis=0) ** 2).sum(axis=1))
    step[offsets[1:-1] - 1] = 0.0
    drawn = np.sqrt((np.diff(done.points, axis=0) ** 2).sum(axis=1))
    drawn[done.offsets[1:-1] - 1] = 0.0
    assert drawn.sum() == pytest.approx(progress * step.sum(), rel=1e-6, abs=1e-9)
    assert done.offsets[0] == 0
    assert done.offsets[-1] == len(done.points)
    assert np.all(np.diff(done.offsets) >= 2)
    assert np.all(np.diff(done.source) > 0)
    # All that is drawn lies on the stroke it comes from.
    for k, i in enumerate(done.source):
        part = done.points[done.offsets[k] : done.offsets[k + 1]]
        a, b = points[offsets[i] : offsets[i + 1] - 1], points[offsets[i] + 1 : offsets[i + 1]]
        along = ((part[:, None] - a) * (b - a)).sum(-1) / np.maximum(((b - a) ** 2).sum(-1), 1e-300)
        foot = a + np.clip(along, 0, 1)[..., None] * (b - a)
        assert np.sqrt(((part[:, None] - foot) ** 2).sum(-1)).min(axis=1).max() < 1e-6


def test_strokes_appear_in_order():
    done = write_on(POINTS, OFFSETS, WriteSettings(12 / 17))
    assert done.points.tolist() == [[0, 0], [3, 0], [3, 4], [10, 0], [10, 5]]
    assert done.offsets.tolist() == [0, 3, 5]
    assert done.source.tolist() == [0, 1]
    assert done.tip.tolist() == [[10, 5]]
    assert done.tip_direction.tolist() == [[0, 1]]
    assert done.tip_source.tolist() == [1]
    done = write_on(POINTS, OFFSETS, WriteSettings(2 / 17))
    assert done.points == pytest.approx(np.array([[0, 0], [2, 0]]), abs=1e-12)
    assert done.source.tolist() == [0]


def test_all_at_once():
    done = write_on(POINTS, OFFSETS, WriteSettings(0.5, mode="together"))
    assert done.points.tolist() == [[0, 0], [3, 0], [3, 0.5], [10, 0], [10, 5]]
    assert done.tip.tolist() == [[3, 0.5], [10, 5]]
    assert done.tip_source.tolist() == [0, 1]


def test_backwards_keeps_the_end_so_that_running_down_erases_in_writing_order():
    done = write_on(POINTS, OFFSETS, WriteSettings(12 / 17, backwards=True))
    assert done.points == pytest.approx(np.array([[3, 2], [3, 4], [10, 0], [10, 10]]), abs=1e-12)
    assert done.tip == pytest.approx(np.array([[3, 2]]), abs=1e-12)
    assert done.tip_direction.tolist() == [[0, -1]]
    # Together with the part written forwards up to there it makes the whole.
    other = write_on(POINTS, OFFSETS, WriteSettings(5 / 17))
    assert length(done.points, done.offsets) + length(other.points, other.offsets) == (
        pytest.approx(17.0, abs=1e-12)
    )


@pytest.mark.parametrize("mode", ["in order", "together"])
@pytest.mark.parametrize("backwards", [False, True])
def test_at_the_ends_all_or_nothing_and_no_tip(mode, backwards):
    nothing = write_on(POINTS, OFFSETS, WriteSettings(0.0, mode, backwards))
    assert len(nothing.source) == len(nothing.points) == len(nothing.tip) == 0
    assert nothing.offsets.tolist() == [0]
    whole = write_on(POINTS, OFFSETS, WriteSettings(1.0, mode, backwards))
    assert np.array_equal(whole.points, POINTS)
    assert np.array_equal(whole.offsets, OFFSETS)
    assert len(whole.tip) == 0
    beyond = write_on(POINTS, OFFSETS, WriteSettings(7.0, mode, backwards))
    assert np.array_equal(beyond.points, POINTS)


def test_the_tip_pauses_while_the_pen_is_lifted():
    def at(travelled):
        return write_on(POINTS, OFFSETS, WriteSettings(travelled / 20, lift=3.0))

    assert at(6.9).tip == pytest.approx(np.array([[3, 3.9]]))
    for travelled in (7.1, 8.5, 9.9):
        lifted = at(travelled)
        assert len(lifted.tip) == 0
        assert np.array_equal(lifted.points, POINTS[:3])
    assert at(10.5).tip == pytest.approx(np.array([[10, 0.5]]))


def test_empty_strokes_and_dots_take_no_time():
    points = np.array([[5, 5], [0, 0], [1, 0], [1, 0], [2, 0]], float)
    offsets = np.array([0, 0, 1, 5, 5])
    done = write_on(points, offsets, WriteSettings(0.5))
    assert done.source.tolist() == [2]
    assert length(done.points, done.offsets) == 1.0
    assert done.tip.tolist() == [[1, 0]]
    assert done.tip_direction.tolist() == [[1, 0]]
    none = write_on(np.empty((0, 2)), np.array([0]), WriteSettings(0.5))
    assert len(none.source) == 0


def test_settings_are_checked():
    with pytest.raises(SettingError, match="lift is -1"):
        WriteSettings(lift=-1.0)
    with pytest.raises(SettingError, match="sideways"):
        WriteSettings(mode="sideways")
