# SPDX-License-Identifier: GPL-3.0-or-later
"""Pages turned in space, mixed with one another and with meshes, against rays cast one by one."""

import math
from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest
import shapely
from beamwright.core.artwork.cards import (
    Card,
    CardCache,
    card_surfaces,
    page_tolerance,
    plane_through,
)
from beamwright.core.artwork.ink import ArtworkSettings
from beamwright.core.artwork.occlusion import visible_lines
from beamwright.core.artwork.shapes import Page
from beamwright.core.errors import SettingError
from beamwright.core.pipeline import visible_strokes
from beamwright.core.scene import Assignment, LineKind
from beamwright.core.writing import WriteSettings
from scenes import box as mesh_box
from scenes import look_at, ray_hits, scene
from test_occlusion import BLUE, RED, WHITE, box, disc, line, page, random_page

TOLERANCE_FIELD = 1 / 2048
ONCE = ArtworkSettings(remove_coincident=False)


def placed(scale=0.02, turn=0.0, tilt=0.0, at=(0, 0, 0)):
    """Page units to the world; upright and facing -y, then turned about z and tilted about x."""
    ct, st, cx, sx = math.cos(turn), math.sin(turn), math.cos(tilt), math.sin(tilt)
    upright = np.array([[1, 0, 0], [0, 0, -1], [0, 1, 0]], float)
    spin = np.array([[ct, -st, 0], [st, ct, 0], [0, 0, 1]])
    lean = np.array([[1, 0, 0], [0, cx, -sx], [0, sx, cx]])
    matrix = np.eye(4)
    matrix[:3, :3] = spin @ lean @ upright * scale
    matrix[:3, 3] = at
    return matrix


def surfaces_of(cards, camera):
    return [s for card in cards for s in card_surfaces(card, camera, TOLERANCE_FIELD)]


def strokes_of(cards, camera, meshes=()):
    return visible_strokes(
        scene(*surfaces_of(cards, camera), *meshes, camera=camera, remove_coincident=False)
    )


def field(camera, world):
    clip = np.column_stack([world, np.ones(len(world))]) @ camera.view_projection.T
    return clip[:, :2] / clip[:, 3:]


def reference(cards, camera, meshes=(), spacing=0.7):
    """Points along all pages' lines: field position, and 1 seen, 0 hidden, -1 too close to tell.

    Each point is asked alone: a ray from the eye meets the plane of each other page in some
    page point; the fills that hold it hide what is farther, or what lies in the same plane and
    has a lower rank. Meshes hide by their triangles.
    """
    everything, seen = [np.empty((0, 2))], [np.empty(0, int)]
    pages = []
    for card in cards:
        tolerance = page_tolerance(card.page, card.matrix, camera, TOLERANCE_FIELD)
        pages.append(visible_lines(card.page, tolerance, card.settings))
    for number, (card, lines) in enumerate(zip(cards, pages, strict=True)):
        fine, part = shapely.get_coordinates(
            shapely.segmentize(
                [shapely.linestrings(lines.points[a:b]) for a, b in pairwise(lines.offsets)],
                spacing,
            ),
            return_index=True,
        )
        flat = ((fine[1:] + fine[:-1]) / 2)[part[1:] == part[:-1]]
        world = flat @ card.matrix[:3, :2].T + card.matrix[:3, 3]
        xy = field(camera, world)
        inside = np.all(np.abs(xy) < [camera.half_width, camera.half_height], axis=1)
        flat, world, xy = flat[inside], world[inside], xy[inside]
        visible, sure = np.ones(len(xy), bool), np.ones(len(xy), bool)
        for other, (blocker, blocking) in enumerate(zip(cards, pages, strict=True)):
            if other == number:
                continue
            regions = shapely.union_all(blocking.hiding)
            if regions.is_empty:
                continue
            if camera.perspective:
                origin = np.broadcast_to(camera.eye, world.shape)
            else:
                origin = world - 50.0 * camera.direction
            local = np.linalg.inv(blocker.matrix)
            a = np.column_stack([origin, np.ones(len(world))]) @ local.T
            b = np.column_stack([world, np.ones(len(world))]) @ local.T
            coplanar = np.abs(b[:, 2]) < 1e-7
            with np.errstate(divide="ignore", invalid="ignore"):
                share = np.where(coplanar, 1.0, a[:, 2] / (a[:, 2] - b[:, 2]))
            share = np.nan_to_num(share, nan=-1.0, posinf=-1.0, neginf=-1.0)
            hit = (a + share[:, None] * (b - a))[:, :2]
            before = (share > 0) & (share < 1 - 1e-9) & ~coplanar
            on_top = coplanar & (blocker.rank > card.rank)
            held = shapely.contains_xy(regions, hit)
            visible &= ~(held & (before | on_top))
            clear = shapely.distance(regions.boundary, shapely.points(hit)) > 0.15
            apart = np.abs(share - 1) > 2e-3
            sure &= clear & (apart | coplanar | ~held)
        for mesh in meshes:
            for i in np.flatnonzero(sure):
                origin = camera.eye if camera.perspective else world[i] - 50 * camera.direction
                tight, loose = (
                    np.asarray(
                        ray_hits(origin, world[i], mesh.topology.triangles, mesh.positions, slack)
                    )
                    for slack in (1e-3, -1e-3)
                )
                hidden = np.any((tight > 0) & (tight < 1 - 1e-3))
                maybe = np.any((loose > 0) & (loose < 1 + 1e-3))
                sure[i] &= hidden == maybe
                visible[i] &= not hidden
        everything.append(xy)
        seen.append(np.where(sure, visible, -1))
    return np.concatenate(everything), np.concatenate(seen)


def check(cards, camera, meshes=(), spacing=0.7):
    """No seen point is missing from the strokes; no hidden one lies on them."""
    strokes = strokes_of(cards, camera, meshes)
    flat = [name.split("/")[0] in {c.name for c in cards} for name in strokes.object_names]
    drawn = shapely.MultiLineString(
        [
            strokes.polyline(i)
            for i in range(len(strokes))
            if flat[strokes.object_index[i]] and len(strokes.polyline(i)) > 1
        ]
    )
    xy, seen = reference(cards, camera, meshes, spacing)
    shapely.prepare(drawn)
    far = shapely.distance(drawn, shapely.points(xy)) > 2 * TOLERANCE_FIELD
    missing = far & (seen == 1)
    assert not missing.any(), f"{missing.sum()} of {np.sum(seen == 1)} seen points missing"
    # A hidden point may lie where another, seen line passes; away from those it must be dark.
    others = shapely.STRtree(shapely.points(xy[seen != 0]))
    beside = others.query(shapely.points(xy), predicate="dwithin", distance=0.02)[0]
    alone = seen == 0
    alone[beside] = False
    wrong = alone & ~far
    assert not wrong.any(), f"{wrong.sum()} of {alone.sum()} hidden points drawn"
    return int(np.sum(seen == 1)), int(np.sum(alone))


CAMERA = look_at((0.4, -5, 1.2), (0, 0, 0), aspect=16 / 9)
FLAT_CAMERA = look_at((0.4, -5, 1.2), (0, 0, 0), orthographic=3.0)


def cards_of(seed, count=3):
    rng = np.random.default_rng(seed)
    return [
        Card(
            f"page {i}",
            random_page(seed * 10 + i, count=10),
            placed(
                turn=rng.uniform(-0.7, 0.7), tilt=rng.uniform(-0.7, 0.7),
                at=rng.uniform(-0.3, 0.3, 3),
            ),
            rank=i,
            settings=ONCE,
        )
        for i in range(count)
    ]  # fmt: skip


@pytest.mark.parametrize("seed", range(4))
@pytest.mark.parametrize("camera", [CAMERA, FLAT_CAMERA], ids=["perspective", "orthographic"])
def test_pages_that_cross_one_another_hide_as_rays_say(seed, camera):
    seen, hidden = check(cards_of(seed), camera)
    assert seen > 300
    assert hidden > 30


@pytest.mark.parametrize("seed", range(3))
def test_a_mesh_between_and_through_pages(seed):
    meshes = [mesh_box((1.2, 0.9, 0.7), (0.1, 0.2, 0.1), name="crate")]
    seen, hidden = check(cards_of(seed + 20, count=2), CAMERA, meshes)
    assert seen > 100
    assert hidden > 100


def test_pages_hide_meshes():
    cards = [Card("wall", page(box(-50, -50, 0, 50, fill=RED)), placed(0.02), settings=ONCE)]
    crate = mesh_box(
        (1, 1, 1), (0, 2, 0), name="crate", kinds=LineKind.CREASE | LineKind.SILHOUETTE
    )
    camera = look_at((0, -5, 0), (0, 0, 0))
    strokes = strokes_of(cards, camera, [crate])
    crate_index = strokes.object_names.index("crate")
    points = np.concatenate(
        [strokes.polyline(i) for i in np.flatnonzero(strokes.object_index == crate_index)]
    )
    assert points[:, 0].min() == pytest.approx(0.0, abs=1e-9)  # the wall's edge, in the middle
    assert points[:, 0].max() > 0.1
    open_wall = [Card("wall", cards[0].page, cards[0].matrix, hides=False)]
    strokes = strokes_of(open_wall, camera, [crate])
    points = np.concatenate(
        [strokes.polyline(i) for i in np.flatnonzero(strokes.object_index == 1)]
    )
    assert points[:, 0].min() < -0.1


@pytest.mark.parametrize("turn", [0.0, 0.4, 2.5])
def test_in_one_plane_the_rank_decides(turn):
    rope = page(line((-40, 3), (40, 3), stroke=WHITE))
    patch = page(box(-10, -10, 10, 10, fill=RED))
    for rank, left in ((1, 60 / 80), (0, 1.0), (-1, 1.0)):
        cards = [
            Card("rope", rope, placed(turn=turn), settings=ONCE),
            Card("patch", patch, placed(turn=turn), rank=rank, settings=ONCE),
        ]
        strokes = strokes_of(cards, CAMERA)
        length = strokes.lengths[strokes.object_index == strokes.object_names.index("rope")].sum()
        (alone,) = strokes_of(cards[:1], CAMERA).lengths
        if left == 1.0:
            assert length == pytest.approx(alone, rel=1e-9)
        else:
            assert 0.7 * alone < length < 0.8 * alone


FROM_BEHIND = {
    "same": {},
    "turned over": {"reversed_behind": True},
    "blank": {"blank_behind": True},
}


@pytest.mark.parametrize("orthographic", [0.0, 2.0])
@pytest.mark.parametrize("mode", FROM_BEHIND)
def test_from_behind_a_page_is_the_same_turned_over_or_blank(mode, orthographic):
    drawing = page(
        box(-40, -10, 20, 10, fill=RED, layer="low"), box(-20, -20, 40, 20, fill=BLUE, layer="high")
    )
    options = {"orthographic": orthographic} if orthographic else {}
    front, back = (look_at((0, y, 0), (0, 0, 0), **options) for y in (-4, 4))

    def lengths(camera, **how):
        strokes = strokes_of([Card("card", drawing, placed(), settings=ONCE, **how)], camera)
        names = np.array(strokes.object_names)[strokes.object_index]
        return {n: strokes.lengths[names == f"card/{n}"].sum() for n in ("low", "high")}, strokes

    seen, ahead = lengths(front, **FROM_BEHIND[mode])
    unit = seen["high"] / 200.0
    assert seen["low"] / unit == pytest.approx(60.0, rel=1e-6)
    # Half turned still shows the front.
    turned = look_at((2.0, -3.0, 0.5), (0, 0, 0), **options)
    assert strokes_of(
        [Card("card", drawing, placed(), settings=ONCE, **FROM_BEHIND[mode])], turned
    ).points.tolist() == (
        strokes_of([Card("card", drawing, placed(), settings=ONCE)], turned).points.tolist()
    )
    seen, behind = lengths(back, **FROM_BEHIND[mode])
    if mode == "same":  # the front in a mirror
        assert seen["low"] / unit == pytest.approx(60.0, rel=1e-6)
        assert seen["high"] / unit == pytest.approx(200.0, rel=1e-6)
        low, high = (s.points[np.lexsort(np.round(s.points, 6).T)] for s in (
            ahead.with_points(ahead.points * [-1, 1]), behind))  # fmt: skip
        assert np.unique(low.round(6), axis=0) == pytest.approx(np.unique(high.round(6), axis=0))
    elif mode == "turned over":
        assert seen["low"] / unit == pytest.approx(160.0, rel=1e-6)
        assert seen["high"] / unit == pytest.approx(180.0, rel=1e-6)
    else:
        assert len(behind) == 0


def test_a_blank_back_hides_what_is_behind_it_and_two_make_the_sides_of_a_card():
    rope = Card("rope", page(line((-40, 3), (40, 3))), placed(at=(0, -1, 0)), settings=ONCE)
    patch = page(box(-10, -10, 10, 10, fill=RED))
    back = look_at((0, 4, 0), (0, 0, 0), orthographic=2.0)
    blank = Card("patch", patch, placed(), settings=ONCE, blank_behind=True)
    assert strokes_of([rope, blank], back).lengths.sum() == pytest.approx(60 * 0.02, rel=1e-3)
    assert strokes_of([rope], back).lengths.sum() == pytest.approx(80 * 0.02, rel=1e-6)
    star = page(line((0, -5), (0, 5)), box(-9, -9, 9, 9, stroke=BLUE))
    other = Card("star", star, placed(turn=math.pi), settings=ONCE, rank=-3, blank_behind=True)
    front = look_at((0, -4, 0), (0, 0, 0), orthographic=2.0)
    for camera, name, length in ((front, "patch", 80), (back, "star", 82)):
        strokes = strokes_of([blank, other], camera)
        assert {strokes.object_names[i] for i in strokes.object_index} == {name}
        assert strokes.lengths.sum() == pytest.approx(length * 0.02, rel=1e-6)


def test_a_facing_page_gives_the_flat_result():
    drawing = random_page(4, count=20)
    card = Card("page", drawing, placed(0.01))
    camera = look_at((0, -5, 0), (0, 0, 0), orthographic=1.0)
    strokes = strokes_of([card], camera)
    tolerance = page_tolerance(drawing, card.matrix, camera, TOLERANCE_FIELD)
    flat = visible_lines(drawing, tolerance, card.settings)
    ours = shapely.MultiLineString([strokes.polyline(i) for i in range(len(strokes))])
    theirs = shapely.MultiLineString(
        [flat.points[a:b] * drawing.field_scale for a, b in pairwise(flat.offsets)]
    )
    assert shapely.hausdorff_distance(ours, theirs) < 2e-3
    assert ours.length == pytest.approx(theirs.length, rel=1e-3)


def test_a_page_without_fills_and_an_empty_page():
    assert card_surfaces(Card("none", page(), placed()), CAMERA, 0.001) == []
    (only,) = card_surfaces(Card("rope", page(line((0, 0), (9, 9))), placed()), CAMERA, 0.001)
    assert len(only.topology.triangles) == 0
    assert not only.lines.occludes


def test_layers_slide_for_parallax_and_go_where_they_are_sent():
    drawing = Page.from_shapes(
        [
            line((-40, 0), (40, 0), stroke=WHITE, layer="rope"),
            box(-10, -10, 10, 10, fill=RED, layer="patch"),
        ],
        100,
        100,
    )
    behind = placed(at=(0, 1, 0))
    card = Card(
        "page", drawing, placed(),
        layer_matrices={"patch": behind},
        assignment=Assignment(("pictures",)),
        layer_assignments={"rope": Assignment(("lettering",))},
    )  # fmt: skip
    surfaces = card_surfaces(card, CAMERA, 0.001)
    assert [s.name for s in surfaces] == ["page/rope", "page", "page/patch"]
    assert surfaces[0].assignment.projectors == ("lettering",)
    assert surfaces[2].assignment.projectors == ("pictures",)
    assert len({s.identity for s in surfaces}) == 3
    ahead = look_at((0, -5, 0), (0, 0, 0))
    strokes = visible_strokes(scene(*surfaces, camera=ahead))
    assert np.count_nonzero(strokes.object_index == 0) == 1  # the patch is behind the rope now
    front = Card("page", drawing, placed(), layer_matrices={"patch": placed(at=(0, -1, 0))})
    strokes = strokes_of([front], ahead)
    assert np.count_nonzero(strokes.object_index == 0) == 2


def test_colours_kinds_and_covers():
    drawing = page(
        disc(0, 0, 10, fill=RED),
        line((-30, 20), (30, 20), stroke=BLUE),
        box(-5, 25, 5, 35, fill=RED),
    )
    cover, *wires = card_surfaces(Card("page", drawing, placed()), CAMERA, 0.001)
    assert sorted(tuple(w.colours[0]) for w in wires) == [(0, 0, 1), (1, 0, 0)]
    assert not cover.lines.drawn
    triangles = cover.positions[cover.topology.triangles]
    area = np.linalg.norm(
        np.cross(triangles[:, 1] - triangles[:, 0], triangles[:, 2] - triangles[:, 0]), axis=1
    )
    assert area.sum() / 2 == pytest.approx(0.02**2 * (100 * math.pi + 100), rel=1e-2)
    strokes = strokes_of([Card("page", drawing, placed())], CAMERA)
    assert np.all(strokes.closed == (strokes.colour[:, 0] == 1))
    assert len(strokes) == 3


def test_topologies_stay_while_the_page_does():
    cache = CardCache()
    first = card_surfaces(Card("page", random_page(1), placed()), CAMERA, 0.001, cache)
    again = card_surfaces(Card("page", random_page(1), placed(turn=0.01)), CAMERA, 0.001, cache)
    other = card_surfaces(Card("page", random_page(2), placed()), CAMERA, 0.001, cache)
    assert [a.topology is b.topology for a, b in zip(first, again, strict=True)] == [True] * len(
        first
    )
    assert not np.array_equal(first[0].positions, again[0].positions)
    assert all(s.topology is not first[0].topology for s in other)


def test_the_tip_of_a_line_being_written_is_a_beam_dot():
    drawing = page(line((-40, 0), (40, 0)))
    card = Card("rope", drawing, placed(), writing=WriteSettings(0.25), tip_colour=(0.0, 1.0, 0.0))
    strokes = strokes_of([card], look_at((0, -5, 0), (0, 0, 0), orthographic=2.0))
    rope, tip = sorted(range(len(strokes)), key=lambda i: -strokes.counts[i])
    assert strokes.polyline(rope)[:, 0] == pytest.approx([-0.8, -0.4])
    assert strokes.polyline(tip)[:, 0] == pytest.approx([-0.4])
    assert strokes.colour[tip].tolist() == [0, 1, 0]
    assert strokes.kind[tip] == int(LineKind.DOT)


def test_the_tolerance_follows_the_size_on_the_screen():
    drawing = page(disc(0, 0, 10, fill=RED))
    near, far = (
        page_tolerance(drawing, placed(at=(0, y, 0)), CAMERA, TOLERANCE_FIELD) for y in (0, 95)
    )
    assert 10 < far / near < 40
    assert math.log2(near) * 2 == pytest.approx(round(math.log2(near) * 2), abs=1e-9)
    edge_on = page_tolerance(drawing, placed(turn=math.pi / 2), CAMERA, TOLERANCE_FIELD)
    assert edge_on > 0
    behind = page_tolerance(drawing, placed(at=(0, -5, 1.2)), CAMERA, TOLERANCE_FIELD)
    assert behind >= 100 / 400_000


def test_a_rank_the_line_stage_cannot_hold_is_refused():
    with pytest.raises(SettingError, match="rank of sail is 40000"):
        Card("sail", page(), placed(), rank=40000)


def test_the_rays_tell_when_nothing_is_hidden():
    cards = cards_of(0)
    bare = [replace(card, hides=False) for card in cards]
    strokes = strokes_of(bare, CAMERA)
    xy, seen = reference(cards, CAMERA)
    drawn = shapely.MultiLineString([strokes.polyline(i) for i in range(len(strokes))])
    assert np.sum(shapely.distance(drawn, shapely.points(xy[seen == 0])) < 1e-3) > 100


@pytest.mark.parametrize("seed", range(12))
def test_the_plane_of_points_is_found(seed):
    rng = np.random.default_rng(seed)
    matrix = placed(1.0, rng.uniform(-1, 1), rng.uniform(-0.7, 0.7), rng.uniform(-5, 5, 3))
    flat = rng.uniform(-3, 3, (20, 2))
    world = flat @ matrix[:3, :2].T + matrix[:3, 3]
    plane = plane_through(world, 1e-6)
    assert plane[:3, :3] @ plane[:3, :3].T == pytest.approx(np.eye(3), abs=1e-12)
    assert np.linalg.det(plane[:3, :3]) == pytest.approx(1.0)
    # The same axes, for the page stood upright and faced -y; the origin is in the middle.
    assert plane[:3, :3] == pytest.approx(matrix[:3, :3], abs=1e-6)
    local = np.column_stack([world, np.ones(20)]) @ np.linalg.inv(plane).T
    assert local[:, 2] == pytest.approx(np.zeros(20), abs=1e-9)
    flat = local[:, :2]
    assert flat.min(axis=0) == pytest.approx(-flat.max(axis=0), abs=1e-9)
    world[3] += 0.01 * matrix[:3, 2]
    assert plane_through(world, 1e-3) is None
    assert plane_through(world, 0.02) is not None


@pytest.mark.parametrize(
    "points",
    [
        np.empty((0, 3)),
        [[1, 2, 3]],
        [[0, 0, 0], [1, 0, 0]],
        [[0, 0, 0], [0, 0, 2], [0, 0, 1]],
        [[0, 0, 0], [1, 0, 0], [0, 1, 0]],
        [[0, 1, 0], [0, 0, 1], [0, 0, 0]],
    ],
    ids=["none", "point", "line", "upright line", "flat", "seen from the side"],
)
def test_few_points_still_give_a_plane(points):
    plane = plane_through(points, 1e-6)
    assert plane[:3, :3] @ plane[:3, :3].T == pytest.approx(np.eye(3), abs=1e-12)
    assert np.linalg.det(plane[:3, :3]) == pytest.approx(1.0)
    points = np.asarray(points, float).reshape(-1, 3)
    local = np.column_stack([points, np.ones(len(points))]) @ np.linalg.inv(plane).T
    assert local[:, 2] == pytest.approx(np.zeros(len(points)), abs=1e-9)
