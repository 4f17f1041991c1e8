# SPDX-License-Identifier: GPL-3.0-or-later
"""Visible lines of a page against brute force and against a painter's picture."""

import math

import numpy as np
import pytest
import shapely
from artwork_pages import line_errors, painter_svg, resvg
from beamwright.core.artwork.ink import ArtworkCache, ArtworkSettings
from beamwright.core.artwork.occlusion import visible_lines
from beamwright.core.artwork.page_strokes import layer_object_names, page_strokes
from beamwright.core.artwork.regions import fill_regions
from beamwright.core.artwork.shapes import Clip, ClipPart, Page, Shape, flatten, knots_from_polyline
from beamwright.core.scene import LineKind
from beamwright.core.writing import WriteSettings
from hypothesis import given, settings
from hypothesis import strategies as st
from test_shapes import circle

WHITE, RED, BLUE = (1.0, 1.0, 1.0, 1.0), (1.0, 0.0, 0.0, 1.0), (0.0, 0.0, 1.0, 1.0)
TOLERANCE = 0.01


def box(x0, y0, x1, y1, **look):
    ring = np.array([[x0, y0], [x1, y0], [x1, y1], [x0, y1]], float)
    return Shape([knots_from_polyline(ring, closed=True)], [True], **look)


def line(*points, **look):
    look.setdefault("stroke", WHITE)
    return Shape([knots_from_polyline(np.array(points, float), closed=False)], [False], **look)


def disc(x, y, radius, **look):
    return Shape([circle(radius) + np.array([x, y])], [True], **look)


def page(*shapes, clips=(), size=100.0):
    return Page.from_shapes(shapes, size, size, clips)


def lines_of(*shapes, clips=(), **options):
    return visible_lines(page(*shapes, clips=clips), TOLERANCE, ArtworkSettings(**options))


def drawn(lines, shape=None):
    """All drawn polylines, or those of one shape, as a geometry."""
    rows = [i for i in range(len(lines)) if shape is None or lines.shape[i] == shape]
    parts = [lines.points[lines.offsets[i] : lines.offsets[i + 1]] for i in rows]
    return shapely.MultiLineString(parts)


def test_a_fill_hides_what_is_beneath_and_not_what_is_above():
    lines = lines_of(
        line((-40, 0), (40, 0)), box(-10, -10, 10, 10, fill=RED), line((0, -40), (0, 40))
    )
    assert drawn(lines, 0).equals(shapely.from_wkt("MULTILINESTRING((-40 0,-10 0),(10 0,40 0))"))
    assert drawn(lines, 1).length == 80.0
    assert drawn(lines, 2).length == 80.0
    assert lines.colour[lines.shape == 1].tolist() == [[1, 0, 0]]


def test_fills_below_the_opacity_hide_nothing():
    def hidden(alpha, **options):
        return drawn(
            lines_of(
                line((-40, 0), (40, 0)), box(-10, -10, 10, 10, fill=(1, 0, 0, alpha)), **options
            )
        ).length

    assert hidden(0.49) == 160.0
    assert hidden(0.5) == 140.0
    assert hidden(0.49, alpha_min=0.4) == 140.0
    assert hidden(0.01, alpha_min=0.0) == 140.0
    assert hidden(0.0, alpha_min=0.0) == 80.0


def test_an_unfilled_stroke_hides_nothing_and_a_stroked_fill_draws_its_centre_line():
    lines = lines_of(line((-40, 0), (40, 0)), box(-10, -10, 10, 10, stroke=RED, width=8.0))
    assert drawn(lines, 0).length == 80.0
    lines = lines_of(
        line((-40, 0), (40, 0)), box(-10, -10, 10, 10, stroke=RED, fill=BLUE, width=8.0)
    )
    assert drawn(lines, 0).length == 60.0
    assert drawn(lines, 1).length == 80.0
    assert lines.colour[lines.shape == 1].tolist() == [[1, 0, 0]]


def test_holes_stay_open():
    ring = box(-20, -20, 20, 20).contours[0]
    hole = box(-10, -10, 10, 10).contours[0]
    lines = lines_of(
        line((-40, 0), (40, 0)), Shape([ring, hole], [True, True], fill=RED, even_odd=True)
    )
    assert drawn(lines, 0).equals(
        shapely.from_wkt("MULTILINESTRING((-40 0,-20 0),(-10 0,10 0),(20 0,40 0))")
    )
    assert drawn(lines, 1).length == 240.0


def test_a_clip_cuts_and_adds_no_border_unless_asked():
    clips = (Clip((ClipPart(box(-50, -20, 0, 20).contours[0], np.array([0, 4])),)),)
    shapes = (line((-40, 5), (40, 5)), disc(0, 0, 10, fill=RED, clip=0), box(-1, 15, 1, 17, clip=0))
    plain = lines_of(*shapes, clips=clips)
    half = math.pi * 10
    assert drawn(plain, 1).length == pytest.approx(half, rel=1e-3)
    cut = math.sqrt(75)
    assert drawn(plain, 0).length == pytest.approx(80 - cut, abs=0.02)
    bordered = lines_of(*shapes, clips=clips, clip_borders=True)
    assert drawn(bordered, 1).length == pytest.approx(half + 20, rel=1e-3)


def test_shading_clipped_by_an_outline_does_not_erase_it():
    # The shading covers the figure's outline and has none of its own there.
    clips = (Clip((ClipPart(circle(20.0), np.array([0, 4])),)),)
    lines = lines_of(disc(0, 0, 20, fill=WHITE), box(0, -50, 50, 50, fill=RED, clip=0), clips=clips)
    whole = drawn(lines_of(disc(0, 0, 20, fill=WHITE))).length
    assert drawn(lines, 0).length == pytest.approx(whole, rel=1e-9)
    assert drawn(lines, 1).length == pytest.approx(40.0, rel=1e-3)


def test_the_page_crops_without_a_frame():
    backdrop = box(-50, -50, 50, 50, fill=BLUE)
    wide = line((-80, 10), (80, 10))
    lines = lines_of(backdrop, wide)
    assert drawn(lines).equals(shapely.from_wkt("LINESTRING(-50 10, 50 10)"))
    assert drawn(lines_of(backdrop, wide, page_border=True)).length == 500.0
    assert drawn(lines_of(wide, crop=False)).length == 160.0
    beyond = lines_of(line((-80, 60), (80, 60)))
    assert len(beyond) == 0
    hiding = lines_of(box(-80, -80, 0, 80, fill=BLUE)).hiding
    assert shapely.bounds(hiding[0]).tolist() == [-50, -50, 0, 50]


def test_coincident_edges_are_drawn_once_whichever_way_they_were_drawn():
    wave = np.array([[[-50, 0], [-40, 0], [-10, 30]], [[10, -30], [40, 0], [50, 0]]], float)

    def side(knots, corners):
        corners = knots_from_polyline(np.array(corners, float), closed=False)
        contour = np.concatenate([knots, corners])
        for i in (len(knots) - 1, len(contour) - 1):
            a, b = contour[i], contour[(i + 1) % len(contour)]
            a[2], b[0] = a[1] + (b[1] - a[1]) / 3, b[1] - (b[1] - a[1]) / 3
        return contour

    upper = side(wave.copy(), [[40, 30], [-40, 30]])
    lower = side(wave[::-1, ::-1].copy(), [[-40, -30], [40, -30]])
    lines = lines_of(
        Shape([upper], [True], fill=RED), Shape([lower], [True], fill=BLUE, layer="above")
    )
    both = [lines_of(Shape([c], [True], fill=RED)) for c in (upper, lower)]
    shared = flatten(wave, np.array([0, 2]), np.array([False]), TOLERANCE)[0]
    once = sum(drawn(b).length for b in both) - shapely.length(shapely.linestrings(shared))
    assert drawn(lines).length == pytest.approx(once, abs=0.01)
    assert drawn(lines, 1).length == pytest.approx(drawn(both[1]).length, abs=1e-6)


def test_unfilled_lines_on_one_another_are_drawn_once_the_topmost():
    low = line((-40, 0), (0, 0), (0, 40), stroke=RED)
    high = line((0, 40), (0, 0), (40, 0), stroke=BLUE)
    lines = lines_of(low, high)
    assert drawn(lines, 0).equals(shapely.from_wkt("LINESTRING(-40 0, 0 0)"))
    assert drawn(lines, 1).length == 80.0
    twice = lines_of(low, high, remove_coincident=False)
    assert drawn(twice).length == 160.0
    same_way_back = line((0, 0), (30, 0), (0, 0))
    assert drawn(lines_of(same_way_back)).length == 30.0


def test_a_fill_without_line_does_not_take_the_line_on_its_border():
    outline = box(-10, -10, 10, 10, stroke=RED)
    lines = lines_of(outline, box(-10, -10, 10, 10, fill=BLUE), fill_outlines=False)
    assert drawn(lines, 0).length == pytest.approx(80.0, abs=1e-3)


def test_a_ring_cut_elsewhere_than_at_its_start_stays_one_line():
    lines = lines_of(disc(0, 0, 20, stroke=RED), box(-30, -2, -10, 2, fill=BLUE))
    assert np.count_nonzero(lines.shape == 0) == 1


def test_a_line_that_crosses_itself_runs_straight_on():
    angle = np.linspace(0, 2 * np.pi, 41)[:-1]
    eight = np.stack([30 * np.sin(angle), 15 * np.sin(2 * angle)], axis=1)
    lines = lines_of(
        Shape([knots_from_polyline(eight, closed=True)], [True], stroke=RED),
        box(25, -5, 35, 5, fill=BLUE),
    )
    assert np.count_nonzero(lines.shape == 0) == 1
    (length,) = [
        shapely.length(shapely.linestrings(lines.points[a:b]))
        for a, b, s in zip(lines.offsets, lines.offsets[1:], lines.shape, strict=False)
        if s == 0
    ]
    left = shapely.difference(
        shapely.linearrings(np.round(eight / page().grid) * page().grid), shapely.box(25, -5, 35, 5)
    )
    assert length == pytest.approx(left.length, rel=1e-12)


def test_colours_too_dark_for_light_are_replaced():
    lines = lines_of(line((0, 0), (1, 0), stroke=(0.05, 0.0, 0.09, 1.0)), line((0, 5), (1, 5)))
    assert lines.colour.tolist() == [[1, 1, 1], [1, 1, 1]]
    lines = lines_of(line((0, 0), (1, 0), stroke=(0, 0, 0, 1)), dark_ink=(0.0, 1.0, 0.5))
    assert lines.colour.tolist() == [[0, 1, 0.5]]
    lines = lines_of(line((0, 0), (1, 0), stroke=(0.0, 0.2, 0.0, 1.0)))
    assert lines.colour.tolist() == [[0, 0.2, 0]]


@pytest.mark.parametrize("count", [0, 1])
def test_pages_with_nothing_to_see(count):
    shapes = [Shape([], [])] * count + [line((0, 0))] * count
    lines = lines_of(*shapes, dots=False)
    assert len(lines) == 0
    assert lines.points.shape == (0, 2)
    assert lines.length == 0.0
    assert len(page_strokes(page(*shapes), lines, "page")) == 0


def dots_of(*shapes, clips=(), writing=None, **options):
    lines = visible_lines(
        page(*shapes, clips=clips), TOLERANCE, ArtworkSettings(**options), writing=writing
    )
    return lines.dot.tolist()


def test_single_points_are_dots_hidden_cut_and_cropped_as_lines_are():
    star, low, high = line((30, 0)), line((5, 5), stroke=BLUE), line((0, 0), stroke=RED)
    shapes = (star, low, box(-10, -10, 10, 10, fill=WHITE), high, line((90, 0)))
    lines = lines_of(*shapes)
    assert lines.dot.tolist() == [[30, 0], [0, 0]]
    assert lines.dot_shape.tolist() == [0, 3]
    assert lines.dot_colour.tolist() == [[1, 1, 1], [1, 0, 0]]
    assert dots_of(*shapes, crop=False) == [[30, 0], [0, 0], [90, 0]]
    assert dots_of(*shapes, dots=False) == []
    assert dots_of(Shape(star.contours, [False], fill=RED)) == []
    window = Clip((ClipPart(knots_from_polyline(box(0, -5, 20, 5).contours[0][:, 1], True),
                            np.array([0, 4])),))  # fmt: skip
    clipped = [line((x, 0), clip=0) for x in (-1, 1, 19, 21)]
    assert dots_of(*clipped, line((30, 0)), clips=[window]) == [[1, 0], [19, 0], [30, 0]]
    strokes = page_strokes(page(*shapes), lines, "Sky")
    dots = strokes.take((strokes.kind & int(LineKind.DOT)) > 0)
    assert dots.counts.tolist() == [1, 1]
    assert dots.points.tolist() == [[0.6, 0], [0, 0]]
    assert len(set(strokes.identity.tolist())) == len(strokes)


def test_dots_are_written_when_their_turn_comes():
    shapes = (
        line((0, 9)),
        line((0, 0), (30, 0)),
        line((9, 9)),
        line((0, 1), (10, 1)),
        line((8, 8)),
    )
    first, middle, last = [0, 9], [9, 9], [8, 8]

    def at(progress, **how):
        return dots_of(*shapes, writing=WriteSettings(progress, **how))

    assert at(0.0) == []
    assert at(0.1) == [first]
    assert at(0.74) == [first]
    assert at(0.76) == [first, middle]
    assert at(1.0) == [first, middle, last]
    assert at(0.2, backwards=True) == [last]
    assert at(0.3, backwards=True) == [middle, last]
    assert at(0.1, mode="together") == [first, middle, last]
    # The pen is lifted for 10 between the two lines of 30 and 10: the second is done after 40.
    assert at(0.79, lift=10.0) == [first]
    assert at(0.81, lift=10.0) == [first, middle]
    sky = [line((x, 0), layer="sky") for x in range(4)]
    evenly = dots_of(*sky, shapes[1], writing={"sky": WriteSettings(0.5)})
    assert evenly == [[0, 0], [1, 0]]


def random_page(seed, count=14, shift=0.0):
    """Discs, boxes, stars, rings with holes, open lines; some see-through, some clipped."""
    rng = np.random.default_rng(seed)
    clips = (Clip((ClipPart(circle(35.0), np.array([0, 4])),)),)
    shapes = []
    for i in range(count):
        x, y = rng.uniform(-40, 40, 2)
        x += shift * (i % 3 == 0)
        size = rng.uniform(4, 25)
        look = {
            "fill": (*rng.uniform(0.2, 1, 3), rng.choice([1.0, 1.0, 0.3])),
            "stroke": (*rng.uniform(0.2, 1, 3), float(rng.integers(2))),
            "clip": int(rng.choice([-1, -1, 0])),
            "even_odd": bool(rng.integers(2)),
            "layer": f"layer{i % 3}",
            "name": f"shape{i}",
        }
        kind = rng.integers(5)
        if kind == 0:
            contours = [circle(size)]
        elif kind == 1:
            contours = [box(-size, -size / 2, size, size / 2).contours[0]]
        elif kind == 2:
            angle = np.arange(5) * 4 * np.pi / 5 + rng.uniform(0, 6)
            star = size * np.stack([np.cos(angle), np.sin(angle)], axis=1)
            contours = [knots_from_polyline(star, closed=True)]
        elif kind == 3:
            contours = [circle(size), circle(size / 2)]
        else:
            look["fill"] = (0.0, 0.0, 0.0, 0.0)
            look["stroke"] = (*rng.uniform(0.2, 1, 3), 1.0)
            contours = [knots_from_polyline(rng.uniform(-size, size, (6, 2)), closed=False)]
        closed = [kind != 4] * len(contours)
        shapes.append(Shape([c + np.array([x, y]) for c in contours], closed, **look))
    return page(*shapes, clips=clips)


def brute_force(drawing, samples=24):
    """Sampled points of every line and whether each is seen: asked point by point."""
    points, offsets = flatten(
        drawing.knots, drawing.contour_offsets, drawing.contour_closed, TOLERANCE
    )
    points = np.round(points / drawing.grid) * drawing.grid
    regions = fill_regions(points, offsets, drawing.shape_offsets, drawing.even_odd)
    clip_points, _ = flatten(circle(35.0), np.array([0, 4]), np.array([True]), TOLERANCE)
    clip = shapely.Polygon(np.round(clip_points / drawing.grid) * drawing.grid)
    where, seen, owner = [], [], []
    for i in range(len(drawing)):
        first, last = drawing.shape_offsets[i], drawing.shape_offsets[i + 1]
        if drawing.stroke[i, 3] > 0:
            parts = [points[offsets[c] : offsets[c + 1]] for c in range(first, last)]
        elif drawing.fill[i, 3] > 0:
            rings = [r for p in shapely.get_parts(regions[i]) for r in shapely.get_rings(p)]
            parts = [shapely.get_coordinates(ring) for ring in rings]
        else:
            continue
        for part in parts:
            along = np.concatenate([[0], np.cumsum(np.hypot(*np.diff(part, axis=0).T))])
            at = np.linspace(0, along[-1], samples * 4 + 2)[1:-1]
            xy = np.stack([np.interp(at, along, part[:, k]) for k in (0, 1)], axis=1)
            visible = np.all(np.abs(xy) < 50, axis=1)
            sure = np.all(np.abs(np.abs(xy) - 50) > 1e-3, axis=1)
            if drawing.clip[i] >= 0:
                visible &= shapely.contains_xy(clip, xy)
                sure &= shapely.distance(clip.exterior, shapely.points(xy)) > 2e-3
            for j in range(i + 1, len(drawing)):
                if drawing.fill[j, 3] < 0.5:
                    continue
                hides = shapely.contains_xy(regions[j], xy)
                if drawing.clip[j] >= 0:
                    hides &= shapely.contains_xy(clip, xy)
                    sure &= shapely.distance(clip.exterior, shapely.points(xy)) > 2e-3
                visible &= ~hides
                sure &= shapely.distance(regions[j].boundary, shapely.points(xy)) > 2e-3
            where.append(xy[sure])
            seen.append(visible[sure])
            owner.append(np.full(sure.sum(), i))
    return np.concatenate(where), np.concatenate(seen), np.concatenate(owner)


@settings(derandomize=True, max_examples=25, deadline=None)
@given(st.integers(0, 10_000))
def test_every_point_of_every_line_is_seen_just_where_no_fill_above_holds_it(seed):
    drawing = random_page(seed)
    lines = visible_lines(drawing, TOLERANCE, ArtworkSettings(remove_coincident=False))
    xy, seen, owner = brute_force(drawing)
    for i in np.unique(owner):
        mine = owner == i
        there = shapely.distance(drawn(lines, i), shapely.points(xy[mine])) < 1e-3
        there &= ~shapely.is_empty(drawn(lines, i))
        # A hidden point of a line may lie where the same line passes once more, seen.
        elsewhere = ~seen[mine] & there
        assert np.array_equal(there[seen[mine]], np.ones(seen[mine].sum(), bool))
        assert elsewhere.sum() <= 0.02 * len(elsewhere)


@pytest.mark.parametrize("seed", range(3))
def test_lines_match_a_painters_picture(seed):
    drawing = random_page(seed, count=30)
    picture = resvg(painter_svg(drawing, TOLERANCE, pixels=600.0), zoom=6.0)
    lines = visible_lines(drawing, TOLERANCE)
    assert line_errors(picture, drawing, lines) == (pytest.approx(0, abs=2e-3),) * 2
    # The measure is no blank cheque: without hiding there is too much, upside down too little.
    bare = visible_lines(drawing, TOLERANCE, ArtworkSettings(alpha_min=2.0))
    assert line_errors(picture, drawing, bare)[1] > 0.1
    upside_down = drawing.take(np.arange(len(drawing))[::-1])
    assert max(line_errors(picture, drawing, visible_lines(upside_down, TOLERANCE))) > 0.05


def test_what_the_cache_gives_equals_what_is_made_anew():
    cache = ArtworkCache(capacity=64)
    hits = 0
    for frame in range(40):
        drawing = random_page(3, shift=5 * math.sin(frame / 3))
        kept = visible_lines(drawing, TOLERANCE, cache=cache)
        hits += sum(key in cache.inks._values for key in cache.inks._values)
        fresh = visible_lines(drawing, TOLERANCE)
        assert np.array_equal(kept.points, fresh.points)
        assert np.array_equal(kept.offsets, fresh.offsets)
        assert np.array_equal(kept.shape, fresh.shape)
    assert hits
    assert max(len(cache.inks), len(cache.lines), len(cache.clips)) <= 64


def test_a_cache_smaller_than_the_page_still_gives_the_page():
    drawing = random_page(5, count=20)
    small = visible_lines(drawing, TOLERANCE, cache=ArtworkCache(capacity=2))
    assert np.array_equal(small.points, visible_lines(drawing, TOLERANCE).points)


def test_only_what_changed_is_made_anew(monkeypatch):
    cache = ArtworkCache()
    visible_lines(random_page(3), TOLERANCE, cache=cache)
    made = []
    import beamwright.core.artwork.ink as ink

    original = ink.flatten

    def counting(knots, offsets, closed, tolerance):
        made.append(len(offsets) - 1)
        return original(knots, offsets, closed, tolerance)

    monkeypatch.setattr(ink, "flatten", counting)
    visible_lines(random_page(3), TOLERANCE, cache=cache)
    assert made == []
    moved = random_page(3, shift=1.0)
    visible_lines(moved, TOLERANCE, cache=cache)
    assert made == [np.diff(moved.shape_offsets)[::3].sum()]


def test_strokes_fill_the_field_and_layers_are_objects():
    drawing = Page.from_shapes(
        [
            line((-100, -50), (100, 50), stroke=RED, layer="boat", name="mast"),
            line((0, 0), (0, 50), stroke=BLUE, layer="caption"),
        ],
        200,
        100,
    )
    lines = visible_lines(drawing, TOLERANCE)
    strokes = page_strokes(drawing, lines, "Page", first_object=3)
    assert strokes.points.tolist() == [[-1, -0.5], [1, 0.5], [0, 0], [0, 0.5]]
    assert strokes.object_index.tolist() == [3, 4]
    assert layer_object_names(drawing, "Page") == ("Page/boat", "Page/caption")
    assert strokes.object_names == ("Page/boat", "Page/caption")
    assert strokes.kind.tolist() == [int(LineKind.DRAWN)] * 2
    assert strokes.colour.tolist() == [[1, 0, 0], [0, 0, 1]]


def test_identities_stay_while_a_shape_moves_and_differ_between_pieces():
    def strokes(shift):
        drawing = page(
            line((-40, shift), (40, shift), name="rope"), box(-5, -50, 5, 50, fill=RED, name="mast")
        )
        return page_strokes(drawing, visible_lines(drawing, TOLERANCE), "Page")

    one, other = strokes(0.0), strokes(10.0)
    assert len(set(one.identity.tolist())) == len(one) == 4
    assert one.identity.tolist() == other.identity.tolist()


def test_lines_are_written_before_they_are_hidden():
    shapes = (line((-40, 0), (40, 0)), box(-10, -10, 10, 10, fill=RED, layer="front"))
    drawing = page(*shapes)

    def written(progress):
        return visible_lines(drawing, TOLERANCE, writing={"": WriteSettings(progress=progress)})

    lines = written(0.5)  # the tip is behind the box: 30 of 40 are seen
    assert drawn(lines, 0).length == 30.0
    assert lines.tip.tolist() == [[0, 0]]
    assert lines.tip_shape.tolist() == [0]
    assert drawn(lines, 1).length == 80.0
    assert drawn(written(0.75), 0).length == 40.0
    assert len(written(1.0).tip) == 0
    # The whole page in stacking order: the box is not begun, so it hides nothing yet.
    lines = visible_lines(drawing, TOLERANCE, writing=WriteSettings(progress=0.5))
    assert drawn(lines).length == 80.0
    lines = visible_lines(drawing, TOLERANCE, writing=WriteSettings(progress=0.75))
    assert drawn(lines, 1).length == 40.0
    assert drawn(lines, 0).length == 60.0
    dot = page_strokes(drawing, lines, "Page", tip_colour=(1, 1, 1))
    assert dot.counts[-1] == 1
    assert dot.kind[-1] == int(LineKind.DRAWN | LineKind.DOT)
    assert dot.object_index[-1] == 1
