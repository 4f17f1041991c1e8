# SPDX-License-Identifier: GPL-3.0-or-later
"""The point report: attribution to objects, and its files."""

from __future__ import annotations

import csv
import io
import json
from dataclasses import replace
from pathlib import Path

import pytest
from beamwright.core.errors import FormatError, OutputError
from beamwright.core.report import tables
from beamwright.core.report.figures import FrameFigures
from beamwright.core.report.tables import FrameRange, ProjectorReport, Report
from hypothesis import given
from hypothesis import strategies as st
from strategies import STEADY

GOLDEN = Path(__file__).parents[1] / "golden"
BUDGET = 1000


def row(frame: int, **cost: float) -> FrameFigures:
    points = round(sum(cost.values()))
    return FrameFigures(
        frame=frame,
        points=points,
        lit=points // 2,
        blanked=points - points // 2,
        strokes=len(cost),
        refresh_hz=30000.0 / points,
        budget=BUDGET,
        over_budget=points > BUDGET,
        cost=cost,
    )


# A gull that flies in at 40 and out at 72, and is small before and after.
FLIGHT = tuple(
    row(frame, Whale=500.0, Gull=460.0 if 40 <= frame <= 72 else 30.0, Boat=250.0)
    for frame in range(30, 81)
)
MEASURED = {
    "error_field": 0.0071,
    "error_worst_field": 0.0182,
    "corner_rounding_field": 0.0033,
    "brightness_evenness": 0.56,
    "acceleration_share": 0.141,
}
REPORT = Report(
    scene="Harbour",
    fps=24.0,
    frame_first=30,
    frame_last=80,
    frame_step=1,
    version="1.2.3",
    details={"file": "harbour.blend"},
    projectors=(
        ProjectorReport("Graphics", 30000.0, 30.0, BUDGET, FLIGHT, ("Graphics.ild",)),
        ProjectorReport(
            "Lettering",
            12000.0,
            30.0,
            400,
            tuple(
                replace(
                    row(frame, Title=300.0),
                    stress=0.25,
                    tolerance_field=0.008,
                    dropped_strokes=frame % 2,
                    dropped_length=0.5 * (frame % 2),
                    dropped_objects=("Title",) if frame % 2 else (),
                    darkened=frame == 33,
                    **(MEASURED if frame % 12 == 6 else {}),
                )
                for frame in range(30, 81)
            ),
            ("Lettering.ild",),
        ),
    ),
)


class TestAttribution:
    def test_over_budget_ranges(self):
        assert tables.over_budget_ranges(FLIGHT) == [FrameRange(40, 72, 33)]
        assert tables.over_budget_ranges(FLIGHT[:5]) == []

    def test_ranges_follow_the_rendered_frames(self):
        every_tenth = [
            row(frame, A=2000.0 if frame in (10, 20, 40) else 1.0) for frame in range(0, 51, 10)
        ]
        assert tables.over_budget_ranges(every_tenth) == [
            FrameRange(10, 20, 2),
            FrameRange(40, 40, 1),
        ]

    def test_the_gull_costs_38_percent(self):
        gull = next(cost for cost in tables.cost_ranges(FLIGHT) if cost.name == "Gull")
        assert gull.frames == FrameRange(40, 72, 33)
        assert gull.share == pytest.approx(460.0 / 1210.0)
        assert gull.points == 460.0
        assert "Gull costs 38 % of Graphics at frames 40-72 (460 points a frame)" in tables.summary(
            REPORT
        )

    def test_ranges_come_costliest_first(self):
        assert [cost.name for cost in tables.cost_ranges(FLIGHT)] == [
            "Whale",
            "Gull",
            "Boat",
        ]

    def test_what_belongs_to_none_has_no_range(self):
        figures = [replace(row(1, A=1.0), cost={"": 90.0, "A": 10.0}, points=100)]
        assert [cost.name for cost in tables.cost_ranges(figures)] == ["A"]
        assert tables.cost_shares(figures) == {"": 0.9, "A": 0.1}

    @STEADY
    @given(
        st.lists(
            st.dictionaries(st.sampled_from("ABC"), st.integers(1, 900), min_size=1),
            min_size=1,
            max_size=12,
        )
    )
    def test_shares_and_ranges_add_up(self, costs):
        figures = [row(number, **cost) for number, cost in enumerate(costs)]
        assert sum(tables.cost_shares(figures).values()) == pytest.approx(1.0)
        over = [
            frame
            for frames in tables.over_budget_ranges(figures)
            for frame in range(frames.first, frames.last + 1)
        ]
        assert over == [figure.frame for figure in figures if figure.over_budget]
        for cost in tables.cost_ranges(figures):
            inside = figures[cost.frames.first : cost.frames.last + 1]
            spent = sum(figure.cost[cost.name] for figure in inside)
            assert cost.points * cost.frames.count == pytest.approx(spent)
            assert 0.05 <= cost.share <= 1.0


class TestFiles:
    """Remake with ``python tests/golden/remake_stroke_files.py``; look at what changes."""

    @pytest.mark.parametrize(
        ("name", "text"),
        [
            ("report.json", tables.json_text(REPORT)),
            ("report.csv", tables.csv_text(REPORT)),
            ("report.txt", tables.summary(REPORT)),
        ],
    )
    def test_golden(self, name, text):
        assert text.encode() == (GOLDEN / name).read_bytes()

    def test_json_has_what_machines_count_on(self):
        document = json.loads(tables.json_text(REPORT))
        assert {"schema", "scene", "fps", "projectors"} <= document.keys()
        frame = document["projectors"][0]["frames"][10]
        assert {key: frame[key] for key in ("frame", "points", "lit", "blanked", "strokes")} == {
            "frame": 40,
            "points": 1210,
            "lit": 605,
            "blanked": 605,
            "strokes": 3,
        }
        assert frame["refresh_hz"] == pytest.approx(30000 / 1210, abs=1e-6)
        assert (frame["budget"], frame["over_budget"]) == (1000, True)
        assert frame["cost"] == {"Whale": 500.0, "Gull": 460.0, "Boat": 250.0}

    def test_json_reads_back(self, tmp_path):
        path = tmp_path / "report.json"
        path.write_text(tables.json_text(REPORT), "utf-8")
        back = tables.read(path)
        assert tables.json_text(back) == tables.json_text(REPORT)
        assert tables.summary(back) == tables.summary(REPORT)

    def test_csv_is_a_table(self):
        rows = list(csv.DictReader(io.StringIO(tables.csv_text(REPORT))))
        assert len(rows) == 102
        assert rows[10]["projector"] == "Graphics"
        assert (rows[10]["points"], rows[10]["over_budget"]) == ("1210", "1")
        assert (rows[10]["heaviest_object"], rows[10]["heaviest_object_points"]) == (
            "Whale",
            "500.0",
        )

    def test_no_numbers(self):
        bad = replace(FLIGHT[0], lit_length=float("nan"))
        projector = replace(REPORT.projectors[0], figures=(bad,))
        with pytest.raises(FormatError, match="no number"):
            tables.json_text(replace(REPORT, projectors=(projector,)))

    @pytest.mark.parametrize("text", ["", "[]", "{}", '{"schema": "x"}', '{"schema": 1, "a": 2}'])
    def test_other_files(self, text, tmp_path):
        path = tmp_path / "r.json"
        path.write_text(text)
        with pytest.raises(FormatError, match=r"r\.json"):
            tables.read(path)
        with pytest.raises(OutputError):
            tables.read(tmp_path)


class TestSummary:
    def test_losses_are_told(self):
        text = tables.summary(REPORT)
        assert "over budget at frames 40-72, most at frame 40 (1210 of 1000 points" in text
        assert "drawn coarser to fit in 51 of 51 frames" in text
        assert "strokes of Title left out in 25 of 51 frames" in text
        assert "switched 1 point off in 1 frame" in text

    def test_what_could_not_be_drawn_is_told(self):
        figures = (
            replace(FLIGHT[0], broken_strokes=2),
            replace(FLIGHT[1], clipped_length=0.5),
            replace(FLIGHT[2], clipped_length=0.75),
        )
        projector = replace(REPORT.projectors[0], figures=figures)
        text = tables.summary(replace(REPORT, projectors=(projector,)))
        assert "no numbers left out in 1 frame, first at frame 30" in text
        assert "cut off in 2 frames, most at frame 32 (length 0.75)" in text

    def test_fits_a_screen(self):
        lines = tables.summary(REPORT).splitlines()
        assert len(lines) < 25
        assert max(map(len, lines)) <= 140

    def test_ranges_are_limited(self):
        flicker = tuple(row(frame, A=1500.0 if frame % 2 else 10.0) for frame in range(40))
        projector = replace(REPORT.projectors[0], figures=flicker)
        text = tables.summary(replace(REPORT, projectors=(projector,)), lines_each=3)
        assert text.count("over budget at") == 3
        assert "over budget in 17 more ranges" in text
