# SPDX-License-Identifier: GPL-3.0-or-later
"""Strokes as SVG and JSON, samples as JSON, and strokes traced from samples."""

from __future__ import annotations

import io
import json
from itertools import chain
from pathlib import Path
from xml.etree import ElementTree

import numpy as np
import pytest
import strategies
from beamwright.core.errors import FormatError, OutputError
from beamwright.core.frame import Frame
from beamwright.core.output import points_json, stroke_json, svg
from beamwright.core.output.stroke_json import Page
from beamwright.core.output.trace import trace_strokes
from beamwright.core.scene import LineKind
from beamwright.core.strokes import Strokes
from hypothesis import given
from strategies import STEADY

GOLDEN = Path(__file__).parents[1] / "golden"
PAGE = Page("Winter & <Evening>", 12, 1.0, 0.5625)

PICTURE = Strokes.from_polylines(
    [
        [(-0.5, 0.25), (0.1, 0.5)],
        [(0.0, 0.0), (0.2, 0.0), (0.2, 0.3), (0.0, 0.0)],
        [(0.7, -0.123456789)],
        [(-1.0, -0.5625), (1.0, -0.5625)],
    ],
    colour=[(1, 1, 1), (1, 0.5, 0), (0, 0, 1), (0, 1, 0)],
    kind=[
        LineKind.SILHOUETTE | LineKind.BORDER,
        LineKind.CREASE,
        LineKind.DOT,
        LineKind.DRAWN,
    ],
    object_index=[1, 0, 1, -1],
    identity=[5, 4, 3, 2],
    object_names=('Gull "Emma"', "Whale <3"),
)


def assert_same_lines(found: Strokes, wanted: Strokes, atol: float) -> None:
    assert found.offsets.tolist() == wanted.offsets.tolist()
    np.testing.assert_allclose(found.points, wanted.points, rtol=0, atol=atol)
    np.testing.assert_array_equal(found.closed, wanted.closed)


class TestGolden:
    """Remake with ``python tests/golden/remake_stroke_files.py``; look at what changes."""

    def test_svg(self):
        assert svg.dumps(PICTURE, PAGE) == (GOLDEN / "strokes.svg").read_text("utf-8")

    def test_json(self):
        assert stroke_json.dumps(PICTURE, PAGE) == (GOLDEN / "strokes.json").read_text("utf-8")


class TestSvg:
    def test_is_svg_with_the_page_as_its_view(self):
        root = ElementTree.fromstring(svg.dumps(PICTURE, PAGE))
        assert root.tag == "{http://www.w3.org/2000/svg}svg"
        assert root.attrib["viewBox"] == "-1 -0.5625 2 1.125"
        paths = root.findall(".//{http://www.w3.org/2000/svg}path")
        assert [path.attrib["d"] for path in paths] == [
            "M-0.5 0.25L0.1 0.5",
            "M0.7 -0.123457L0.7 -0.123457",
            "M0 0L0.2 0 0.2 0.3Z",
            "M-1 -0.5625L1 -0.5625",
        ]
        assert [path.attrib["data-kind"] for path in paths] == [
            "silhouette",
            "dot",
            "crease",
            "drawn",
        ]
        groups = [
            group.attrib["data-object"] for group in root.iter() if "data-object" in group.attrib
        ]
        assert groups == ["Whale <3", 'Gull "Emma"', ""]

    def test_reads_back_grouped_by_object(self):
        strokes, page = svg.loads(svg.dumps(PICTURE, PAGE))
        assert page == PAGE
        assert_same_lines(strokes, PICTURE.take([0, 2, 1, 3]), 5e-7)
        assert strokes.colour.tolist() == [[1, 1, 1], [0, 0, 1], [1, 128 / 255, 0], [0, 1, 0]]
        assert strokes.kind.tolist() == [1, 128, 2, 256]

    @STEADY
    @given(strategies.strokes(min_size=0))
    def test_round_trip(self, strokes):
        found, _ = svg.loads(svg.dumps(strokes, PAGE))
        order = {}
        for row, index in enumerate(strokes.object_index.tolist()):
            order.setdefault(index, []).append(row)
        wanted = strokes.take(np.array(list(chain(*order.values())), int))
        assert_same_lines(found, wanted, 5.0001e-7)
        np.testing.assert_allclose(found.colour, wanted.colour, rtol=0, atol=0.5001 / 255)

    def test_names_that_xml_forbids(self):
        odd = Strokes.from_polylines([[(0, 0), (1, 1)]], object_names=("a\x01b",))
        strokes, _ = svg.loads(svg.dumps(odd, PAGE))
        assert strokes.object_names == ("a\ufffdb",)

    def test_no_numbers(self):
        with pytest.raises(FormatError, match="Frame 12"):
            svg.dumps(PICTURE.with_points(PICTURE.points * np.nan), PAGE)

    @pytest.mark.parametrize(
        "text",
        ["", "<svg", '<svg xmlns="http://www.w3.org/2000/svg"/>', '<a data-frame="1"/>'],
    )
    def test_other_files(self, text, tmp_path):
        path = tmp_path / "a.svg"
        path.write_text(text)
        with pytest.raises(FormatError, match=r"a\.svg"):
            svg.read(path)

    def test_files(self, tmp_path):
        svg.write(tmp_path / "a.svg", PICTURE, PAGE)
        assert svg.read(tmp_path / "a.svg")[1] == PAGE
        with pytest.raises(OutputError):
            svg.read(tmp_path / "b.svg")


class TestStrokeJson:
    def test_document(self):
        document = json.loads(stroke_json.dumps(PICTURE, PAGE))
        rows = document.pop("strokes")
        assert document == {
            "schema": "beamwright-strokes-1",
            "scene": "Winter & <Evening>",
            "frame": 12,
            "half_width": 1.0,
            "half_height": 0.5625,
        }
        assert rows[1] == {
            "object": 'Gull "Emma"',
            "kind": "crease",
            "kinds": 2,
            "colour": [1.0, 0.5, 0.0],
            "identity": 4,
            "closed": True,
            "points": [[0.0, 0.0], [0.2, 0.0], [0.2, 0.3], [0.0, 0.0]],
        }
        assert [row["object"] for row in rows] == ["Whale <3", 'Gull "Emma"', "Whale <3", ""]

    @STEADY
    @given(strategies.strokes(min_size=0))
    def test_round_trip(self, strokes):
        found, page = stroke_json.loads(stroke_json.dumps(strokes, PAGE))
        assert page == PAGE
        assert_same_lines(found, strokes, 5.001e-10)
        np.testing.assert_array_equal(found.colour, strokes.colour)
        np.testing.assert_array_equal(found.kind, strokes.kind)
        np.testing.assert_array_equal(found.identity, strokes.identity)
        assert stroke_json.object_names(found) == stroke_json.object_names(strokes)

    @pytest.mark.parametrize(
        "text",
        [
            "",
            "[]",
            "{}",
            '{"schema": "other"}',
            stroke_json.dumps(PICTURE, PAGE).replace("[-0.5, 0.25]", "[-0.5]"),
            stroke_json.dumps(PICTURE, PAGE).replace('"kinds": 2', '"kinds": "x"'),
        ],
    )
    def test_other_files(self, text, tmp_path):
        path = tmp_path / "a.json"
        path.write_text(text)
        with pytest.raises(FormatError, match=r"a\.json"):
            stroke_json.read(path)

    def test_files(self, tmp_path):
        stroke_json.write(tmp_path / "a.json", PICTURE, PAGE)
        assert stroke_json.read(tmp_path / "a.json")[1] == PAGE
        (tmp_path / "a.json").write_bytes(b"\xff\xfe")
        with pytest.raises(FormatError, match="UTF-8"):
            stroke_json.read(tmp_path / "a.json")


def points_text(frames: list[Frame]) -> str:
    stream = io.BytesIO()
    writer = points_json.PointsWriter(
        stream, projector="Größe", point_rate_hz=frames[0].point_rate_hz, fps=24.0
    )
    for number, frame in enumerate(frames, 40):
        writer.append(number, frame)
    writer.finish()
    return stream.getvalue().decode()


class TestPointsJson:
    @STEADY
    @given(strategies.frames())
    def test_round_trip(self, frame):
        found = points_json.loads(points_text([frame, frame]))
        assert (found.projector, found.fps, found.numbers) == ("Größe", 24.0, (40, 41))
        for back in found.frames:
            np.testing.assert_allclose(back.xy, frame.xy, rtol=0, atol=5.001e-7)
            np.testing.assert_allclose(back.rgb, frame.rgb, rtol=0, atol=5.001e-5)
            for column in ("blanked", "stroke", "object_index"):
                np.testing.assert_array_equal(getattr(back, column), getattr(frame, column))
            assert back.point_rate_hz == frame.point_rate_hz

    @pytest.mark.parametrize(
        ("old", "new"),
        [
            ("beamwright-points-1", "beamwright-points-9"),
            ('"x":[', '"x":[0.5,'),
            ('"x":[0.0]', '"x":["a"]'),
            ('"x":[0.0]', '"x":[NaN]'),
            ('"point_rate_hz": 30000.0', '"point_rate_hz": 0'),
            ('"frames"', '"pictures"'),
        ],
    )
    def test_broken_documents(self, old, new):
        text = points_text([Frame.dark(30000.0)])
        assert old in text
        with pytest.raises(FormatError):
            points_json.loads(text.replace(old, new))

    def test_no_numbers(self):
        bad = Frame.dark(30000.0, (float("nan"), 0.0))
        with pytest.raises(FormatError, match="Frame 40"):
            points_text([bad])


def samples(rows: list[tuple[float, float, float, bool]]) -> Frame:
    """Rows of x, y, red level, blanked."""
    table = np.array([row[:3] for row in rows], np.float64)
    rgb = np.zeros((len(rows), 3))
    rgb[:, 0] = table[:, 2]
    none = np.full(len(rows), -1, np.int32)
    return Frame(table[:, :2], rgb, np.array([row[3] for row in rows]), none, none, 30000.0)


class TestTrace:
    def test_a_run_starts_where_the_beam_came_from(self):
        strokes = trace_strokes(
            samples([(0, 0, 0, True), (1, 0, 1, False), (1, 0, 1, False), (1, 1, 1, False)])
        )
        assert [strokes.polyline(0).tolist()] == [[[0, 0], [1, 0], [1, 1]]]
        assert strokes.colour.tolist() == [[1, 0, 0]]

    def test_a_change_of_colour_parts_strokes(self):
        strokes = trace_strokes(samples([(0, 0, 0, True), (1, 0, 1, False), (1, 1, 0.5, False)]))
        assert [strokes.polyline(row).tolist() for row in (0, 1)] == [
            [[0, 0], [1, 0]],
            [[1, 0], [1, 1]],
        ]

    def test_a_frame_is_a_loop(self):
        strokes = trace_strokes(samples([(0, 0, 1, False), (1, 0, 1, False), (1, 1, 1, False)]))
        assert strokes.closed.tolist() == [True]
        assert len(strokes.points) == 4
        wrapped = trace_strokes(samples([(0, 0, 1, False), (5, 5, 0, True), (1, 0, 1, False)]))
        assert wrapped.polyline(0).tolist() == [[5, 5], [1, 0], [0, 0]]

    def test_a_dot(self):
        strokes = trace_strokes(samples([(1, 1, 0, True)] + [(1, 1, 1, False)] * 5))
        assert strokes.points.tolist() == [[1, 1]]

    def test_darkness(self):
        assert len(trace_strokes(samples([(0, 0, 0, True), (1, 1, 0, False)]))) == 0

    @STEADY
    @given(strategies.frames())
    def test_length_is_that_of_the_lit_moves(self, frame):
        moves = np.hypot(*(frame.xy - np.roll(frame.xy, 1, axis=0)).T)
        assert trace_strokes(frame).lengths.sum() == pytest.approx(moves[~frame.blanked].sum())
