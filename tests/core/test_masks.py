# SPDX-License-Identifier: GPL-3.0-or-later
"""Masks: the algebra against a renderer's per-pixel rule, areas against brute force."""

import numpy as np
import pytest
import shapely
from beamwright.core.artwork.masks import ink_region, mask_region, with_masks
from beamwright.core.artwork.occlusion import visible_lines
from beamwright.core.artwork.shapes import Page
from hypothesis import given, settings
from hypothesis import strategies as st
from test_occlusion import BLUE, RED, WHITE, box, disc, line

EVERYTHING = shapely.box(-100, -100, 100, 100)
NAMES = "ABCD"
INK = {
    "A": shapely.box(-50, -50, 10, 10),
    "B": shapely.box(-10, -30, 60, 20),
    "C": shapely.box(-30, -5, 30, 70),
    "D": shapely.box(0, 0, 0.5, 0.5).difference(shapely.box(0, 0, 9, 9)),  # empty
}
PLACES = np.array([(x + 0.5, y + 0.5) for x in range(-90, 90, 12) for y in range(-90, 90, 12)])
masks_of_a_layer = st.lists(
    st.tuples(st.sampled_from(NAMES), st.booleans()),
    min_size=1,
    max_size=4,
    unique_by=lambda m: m[0],
).map(lambda masks: tuple(sorted(masks)))  # in the order of the layers


def revealage(masks):
    """What a renderer keeps for each pixel: how much of the background shows through the masks.

    Each mask multiplies it by what shows through its own ink; where the sense of the masks
    changes it is inverted; a mask of the plain sense is inverted at the end.
    """
    value, inverted, begun = np.ones(len(PLACES)), False, False
    for name, invert in masks:
        if invert != inverted:
            inverted = invert
            if begun:
                value = 1.0 - value
        begun = True
        value = value * (1.0 - shapely.covers(INK[name], shapely.points(PLACES)))
    return value if inverted else 1.0 - value


@given(masks_of_a_layer)
@settings(max_examples=60, deadline=None)
def test_masks_add_up_as_a_renderer_multiplies_them(masks):
    region = mask_region(INK, masks, EVERYTHING)
    shown = shapely.covers(region, shapely.points(PLACES))
    assert shown.tolist() == (revealage(masks) == 1.0).tolist()


def page(*shapes, size=200.0):
    return Page.from_shapes(shapes, size, size)


def test_the_ink_of_a_page_is_its_fills_and_its_lines_as_wide_as_they_are():
    drawing = page(
        box(0, 0, 10, 10, fill=RED),
        box(30, 0, 40, 10, fill=(1.0, 0.0, 0.0, 0.4)),
        line((0, 50), (40, 50), stroke=WHITE, width=6.0),
        line((0, 80), stroke=WHITE, width=10.0),
        disc(60, 60, 5.0, stroke=BLUE, width=2.0),
    )
    region = ink_region(drawing, 1e-3, 0.5)
    want = 100 + 40 * 6 + np.pi * (9 + 25 + 36 - 16)
    assert region.area == pytest.approx(want, rel=5e-3)
    assert region.covers(shapely.Point(60, 65.9))
    assert not region.intersects(shapely.Point(60, 60))
    assert ink_region(drawing, 1e-3, 0.3).area == pytest.approx(want + 100, rel=5e-3)
    assert shapely.is_empty(ink_region(page(), 1e-3, 0.5))


def test_a_masked_layer_is_cut_and_hides_only_where_it_shows():
    window = page(disc(0, 0, 30.0, fill=WHITE))
    drawing = page(
        line((-90, 0), (90, 0), stroke=WHITE, layer="rope"),
        box(-60, -60, 60, 60, fill=RED, layer="sail"),
        line((50, 0), stroke=BLUE, layer="sail"),
        line((10, 0), stroke=BLUE, layer="sail"),
    )
    masks = {"sail": (("window", False),)}
    masked = with_masks(drawing, {"sail": {"window": window}}, masks, 1e-3, 0.5)
    lines = visible_lines(masked, 1e-3)
    # The sail's edge lies outside the window, so only the rope is drawn, up to the window.
    assert lines.length == pytest.approx(2 * 60.0, abs=1e-2)
    assert set(lines.shape.tolist()) == {0}
    assert lines.dot.tolist() == [[10, 0]]
    outside = with_masks(
        drawing, {"sail": {"window": window}}, {"sail": (("window", True),)}, 1e-3, 0.5
    )
    lines = visible_lines(outside, 1e-3)
    assert lines.length == pytest.approx(2 * 30 + 60.0 + 4 * 120, abs=1e-2)
    assert lines.dot.tolist() == [[50, 0]]
    gone = with_masks(drawing, {"sail": {}}, masks, 1e-3, 0.5)
    assert set(visible_lines(gone, 1e-3).shape.tolist()) == {0}
    assert with_masks(drawing, {"flag": {}}, {"flag": masks["sail"]}, 1e-3, 0.5).clips == ()
