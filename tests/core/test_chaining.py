# SPDX-License-Identifier: GPL-3.0-or-later
"""Strokes from pieces: the pairing rules, and what a stroke keeps."""

import numpy as np
import pytest
from beamwright.core import kernels
from beamwright.core.kernels import numpy_chaining
from beamwright.core.lines import chaining
from beamwright.core.pipeline import visible_strokes
from beamwright.core.scene import LineKind
from hypothesis import given, settings
from hypothesis import strategies as st
from scenes import box, grid_plate, ico_sphere, look_at, plate, scene, seen_edges, surface

ENGINES = {"numpy": numpy_chaining.chain, "serving": kernels.chain}


@pytest.fixture(params=ENGINES)
def chain(request):
    return ENGINES[request.param]


def plain_chain(nodes, group, xy, least_cosine=0.5):
    """The rules of `numpy_chaining.chain`, word for word, with dictionaries and loops."""
    count, mate, ends = len(nodes), {}, {}
    for piece in range(count):
        for end in (0, 1):
            if nodes[piece, end] >= 0:
                ends.setdefault((group[piece], nodes[piece, end]), []).append(2 * piece + end)
    step = xy[:, 2:] - xy[:, :2]
    length = np.sqrt(step[:, 0] * step[:, 0] + step[:, 1] * step[:, 1])
    step = step / np.where(length > 0, length, 1)[:, None]

    def leaving(half):
        return step[half >> 1] * (-1 if half & 1 else 1)

    for halves in ends.values():
        if len(halves) == 2:
            mate[halves[0]], mate[halves[1]] = halves[1], halves[0]
        elif 2 < len(halves) <= numpy_chaining.LARGEST_DEGREE:
            pairs = []
            for i, a in enumerate(halves):
                for b in halves[i + 1 :]:
                    u, v = leaving(a), leaving(b)
                    pairs.append((u[0] * v[0] + u[1] * v[1], a, b))
            for away, a, b in sorted(pairs):
                if -away >= least_cosine and a not in mate and b not in mate:
                    mate[a], mate[b] = b, a
    done, result = set(), []
    for piece in range(count):
        if piece in done:
            continue
        half, path, closed = 2 * piece, [2 * piece], False
        while half in mate:
            half = mate[half] ^ 1
            if half == 2 * piece:
                closed = True
                break
            path.insert(0, half)
        half = 2 * piece
        if closed:
            path = [half]
            while mate[half ^ 1] != 2 * piece:
                half = mate[half ^ 1]
                path.append(half)
        else:
            while (half ^ 1) in mate:
                half = mate[half ^ 1]
                path.append(half)
            if path[-1] ^ 1 < path[0]:
                path = [h ^ 1 for h in reversed(path)]
        done |= {h >> 1 for h in path}
        result.append((path, closed))
    return result


def unpacked(chains):
    return [
        (chains.half_edges[a:b].tolist(), bool(closed))
        for a, b, closed in zip(chains.offsets[:-1], chains.offsets[1:], chains.closed, strict=True)
    ]


@pytest.mark.parametrize("engine", ENGINES)
@settings(max_examples=150, deadline=None, derandomize=True)
@given(seed=st.integers(0, 2**32 - 1))
def test_chains_follow_the_rules(engine, seed):
    """Random graphs on a small lattice, so that ties, rings, loops and zero lengths occur."""
    rng = np.random.default_rng(seed)
    count, node_count = int(rng.integers(1, 40)), int(rng.integers(1, 25))
    nodes = rng.integers(-1, node_count, (count, 2))
    group = rng.integers(0, 3, count).astype(np.int32)
    xy = rng.integers(0, 4, (count, 4)).astype(float)
    got = unpacked(ENGINES[engine](nodes, node_count, group, xy))
    assert got == plain_chain(nodes, group, xy)


def test_a_long_ring_and_a_long_line(chain):
    rng = np.random.default_rng(0)
    turn = rng.permutation(5000)
    ring = np.stack([turn, np.roll(turn, -1)], axis=1)[rng.permutation(5000)]
    line = np.stack([np.arange(5000), np.arange(5000) + 1], axis=1) + 5000
    nodes = np.concatenate([ring, line])
    xy = rng.random((10000, 4))
    chains = chain(nodes, 10001, np.zeros(10000, np.int32), xy)
    assert chains.offsets.tolist() == [0, 5000, 10000]
    assert chains.closed.tolist() == [1, 0]
    assert np.array_equal(chains.half_edges[5000:], 2 * np.arange(5000, 10000))


def test_the_straightest_pair_wins(chain):
    """A cross with one arm bent: the straight pair joins, the others past 60 degrees do not."""
    arms = np.array([[0, 0, 1, 0], [0, 0, -1, 0.1], [0, 0, 0, 1], [0, 0, 0.9, -0.7]], float)
    nodes = np.array([[0, 1], [0, 2], [0, 3], [0, 4]])
    chains = chain(nodes, 5, np.zeros(4, np.int32), arms)
    assert unpacked(chains) == [([1, 2], False), ([5, 6], False)]
    arms[3] = [0, 0, 1, 0.9]  # now 132 degrees from straight ahead of the third
    assert len(chain(nodes, 5, np.zeros(4, np.int32), arms).closed) == 3


def test_a_cube_outline_is_strokes_of_whole_edges():
    strokes = visible_strokes(scene(box(), camera=look_at((5, 4, 3))))
    assert strokes.counts.sum() - len(strokes) == 9
    assert strokes.lengths.sum() > 0
    assert set(LineKind(int(kind)).label for kind in strokes.kind) <= {"silhouette", "crease"}


def test_a_closed_stroke_repeats_its_first_point():
    strokes = visible_strokes(scene(ico_sphere(3), camera=look_at((4, 1, 1))))
    assert strokes.closed.tolist() == [True]
    assert np.array_equal(strokes.points[0], strokes.points[-1])


def test_strokes_split_where_colour_or_object_changes():
    two = surface(
        [(-1, 0, 0), (0, 0, 0), (1, 0, 0), (-1, 1, 0), (0, 1, 0), (1, 1, 0)],
        [[0, 1, 4, 3], [1, 2, 5, 4]], material=[0, 1],
        colours=[[1, 0, 0], [0, 0, 1]], kinds=LineKind.BORDER,
    )  # fmt: skip
    camera = look_at((0, 0.5, 5), (0, 0.5, 0), up=(0, 1, 0))
    strokes = visible_strokes(scene(two, camera=camera, tolerance_field=0))
    assert strokes.counts.tolist() == [4, 4]
    assert sorted(strokes.colour.tolist()) == [[0, 0, 1], [1, 0, 0]]
    for row, colour in enumerate(strokes.colour.tolist()):
        assert np.all(strokes.polyline(row)[:, 0] * (1 if colour[2] else -1) >= -1e-12)
    same = surface(two.positions, [[0, 1, 4, 3], [1, 2, 5, 4]], material=[0, 1],
                   colours=[[1, 0, 0], [1, 0, 0]], kinds=LineKind.BORDER)  # fmt: skip
    assert visible_strokes(scene(same, camera=camera)).closed.tolist() == [True]


def test_missing_material_slots_take_the_last_colour():
    body = surface(box().positions, [[0, 1, 3, 2]], material=[7], colours=[[1, 0, 0], [0, 1, 0]])
    strokes = visible_strokes(scene(body, camera=look_at((-5, 0.1, 0.2))))
    assert strokes.colour.tolist() == [[0, 1, 0]]


def test_two_strokes_of_one_edge_have_identities_of_their_own():
    wall = surface([[0, -2, 0], [0, 2, 0]], [], loose_edges=[[0, 1]], name="line")
    post = box((0.1, 0.5, 1), (1.0, 0, 0), name="post")
    strokes = visible_strokes(scene(wall, post, camera=look_at((9, 0, 0.0))))
    line = np.flatnonzero(strokes.object_index == 0)
    assert len(line) == 2
    assert (strokes.identity[line] >> 52).tolist() == [0, 1]
    mask = (1 << 52) - 1
    assert len(set((strokes.identity[line] & mask).tolist())) == 1
    assert len(set(strokes.identity.tolist())) == len(strokes)


def test_identity_is_the_object_and_its_smallest_edge():
    bodies = [box(name="a"), box((1, 1, 1), (0, 3, 0), name="b")]
    strokes = visible_strokes(scene(*bodies, camera=look_at((9, 4, 3))))
    assert np.array_equal(strokes.identity >> 32 & 0xFFFFF, strokes.object_index)
    assert len(set(strokes.identity.tolist())) == len(strokes)
    turned = visible_strokes(scene(*bodies, camera=look_at((9, 4.05, 3.02))))
    assert sorted(turned.identity.tolist()) == sorted(strokes.identity.tolist())


def test_edges_that_meet_behind_the_eye_are_not_joined():
    """Two loose edges share a vertex behind the near plane: their cut ends are no node."""
    body = surface([(2, 0, 0), (-3, 1, 0.2), (-3, -1, 0.3)], loose_edges=[(0, 1), (0, 2)])
    camera = look_at((0, 0, 0), (-1, 0, 0.05), near=0.5, angle_rad=1.2)
    strokes = visible_strokes(scene(body, camera=camera))
    assert strokes.counts.tolist() == [2, 2]


def test_a_stroke_ends_where_another_line_hides_it():
    back = plate(4, 0.2, (-1, 0, 0), ((0, 1, 0), (0, 0, 1)), name="back")
    front = plate(1, 1, (1, 0, 0), ((0, 1, 0), (0, 0, 1)), name="front")
    seen = seen_edges(back, front, camera=look_at((9, 0, 0)))
    strokes = chaining.chain_strokes(seen, [back, front])
    of_back = strokes.take(strokes.object_index == 0)
    assert len(of_back) == 2
    assert of_back.counts.tolist() == [4, 4]
    assert not of_back.closed.any()


def test_lines_in_a_flat_grid_run_straight_through():
    """Inner lines of a checker cross at nodes of four; each row and column is one stroke."""
    strokes = visible_strokes(
        scene(grid_plate(6, 2.0, checker=True, kinds=LineKind.MATERIAL),
              camera=look_at((0.3, 0.2, 5), up=(0, 1, 0)))
    )  # fmt: skip
    assert len(strokes) == 10
    assert strokes.counts.tolist() == [2] * 10  # simplified to straight lines


def test_outline_between_two_materials_has_the_colour_that_is_seen():
    """A cube of a red and a blue half: from either side its outline shows that side's colour."""
    faces = [[0, 1, 3, 2], [4, 6, 7, 5], [0, 4, 5, 1], [2, 3, 7, 6], [0, 2, 6, 4], [1, 5, 7, 3]]
    body = surface(box().positions, faces, material=[0, 1, 0, 1, 0, 1],
                   colours=[[1, 0, 0], [0, 0, 1]])  # fmt: skip
    for eye, colour in (((-5, -4, -3), [1, 0, 0]), ((5, 4, 3), [0, 0, 1])):
        strokes = visible_strokes(scene(body, camera=look_at(eye)))
        assert np.array_equal(np.unique(strokes.colour, axis=0), [colour])
