# SPDX-License-Identifier: GPL-3.0-or-later
"""Lines where bodies pass through each other."""

import dataclasses

import numpy as np
import pytest
from beamwright.core.lines import features, intersections
from beamwright.core.pipeline import visible_strokes
from beamwright.core.scene import LineKind
from hypothesis import given, settings
from hypothesis import strategies as st
from scenes import box, ico_sphere, look_at, plate, rotation, scene, surface, torus


def crossing(*bodies, **options):
    found = intersections.intersection_edges(bodies, features.collect(bodies), **options)
    p = found.positions[found.edges]
    return found, np.linalg.norm(p[:, 1] - p[:, 0], axis=1).sum()


def ends_per_point(found):
    return np.bincount(found.edges.reshape(-1), minlength=len(found.positions))


def test_plane_through_a_sphere_is_one_ring():
    """Circle of radius sqrt(r2 - h2), all ends welded in pairs."""
    ball = ico_sphere(4)
    sheet = plate(4, 4, (0, 0, 0.3))
    found, length = crossing(ball, sheet)
    assert set(ends_per_point(found)) == {2}
    assert length == pytest.approx(2 * np.pi * np.sqrt(1 - 0.09), rel=2e-3)
    assert np.abs(found.positions[:, 2] - 0.3).max() < 1e-12
    assert set(found.kind.tolist()) == {int(LineKind.INTERSECTION)}
    assert found.source.min() >= 1 << 31


def test_boxes_in_general_position():
    """A square bar through a cube: two squares of known length."""
    bar = box((0.4, 0.4, 3), name="bar")
    cube = box((1, 1, 1), (0.03, 0.02, 0.01), name="cube")
    found, length = crossing(bar, cube)
    assert length == pytest.approx(2 * 1.6)
    assert set(ends_per_point(found)) == {2}


def test_exact_ties_keep_the_curve_whole():
    """Every edge of the bar passes exactly through a diagonal or through the middle."""
    bar = box((0.5, 0.5, 3), name="bar")
    cube = box((1, 1, 1), name="cube")
    found, length = crossing(bar, cube)
    assert length == pytest.approx(2 * 2.0)
    assert set(ends_per_point(found)) == {2}
    ball = ico_sphere(3)
    found, length = crossing(ball, plate(4, 4, (0, 0, 0), name="equator"))
    assert set(ends_per_point(found)) == {2}
    assert length == pytest.approx(2 * np.pi, rel=5e-3)


def test_coplanar_contact_gives_no_line():
    assert crossing(box(), plate(3, 3, (0, 0, -0.5)))[1] == 0
    assert crossing(plate(2, 2), plate(1, 1, name="decal"))[1] == 0
    assert crossing(box(), box((1, 1, 1), (1, 0, 0), name="neighbour"))[1] == 0
    assert crossing(box(), box((1, 1, 1), (5, 0, 0), name="far"))[1] == 0


@settings(max_examples=15, deadline=None, derandomize=True)
@given(seed=st.integers(0, 2**32 - 1))
def test_segments_lie_in_both_triangles_and_form_closed_curves(seed):
    rng = np.random.default_rng(seed)
    a = torus(12, 8, name="a")
    b = ico_sphere(2, 0.8, name="b")
    a = dataclasses.replace(a, positions=a.positions @ rotation(rng).T)
    b = dataclasses.replace(b, positions=b.positions + rng.uniform(-0.8, 0.8, 3))
    arrays = features.collect([a, b])
    found, _ = crossing(a, b)
    assert np.all(ends_per_point(found) == 2)
    corners = np.concatenate([a.positions, b.positions])[arrays.triangles]
    for side in (0, 1):
        triangle = corners[found.faces[:, side]]
        normal = np.cross(triangle[:, 1] - triangle[:, 0], triangle[:, 2] - triangle[:, 0])
        normal /= np.linalg.norm(normal, axis=1)[:, None]
        for end in (0, 1):
            p = found.positions[found.edges[:, end]]
            assert np.abs(np.einsum("ij,ij->i", p - triangle[:, 0], normal)).max(initial=0) < 1e-9
            low, high = triangle.min(axis=1) - 1e-9, triangle.max(axis=1) + 1e-9
            assert np.all((p >= low) & (p <= high))
    # The candidates against all pairs, tested one by one.
    got = {tuple(pair) for pair in found.faces.tolist()}
    n = len(a.topology.triangles)
    for i in rng.choice(n, 4, replace=False):
        for j in range(n, len(corners)):
            if pierces(corners[i], corners[j]):
                assert (i, j) in got


def pierces(s, t):
    """Brute force: an edge of one triangle passes well inside the other."""
    for p, q in ((s, t), (t, s)):
        for k in range(3):
            o, d = p[k], p[(k + 1) % 3] - p[k]
            m = np.column_stack([q[1] - q[0], q[2] - q[0], -d])
            if abs(np.linalg.det(m)) < 1e-12:
                continue
            u, v, w = np.linalg.solve(m, o - q[0])
            if min(u, v, 1 - u - v, w, 1 - w) > 1e-6:
                return True
    return False


def test_within_one_object():
    a, b = box((0.4, 0.4, 3)), box((1, 1, 1), (0.03, 0.02, 0.01))
    faces = [[0, 1, 3, 2], [4, 6, 7, 5], [0, 4, 5, 1], [2, 3, 7, 6], [0, 2, 6, 4], [1, 5, 7, 3]]
    both = surface(
        np.concatenate([a.positions, b.positions]),
        faces + [[v + 8 for v in face] for face in faces],
    )
    assert crossing(both)[1] == 0
    found, length = crossing(both, within=True)
    assert length == pytest.approx(2 * 1.6)
    assert set(ends_per_point(found)) == {2}
    assert crossing(torus(24, 12), within=True)[1] == 0


def test_owner_and_colour():
    """The first object that draws intersections owns the line; ghosts take no part."""
    camera = look_at((4, 3, 2))
    red, blue = [[1.0, 0, 0]], [[0, 0, 1.0]]
    bar = box((0.4, 0.4, 3), name="bar", colours=red)
    cube = box((1, 1, 1), (0.03, 0.02, 0.01), name="cube", colours=blue)

    def colours(*bodies):
        strokes = visible_strokes(scene(*bodies, camera=camera))
        rows = (strokes.kind & np.uint16(LineKind.INTERSECTION)) != 0
        return {tuple(c) for c in strokes.colour[rows].tolist()}

    assert colours(bar, cube) == {(1, 0, 0)}
    assert colours(cube, bar) == {(0, 0, 1)}
    silent = dataclasses.replace(bar, lines=dataclasses.replace(bar.lines, drawn=False))
    assert colours(silent, cube) == {(0, 0, 1)}
    ghost = dataclasses.replace(
        bar, lines=dataclasses.replace(bar.lines, drawn=False, occludes=False)
    )
    assert colours(ghost, cube) == set()
    off = visible_strokes(scene(bar, cube, camera=camera, intersections=False))
    assert not np.any(off.kind & np.uint16(LineKind.INTERSECTION))


def test_bodies_that_move_together_are_not_searched_again(monkeypatch):
    ball, sheet = ico_sphere(2, name="together a"), plate(4, 4, (0, 0, 0.3), name="together b")
    first, length = crossing(ball, sheet)

    def refuse(*_, **__):
        raise AssertionError("searched again")

    monkeypatch.setattr(intersections, "_find", refuse)
    turn = rotation(np.random.default_rng(0))

    def move(body, shift=(0, 0, 0)):
        return dataclasses.replace(body, positions=body.positions @ turn.T + [3, 1, 2] + shift)

    again, moved = crossing(move(ball), move(sheet))
    assert moved == pytest.approx(length)
    assert np.allclose(again.positions, first.positions @ turn.T + [3, 1, 2])
    with pytest.raises(AssertionError, match="searched again"):
        crossing(move(ball), move(sheet, (0, 0, 0.1)))
