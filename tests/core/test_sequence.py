# SPDX-License-Identifier: GPL-3.0-or-later
"""Numbered files as an animation."""

import pytest
from artwork_pages import usvg, wrap  # noqa: F401 - a fixture
from beamwright.core.artwork.sequence import find_sequence, read_sequence, sequence_of
from beamwright.core.errors import FormatError, OutputError


@pytest.fixture
def folder(tmp_path):
    for name in ("gull_0008.svg", "gull_0009.svg", "gull_0010.svg", "gull_0012.SVG"):
        (tmp_path / name).write_text(wrap(f'<g id="{name}"><rect width="9" height="9"/></g>'))
    for name in ("gull_0011.png", "seagull_0011.svg", "gull_0011_old.svg", "gull.svg"):
        (tmp_path / name).write_text("other")
    return tmp_path


def names(sequence):
    return [path.name for path in sequence.paths]


def test_files_beside_one_another_are_found_in_order_of_their_numbers(folder):
    sequence = find_sequence(folder / "gull_0010.svg")
    assert names(sequence) == ["gull_0008.svg", "gull_0009.svg", "gull_0010.svg", "gull_0012.SVG"]
    assert sequence.numbers == (8, 9, 10, 12)
    assert sequence.missing == (11,)
    assert sequence.missing_text == (
        "The sequence gull_0008.svg … gull_0012.SVG lacks number 0011."
    )


def test_numbers_without_leading_zeros_count_as_numbers(tmp_path):
    for number in (1, 2, 10):
        (tmp_path / f"wave{number}.svg").write_text("")
    sequence = find_sequence(tmp_path / "wave2.svg")
    assert sequence.numbers == (1, 2, 10)
    assert len(sequence.missing) == 7
    assert sequence.missing_text.endswith("lacks the numbers 3, 4, 5, 6, 7, 8, 9.")


def test_many_missing_numbers_are_not_all_named(tmp_path):
    paths = [tmp_path / f"wave{n:02}.svg" for n in (1, 20)]
    text = sequence_of(paths).missing_text
    assert text.endswith("lacks the numbers 02, 03, 04, 05, 06, 07, 08, 09 and 10 more.")


def test_a_file_without_number_stands_alone(folder):
    sequence = find_sequence(folder / "gull.svg")
    assert names(sequence) == ["gull.svg"]
    assert sequence.numbers == (1,)
    assert sequence.missing_text == ""


def test_chosen_files_that_make_no_sequence_come_by_name(tmp_path):
    sequence = sequence_of([tmp_path / n for n in ("whale2.svg", "boat.svg", "moon1.svg")])
    assert names(sequence) == ["boat.svg", "moon1.svg", "whale2.svg"]
    assert sequence.numbers == (1, 2, 3)


def test_one_number_twice_is_an_error_and_dates_are_no_gaps(tmp_path):
    with pytest.raises(FormatError, match=r"a007\.svg and a7\.svg have the same number 7"):
        sequence_of([tmp_path / "a7.svg", tmp_path / "a007.svg"])
    dated = sequence_of([tmp_path / "plan20240101.svg", tmp_path / "plan20251231.svg"])
    assert dated.missing == ()


def test_all_are_read_in_order(folder, usvg):  # noqa: F811
    seen = []
    pages = read_sequence(
        find_sequence(folder / "gull_0008.svg"),
        usvg,
        progress=lambda done, whole: seen.append((done, whole)) or True,
    )
    assert [page.layer_names for page in pages] == [
        ("gull_0008.svg",), ("gull_0009.svg",), ("gull_0010.svg",), ("gull_0012.SVG",),
    ]  # fmt: skip
    assert seen == [(0, 4), (1, 4), (2, 4), (3, 4), (4, 4)]


def test_files_of_equal_content_share_a_page(folder, usvg):  # noqa: F811
    (folder / "gull_0009.svg").write_text((folder / "gull_0008.svg").read_text())
    pages = read_sequence(find_sequence(folder / "gull_0008.svg"), usvg)
    assert pages[0] is pages[1]
    assert pages[1] is not pages[2]


def test_one_bad_file_or_a_missing_number_stops_everything(folder, usvg):  # noqa: F811
    sequence = find_sequence(folder / "gull_0008.svg")
    with pytest.raises(FormatError, match="lacks number 0011"):
        read_sequence(sequence, usvg, allow_missing=False)
    (folder / "gull_0010.svg").write_text("<svg")
    with pytest.raises(FormatError, match=r"gull_0010\.svg is not well-formed"):
        read_sequence(sequence, usvg)
    (folder / "gull_0009.svg").unlink()
    with pytest.raises(OutputError, match=r"gull_0009\.svg cannot be read"):
        read_sequence(sequence, usvg)
    with pytest.raises(OutputError, match="no file"):
        find_sequence(folder / "gull_0009.svg")


def test_reading_can_be_stopped(folder, usvg):  # noqa: F811
    sequence = find_sequence(folder / "gull_0008.svg")
    assert read_sequence(sequence, usvg, progress=lambda done, _: done < 2) is None
