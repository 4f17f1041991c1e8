# SPDX-License-Identifier: GPL-3.0-or-later
"""Pictures of the report page: few bytes, and what they leave out can't be seen."""

from __future__ import annotations

import numpy as np
import pytest
import shapely
from beamwright.core.report.page_picture import (
    COORDINATE_STEPS,
    VERTICES_MAX,
    decode_picture,
    encode_picture,
    picture_extent,
)
from hypothesis import given
from hypothesis import strategies as st

# Tolerance of two steps, and half a step of rounding on both axes.
NEAR = (2.0 + 0.5 * 2**0.5) / COORDINATE_STEPS + 1e-9
WHITE = (1.0, 1.0, 1.0)


def path(*rows):
    """A beam's path from rows (x, y, red, green, blue); black rows are dark."""
    table = np.array(rows, float)
    return table[:, :2], table[:, 2:], table[:, 2:].max(axis=1) > 0


def test_bytes_by_hand():
    # Two red segments in one line, then a dot in dim green.
    picture = encode_picture(
        *path(
            (0, 0, 0, 0, 0),
            (1, 0, 1, 0, 0),
            (1, -1, 1, 0, 0),
            (0, -1, 0, 0, 0),
            (0, -1, 0, 10 / 31, 0),
        )
    )
    assert picture == bytes([
        127, 127,  # extents
        2,  # two lines
        3 * 2 + 1, 0x80, 0xF8, 0x01,  # three vertices, colour 31 * 1024 = 0b11111_0000000000
        0, 0,
        0xFE, 0x1F, 0,  # +2047 in zigzag: 4094 = 0b11111_1111110
        0, 0xFD, 0x1F,  # -2047: 4093
        2 * 2 + 1, 0xC0, 0x02,  # two vertices, colour 10 * 32 = 320
        0xFD, 0x1F, 0,
        0, 0,
    ])  # fmt: skip


def test_nothing_is_three_bytes():
    picture = encode_picture(*path((0.5, 0.5, 0, 0, 0)))
    assert picture == b"\0\0\0"
    assert decode_picture(picture) == []
    assert picture_extent(picture) == (0.0, 0.0)


def test_a_line_over_the_seam_of_the_loop_is_one_line():
    rows = [(0.1 * k, 0.2 * (k % 2), *WHITE) for k in range(8)]
    rows[5] = (*rows[5][:2], 0, 0, 0)
    (line,) = decode_picture(encode_picture(*path(*rows)))
    order = [5, 6, 7, 0, 1, 2, 3, 4]
    np.testing.assert_allclose(line[0], [rows[k][:2] for k in order], atol=0.5 / COORDINATE_STEPS)


def test_a_loop_without_dark_parts_is_closed():
    angles = np.linspace(0, 2 * np.pi, 100, endpoint=False)
    (line,) = decode_picture(
        encode_picture(*path(*[(np.cos(a), np.sin(a), *WHITE) for a in angles]))
    )
    np.testing.assert_array_equal(line[0][0], line[0][-1])
    assert shapely.Polygon(line[0]).area == pytest.approx(np.pi, rel=0.01)


def test_a_beam_that_stands_still_is_a_dot():
    rows = [(0.25, -0.5, 0, 0, 0)] + [(0.25, -0.5, *WHITE)] * 6
    ((vertices, _),) = decode_picture(encode_picture(*path(*rows)))
    assert len(vertices) == 2
    np.testing.assert_allclose(vertices, [(0.25, -0.5)] * 2, atol=0.5 / COORDINATE_STEPS)


@st.composite
def beams(draw):
    count = draw(st.integers(2, 60))
    seed = draw(st.integers(0, 2**32 - 1))
    random = np.random.default_rng(seed)
    xy = np.clip(np.cumsum(random.normal(0, draw(st.sampled_from([0.002, 0.1])), (count, 2)), 0),
                 -1, 1)  # fmt: skip
    # Few colours, in runs, so that lines have several vertices.
    palette = random.random((3, 3))
    palette[0] = 0.0
    rgb = palette[np.repeat(random.integers(0, 3, count), 4)[:count]]
    return xy, rgb, rgb.max(axis=1) > 0


@given(beams())
def test_what_is_drawn_is_what_was_lit(beam):
    xy, rgb, lit = beam
    picture = encode_picture(xy, rgb, lit)
    lines = decode_picture(picture)
    rows = np.flatnonzero(lit)
    segments = shapely.linestrings(np.stack([xy[rows - 1], xy[rows]], axis=1))
    steps = {tuple(row) for row in np.rint(rgb[rows] * 31).astype(int)}
    assert {tuple(np.rint(colour * 31).astype(int)) for _, colour in lines} == steps
    for colour in steps:
        # Not their union, which would lose the dots of a beam that stands still.
        mine = (np.rint(rgb[rows] * 31).astype(int) == colour).all(axis=1)
        wanted = shapely.multilinestrings(segments[mine])
        drawn = shapely.MultiLineString([
            vertices for vertices, own in lines
            if tuple(np.rint(own * 31).astype(int)) == colour
        ])  # fmt: skip
        assert shapely.hausdorff_distance(wanted, drawn, densify=0.2) <= NEAR
    extent = picture_extent(picture)
    every = np.concatenate([np.zeros((1, 2)), *(vertices for vertices, _ in lines)])
    reach = np.abs(every).max(axis=0)
    assert (reach <= extent).all()
    assert (np.array(extent) - reach <= 1 / 127).all()


def test_a_scribble_stays_small():
    random = np.random.default_rng(5)
    count = 20_000
    xy = random.uniform(-1, 1, (count, 2))
    picture = encode_picture(xy, np.ones((count, 3)), np.ones(count, bool))
    assert sum(len(vertices) for vertices, _ in decode_picture(picture)) <= VERTICES_MAX
    # Two coordinates of two bytes each; the head and the colour.
    assert len(picture) <= 4 * VERTICES_MAX + 16


def test_many_strokes_keep_their_ends():
    rows = []
    for k in range(500):
        x = -1 + k / 250
        rows += [(x, -0.5, 0, 0, 0), (x, 0.5, *WHITE)]
    lines = decode_picture(encode_picture(*path(*rows)))
    assert [len(vertices) for vertices, _ in lines] == [2] * 500


def test_a_colour_between_two_steps_does_not_tear_a_stroke():
    """Half way between two of the 31 steps; the simulated light differs in the last digits."""
    random = np.random.default_rng(7)
    angle = np.linspace(0, 6, 400)
    xy = 0.7 * np.stack([np.cos(angle), np.sin(angle)], axis=1)
    rgb = np.full((400, 3), 0.5) + random.choice([-1e-16, 0.0, 1e-16, -1e-9, 1e-9], (400, 3))
    lit = np.arange(400) > 0
    ((vertices, _),) = decode_picture(encode_picture(xy, np.where(lit[:, None], rgb, 0.0), lit))
    assert len(vertices) > 20
