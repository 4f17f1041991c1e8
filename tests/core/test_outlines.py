# SPDX-License-Identifier: GPL-3.0-or-later
"""Keep-out areas of objects: what a camera sees of faces, rings and open lines."""

import numpy as np
import pytest
import scenes
import shapely
from beamwright.core.errors import SceneError
from beamwright.core.points.aim import aim_matrix
from beamwright.core.points.projector import Aim
from beamwright.core.safety.outlines import object_areas

CAMERA = scenes.look_at((0.0, -5.0, 0.0))
PLACEMENT = aim_matrix(Aim(scale_x=0.5, scale_y=0.5))
NO_EDGES = np.empty((0, 2), np.int64)


def ring(count=12, radius=0.5, centre=(0.0, 0.0)):
    angle = np.arange(count) / count * 2 * np.pi
    return np.c_[
        centre[0] + radius * np.cos(angle), np.zeros(count), centre[1] + radius * np.sin(angle)
    ]


def areas(positions, faces=(), edges=NO_EDGES, camera=CAMERA, placement=PLACEMENT):
    found = object_areas(
        "door", np.asarray(positions, np.float64), [np.asarray(face) for face in faces],
        np.asarray(edges, np.int64), camera, placement,
    )  # fmt: skip
    return [shapely.Polygon(area.outline) for area in found]


def seen(positions):
    clip = positions @ CAMERA.view_projection[:, :3].T + CAMERA.view_projection[:, 3]
    return 0.5 * clip[:, :2] / clip[:, 3:]


def test_a_face_is_where_its_corners_are_seen():
    positions = ring()
    (area,) = areas(positions, [range(12)])
    assert area.equals(shapely.Polygon(seen(positions)))


def test_faces_join_and_holes_are_filled():
    """Four plates round a hole are one area without one."""
    plates, faces = [], []
    for x, z, width, height in ((0, 1, 3, 1), (0, -1, 3, 1), (-1, 0, 1, 3), (1, 0, 1, 3)):
        faces.append(np.arange(4) + 4 * len(faces))
        plates += [
            (x + a * width / 2, 0, z + b * height / 2)
            for a, b in ((-1, -1), (1, -1), (1, 1), (-1, 1))
        ]
    (area,) = areas(plates, faces)
    assert area.contains(shapely.Point(0, 0))
    assert len(area.interiors) == 0


@pytest.mark.parametrize("shuffled", [False, True])
def test_a_ring_of_edges_in_any_order(shuffled):
    positions = ring(7)
    positions[3] *= 0.2  # not convex, so its hull would be larger
    edges = np.c_[np.arange(7), np.roll(np.arange(7), -1)]
    if shuffled:
        rng = np.random.default_rng(2)
        edges = rng.permuted(edges[rng.permutation(7)], axis=1)
    (area,) = areas(positions, edges=edges)
    assert area.normalize().equals_exact(shapely.Polygon(seen(positions)).normalize(), 1e-12)


def test_open_lines_and_loose_points_are_hulls():
    positions = np.concatenate([ring(6), ring(5, 0.3, (1.5, 0.0))])
    edges = np.c_[np.arange(5), np.arange(1, 6)]
    line, points = sorted(areas(positions, edges=edges), key=lambda area: area.centroid.x)
    assert line.equals(shapely.MultiPoint(seen(positions[:6])).convex_hull)
    assert points.equals(shapely.MultiPoint(seen(positions[6:])).convex_hull)


def test_what_is_far_outside_the_field_is_cut_off():
    (area,) = areas([(-900, 0, -900), (900, 0, -900), (0, 0, 900)], [(0, 1, 2)])
    assert np.abs(shapely.get_coordinates(area)).max() <= 4.0
    assert areas(ring(centre=(500.0, 0.0)), [range(12)]) == []


@pytest.mark.parametrize(
    ("positions", "faces", "word"),
    [
        ([], [], "is empty"),
        ([(0, 0, 0), (0, -9, 0), (1, 0, 0)], [(0, 1, 2)], "reaches behind its camera"),
        ([(0, 0, 0), (np.nan, 0, 0), (1, 0, 0)], [(0, 1, 2)], "not a number"),
    ],
)
def test_refusals(positions, faces, word):
    with pytest.raises(SceneError, match=word):
        areas(np.reshape(positions, (-1, 3)), faces)


def test_a_keystone_beyond_its_horizon_is_refused():
    aim = Aim(corners=((-1.0, -1.0), (1.0, -1.0), (0.2, 1.0), (-0.2, 1.0)))
    with pytest.raises(SceneError, match="behind the horizon"):
        areas(ring(centre=(0.0, -20.0)), [range(12)], placement=aim_matrix(aim))
