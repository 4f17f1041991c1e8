# SPDX-License-Identifier: GPL-3.0-or-later
"""What the cache holds of a show comes back as it was."""

import math
from dataclasses import fields, replace

import numpy as np
from beamwright.core import pipeline
from beamwright.core.proof import beam_picture
from beamwright.core.safety.scanned import WorstSpot
from beamwright.core.show.cache import pack, unpack
from beamwright.core.show.entries import (
    STROKE_COLUMNS,
    Picture,
    PlannedRow,
    block_entry,
    block_of,
    picture_entry,
    picture_of,
)
from films import Film


def planned_rows():
    """Frames with much, with nothing, without a picture, and with figures of the beam."""
    film = Film()
    rows = []
    for number in range(1, 5):
        shares = pipeline.draw_frame(film.scene_at(number), film.projectors)
        row = {}
        for projector in film.projectors:
            share = shares[projector.name]
            figures = share.measured(projector.profile) if number == 1 else share.figures
            picture = beam_picture(share.frame, projector.profile) if number != 2 else None
            worst = WorstSpot(0.1, -1 / 3, 2.5e-7, "one pass", 3, 1e-9, math.inf)
            row[projector.name] = PlannedRow(
                share.frame, figures, share.strokes, picture, worst if number != 3 else None
            )
        rows.append(row)
    return rows


def assert_same_strokes(one, other):
    assert one.object_names == other.object_names
    for column in STROKE_COLUMNS:
        a, b = getattr(one, column), getattr(other, column)
        assert a.dtype == b.dtype
        np.testing.assert_array_equal(a, b)


def test_a_block_comes_back_as_it_was():
    rows = planned_rows()
    entry = block_entry(rows)
    back = block_of(unpack(pack(entry.head, entry.arrays)))
    assert len(back) == len(rows)
    for row, again in zip(rows, back, strict=True):
        assert list(row) == list(again)
        for name, mine in row.items():
            theirs = again[name]
            assert theirs.figures == mine.figures
            assert theirs.picture == mine.picture
            assert theirs.worst == mine.worst
            assert_same_strokes(mine.strokes, theirs.strokes)
            for column in fields(mine.frame):
                a, b = getattr(mine.frame, column.name), getattr(theirs.frame, column.name)
                np.testing.assert_array_equal(a, b)


def test_a_frame_without_strokes_between_others():
    rows = planned_rows()
    none = rows[0]["Graphics"].strokes.take(np.zeros(0, np.int64))
    rows[1] = {name: replace(row, strokes=none) for name, row in rows[1].items()}
    entry = block_entry(rows)
    back = block_of(unpack(pack(entry.head, entry.arrays)))
    for row, again in zip(rows, back, strict=True):
        for name, mine in row.items():
            assert_same_strokes(mine.strokes, again[name].strokes)


def test_a_picture_comes_back_as_it_was():
    scene = Film().scene_at(1)
    strokes = pipeline.visible_strokes(scene)
    picture = Picture(
        "Film", 1.0, 0.5, tuple(surface.assignment for surface in scene.surfaces),
        tuple(surface.name for surface in scene.surfaces), {"": strokes, "Graphics": strokes},
    )  # fmt: skip
    entry = picture_entry(picture)
    back = picture_of(unpack(pack(entry.head, entry.arrays)))
    assert (back.scene, back.half_width, back.half_height) == ("Film", 1.0, 0.5)
    assert back.assignments == picture.assignments
    for name in ("", "Graphics"):
        assert_same_strokes(strokes, back.view(name))
