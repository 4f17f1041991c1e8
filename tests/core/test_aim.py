# SPDX-License-Identifier: GPL-3.0-or-later
from __future__ import annotations

import math

import numpy as np
import pytest
import shapely
from beamwright.core.errors import SettingError
from beamwright.core.points.aim import aim_matrix, aimed, clipped_to_field, projected
from beamwright.core.points.projector import NO_KEYSTONE, Aim
from beamwright.core.strokes import Strokes
from hypothesis import assume, given
from strategies import STEADY, aims, strokes


def mapped(aim: Aim, x: float, y: float) -> tuple[float, float]:
    u, v, w = aim_matrix(aim) @ [x, y, 1.0]
    return u / w, v / w


def test_order_of_steps() -> None:
    # Mirror, scale, rotate, offset: (1, 0) → (-1, 0) → (-0.5, 0) → (0, -0.5) → (0.1, -0.3).
    aim = Aim(
        scale_x=0.5,
        scale_y=0.25,
        rotation_rad=math.pi / 2,
        offset_x=0.1,
        offset_y=0.2,
        mirror_x=True,
    )
    assert mapped(aim, 1.0, 0.0) == pytest.approx((0.1, -0.3))
    assert mapped(aim, 0.0, 1.0) == pytest.approx((0.1 - 0.25, 0.2))


def test_keystone_moves_the_corners_and_keeps_lines_straight() -> None:
    corners = ((-0.9, -1.0), (0.8, -0.7), (1.0, 0.9), (-0.6, 0.5))
    aim = Aim(scale_x=1.0, scale_y=1.0, corners=corners)
    for (x, y), target in zip(NO_KEYSTONE, corners, strict=True):
        assert mapped(aim, x, y) == pytest.approx(target)
    a, b, c = (np.array(mapped(aim, t, 0.3 * t + 0.1)) for t in (-0.9, 0.2, 0.9))
    cross = (b - a)[0] * (c - a)[1] - (b - a)[1] * (c - a)[0]
    assert abs(cross) < 1e-12


@pytest.mark.parametrize(
    "corners",
    [
        ((0, 0), (0, 0), (0, 0), (0, 0)),
        ((-1, -1), (1, -1), (-1, 1), (1, 1)),
        ((-1, -1), (-1, 1), (1, 1), (1, -1)),
        ((-1, -1), (1, -1), (-0.5, -0.5), (-1, 1)),
        ((-1, -1), (1, -1), (1, math.nan), (-1, 1)),
    ],
)
def test_degenerate_keystone_is_refused(corners: object) -> None:
    with pytest.raises(SettingError):
        aim_matrix(Aim(corners=corners))  # type: ignore[arg-type]


@pytest.mark.parametrize("change", [{"scale_x": 0.0}, {"offset_y": math.inf}])
def test_impossible_aim_is_refused(change: dict[str, float]) -> None:
    with pytest.raises(SettingError):
        aim_matrix(Aim(**change))


@STEADY
@given(strokes(max_size=6), aims())
def test_clipping_agrees_with_shapely(drawn: Strokes, aim: Aim) -> None:
    try:
        free = projected(drawn, aim)
    except SettingError:
        assume(False)
    result = aimed(drawn, aim)
    assert np.all(np.abs(result.points) <= 1.0)
    box = shapely.box(-1, -1, 1, 1)
    for row in range(len(drawn)):
        pieces = result.identity == drawn.identity[row]
        line = free.polyline(row)
        if len(line) == 1:
            assert pieces.sum() == int(np.all(np.abs(line) <= 1.0))
            continue
        # Intersection merges where a line crosses itself, so lengths are compared by segment.
        segments = shapely.linestrings(np.stack([line[:-1], line[1:]], axis=1))
        length = shapely.length(shapely.intersection(segments, box)).sum()
        assert result.lengths[pieces].sum() == pytest.approx(length, abs=1e-6)
        for piece in np.flatnonzero(pieces):
            probe = shapely.points(result.polyline(int(piece)))
            assert np.all(shapely.distance(shapely.linestrings(line), probe) < 1e-9)


def test_a_line_that_leaves_and_returns_is_two() -> None:
    line = [[-0.5, 0.0], [0.5, 0.0], [1.5, 0.0], [1.5, 0.5], [0.5, 0.5], [-0.5, 0.5]]
    result = clipped_to_field(Strokes.from_polylines([line], colour=(0.2, 0.4, 0.6)))
    assert [piece.tolist() for piece in (result.polyline(0), result.polyline(1))] == [
        [[-0.5, 0.0], [0.5, 0.0], [1.0, 0.0]],
        [[1.0, 0.5], [0.5, 0.5], [-0.5, 0.5]],
    ]
    assert np.allclose(result.colour, (0.2, 0.4, 0.6))


def test_a_cut_loop_stays_joined_at_its_seam() -> None:
    loop = [[0.0, 0.0], [0.5, -0.5], [1.5, 0.0], [0.5, 0.5], [0.0, 0.0]]
    result = clipped_to_field(Strokes.from_polylines([loop]))
    assert len(result) == 1
    assert [0.0, 0.0] in result.polyline(0)[1:-1].tolist()
    assert np.allclose(np.abs(result.polyline(0)[[0, -1], 0]), 1.0)


def test_what_is_outside_is_gone() -> None:
    far = Strokes.from_polylines([[[1.2, 0.0], [1.4, 0.9]], [[2.0, 2.0]]])
    assert len(clipped_to_field(far)) == 0
    assert len(aimed(Strokes.empty(), Aim())) == 0
