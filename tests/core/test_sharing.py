# SPDX-License-Identifier: GPL-3.0-or-later
from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from beamwright.core.points.plan import plan_strokes
from beamwright.core.points.projector import Projector, profile_from_rating
from beamwright.core.points.sharing import group_of, share_out, shared_strokes, strokes_of
from beamwright.core.scene import Assignment
from beamwright.core.strokes import Strokes
from hypothesis import given
from hypothesis import strategies as st
from strategies import STEADY, strokes

LEFT, RIGHT = Projector(name="Left", group="both"), Projector(name="Right", group="both")
LETTERS = Projector(name="Letters")


def named(count: int) -> Strokes:
    lines = [[[0.1 * row, 0.0], [0.1 * row, 0.2]] for row in range(count)]
    return Strokes.from_polylines(
        lines, object_index=range(count), object_names=[str(row) for row in range(count)]
    )


def test_by_hand() -> None:
    show = (LETTERS, replace(LEFT, group=""))
    rules = [
        Assignment(),
        Assignment(projectors=("Left",)),
        Assignment(projectors=("Left", "Letters")),
        Assignment(projectors=("gone",)),
    ]
    drawn = named(4)
    assert strokes_of(drawn, rules, LETTERS, show).identity.tolist() == [0, 2]
    assert strokes_of(drawn, rules, show[1], show).identity.tolist() == [1, 2]
    assert len(strokes_of(Strokes.empty(), [], LETTERS, show)) == 0


def test_strokes_of_no_object_go_to_the_first_projector() -> None:
    border = Strokes.from_polylines([[[0, 0], [1, 0]]] * 2, object_index=[-1, 0])
    rules = [Assignment(projectors=("Letters",))]
    show = (replace(LEFT, group=""), LETTERS)
    assert strokes_of(border, rules, show[0], show).identity.tolist() == [0]
    assert strokes_of(border, rules, LETTERS, show).identity.tolist() == [1]


def test_groups() -> None:
    show = (LEFT, RIGHT, LETTERS)
    rules = [
        Assignment(),
        Assignment(projectors=("both",)),
        Assignment(projectors=("Right",)),
        Assignment(projectors=("Letters",)),
    ]
    drawn = named(4)
    assert shared_strokes(drawn, rules, "both", show).identity.tolist() == [0, 1]
    assert strokes_of(drawn, rules, LEFT, show).identity.tolist() == []
    assert strokes_of(drawn, rules, RIGHT, show).identity.tolist() == [2]
    assert group_of(LEFT, show) == [LEFT, RIGHT]
    assert group_of(LETTERS, show) == [LETTERS]
    # A group of one draws all that is the group's.
    alone = (LEFT, LETTERS)
    assert strokes_of(drawn, rules, LEFT, alone).identity.tolist() == [0, 1]


def random_strokes(count: int) -> Strokes:
    rng = np.random.default_rng(6)
    start = rng.uniform(-0.85, 0.85, (count, 2))
    return Strokes.from_polylines(np.stack([start, start + rng.normal(0, 0.1, (count, 2))], 1))


@pytest.mark.parametrize("members", [2, 3, 4])
def test_even_shares(members: int) -> None:
    drawn = random_strokes(120)
    crew = [Projector(name=str(k), group="g", target_refresh_hz=1.0) for k in range(members)]
    shares, _ = share_out(drawn, crew, [Strokes.empty()] * members)
    assert sorted(np.concatenate([part.identity for part in shares]).tolist()) == list(range(120))
    whole = len(plan_strokes(drawn, [], crew[0]).frame)
    most = max(len(plan_strokes(part, [], crew[0]).frame) for part in shares)
    assert most <= 1.08 * whole / members


def test_a_faster_projector_takes_more_and_fixed_strokes_count() -> None:
    drawn = random_strokes(120)
    quick = Projector(name="q", group="g", profile=profile_from_rating(60000.0))
    slow = Projector(name="s", group="g", profile=profile_from_rating(20000.0))
    (a, b), _ = share_out(drawn, [quick, slow], [Strokes.empty()] * 2)
    assert len(a) > 1.5 * len(b)
    half = drawn.take(np.arange(60))
    rest = drawn.take(np.arange(60, 120))
    twin = [Projector(name="a", group="g"), Projector(name="b", group="g")]
    (a, b), _ = share_out(rest, twin, [half, Strokes.empty()])
    assert len(b) > 5 * max(len(a), 1)


def test_shares_stay_while_the_picture_moves() -> None:
    drawn = random_strokes(100)
    crew = [Projector(name=str(k), group="g") for k in range(3)]
    memory, before, changes = None, None, 0
    for frame in range(12):
        moved = drawn.with_points(drawn.points * (1.0 + 0.03 * np.sin(frame)))
        shares, memory = share_out(moved, crew, [Strokes.empty()] * 3, memory)
        owner = np.empty(100, int)
        for number, part in enumerate(shares):
            owner[part.identity] = number
        if before is not None:
            changes += int(np.count_nonzero(owner != before))
        before = owner
    assert changes == 0


@STEADY
@given(strokes(max_size=8), st.integers(2, 4))
def test_every_stroke_goes_to_exactly_one(drawn: Strokes, members: int) -> None:
    crew = [Projector(name=str(k), group="g") for k in range(members)]
    shares, memory = share_out(drawn, crew, [Strokes.empty()] * members)
    taken = np.concatenate([part.identity for part in shares])
    assert sorted(taken.tolist()) == sorted(drawn.identity.tolist())
    again, _ = share_out(drawn, crew, [Strokes.empty()] * members, memory)
    taken = np.concatenate([part.identity for part in again])
    assert sorted(taken.tolist()) == sorted(drawn.identity.tolist())


def test_nothing_to_share() -> None:
    shares, memory = share_out(Strokes.empty(), [LEFT, RIGHT], [Strokes.empty()] * 2)
    assert [len(part) for part in shares] == [0, 0]
    assert memory is None
