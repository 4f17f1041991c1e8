# SPDX-License-Identifier: GPL-3.0-or-later
"""The page cuts lines, and may be drawn."""

import numpy as np
import pytest
import shapely
from beamwright.core.pipeline import visible_strokes
from hypothesis import given, settings
from hypothesis import strategies as st
from scenes import look_at, scene, surface


@settings(max_examples=50, deadline=None, derandomize=True)
@given(seed=st.integers(0, 2**32 - 1), aspect=st.sampled_from([0.4, 1.0, 16 / 9]))
def test_lines_are_cut_like_shapely_cuts_them(seed, aspect):
    rng = np.random.default_rng(seed)
    ends = rng.normal(size=(8, 2, 2)) * 1.5
    points = np.concatenate([ends.reshape(-1, 2), np.zeros((16, 1))], axis=1)
    body = surface(points, loose_edges=np.arange(16).reshape(-1, 2))
    camera = look_at((0, 0, 5), up=(0, 1, 0), orthographic=2.0, aspect=aspect)
    strokes = visible_strokes(scene(body, camera=camera, remove_coincident=False))
    page = shapely.box(-camera.half_width, -camera.half_height,
                       camera.half_width, camera.half_height)  # fmt: skip
    expected = shapely.length(shapely.intersection(shapely.linestrings(ends), page))
    assert strokes.lengths.sum() == pytest.approx(expected.sum(), abs=1e-9)
    assert len(strokes) == np.count_nonzero(expected > 1e-8)
    assert np.all(np.abs(strokes.points) <= [camera.half_width, camera.half_height])


def test_page_border():
    camera = look_at((5, 4, 3), aspect=16 / 9)
    strokes = visible_strokes(scene(camera=camera, page_border=True))
    assert strokes.closed.tolist() == [True]
    assert strokes.object_index.tolist() == [-1]
    assert np.abs(strokes.points).max(axis=0).tolist() == [1.0, 9 / 16]
    assert strokes.lengths[0] == pytest.approx(2 * (2 + 9 / 8))
