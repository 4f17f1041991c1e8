# SPDX-License-Identifier: GPL-3.0-or-later
"""The sample drawings: no line shows through a fill, none is missing, the script makes them."""

import importlib.util
import math
from pathlib import Path

import numpy as np
import pytest
from artwork_pages import line_errors, painter_svg, resvg, usvg  # noqa: F401 - a fixture
from beamwright.core.artwork.cards import Card
from beamwright.core.artwork.occlusion import visible_lines
from beamwright.core.artwork.sequence import find_sequence, read_sequence
from beamwright.core.artwork.svg import read_svg
from scenes import look_at
from test_cards import ONCE, check, placed

FOLDER = Path(__file__).parents[2] / "sample_scenes" / "artwork"
DRAWINGS = ("tide_table.svg", "gull_0001.svg", "gull_0013.svg", "gull_0038.svg")


@pytest.mark.parametrize("name", DRAWINGS)
def test_lines_are_those_a_painter_would_leave(usvg, name):  # noqa: F811 - the fixture
    page = read_svg(FOLDER / name, usvg)
    assert page.warnings == ()
    tolerance = page.width / 8000
    lines = visible_lines(page, tolerance)
    zoom = 960 / page.width
    picture = resvg(painter_svg(page, tolerance, pixels=960.0), zoom=zoom)
    missed, extra = line_errors(picture, page, lines)
    assert missed <= 1e-3
    assert extra <= 1e-3


def test_the_tide_table_has_layers_and_lettering(usvg):  # noqa: F811
    page = read_svg(FOLDER / "tide_table.svg", usvg)
    assert (page.width, page.height) == (1920, 1080)
    assert page.layer_names == (
        "night", "stars", "moon", "lighthouse", "wave_far", "wave_middle", "whale", "boat",
        "wave_near", "wave_front", "lettering",
    )  # fmt: skip
    kept = read_svg(FOLDER / "tide_table.svg", usvg, text="lettering")
    assert [line.text for line in kept.lettering] == [
        "Tide Table", "High water 18:42", "Low water 00:57",
    ]  # fmt: skip


def test_the_tide_table_tilted_in_space_hides_as_rays_say(usvg):  # noqa: F811
    page = read_svg(FOLDER / "tide_table.svg", usvg)
    half = page.take(page.layer < 5), page.take(page.layer >= 5)
    cards = [
        Card(
            f"part {i}",
            part,
            placed(2 / 1920, 0.5, -0.4, (0.1 * i, -0.5 * i, 0.4 * i)),
            settings=ONCE,
        )
        for i, part in enumerate(half)
    ]
    camera = look_at((0.3, -4, 0.6), (0, 0, 0), aspect=16 / 9)
    seen, hidden = check(cards, camera, spacing=8.0)
    assert seen > 1000
    assert hidden > 100


def test_the_gull_sequence_is_whole_and_loops(usvg):  # noqa: F811
    sequence = find_sequence(FOLDER / "gull_0024.svg")
    assert sequence.numbers == tuple(range(1, 49))
    assert sequence.missing == ()
    pages = read_sequence(sequence, usvg)
    assert {page.layer_names for page in pages} == {("moon", "far_clouds", "gull", "near_clouds")}
    gull = [
        page.knots_of(int(np.flatnonzero(page.layer == 2)[0]))[:, 1].mean(axis=0) for page in pages
    ]
    steps = np.hypot(*np.diff([*gull, gull[0]], axis=0).T)
    assert steps[-1] <= 1.5 * steps[:-1].max()


def test_the_script_makes_the_sequence_as_it_is():
    specification = importlib.util.spec_from_file_location("build_gull", FOLDER / "build_gull.py")
    module = importlib.util.module_from_spec(specification)
    specification.loader.exec_module(module)
    for frame in (0, 17, 47):
        assert (FOLDER / f"gull_{frame + 1:04}.svg").read_text("utf-8") == module.page(frame)
    assert math.isclose(module.FRAMES / module.BEATS, 16)
