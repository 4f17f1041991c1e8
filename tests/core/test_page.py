# SPDX-License-Identifier: GPL-3.0-or-later
"""The report page as a file: what is in it, and that it needs nothing else."""

from __future__ import annotations

import base64
import io
import json
import re
import zlib
from dataclasses import replace
from html.parser import HTMLParser

import numpy as np
import pytest
from beamwright.core.errors import FormatError
from beamwright.core.report.page import (
    CHUNK_FRAMES,
    CuePoint,
    PageWriter,
    SceneSpan,
    Score,
    Soundtrack,
)
from page_show import NASTY, pictures, report, write


class Reader(HTMLParser):
    """Elements with their attributes, the text of scripts by id, all other text."""

    def __init__(self, text):
        super().__init__()
        self.elements = []
        self.scripts = {}
        self.text = []
        self._script = None
        self.feed(text)

    def handle_starttag(self, tag, attrs):
        self.elements.append((tag, dict(attrs)))
        self._script = dict(attrs).get("id", "player") if tag == "script" else None

    def handle_data(self, data):
        if self._script is not None:
            self.scripts[self._script] = self.scripts.get(self._script, "") + data
        else:
            self.text.append(data)

    def handle_endtag(self, tag):
        self._script = None

    def with_class(self, name):
        return [row for _, row in self.elements if name in (row.get("class") or "").split()]


def unpacked(text):
    return zlib.decompress(base64.b64decode(text, validate=True), -15)


def split(chunk):
    """Pictures of a chunk, read after the format's description."""
    found, at = [], 0
    while at < len(chunk):
        length = shift = 0
        while True:
            byte = chunk[at]
            at += 1
            length |= (byte & 127) << shift
            shift += 7
            if byte < 128:
                break
        found.append(chunk[at : at + length])
        at += length
    return found


@pytest.fixture(scope="module")
def page():
    return Reader(write(report(300)).decode())


def test_pictures_are_those_that_were_appended(page):
    for index, name in enumerate(("Graphics", "Lettering")):
        chunks = [key for key in page.scripts if key.startswith(f"chunk-{index}-")]
        assert chunks == [f"chunk-{index}-{rank}" for rank in range(-(-300 // CHUNK_FRAMES))]
        found = [picture for key in chunks for picture in split(unpacked(page.scripts[key]))]
        assert found == pictures(300)[name]


def test_figures(page):
    shown = report(300)
    for index, projector in enumerate(shown.projectors):
        table = json.loads(unpacked(page.scripts[f"figures-{index}"]))
        assert table["frame"] == [row.frame for row in projector.figures]
        assert table["points"] == [row.points for row in projector.figures]
        assert table["budget"] == [projector.budget] * 300
        for name, column in table["cost"].items():
            assert column == [round(row.cost.get(name, 0)) for row in projector.figures]
        assert set(table["cost"]) == {n for row in projector.figures for n in row.cost if n}


def test_what_the_player_is_told(page):
    about = json.loads(page.scripts["about"])
    assert (about["first"], about["last"], about["step"], about["fps"]) == (1, 300, 1, 25.0)
    assert [row["name"] for row in about["projectors"]] == ["Graphics", "Lettering"]
    assert about["extent"] == pytest.approx([0.9, 0.5], abs=1 / 127)
    assert about["sound"] is None


def test_nothing_is_fetched_from_anywhere(page):
    for _, attributes in page.elements:
        assert not {"src", "href", "srcset", "action", "data"} & set(attributes)
    sources = "".join(page.text) + page.scripts["player"]
    assert not re.search(r"https?:|url\(|@import|fetch\(|XMLHttpRequest|import\(", sources)
    policy = next(row["content"] for _, row in page.elements if row.get("http-equiv"))
    assert policy.startswith("default-src 'none';")


def test_names_cannot_break_out():
    """Whatever an artist types stays text."""
    text = write(report(5, name=NASTY), score=Score((SceneSpan(NASTY, 1, 5),),
                 (CuePoint(NASTY, 2),), Soundtrack(NASTY))).decode()  # fmt: skip
    page = Reader(text)
    plain = Reader(write(report(5)).decode())
    count = [tag for tag, _ in page.elements].count
    assert count("script") == [tag for tag, _ in plain.elements].count("script")
    assert count("img") == 0
    assert NASTY in "".join(page.text)
    about = json.loads(page.scripts["about"])
    assert about["title"] == about["scenes"][0][0] == about["cues"][0][0] == NASTY


def test_stills_without_scenes_are_spread_evenly(page):
    frames = [int(row["data-still"]) for row in (row for tag, row in page.elements) if
              "data-still" in row]  # fmt: skip
    assert len(frames) == 12
    assert np.ptp(np.diff(frames)) <= 1


def test_a_still_shows_light_where_the_middle_is_dark():
    dark = report(9, dark=(3, 4, 5, 6))
    page = Reader(write(dark, score=Score((SceneSpan("Dusk", 1, 8),))).decode())
    (still,) = (row["data-still"] for _, row in page.elements if "data-still" in row)
    assert int(still) in (1, 2, 7, 8)


def test_a_still_of_a_scene_is_taken_outside_its_transitions():
    spans = (("One", 1, 60), ("Two", 41, 70), ("Three", 69, 70))
    score = Score(scenes=tuple(SceneSpan(*span) for span in spans))
    shown = Reader(write(report(70, dark=range(1, 20)), score).decode())
    stills = [int(row["data-still"]) for _, row in shown.elements if "data-still" in row]
    # The middle of frames 1-40 and 61-68; the third is never alone.
    assert stills == [21, 65, 70]


def test_every_button_leads_to_a_frame_of_the_report(page):
    frames = [int(row["data-frame"]) for row in page.with_class("seek")]
    assert frames
    assert set(frames) <= set(range(1, 301))


def test_over_budget_is_told_in_words():
    over = report(20, points=lambda frame: 1300 if 5 <= frame <= 8 else 900)
    text = "".join(Reader(write(over).decode()).text)
    assert "4 frames over budget" in text
    assert "1300 of 1000" in text
    assert "23.1 Hz" in text
    assert "▲ over budget in" in text
    within = "".join(Reader(write(report(20)).decode()).text)
    assert "every frame within its budget" in within
    assert "No frame is over budget." in within
    assert "strokes left out in" not in within


def test_head_counts_frames_once():
    """Frames that several projectors cannot hold count once; what was left out is said."""
    one = report(20, points=lambda frame: 1300 if 5 <= frame <= 8 else 900)
    figures = tuple(
        replace(row, dropped_strokes=int(row.frame in (2, 3))) for row in one.projectors[0].figures
    )
    both = tuple(replace(projector, figures=figures) for projector in one.projectors)
    text = "".join(Reader(write(replace(one, projectors=both, frame_step=2)).decode()).text)
    assert "4 frames over budget" in text
    assert "strokes left out in 2 frames" in text
    assert f"20 frames at {one.fps / 2:g} a second" in text


def test_score_from_the_details():
    details = {"scenes": [["Quay", 1, 3], ["Sea", 4, 5]], "cues": [["Lamp", 2]],
               "soundtrack": "the sea.wav"}  # fmt: skip
    about = json.loads(Reader(write(report(5, details=details)).decode()).scripts["about"])
    assert about["scenes"] == details["scenes"]
    assert about["cues"] == details["cues"]
    assert about["sound"] == {"source": "the%20sea.wav", "name": "the sea.wav", "start": 1}


@pytest.mark.parametrize("details", [{"scenes": [["Quay", 1]]}, {"cues": [3]}, {"cues": 3}])
def test_a_score_that_is_none(details):
    with pytest.raises(FormatError, match="scenes are"):
        write(report(5, details=details))


def test_scenes_outside_the_frames_are_left_out_or_cut():
    score = Score((SceneSpan("Before", -9, 0), SceneSpan("Quay", -3, 4), SceneSpan("Late", 6, 9)),
                  (CuePoint("Late", 6), CuePoint("Last", 5), CuePoint("First", 1)))  # fmt: skip
    about = json.loads(Reader(write(report(5), score=score).decode()).scripts["about"])
    assert about["scenes"] == [["Quay", 1, 4]]
    assert about["cues"] == [["First", 1], ["Last", 5]]


def test_a_soundtrack_in_the_page():
    score = Score(soundtrack=Soundtrack("s.wav", b"RIFF", start_frame=3))
    sound = json.loads(Reader(write(report(5), score=score).decode()).scripts["about"])["sound"]
    assert sound == {"source": "data:audio/wav;base64,UklGRg==", "name": "s.wav", "start": 3}


def test_pictures_of_another_render_are_refused():
    page = PageWriter()
    page.append("Graphics", 1, bytes(3))
    with pytest.raises(FormatError, match=r"'Graphics'.*Render again"):
        page.finish(io.BytesIO(), report(5))


def test_frames_come_in_order():
    page = PageWriter()
    page.append("Graphics", 2, bytes(3))
    with pytest.raises(ValueError, match="frame 2 of 'Graphics' came after frame 2"):
        page.append("Graphics", 2, bytes(3))


def test_size_of_the_worst_page():
    """The figure that the documentation names: 5,000 frames for two projectors."""
    random = np.random.default_rng(1)
    page = PageWriter()
    count = CHUNK_FRAMES
    for number in range(1, count + 1):
        # No pattern for the compression to find: a full picture of random bytes.
        page.append("Graphics", number, b"\x7f\x7f" + random.bytes(2414))
    stream = io.BytesIO()
    page.finish(stream, report(count, projectors=("Graphics",)))
    fixed = len(write(report(1, projectors=("Graphics",))))
    assert (stream.tell() - fixed) / count * 10_000 < 34e6


def test_the_same_frames_make_the_same_page():
    assert write(report(40)) == write(report(40))


def hazards(**changes):
    figure = {
        "name": "Hazard distance <standing>", "value": 223.64, "unit": "m", "formula": "√(4 P)",
        "edition": "Table of 2006", "certainty": "from memory", "remark": "",
    }  # fmt: skip
    return {
        "note": "Planning figures & no more.", "edition": "Table of 2006", "distance_m": 12.0,
        "worst": {"frame": 31, "x": 0.1, "y": -0.2, "ratio": 3.14, "rule": "train of passes"},
        "figures": [
            figure,
            {**figure, "name": "Over its limit", "value": 2.5, "unit": "times"},
            {**figure, "name": "Irradiance", "value": None, "remark": "No figure: no power."},
        ],
        **changes,
    }  # fmt: skip


def test_hazard_figures_stand_with_formula_edition_certainty_and_caveat():
    told = report(40)
    with_light = replace(told.projectors[0], safety=hazards())
    text = write(replace(told, projectors=(with_light, told.projectors[1]))).decode()
    section = text[text.index('class="hazards"') : text.index("<footer>")]
    words = " ".join(Reader(section).text)
    assert "Planning figures & no more." in words
    assert "At a distance of 12 m" in words
    assert "<tr><td>Hazard distance &lt;standing&gt;</td><td>223.6 m</td><td>√(4 P)</td>" in section
    assert section.count("<td>Table of 2006</td><td>from memory</td></tr>") == 3
    # What is over its limit is marked, and not by colour alone; what is unknown says why.
    assert '<td><span class="over">▲ 2.5 times</span></td>' in section
    assert "<td>Irradiance</td><td>no figure</td><td>No figure: no power.</td>" in section
    assert 'data-frame="31"' in section
    assert "3.14 times its limit" in words
    # The projector nobody knows the light of has no figures, and the page says so.
    assert words.index("Lettering") < words.index("nothing was said about the light")


def test_hazard_figures_without_a_distance_or_a_worst_spot():
    told = report(4, projectors=("Graphics",))
    safety = hazards(distance_m=None, worst=None)
    text = write(replace(told, projectors=(replace(told.projectors[0], safety=safety),))).decode()
    assert "The distance is not known." in text
    assert "Worst spot" not in text
