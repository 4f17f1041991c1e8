# SPDX-License-Identifier: GPL-3.0-or-later
"""Pen strokes out of font contours, and what the lettering font covers."""

import unicodedata

import numpy as np
import pytest
from beamwright.core.artwork.lettering import (
    FONT_PATH,
    font_coverage,
    lettering_page,
    missing_characters,
    strokes_of_contours,
)
from beamwright.core.artwork.shapes import knots_from_polyline
from beamwright.core.errors import FormatError, OutputError
from hypothesis import given, settings
from hypothesis import strategies as st

coordinate = st.integers(-50, 50)
polyline = st.lists(
    st.tuples(coordinate, coordinate, coordinate), min_size=2, max_size=12, unique=True
).map(lambda p: np.array(p, float))


@settings(derandomize=True, max_examples=100, deadline=None)
@given(st.lists(polyline, min_size=1, max_size=6), st.floats(0, 2e-6))
def test_contours_that_run_out_and_back_give_the_stroke(lines, noise):
    contours = [np.concatenate([line, line[-2:0:-1]]) for line in lines]
    points = np.concatenate(contours)
    points[:, 0] += np.where(np.arange(len(points)) % 2, noise, -noise)
    offsets = np.concatenate([[0], np.cumsum([len(c) for c in contours])])
    strokes = strokes_of_contours(points, offsets, tolerance=1e-5)
    assert strokes.pen_stroke.all()
    assert np.diff(strokes.offsets).tolist() == [len(line) for line in lines]
    assert strokes.points == pytest.approx(np.concatenate(lines), abs=3e-6)


def test_other_contours_are_closed_outlines():
    square = np.array([[0, 0], [1, 0], [1, 1], [0, 1]], float)
    bar = np.array([[0, 0], [5, 0]], float)
    triangle = np.array([[0, 0], [1, 0], [0, 1]], float)
    nearly = np.array([[0, 0], [2, 0], [4, 0], [2, 0.1]], float)
    points = np.concatenate([square, bar, triangle, nearly])
    strokes = strokes_of_contours(points, np.array([0, 4, 6, 6, 9, 13]))
    assert strokes.pen_stroke.tolist() == [False, True, False, False, False]
    assert strokes.offsets.tolist() == [0, 5, 7, 7, 11, 16]
    assert strokes.points[:5].tolist() == [*square.tolist(), [0, 0]]
    assert strokes.points[5:7].tolist() == bar.tolist()
    wide = strokes_of_contours(points, np.array([0, 4, 6, 6, 9, 13]), tolerance=0.2)
    assert wide.pen_stroke.tolist() == [False, True, False, False, True]


def codes(*ranges):
    return {
        code
        for low, high in ranges
        for code in range(low, high + 1)
        if unicodedata.category(chr(code))[0] in "LNPS"
    }


# Blocks of the Unicode Standard; only assigned letters, numbers, punctuation and symbols.
@pytest.mark.parametrize(
    ("name", "wanted", "least"),
    [
        ("ASCII", codes((0x21, 0x7E)), 94),
        ("Latin-1", codes((0xA1, 0xFF)), 94),
        ("Latin Extended-A: Central European", codes((0x100, 0x17F)), 128),
        ("Greek, modern", codes((0x391, 0x3A9), (0x3B1, 0x3C9), (0x386, 0x390)), 56),
        ("Cyrillic, basic", codes((0x400, 0x45F)), 96),
        ("general punctuation", codes((0x2010, 0x2027), (0x2030, 0x203A)), 30),
        ("kana", codes((0x3041, 0x3096), (0x30A1, 0x30FA)), 170),
    ],
)
def test_the_lettering_font_covers(name, wanted, least):
    missing = sorted(wanted - font_coverage())
    assert len(wanted) - len(missing) >= least, f"{name} lacks {''.join(map(chr, missing))}"


def test_the_font_is_small_and_its_licence_lies_beside_it():
    assert FONT_PATH.stat().st_size < 300_000
    licence = FONT_PATH.with_name("beamwright-stroke-LICENSE.txt").read_text("utf-8")
    assert "GNU General Public License" in licence
    assert "version 2 or (at your option) any later version" in licence


def test_missing_characters_are_named_once_in_order():
    text = "Die Möwe\n\t鯨 und\u00a0鷗, 鯨!"
    assert missing_characters(text, font_coverage()) == ("鯨", "鷗")
    assert missing_characters("Łódź Ωμέγα Жук ñ €", font_coverage()) == ()
    assert missing_characters("", frozenset()) == ()


def test_files_that_are_no_fonts_are_refused(tmp_path):
    with pytest.raises(OutputError, match=r"absent\.ttf cannot be read"):
        font_coverage(tmp_path / "absent.ttf")
    for name, content in {
        "text.ttf": b"not a font at all",
        "empty.ttf": b"",
        "cut.ttf": FONT_PATH.read_bytes()[:200],
    }.items():
        (tmp_path / name).write_bytes(content)
        with pytest.raises(FormatError, match=name):
            font_coverage(tmp_path / name)


def test_set_text_is_a_page_of_characters():
    bar = np.array([[0, 0], [0, 7], [3, 7], [0, 7]], float)  # out and back
    dot = np.array([[5, 0], [5, 1]], float)
    ring = np.array([[10, 0], [14, 0], [14, 4], [10, 4]], float)
    hole = ring * 0.5 + [6, 1]
    contours = [knots_from_polyline(c, closed=True) for c in (ring, bar, dot, hole)]
    offsets = np.array([0, 4, 8, 10, 14])
    character = np.array([3, 0, 0, 3])
    page = lettering_page(np.concatenate(contours), offsets, character, (0, 1, 0, 1))
    assert len(page) == 2
    assert page.stroke[:, 3].tolist() == [1, 0]
    assert page.fill[:, 3].tolist() == [0, 1]
    assert page.contour_closed.tolist() == [False, False, True, True]
    first = page.knots[: page.contour_offsets[1]]
    assert first[:, 1].tolist() == [[0, 0], [0, 7], [3, 7]]
    assert first[0, 0].tolist() == [0, 0]
    assert first[-1, 2].tolist() == [3, 7]
    bare = lettering_page(np.concatenate(contours), offsets, character, (0, 1, 0, 1), filled=False)
    assert bare.fill[:, 3].tolist() == [0, 0]
    assert bare.stroke[:, 3].tolist() == [1, 1]
