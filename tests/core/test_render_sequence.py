# SPDX-License-Identifier: GPL-3.0-or-later
"""A range of frames through the whole pipeline into files."""

from __future__ import annotations

import errno
import json
from dataclasses import replace

import numpy as np
import pytest
from beamwright.core import ahead, pipeline
from beamwright.core.errors import FormatError, OutputError, SceneError, SettingError
from beamwright.core.output import ilda, points_json, stroke_json, svg, wav
from beamwright.core.output.ilda import SequenceWriter
from beamwright.core.report import tables
from beamwright.core.sequence import RenderRequest, render_sequence
from films import GRAPHICS, LETTERING, Film


def names(folder):
    return sorted(str(path.relative_to(folder)) for path in folder.rglob("*") if path.is_file())


def render(source, request):
    """Run to the end and return the last step."""
    *_, last = render_sequence(source, request)
    return last


@pytest.fixture(scope="module")
def rendered(tmp_path_factory):
    folder = tmp_path_factory.mktemp("film") / "out"
    request = RenderRequest(folder, files=("ild", "json", "wav"), strokes="svg")
    steps = list(render_sequence(Film(), request))
    return folder, steps


class TestFiles:
    def test_what_is_there(self, rendered):
        folder, steps = rendered
        expected = ["report.csv", "report.json"]
        for name in ("Graphics", "Lettering"):
            expected += [f"{name}.{kind}" for kind in ("ild", "json", "wav")]
            expected += [f"strokes/{name}/000{frame}.svg" for frame in range(1, 5)]
        assert names(folder) == sorted(expected)
        assert sorted(steps[-1].result.files) == sorted(folder / name for name in expected)

    def test_every_other_frame_is_measured(self, rendered, tmp_path):
        _, steps = rendered
        for projector in steps[-1].result.report.projectors:
            first, *others = projector.figures
            assert 0.0 < first.error_field < 0.05
            assert all(row.error_field is None for row in others)  # one in twelve
        result = render(Film(), RenderRequest(tmp_path / "a", measure_step=2)).result
        back = tables.read(tmp_path / "a" / "report.json")
        for projector, told in zip(result.report.projectors, back.projectors, strict=True):
            measured = [row.frame for row in projector.figures if row.error_field is not None]
            assert measured == [1, 3]
            assert told.figures[0].error_field == pytest.approx(
                projector.figures[0].error_field, abs=1e-6
            )
            assert projector.figures[2].error_field == 0.0  # nothing to draw at frame 3
        result = render(Film(), RenderRequest(tmp_path / "b", measure_step=0)).result
        rows = [row for projector in result.report.projectors for row in projector.figures]
        assert all(row.error_field is None for row in rows)

    def test_steps(self, rendered):
        _, steps = rendered
        assert [(step.done, step.total, step.frame) for step in steps] == [
            (number, 4, number) for number in range(1, 5)
        ]
        assert [step.result is None for step in steps] == [True, True, True, False]
        for step in steps:
            assert {name: row.frame for name, row in step.figures.items()} == {
                "Graphics": step.frame,
                "Lettering": step.frame,
            }

    @pytest.mark.parametrize("projector", [GRAPHICS, LETTERING])
    def test_ilda(self, rendered, projector):
        folder, _ = rendered
        path = folder / f"{projector.name}.ild"
        assert ilda.check(path) == []
        frames = ilda.read(path, strict=True)
        assert [frame.number for frame in frames] == [0, 1, 2, 3]
        assert {frame.projector for frame in frames} == {projector.number}
        assert {frame.name for frame in frames} == {projector.name[:8]}
        lit = [int((~frame.blanked).sum()) for frame in frames]
        assert lit[2] == 0
        assert min(lit[0], lit[1], lit[3]) > 20

    def test_an_empty_frame_is_one_blanked_point(self, rendered):
        folder, _ = rendered
        empty = ilda.read(folder / "Graphics.ild")[2]
        assert len(empty) == 1
        assert empty.blanked.all()

    def test_all_formats_hold_the_same_points(self, rendered):
        folder, _ = rendered
        points = points_json.read(folder / "Graphics.json")
        assert points.numbers == (1, 2, 3, 4)
        signal = wav.read(folder / "Graphics.wav")
        assert signal.sample_rate_hz == 30000
        start = 0
        for frame, stored in zip(points.frames, ilda.read(folder / "Graphics.ild"), strict=True):
            samples = stored.samples(30000.0)
            np.testing.assert_allclose(samples.xy, frame.xy, rtol=0, atol=1e-6 + 0.5 / 32767)
            np.testing.assert_allclose(samples.rgb, frame.rgb, rtol=0, atol=1e-4 + 0.5 / 255)
            loop = signal.channels[start : start + len(frame)]
            np.testing.assert_allclose(loop[:, :2], frame.xy, rtol=0, atol=2e-6)
            start += len(frame) * max(
                0, round((30000 / 25 * (1 + points.frames.index(frame)) - start) / len(frame))
            )

    def test_report(self, rendered):
        folder, steps = rendered
        report = tables.read(folder / "report.json")
        assert (report.scene, report.fps) == ("Film", 25.0)
        assert (report.frame_first, report.frame_last, report.frame_step) == (1, 4, 1)
        assert report.details == {"file": "film.blend"}
        assert [row.name for row in report.projectors] == ["Graphics", "Lettering"]
        for projector in report.projectors:
            counts = [len(frame) for frame in ilda.read(folder / f"{projector.name}.ild")]
            assert [row.points for row in projector.figures] == counts
            for row in projector.figures:
                assert row.lit + row.blanked == row.points
                assert row.refresh_hz == pytest.approx(
                    projector.point_rate_hz / row.points, abs=1e-6
                )
                assert sum(row.cost.values()) == pytest.approx(row.points, abs=0.01)
        assert "Box" in report.projectors[0].figures[0].cost
        assert "Title" not in report.projectors[0].figures[0].cost
        assert tables.json_text(steps[-1].result.report) == tables.json_text(report)
        text = json.loads((folder / "report.json").read_text("utf-8"))
        assert text["projectors"][1]["budget"] == LETTERING.budget
        assert len((folder / "report.csv").read_text("utf-8").splitlines()) == 9

    def test_strokes(self, rendered, tmp_path):
        folder, _ = rendered
        strokes, page = svg.read(folder / "strokes" / "Graphics" / "0001.svg")
        assert (page.scene, page.frame) == ("Film", 1)
        assert set(stroke_json.object_names(strokes)) == {"Box"}
        render(Film(), RenderRequest(tmp_path, frame_last=1, strokes="json"))
        again, _ = stroke_json.read(tmp_path / "strokes" / "Graphics" / "0001.json")
        np.testing.assert_allclose(again.points, strokes.points, rtol=0, atol=6e-7)

    def test_runs_are_byte_identical(self, rendered, tmp_path):
        folder, _ = rendered
        render(Film(), RenderRequest(tmp_path, files=("ild", "json", "wav"), strokes="svg"))
        for name in names(folder):
            assert (tmp_path / name).read_bytes() == (folder / name).read_bytes(), name


class TestRequests:
    def test_range_and_step(self, tmp_path):
        film = Film()
        result = render(film, RenderRequest(tmp_path, 2, 9, 3)).result
        assert film.asked == [2, 5, 8]
        assert [row.frame for row in result.report.projectors[0].figures] == [2, 5, 8]
        assert len(ilda.read(tmp_path / "Graphics.ild")) == 3

    def test_some_projectors(self, tmp_path):
        render(Film(), RenderRequest(tmp_path, projectors=("Lettering",)))
        assert names(tmp_path) == ["Lettering.ild", "report.csv", "report.json"]

    @pytest.mark.parametrize("code", [0, 1, 4, 5])
    @pytest.mark.parametrize("palette", ["own", "standard"])
    def test_formats(self, tmp_path, code, palette):
        render(Film(), RenderRequest(tmp_path, 1, 2, format_code=code, palette=palette))
        assert ilda.check(tmp_path / "Graphics.ild") == []
        frames = ilda.read(tmp_path / "Graphics.ild")
        assert {frame.format_code for frame in frames} == {code}
        assert {tuple(rgb) for rgb in frames[0].rgb[~frames[0].blanked].tolist()} == {
            (255, 255, 255)
        }

    def test_a_shorter_render_leaves_no_stale_strokes(self, tmp_path):
        render(Film(), RenderRequest(tmp_path, strokes="svg"))
        (tmp_path / "strokes" / "Graphics" / "notes.svg").write_text("mine")
        render(Film(), RenderRequest(tmp_path, 2, 3, strokes="svg"))
        assert names(tmp_path / "strokes" / "Graphics") == ["0002.svg", "0003.svg", "notes.svg"]

    @pytest.mark.parametrize(
        ("changes", "message"),
        [
            ({"frame_first": 5, "frame_last": 2}, "range 5-2 is empty"),
            ({"frame_step": 0}, "step is 0"),
            ({"projectors": ("Grafics",)}, "'Grafics'.*Graphics, Lettering"),
            ({"projectors": ("Graphics", "Graphics")}, "named twice"),
            ({"format_code": 2}, "0, 1, 4 or 5, not 2"),
            ({"measure_step": -1}, "measuring step is -1"),
            ({"files": ("mp3",)}, "ild, json or wav"),
            ({"files": ()}, "at least one"),
            ({"strokes": "pdf"}, "svg or json"),
            ({"frame_last": 70000}, "70000 frames.*65535"),
        ],
    )
    def test_refusals_come_at_once_and_touch_nothing(self, tmp_path, changes, message):
        film = Film()
        with pytest.raises(SettingError, match=message):
            render_sequence(film, replace(RenderRequest(tmp_path / "out"), **changes))
        assert film.asked == []
        assert not (tmp_path / "out").exists()

    @pytest.mark.parametrize(
        ("projectors", "message"),
        [
            ((), "no projector"),
            ((GRAPHICS, GRAPHICS), "share a name"),
            ((GRAPHICS, replace(LETTERING, name="GRAPHICS")), "'GRAPHICS'.*'Graphics'"),
            ((replace(GRAPHICS, name="a/b"), replace(LETTERING, name="a:b")), "rename"),
            ((replace(GRAPHICS, name="Report"),), "the report"),
        ],
    )
    def test_projectors_that_cannot_be_written(self, tmp_path, projectors, message):
        with pytest.raises(SettingError, match=message):
            render_sequence(Film(projectors), RenderRequest(tmp_path))


class TestFramesSideBySide:
    """Threads change nothing: not a byte of any file, not a figure."""

    @pytest.mark.parametrize("threads", [1, 2, 3])
    def test_same_bytes(self, tmp_path, monkeypatch, threads):
        monkeypatch.setattr(ahead, "WORTH_S", 0.0)
        folders = []
        for count in (0, threads):
            monkeypatch.setattr(pipeline, "default_threads", lambda count=count: count)
            film = Film()
            film.frame_end = 12
            folders.append(tmp_path / str(count))
            request = RenderRequest(folders[-1], files=("ild", "json", "wav"), strokes="json")
            render(film, request)
            assert film.asked == list(range(1, 13))
        assert names(folders[0]) == names(folders[1])
        for name in names(folders[0]):
            assert (folders[0] / name).read_bytes() == (folders[1] / name).read_bytes(), name


class TestBrokenRuns:
    """What was there before stays, and nothing else remains."""

    @pytest.fixture
    def before(self, tmp_path):
        (tmp_path / "Graphics.ild").write_bytes(b"old")
        yield tmp_path
        assert names(tmp_path) == ["Graphics.ild"]
        assert [path.name for path in tmp_path.iterdir()] == ["Graphics.ild"]
        assert (tmp_path / "Graphics.ild").read_bytes() == b"old"

    def test_cancelled(self, before):
        steps = render_sequence(Film(), RenderRequest(before, strokes="svg"))
        next(steps)
        next(steps)
        steps.close()

    def test_never_started(self, before):
        render_sequence(Film(), RenderRequest(before)).close()

    def test_interrupted_from_the_keyboard(self, before):
        steps = render_sequence(Film(), RenderRequest(before))
        next(steps)
        with pytest.raises(KeyboardInterrupt):
            steps.throw(KeyboardInterrupt())

    def test_a_frame_that_cannot_be_drawn_is_named(self, before):
        with pytest.raises(SceneError, match="Frame 4: The object “Gull”"):
            render(Film(breaks_at=4), RenderRequest(before))

    def test_a_full_disk(self, before, monkeypatch):
        append = SequenceWriter.append

        def full(writer, frame):
            if writer.count == 2:
                raise OSError(errno.ENOSPC, "No space left on device")
            append(writer, frame)

        monkeypatch.setattr(SequenceWriter, "append", full)
        with pytest.raises(OutputError, match="No space left"):
            render(Film(), RenderRequest(before))

    def test_a_frame_beyond_the_format(self, before, monkeypatch):
        def big(_writer, _frame):
            raise FormatError("The frame has 70000 points.")

        monkeypatch.setattr(SequenceWriter, "append", big)
        with pytest.raises(FormatError, match="Frame 1: The frame has 70000 points"):
            render(Film(), RenderRequest(before))

    def test_no_overwriting_when_told(self, before):
        with pytest.raises(OutputError, match=r"Graphics\.ild is there already"):
            render(Film(), RenderRequest(before, overwrite=False))

    def test_a_folder_that_is_none(self, before):
        with pytest.raises(OutputError, match="can't be written"):
            render(Film(), RenderRequest(before / "Graphics.ild" / "out"))
