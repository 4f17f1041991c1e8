# SPDX-License-Identifier: GPL-3.0-or-later
"""Feature edges: which are drawn, and what is kept between frames."""

import dataclasses
import gc
import weakref

import numpy as np
import pytest
from beamwright.core.errors import SceneError
from beamwright.core.lines import features
from beamwright.core.lines.adjacency import adjacency
from beamwright.core.pipeline import visible_strokes
from beamwright.core.scene import LineKind
from hypothesis import given, settings
from hypothesis import strategies as st
from scenes import box, cylinder, grid_plate, ico_sphere, look_at, rotation, scene, surface, torus


def kinds_of(body):
    """Kind bits by vertex pair."""
    arrays = features.collect([body])
    return {
        tuple(sorted(pair)): int(kind)
        for pair, kind in zip(arrays.edges.tolist(), arrays.edge_kind.tolist(), strict=True)
    }


def test_a_cube_has_twelve_creases_and_no_diagonals():
    kinds = kinds_of(box())
    assert sorted(kinds.values()) == [0] * 6 + [int(LineKind.CREASE)] * 12


def test_kinds_of_a_made_up_mesh():
    """Two coplanar quads of two materials, a wall at a right angle, a fin on the fold."""
    vertices = [(0, 0, 0), (1, 0, 0), (2, 0, 0), (0, 1, 0), (1, 1, 0), (2, 1, 0),
                (2, 0, 1), (2, 1, 1), (5, 5, 5), (6, 5, 5), (7, 7, 7)]  # fmt: skip
    faces = [[0, 1, 4, 3], [1, 2, 5, 4], [2, 6, 7, 5]]
    body = surface(
        vertices, faces, material=[0, 1, 1], marked=[(4, 3), (0, 4)], loose_edges=[(8, 9)],
        loose_vertices=[10], kinds=LineKind(0xFF),
    )  # fmt: skip
    kinds = kinds_of(body)
    assert kinds[1, 4] == LineKind.MATERIAL
    assert kinds[2, 5] == LineKind.CREASE
    assert kinds[3, 4] == LineKind.BORDER | LineKind.MARK
    assert kinds[0, 4] == 0  # a diagonal takes no mark
    assert kinds[8, 9] == LineKind.LOOSE
    assert kinds[10, 10] == LineKind.DOT
    assert kinds[0, 1] == kinds[6, 7] == LineKind.BORDER
    default = kinds_of(dataclasses.replace(body, lines=dataclasses.replace(
        body.lines, kinds=LineKind.CREASE | LineKind.LOOSE)))  # fmt: skip
    assert {pair for pair, kind in default.items() if kind} == {(2, 5), (8, 9)}


def test_non_manifold_edges_are_drawn():
    vertices = [(0, 0, 0), (0, 0, 1), (1, 0, 0), (0, 1, 0), (-1, -1, 0)]
    body = surface(vertices, [[0, 1, 2], [0, 1, 3], [0, 1, 4]], smooth=True)
    assert kinds_of(body)[0, 1] & LineKind.BORDER
    assert not features.collect([body]).triangle_closed.any()


@pytest.mark.parametrize(
    ("sides", "angle", "creased"), [(24, 40, False), (24, 14, True), (9, 40, False), (8, 40, True)]
)
def test_crease_angle_of_a_prism(sides, angle, creased):
    """Neighbouring sides of an n-gon prism turn by 360 / n degrees; equal is no crease."""
    kinds = kinds_of(cylinder(sides, crease_angle_rad=np.radians(angle)))
    assert (kinds[0, sides] == LineKind.CREASE) == creased


def test_creases_between_smooth_faces_are_an_option():
    assert not any(kinds_of(box(smooth=True)).values())
    assert sum(k > 0 for k in kinds_of(box(smooth=True, crease_on_smooth=True)).values()) == 12


def test_fold_between_inconsistent_faces():
    """Windings that disagree: a flat pair is no crease, and no silhouette from either side."""
    vertices = [(0, 0, 0), (1, 0, 0), (1, 1, 0), (0, 1, 0), (2, 0, 0), (2, 1, 0)]
    body = surface(vertices, [[0, 1, 2, 3], [1, 2, 5, 4]])
    arrays = features.collect([body])
    assert kinds_of(body)[1, 2] == 0
    assert arrays.edge_flip.sum() == 1
    for z in (3, -3):
        strokes = visible_strokes(scene(body, camera=look_at((0.9, 0.4, z), (1, 0.5, 0))))
        assert len(strokes) == 1
        assert strokes.closed.all()


def test_a_vertex_on_an_edge_makes_no_line():
    """A zero-area triangle between two coplanar ones, or along a cube's edge."""
    flat = surface(
        [(0, 0, 0), (2, 0, 0), (2, 2, 0), (0, 2, 0), (1, 1, 0)],
        [[0, 1, 4], [1, 2, 4], [0, 4, 2], [0, 2, 3]],
    )
    strokes = visible_strokes(scene(flat, camera=look_at((1, 1, 6), (1, 1, 0))))
    assert strokes.closed.tolist() == [True]
    assert strokes.counts.tolist() == [5]
    cube = box()
    split = surface(
        [*cube.positions, (0.5, 0.5, 0.1)],  # on the edge 6-7
        [[0, 1, 3, 2], [0, 4, 5, 1], [0, 2, 6, 4], [1, 5, 7, 3],
         [2, 3, 7, 8, 6], [4, 6, 7, 5], [6, 8, 7]],
    )  # fmt: skip
    seen = visible_strokes(scene(split, camera=look_at((5, 4, 3))))
    whole = visible_strokes(scene(cube, camera=look_at((5, 4, 3))))
    assert seen.lengths.sum() == pytest.approx(whole.lengths.sum(), rel=1e-9)


def test_triangles_that_repeat_a_vertex_are_left_out():
    cube = box()
    topology = cube.topology
    broken = dataclasses.replace(
        topology,
        triangles=np.concatenate([topology.triangles, [[0, 0, 1], [2, 2, 2]]]).astype(np.int32),
        triangle_polygon=np.append(topology.triangle_polygon, [6, 7]).astype(np.int32),
        triangle_material=np.append(topology.triangle_material, [0, 0]).astype(np.int32),
        triangle_smooth=np.append(topology.triangle_smooth, [False, False]),
    )
    seen = visible_strokes(
        scene(dataclasses.replace(cube, topology=broken), camera=look_at((5, 4, 3)))
    )
    assert seen.counts.sum() - len(seen) == 9


@pytest.mark.parametrize("value", [np.nan, np.inf, -np.inf])
def test_vertices_that_are_no_numbers_are_refused(value):
    body = box(name="Lighthouse")
    positions = body.positions.copy()
    positions[3, 1] = value
    bad = dataclasses.replace(body, positions=positions)
    with pytest.raises(SceneError, match=r"'Lighthouse'.*1 vertices.*vertex 3.*repair"):
        visible_strokes(scene(bad, camera=look_at((5, 4, 3))))


def euler(mesh):
    return mesh.edges.max() + 1 - mesh.mesh_edges + len(mesh.triangles)


def test_adjacency_of_closed_meshes():
    """V - E + F = 2 for a sphere, 0 for a torus (Euler, Poincare)."""
    for body, characteristic in ((ico_sphere(3), 2), (torus(16, 8), 0), (cylinder(12), 2)):
        mesh = adjacency(body.topology)
        assert euler(mesh) == characteristic
        assert mesh.part_sealed.tolist() == [True]
        assert not mesh.edge_flip.any()
        for k in range(3):  # side k joins corners k and k + 1
            sides = np.sort(mesh.triangles[:, [k, (k + 1) % 3]], axis=1)
            assert np.array_equal(sides, mesh.edges[mesh.triangle_edges[:, k]])


@settings(max_examples=40, deadline=None, derandomize=True)
@given(seed=st.integers(0, 2**32 - 1))
def test_adjacency_against_a_dictionary(seed):
    rng = np.random.default_rng(seed)
    body = surface(rng.normal(size=(9, 3)), rng.integers(0, 9, (rng.integers(0, 14), 3)))
    mesh = adjacency(body.topology)
    faces_of = {}
    for number, triangle in enumerate(mesh.triangles.tolist()):
        for k in range(3):
            pair = tuple(sorted((triangle[k], triangle[(k + 1) % 3])))
            faces_of.setdefault(pair, []).append(number)
    assert [tuple(pair) for pair in mesh.edges.tolist()] == sorted(faces_of)
    for pair, (f, g), kind in zip(
        mesh.edges.tolist(), mesh.edge_faces.tolist(), mesh.base_kind.tolist(), strict=True
    ):
        expected = faces_of[tuple(pair)]
        assert [f, g] == [*expected, -1][:2]
        assert bool(kind & LineKind.BORDER) == (len(expected) != 2)
    # Parts: flood fill over shared vertices.
    label = {}
    for start in range(len(mesh.triangles)):
        if start in label:
            continue
        reached, todo = set(), [start]
        while todo:
            at = todo.pop()
            if at in reached:
                continue
            reached.add(at)
            todo += [
                other for other in range(len(mesh.triangles))
                if set(mesh.triangles[at].tolist()) & set(mesh.triangles[other].tolist())
            ]  # fmt: skip
        for member in reached:
            label[member] = start
    for i in label:
        for j in label:
            assert (label[i] == label[j]) == (mesh.part[i] == mesh.part[j])


def test_a_moved_body_is_not_measured_again(monkeypatch):
    body = torus(16, 8)
    features.collect([body])

    def refuse(_):
        raise AssertionError("measured again")

    monkeypatch.setattr(features, "_measure", refuse)
    rng = np.random.default_rng(1)
    moved = body.positions @ rotation(rng).T * 1.7 + [10, -3, 2]
    first = features.collect([body])
    assert features.collect([dataclasses.replace(body, positions=body.positions.copy())]) is first
    assert features.collect([dataclasses.replace(body, positions=moved)]) is first
    bent = body.positions.copy()
    bent[5] += 0.01
    with pytest.raises(AssertionError, match="measured again"):
        features.collect([dataclasses.replace(body, positions=bent)])


def test_caches_die_with_the_topology():
    body = grid_plate(3, 1.0)
    features.collect([body])
    features._scenes.clear()
    features._collected.clear()
    ghost = weakref.ref(body.topology)
    del body
    gc.collect()
    assert ghost() is None


def test_closed_parts_are_found_each_for_itself():
    """A closed and an open body in one mesh; and one turned inside out."""
    a, b = box(), box((1, 1, 1), (5, 0, 0))
    open_faces = [[8, 9, 11, 10], [12, 14, 15, 13], [8, 12, 13, 9]]
    closed_faces = [[0, 1, 3, 2], [4, 6, 7, 5], [0, 4, 5, 1], [2, 3, 7, 6], [0, 2, 6, 4],
                    [1, 5, 7, 3]]  # fmt: skip
    body = surface(np.concatenate([a.positions, b.positions]), closed_faces + open_faces)
    arrays = features.collect([body])
    assert arrays.triangle_closed.tolist() == [1] * 12 + [0] * 6
    reversed_body = surface(a.positions, [face[::-1] for face in closed_faces])
    assert np.array_equal(
        np.sort(features.collect([reversed_body]).triangles, axis=1),
        np.sort(reversed_body.topology.triangles, axis=1),
    )
    p = a.positions[features.collect([reversed_body]).triangles]
    volume = np.einsum("ij,ij->i", p[:, 0], np.cross(p[:, 1], p[:, 2])).sum() / 6
    assert volume == pytest.approx(1.0)


def test_smooth_creases_can_be_asked_for_later():
    body = box(smooth=True)
    assert not any(kinds_of(body).values())
    lines = dataclasses.replace(body.lines, crease_on_smooth=True)
    assert sum(k > 0 for k in kinds_of(dataclasses.replace(body, lines=lines)).values()) == 12
    assert not any(kinds_of(body).values())
