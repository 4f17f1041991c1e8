# SPDX-License-Identifier: GPL-3.0-or-later
"""Masked strokes: nothing outside the mask's image, everything inside."""

import numpy as np
import pytest
import shapely
from beamwright.core.effects.mask import covered_region, masked
from beamwright.core.scene import Mask
from beamwright.core.strokes import Strokes
from hypothesis import given
from hypothesis import strategies as st
from scenes import box, look_at, plate
from strategies import STEADY, strokes

VIEW = look_at((0, 0, 4), (0, 0, 0))


def mask_of(surface, *objects, outside=False):
    return Mask(frozenset(objects), surface.positions, surface.topology.triangles, outside)


@STEADY
@given(strokes(objects=2), st.floats(0.2, 2.5), st.floats(-1.0, 1.0))
def test_inside_and_outside_share_the_strokes_out(lines, size, shift):
    surface = plate(size, size, centre=(shift, 0, 0))
    inside = masked(lines, mask_of(surface, 0), VIEW)
    outside = masked(lines, mask_of(surface, 0, outside=True), VIEW)
    region = covered_region(surface.positions, surface.topology.triangles, VIEW)
    for row in np.flatnonzero(inside.object_index == 0):
        line = inside.polyline(row)
        shape = shapely.LineString(line) if len(line) > 1 else shapely.Point(line[0])
        assert shapely.distance(shape, region) < 1e-9
        assert shapely.difference(shape, region.buffer(1e-9)).length < 1e-9
    total = inside.lengths[inside.object_index == 0].sum()
    total += outside.lengths[outside.object_index == 0].sum()
    # A stretch on the very outline belongs to both.
    on_outline = sum(
        shapely.intersection(shapely.LineString(lines.polyline(row)), region.boundary).length
        for row in np.flatnonzero((lines.object_index == 0) & (lines.counts > 1))
    )
    assert total == pytest.approx(
        lines.lengths[lines.object_index == 0].sum(), abs=1e-8 + on_outline
    )
    untouched = inside.object_index == 1
    assert inside.lengths[untouched].sum() == pytest.approx(
        lines.lengths[lines.object_index == 1].sum()
    )


def test_a_closed_stroke_inside_stays_closed_and_a_cut_one_opens():
    square = np.array([[-0.1, -0.1], [0.1, -0.1], [0.1, 0.1], [-0.1, 0.1], [-0.1, -0.1]])
    lines = Strokes.from_polylines([square, square * 5])
    view = look_at((0, 0, 4), (0, 0, 0))
    half = box((0.6, 20, 0.01), name="curtain")
    result = masked(lines, mask_of(half, 0), view)
    by_line = {int(i): result.take(result.identity == i) for i in result.identity}
    assert by_line[0].closed.tolist() == [True]
    assert not by_line[1].closed.any()


def test_a_mask_that_passes_the_eye_is_cut_at_the_near_plane():
    floor = plate(100, 100, centre=(0, 0, -1), axes=((1, 0, 0), (0, 1, 0)))
    view = look_at((0, 0, 0), (0, 5, 0))
    region = covered_region(floor.positions, floor.topology.triangles, view)
    assert region.contains(shapely.Point(0.0, -0.9))
    assert not region.intersects(shapely.Point(0.0, 0.1))


def test_a_mask_behind_the_camera_covers_nothing():
    behind = plate(2, 2, centre=(0, 0, 9))
    lines = Strokes.from_polylines([[[0, 0], [0.5, 0]]])
    assert len(masked(lines, mask_of(behind, 0), VIEW)) == 0
    assert masked(lines, mask_of(behind, 0, outside=True), VIEW).lengths == pytest.approx([0.5])
