# SPDX-License-Identifier: GPL-3.0-or-later
"""The reference loop gives the same pieces however its work is cut into portions."""

import numpy as np
import pytest
from beamwright.core.kernels import numpy_grid, numpy_lines
from scenes import box, cylinder, grid_plate, ico_sphere, look_at, rotation, seen_edges, surface


@pytest.fixture(scope="module")
def crowd():
    rng = np.random.default_rng(8)
    bodies = [grid_plate(12, 5.0, checker=True, name="floor", centre=(0, 0, -1.2))]
    for i in range(6):
        at, turn = rng.uniform(-1.5, 1.5, 3), rotation(rng)
        bodies.append(box((0.8, 0.5, 1.1), at, turn, name=f"box {i}"))
        bodies.append(cylinder(12, 0.3, 1.5, at[::-1], turn, name=f"pipe {i}"))
    bodies.append(ico_sphere(3, 0.9, name="ball", smooth=False, crease_angle_rad=0.01))
    soup = rng.normal(size=(30, 3)) * 2
    bodies.append(surface(soup, np.arange(30).reshape(-1, 3), "soup"))
    return seen_edges(*bodies, camera=look_at((3, 2.2, 1.5), angle_rad=1.2, near=0.5)).view


@pytest.mark.parametrize(
    ("name", "value"),
    [
        ("BLOCK", 7),
        ("PAIRS_AT_ONCE", 13),
        ("LARGEST_CELL_RANGE", 0),
        ("LARGEST_CELL_RANGE", 10**9),
        ("LARGEST_GRID", 1),
        ("LARGEST_GRID", 60),
        ("GRID_SCALE", 4.0),
    ],
)
def test_portions_and_grids_do_not_matter(crowd, monkeypatch, name, value):
    expected = numpy_lines.visible_pieces(crowd)
    assert len(expected.edge) > 400
    modules = [module for module in (numpy_lines, numpy_grid) if hasattr(module, name)]
    assert modules
    for module in modules:
        monkeypatch.setattr(module, name, value)
    got = numpy_lines.visible_pieces(crowd)
    assert np.array_equal(got.edge, expected.edge)
    assert np.array_equal(got.kind, expected.kind)
    assert np.allclose(got.t, expected.t, rtol=0, atol=2e-9)
    assert np.allclose(got.xy, expected.xy, rtol=0, atol=1e-8)


def test_a_scene_without_triangles_or_without_edges():
    camera = look_at((0, 0, 5), up=(0, 1, 0))
    lines = surface([(0, 0, 0), (1, 0, 0)], loose_edges=[(0, 1)])
    pieces = numpy_lines.visible_pieces(seen_edges(lines, camera=camera).view)
    assert pieces.t.tolist() == [[0.0, 1.0]]
    silent = box(drawn=False)
    pieces = numpy_lines.visible_pieces(seen_edges(silent, camera=camera).view)
    assert pieces.xy.shape == (0, 4)
    assert pieces.t.shape == (0, 2)
