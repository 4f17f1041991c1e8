# SPDX-License-Identifier: GPL-3.0-or-later
"""The safety page that is shown is the documentation's, and names what it has to."""

from pathlib import Path

import pytest
from beamwright.core.safety.hazard import PLANNING_NOTE
from beamwright.core.safety.notice import SAFETY_NOTICE, SAFETY_PAGE

DOCUMENT = Path(__file__).parents[2] / "docs" / "safety.md"


def test_the_page_is_that_of_the_documentation():
    """Word for word, but for the marks of its layout."""
    text = DOCUMENT.read_text(encoding="utf-8")
    part = text.partition("## In plain words")[2].partition("\n## ")[0]
    plain = part.replace("**", "").replace("`", "")
    paragraphs = [" ".join(paragraph.split()) for paragraph in plain.split("\n\n")]
    assert list(SAFETY_PAGE) == [paragraph for paragraph in paragraphs if paragraph]


@pytest.mark.parametrize(
    ("page", "notice"),
    [
        ("Never look into the beam", "Never look into the beam"),
        ("Outdoors, windows, the sky", "aircraft"),
        ("aviation authority", "permission"),
        ("Scanners fail", "Scanners fail"),
        ("Interlock and emergency stop", "interlock and the emergency stop"),
        ("Rules of the place", "rules of the place"),
    ],
)
def test_both_texts_name_each_danger(page, notice):
    assert page in " ".join(SAFETY_PAGE)
    assert notice in SAFETY_NOTICE
    assert PLANNING_NOTE in SAFETY_NOTICE
