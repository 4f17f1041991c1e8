# SPDX-License-Identifier: GPL-3.0-or-later
"""Smooth contours against the exact outlines of sphere and torus."""

from itertools import pairwise

import numpy as np
import pytest
import shapely
from beamwright.core.pipeline import visible_strokes
from scenes import box, ico_sphere, look_at, plate, scene, torus

MAJOR, MINOR = 1.0, 0.35
EYE = np.array([3.2, 1.1, 2.1])
FOCAL = 1 / np.tan(np.radians(20))


def exact_torus_contour(camera, samples=20000, spin=0.0):
    """Image of the torus' contour: n·(P - E) = 0 solved for the cross-section angle.

    With a = R - Ex cos u - Ey sin u, b = -Ez: a cos v + b sin v = -r (derived by hand).
    """
    u = np.linspace(0, 2 * np.pi, samples, endpoint=False)
    e = camera.eye
    a = MAJOR - e[0] * np.cos(u) - e[1] * np.sin(u)
    b = np.full_like(u, -e[2])
    q = -MINOR / np.hypot(a, b)
    assert np.all(np.abs(q) < 1)
    images = []
    for sign in (-1, 1):
        v = np.arctan2(b, a) + sign * np.arccos(q)
        ring = MAJOR + MINOR * np.cos(v)
        p = np.stack([ring * np.cos(u), ring * np.sin(u), MINOR * np.sin(v), np.ones_like(u)])
        residual = np.cos(v) * (np.cos(u) * (p[0] - e[0]) + np.sin(u) * (p[1] - e[1])) + np.sin(
            v
        ) * (p[2] - e[2])
        assert np.abs(residual).max() < 1e-13
        clip = camera.view_projection @ p
        images.append((clip[:2] / clip[3]).T)
    return np.concatenate(images)


def distances(points, curve):
    """Distance of points to a dense curve's samples."""
    tree = shapely.STRtree(shapely.points(curve))
    _, d = tree.query_nearest(shapely.points(points), return_distance=True, all_matches=False)
    return d


def points_of(strokes, step=2e-3):
    """Points along strokes at most `step` apart."""
    lines = shapely.linestrings(strokes.points, indices=strokes.stroke_of_point)
    return shapely.get_coordinates(shapely.segmentize(lines, step))


@pytest.mark.parametrize(
    ("around", "across", "edges_off", "smooth_off"),
    [(48, 24, 0.04, 0.0055), (96, 48, 0.022, 0.0015), (192, 96, 0.011, 0.0004)],
)
def test_torus_contour_converges_with_the_square(around, across, edges_off, smooth_off):
    camera = look_at(EYE)
    curve = exact_torus_contour(camera)
    worst = {}
    for smooth in (False, True):
        body = torus(around, across, MAJOR, MINOR, smooth_contour=smooth)
        strokes = visible_strokes(scene(body, camera=camera, tolerance_field=0))
        worst[smooth] = distances(points_of(strokes), curve).max()
    assert worst[False] < edges_off
    assert worst[True] < smooth_off
    assert worst[True] < worst[False] / 4


def test_the_whole_rim_of_a_sphere_is_seen():
    body = ico_sphere(4, smooth_contour=True)
    eye = (2.5, 2.4, 1.94)
    strokes = visible_strokes(scene(body, camera=look_at(eye), tolerance_field=0))
    rim = FOCAL * np.tan(np.arcsin(1 / np.linalg.norm(eye)))
    assert strokes.closed.tolist() == [True]
    assert strokes.lengths.sum() == pytest.approx(2 * np.pi * rim, rel=2e-3)
    assert np.abs(np.hypot(*strokes.points.T) - rim).max() < 1.5e-3


def test_contours_glide():
    """Motion between frames at least four times smaller than that of mesh edges (worst)."""
    motion = {}
    for smooth in (False, True):
        body = torus(96, 48, MAJOR, MINOR, smooth_contour=smooth)
        images = []
        for angle in np.arange(6) * 0.01:
            c, s = np.cos(angle), np.sin(angle)
            eye = np.array([[c, -s, 0], [s, c, 0], [0, 0, 1]]) @ EYE
            images.append(visible_strokes(scene(body, camera=look_at(eye), tolerance_field=0)))
        # The torus is round about z, so an exact contour would stand still.
        moved = []
        for before, after in pairwise(images):
            lines = shapely.linestrings(before.points, indices=before.stroke_of_point)
            points = shapely.points(points_of(after))
            moved.append(shapely.distance(points, shapely.multilinestrings(lines)))
        motion[smooth] = np.concatenate(moved).max()
    assert motion[True] <= motion[False] / 4
    assert motion[True] < 0.0006


def test_nothing_leaks_through_folds():
    """The far outline of the hole's back and what stands behind stays hidden."""
    camera = look_at(EYE)
    body = torus(96, 48, MAJOR, MINOR, smooth_contour=True)
    curve = exact_torus_contour(camera)
    strokes = visible_strokes(scene(body, camera=camera, tolerance_field=0))
    seen = strokes.lengths.sum()
    # Visible part of the exact contour, by rays against a fine torus in closed form.
    hidden = exact_hidden(camera)
    step = np.linalg.norm(np.roll(curve.reshape(2, -1, 2), -1, axis=1)
                          - curve.reshape(2, -1, 2), axis=2)  # fmt: skip
    exact = step.reshape(-1)[~hidden].sum()
    assert seen == pytest.approx(exact, rel=0.01)
    behind = box((0.3, 0.3, 0.3), (-1.5, -0.5, -1.0), name="behind")
    front = plate(8, 8, (1.6, 0.55, 1.05), ((-1.1, 3.2, 0), (-2.1, 0, 3.2)), name="front")
    open_view = visible_strokes(scene(body, behind, camera=camera))
    assert set(open_view.object_index.tolist()) == {0, 1}
    assert len(visible_strokes(scene(body, behind, front, camera=camera))) == 0


def exact_hidden(camera, samples=20000):
    """Mask of contour points hidden by the torus itself, by sampling its implicit function."""
    u = np.linspace(0, 2 * np.pi, samples, endpoint=False)
    e = camera.eye
    a = MAJOR - e[0] * np.cos(u) - e[1] * np.sin(u)
    b = np.full_like(u, -e[2])
    q = -MINOR / np.hypot(a, b)
    masks = []
    for sign in (-1, 1):
        v = np.arctan2(b, a) + sign * np.arccos(q)
        ring = MAJOR + MINOR * np.cos(v)
        p = np.stack([ring * np.cos(u), ring * np.sin(u), MINOR * np.sin(v)], axis=1)
        hidden = np.zeros(samples, bool)
        for t in np.linspace(0.3, 0.985, 400):
            at = e + (p - e) * t
            inside = (np.hypot(at[:, 0], at[:, 1]) - MAJOR) ** 2 + at[:, 2] ** 2 < MINOR**2 - 1e-9
            hidden |= inside
        masks.append(hidden)
    return np.concatenate(masks)


def test_flat_shaded_surfaces_keep_their_edges():
    flat = ico_sphere(2, smooth=False, smooth_contour=True)
    plain = ico_sphere(2, smooth=False)
    camera = look_at((4, 3, 2))
    with_option = visible_strokes(scene(flat, camera=camera))
    without = visible_strokes(scene(plain, camera=camera))
    assert np.array_equal(with_option.points, without.points)


def test_orthographic_contour_of_a_sphere():
    strokes = visible_strokes(
        scene(
            ico_sphere(4, smooth_contour=True),
            camera=look_at((5, 4, 3), orthographic=4.0),
            tolerance_field=0,
        )
    )
    assert strokes.closed.tolist() == [True]
    assert strokes.lengths.sum() == pytest.approx(np.pi, rel=2e-3)
