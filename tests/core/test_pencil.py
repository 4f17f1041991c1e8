# SPDX-License-Identifier: GPL-3.0-or-later
"""Pages as Grease Pencil arrays and back."""

from itertools import pairwise

import numpy as np
import pytest
import shapely
from artwork_pages import CASES, usvg, wrap  # noqa: F401 - a fixture
from beamwright.core.artwork.occlusion import visible_lines
from beamwright.core.artwork.pencil import page_from_pencil, pencil_arrays, to_linear, to_srgb
from beamwright.core.artwork.shapes import Page, Shape
from beamwright.core.artwork.svg import read_svg
from test_occlusion import RED, WHITE, box, line, random_page
from test_shapes import circle


def back(page, tolerance=0.01):
    arrays = pencil_arrays(page, tolerance)
    return page_from_pencil(arrays, page.layer_names, page.width, page.height)


def as_geometry(lines):
    parts = [lines.points[a:b] for a, b in pairwise(lines.offsets)]
    return shapely.MultiLineString(parts)


def same_picture(page, tolerance=0.01):
    ours, theirs = (as_geometry(visible_lines(p, tolerance)) for p in (page, back(page, tolerance)))
    if ours.is_empty:
        return theirs.is_empty
    close = shapely.hausdorff_distance(ours, theirs, densify=0.1) < 4 * tolerance
    return close and ours.length == pytest.approx(theirs.length, rel=2e-3)


@pytest.mark.parametrize("seed", range(8))
def test_lines_are_the_same_after_the_round_trip(seed):
    assert same_picture(random_page(seed))


@pytest.mark.parametrize("name", CASES)
def test_drawings_of_all_features_survive(usvg, name):  # noqa: F811
    assert same_picture(read_svg(CASES[name][0].encode(), usvg, name=name), 0.02)


def test_curves_and_handles_are_kept_as_they_are():
    page = Page.from_shapes([Shape([circle(5.0)], [True], fill=RED, stroke=WHITE, width=3.0)])
    arrays = pencil_arrays(page, 0.1)
    assert arrays.counts.tolist() == [4]
    assert np.array_equal(arrays.position, circle(5.0)[:, 1])
    assert np.array_equal(arrays.handle_left, circle(5.0)[:, 0])
    assert np.array_equal(arrays.handle_right, circle(5.0)[:, 2])
    assert arrays.cyclic.tolist() == [True]
    assert arrays.radius.tolist() == [1.5] * 4
    assert arrays.fill_id.tolist() == [1]
    assert arrays.hide_stroke.tolist() == [False]
    assert np.array_equal(back(page).knots, page.knots)


def test_dots_survive_and_clips_choose_among_them(usvg):  # noqa: F811
    body = (
        '<clipPath id="c"><rect x="20" y="0" width="100" height="100"/></clipPath>'
        '<g clip-path="url(#c)"><path d="M10 50h0M50 50h0M15 60h40M90 50h0" stroke="red" '
        'fill="blue" stroke-linecap="round"/><path d="M30 30h0" stroke="red" '
        'stroke-linecap="round"/></g><path d="M5 5h0" stroke="red" stroke-linecap="round"/>'
    )
    page = read_svg(wrap(body).encode(), usvg)
    ours, theirs = (visible_lines(p, 0.01) for p in (page, back(page)))
    want = [[50, 50], [90, 50], [30, 30], [5, 5]]
    assert (ours.dot * [1, -1] + 100).tolist() == want
    assert (theirs.dot * [1, -1] + 100).tolist() == want
    assert same_picture(page)


def test_fills_of_several_curves_share_a_number_and_open_fills_stay_open():
    ring = [circle(9.0), circle(4.0)]
    page = Page.from_shapes(
        [
            Shape(ring, [True, True], fill=RED, even_odd=True, layer="a"),
            line((0, 0), (5, 0), layer="b"),
            line((0, 0), (5, 0), (5, 5), fill=RED, layer="b"),
        ]
    )
    arrays = pencil_arrays(page, 0.1)
    assert arrays.fill_id.tolist() == [1, 1, 0, 2]
    assert arrays.rank.tolist() == [0, 0, 1, 2]
    assert arrays.layer.tolist() == [0, 0, 1, 1]
    assert arrays.cyclic.tolist() == [True, True, False, True]
    assert arrays.closed.tolist() == [True, True, False, False]
    assert arrays.hide_stroke.tolist() == [True, True, False, False]
    assert arrays.of_layer(1).counts.tolist() == [2, 3]
    assert len(arrays.of_layer(1).position) == 5
    assert back(page).contour_closed.tolist() == [True, True, False, False]


def test_a_fill_blender_would_show_otherwise_is_stored_as_its_region():
    # Non-zero over two rings in the same direction: solid; exclusive or would show a hole.
    page = Page.from_shapes([Shape([circle(9.0), circle(4.0)], [True, True], fill=RED)], 40, 40)
    arrays = pencil_arrays(page, 0.01)
    assert len(arrays.counts) == 1
    assert as_geometry(visible_lines(back(page), 0.01)).length == pytest.approx(
        2 * np.pi * 9, rel=1e-3
    )
    # Reversed, both rules agree: the curves stay.
    page = Page.from_shapes(
        [Shape([circle(9.0), circle(4.0)[::-1, ::-1]], [True, True], fill=RED)], 40, 40
    )
    assert pencil_arrays(page, 0.01).counts.tolist() == [4, 4]


def test_colours_are_linear_and_back_by_the_standard():
    # IEC 61966-2-1: 0.5 in sRGB is 0.21404 linear; the pieces meet at 0.04045.
    assert to_linear(np.array([0.0, 0.04045, 0.5, 1.0])) == pytest.approx(
        [0.0, 0.0031308, 0.2140411, 1.0], abs=1e-7
    )
    values = np.linspace(0, 1, 101)
    assert to_srgb(to_linear(values)) == pytest.approx(values, abs=1e-6)
    page = Page.from_shapes([box(0, 0, 1, 1, fill=(0.5, 0.5, 0.5, 0.7), stroke=(0.2, 0.4, 0.6, 1))])
    arrays = pencil_arrays(page, 0.1)
    assert arrays.fill_colour[0].tolist() == pytest.approx([0.2140411] * 3 + [0.7])
    assert back(page).fill == pytest.approx(page.fill)
    assert back(page).stroke == pytest.approx(page.stroke)


def test_an_empty_page():
    page = Page.from_shapes([], 10, 10)
    assert len(pencil_arrays(page, 0.1).counts) == 0
    assert len(back(page)) == 0
