# SPDX-License-Identifier: GPL-3.0-or-later
"""The command line through `main`, with a film of plain arrays as its host."""

from __future__ import annotations

import io
import json
import subprocess
import sys
from dataclasses import replace

import pytest
from beamwright.core import cli
from beamwright.core.errors import HostError, SceneError
from beamwright.core.output import ilda, stroke_json, svg, wav
from beamwright.core.output.points_json import read as read_points
from beamwright.core.points.patterns import PATTERNS
from beamwright.core.points.projector import ScannerProfile, profile_to_json
from films import GRAPHICS, Film


class Host:
    def __init__(self, film=None):
        self.film = film or Film()
        self.opened = []

    def open(self, path, scene_name, camera_name):
        self.opened.append((path and path.name, scene_name, camera_name))
        if path is not None and path.name == "missing.blend":
            raise SceneError("There is no file “missing.blend”: check the path.")
        return self.film


def run(capsys, *arguments, host=None):
    code = cli.main([str(argument) for argument in arguments], host)
    output = capsys.readouterr()
    return code, output.out, output.err


class TestRender:
    def test_summary_and_files(self, capsys, tmp_path):
        host = Host()
        code, out, err = run(
            capsys, "render", "a.blend", "--out", tmp_path, "--frames", "1-2", "--scene", "S",
            "--camera", "C", "--strokes", "svg", "--also", "wav", "json", host=host,
        )  # fmt: skip
        assert (code, err) == (0, "")
        assert host.opened == [("a.blend", "S", "C")]
        assert f"{tmp_path / 'Graphics.ild'}\n" in out
        assert f"{tmp_path / 'strokes' / 'Lettering'}  (2 files)" in out
        assert "Box" in out
        assert "projector  frames  points min" in out
        for name in ("Graphics.wav", "Lettering.json", "report.json", "report.csv"):
            assert (tmp_path / name).is_file()

    def test_for_machines(self, capsys, tmp_path):
        code, out, _ = run(
            capsys, "render", "a.blend", "--out", tmp_path, "--json", "--projector", "Graphics",
            "--step", "2", "--format", "4", host=Host(),
        )  # fmt: skip
        assert code == 0
        answer = json.loads(out)
        assert answer["files"] == [
            str(tmp_path / name)
            for name in ("Graphics.ild", "report.json", "report.csv", "report.html")
        ]
        (row,) = answer["projectors"]
        assert (row["name"], row["frames"], row["budget"]) == ("Graphics", 2, 1000)
        assert row["points_min"] == 1
        assert "Box" in row["share_by_object"]
        assert {frame.format_code for frame in ilda.read(tmp_path / "Graphics.ild")} == {4}

    def test_the_open_file(self, capsys, tmp_path):
        host = Host()
        assert run(capsys, "render", "--out", tmp_path, "--frames", "2", host=host)[0] == 0
        assert host.opened == [(None, None, None)]

    @pytest.mark.parametrize(
        ("text", "numbers"), [("-3--1", [-3, -2, -1]), ("-1-1", [-1, 0, 1]), ("-2", [-2])]
    )
    def test_frames_below_zero(self, capsys, tmp_path, text, numbers):
        assert run(capsys, "render", "--out", tmp_path, "--frames", text, host=Host())[0] == 0
        (projector, *_) = json.loads((tmp_path / "report.json").read_text())["projectors"]
        assert [row["frame"] for row in projector["frames"]] == numbers

    def test_step_of_the_scene(self, capsys, tmp_path):
        """A scene's own frame step holds unless another is asked for."""
        host = Host()
        host.film.frame_step = 2
        for more, numbers in (((), [1, 3]), (("--step", "1"), [1, 2, 3])):
            arguments = ("render", "--out", tmp_path, "--frames", "1-3", *more)
            assert run(capsys, *arguments, host=host)[0] == 0
            (projector, *_) = json.loads((tmp_path / "report.json").read_text())["projectors"]
            assert [row["frame"] for row in projector["frames"]] == numbers

    def test_over_budget_is_no_failure(self, capsys, tmp_path):
        hurried = Film((replace(GRAPHICS, target_refresh_hz=1000.0),), locked=True)
        code, out, _ = run(capsys, "render", "--out", tmp_path, "--frames", "1", host=Host(hurried))
        assert code == 0
        assert "over budget at frame 1, most at frame 1" in out
        assert "of 30 points" in out

    @pytest.mark.parametrize(
        ("arguments", "sentence"),
        [
            (("missing.blend",), "There is no file “missing.blend”"),
            (("a.blend", "--frames", "9-5"), "range 9-5 is empty"),
            (("a.blend", "--projector", "X"), "no projector named 'X'"),
            (("a.blend", "--step", "0"), "step is 0"),
        ],
    )
    def test_refusals_are_one_sentence(self, capsys, tmp_path, arguments, sentence):
        out = tmp_path / "out"
        code, said, err = run(capsys, "render", *arguments, "--out", out, host=Host())
        assert code == 2
        assert said == ""
        assert err.startswith("beamwright: ")
        assert sentence in err
        assert err.count("\n") == 1
        assert not out.exists()

    def test_refusals_for_machines(self, capsys, tmp_path):
        code, out, err = run(
            capsys, "render", "missing.blend", "--out", tmp_path, "--json", host=Host()
        )
        assert code == 2
        assert json.loads(out) == {
            "error": {
                "kind": "SceneError",
                "message": "There is no file “missing.blend”: check the path.",
            }
        }
        assert "missing.blend" in err

    def test_without_a_host(self, capsys, tmp_path):
        code, _, err = run(capsys, "render", "a.blend", "--out", tmp_path)
        assert code == 2
        assert "Blender" in err

    def test_an_unwritable_folder(self, capsys, tmp_path):
        (tmp_path / "file").write_bytes(b"")
        code, _, err = run(capsys, "render", "--out", tmp_path / "file" / "x", host=Host())
        assert code == 2
        assert "can't be written" in err

    def test_cancelled_from_the_keyboard(self, capsys, tmp_path):
        film = Film()
        scene_at = film.scene_at

        def interrupted(frame):
            if frame == 3:
                raise KeyboardInterrupt
            return scene_at(frame)

        film.scene_at = interrupted
        code, out, err = run(capsys, "render", "--out", tmp_path / "out", host=Host(film))
        assert (code, out) == (130, "")
        assert "cancelled" in err
        assert not (tmp_path / "out").exists()

    def test_defects_surface(self, tmp_path):
        film = Film()
        film.scene_at = None
        with pytest.raises(TypeError):
            cli.main(["render", "--out", str(tmp_path / "out")], Host(film))
        assert not (tmp_path / "out").exists()

    def test_progress_on_a_terminal_only(self, capsys, tmp_path, monkeypatch):
        assert run(capsys, "render", "--out", tmp_path, host=Host())[2] == ""

        class Terminal(io.StringIO):
            def isatty(self):
                return True

        terminal = Terminal()
        monkeypatch.setattr(sys, "stderr", terminal)
        assert cli.main(["render", "--out", str(tmp_path)], Host()) == 0
        shown = terminal.getvalue()
        assert "1/4" in shown
        assert "4/4" in shown
        assert "left" in shown
        assert shown.endswith("\r\x1b[K")

    @pytest.mark.parametrize(
        "arguments",
        [
            [],
            ["render"],
            ["render", "--out", "x", "--frames", "a-b"],
            ["render", "--out", "x", "--format", "2"],
            ["lines", "--out", "x.svg"],
            ["check"],
        ],
    )
    def test_arguments_it_does_not_know(self, capsys, arguments):
        with pytest.raises(SystemExit) as caught:
            cli.main(arguments, Host())
        assert caught.value.code == 2
        assert "usage:" in capsys.readouterr().err


class TestLines:
    def test_json(self, capsys, tmp_path):
        path = tmp_path / "a.json"
        code, out, _ = run(capsys, "lines", "--frame", "1", "--out", path, "--json", host=Host())
        assert code == 0
        strokes, page = stroke_json.read(path)
        assert json.loads(out) == {
            "files": [str(path)],
            "strokes": len(strokes),
            "length": pytest.approx(strokes.lengths.sum(), abs=1e-6),
        }
        assert (page.scene, page.frame, page.half_width, page.half_height) == ("Film", 1, 1, 0.5625)
        assert set(stroke_json.object_names(strokes)) == {"Box", "Title"}

    def test_svg(self, capsys, tmp_path):
        path = tmp_path / "a.SVG"
        code, out, _ = run(capsys, "lines", "--frame", "1", "--out", path, host=Host())
        assert code == 0
        assert f"{len(svg.read(path)[0])} strokes" in out

    def test_an_empty_frame(self, capsys, tmp_path):
        path = tmp_path / "a.json"
        assert run(capsys, "lines", "--frame", "3", "--out", path, host=Host())[0] == 0
        assert len(stroke_json.read(path)[0]) == 0

    def test_other_names(self, capsys, tmp_path):
        host = Host()
        code, _, err = run(capsys, "lines", "--frame", "1", "--out", tmp_path / "a.txt", host=host)
        assert code == 2
        assert ".json or .svg" in err
        assert host.opened == []


@pytest.fixture(scope="module")
def film_file(tmp_path_factory):
    folder = tmp_path_factory.mktemp("files")
    assert cli.main(["render", "--out", str(folder), "--json"], Host()) == 0
    return folder / "Graphics.ild"


class TestCheck:
    def test_a_sound_file(self, capsys, film_file):
        code, out, _ = run(capsys, "check", film_file)
        assert code == 0
        assert out == f"{film_file} keeps the standard: 0 errors, 0 warnings\n"

    def test_a_broken_file(self, capsys, film_file, tmp_path):
        path = tmp_path / "cut.ild"
        path.write_bytes(film_file.read_bytes()[:-32])
        code, out, _ = run(capsys, "check", path, film_file)
        assert code == 1
        assert f"{path}: error at byte {path.stat().st_size}: " in out
        assert f"{path} breaks the standard: 1 error, 0 warnings" in out
        code, out, _ = run(capsys, "check", path, film_file, "--json")
        assert code == 1
        first, second = json.loads(out)["files"]
        assert (first["ok"], second["ok"]) == (False, True)
        assert first["findings"] == [
            {
                "severity": "error",
                "rule": "end-header",
                "offset": path.stat().st_size,
                "section": -1,
                "message": "The header without records that ends a file is missing.",
            }
        ]

    def test_warnings_are_no_failure(self, capsys, film_file, tmp_path):
        raw = bytearray(film_file.read_bytes())
        raw[32 + 7] = 255
        path = tmp_path / "warm.ild"
        path.write_bytes(raw)
        code, out, _ = run(capsys, "check", path)
        assert code == 0
        assert "warning at byte 36" in out

    def test_a_missing_file(self, capsys, tmp_path):
        code, _, err = run(capsys, "check", tmp_path / "no.ild")
        assert code == 2
        assert "can't be read" in err


class TestReport:
    def test_text_and_json(self, capsys, film_file):
        path = film_file.with_name("report.json")
        code, out, _ = run(capsys, "report", path)
        assert code == 0
        assert "Box costs" in out
        code, out, _ = run(capsys, "report", path, "--json")
        assert code == 0
        assert json.loads(out)["projectors"][0]["costs"][0]["object"] == "Box"

    def test_another_file(self, capsys, film_file):
        code, _, err = run(capsys, "report", film_file)
        assert code == 2
        assert "Graphics.ild" in err


class TestConvert:
    def test_wav(self, capsys, film_file, tmp_path):
        path = tmp_path / "a.wav"
        code, out, _ = run(
            capsys, "convert", film_file, "--to", "wav", "--out", path, "--fps", "25",
            "--wav-rate", "48000", "--wav-encoding", "pcm16",
        )  # fmt: skip
        assert (code, out) == (0, f"{path}: 4 frames\n")
        signal = wav.read(path)
        assert (signal.sample_rate_hz, signal.encoding) == (48000, "pcm16")
        assert len(signal.channels) / 48000 == pytest.approx(4 / 25, abs=0.02)

    def test_json(self, capsys, film_file, tmp_path):
        path = tmp_path / "a.json"
        code, out, _ = run(
            capsys, "convert", film_file, "--to", "json", "--out", path, "--json",
            "--point-rate", "20000",
        )  # fmt: skip
        assert code == 0
        assert json.loads(out) == {"files": [str(path)], "frames": 4}
        points = read_points(path)
        assert {frame.point_rate_hz for frame in points.frames} == {20000.0}
        assert [len(frame) for frame in points.frames] == [
            len(frame) for frame in ilda.read(film_file)
        ]

    def test_svg(self, capsys, film_file, tmp_path):
        folder = tmp_path / "pages"
        assert run(capsys, "convert", film_file, "--to", "svg", "--out", folder)[0] == 0
        assert sorted(path.name for path in folder.iterdir()) == [
            f"000{number}.svg" for number in range(4)
        ]
        drawn, _ = svg.read(folder / "0000.svg")
        wanted, _ = json_strokes(film_file, tmp_path)
        assert drawn.lengths.sum() == pytest.approx(wanted.lengths.sum(), rel=0.03)
        assert len(svg.read(folder / "0002.svg")[0]) == 0

    def test_a_broken_file_leaves_nothing(self, capsys, film_file, tmp_path):
        path = tmp_path / "cut.ild"
        path.write_bytes(film_file.read_bytes()[:-40])
        for kind in ("wav", "json", "svg"):
            code, _, err = run(capsys, "convert", path, "--to", kind, "--out", tmp_path / "new")
            assert code == 2
            assert "cut.ild is no sound ILDA file" in err
            assert [item.name for item in tmp_path.iterdir()] == ["cut.ild"]


def json_strokes(film_file, tmp_path):
    folder = tmp_path / "again"
    arguments = ["render", "--out", str(folder), "--frames", "1", "--strokes", "json"]
    assert cli.main(arguments, Host()) == 0
    return stroke_json.read(folder / "strokes" / "Graphics" / "0001.json")


class TestPattern:
    def test_list(self, capsys):
        code, out, _ = run(capsys, "pattern")
        assert code == 0
        assert [line.split(":")[0] for line in out.splitlines()[::3]] == list(PATTERNS)
        code, out, _ = run(capsys, "pattern", "--json")
        assert [row["name"] for row in json.loads(out)["patterns"]] == list(PATTERNS)

    def test_all_are_sound_files(self, capsys, tmp_path):
        assert run(capsys, "pattern", "all", "--out", tmp_path)[0] == 0
        files = sorted(tmp_path.iterdir())
        assert [path.name for path in files] == sorted(f"pattern-{name}.ild" for name in PATTERNS)
        for path in files:
            assert ilda.check(path) == []
            assert all((~frame.blanked).any() for frame in ilda.read(path))

    def test_for_a_profile(self, capsys, tmp_path):
        profile = tmp_path / "slow.json"
        profile.write_text(profile_to_json(ScannerProfile(point_rate_hz=12000.0)))
        code, out, _ = run(
            capsys, "pattern", "field", "--out", tmp_path, "--profile", profile, "--json"
        )
        assert code == 0
        assert json.loads(out)["point_rate_hz"] == 12000.0

    @pytest.mark.parametrize(
        ("arguments", "sentence"),
        [
            (("nonsense", "--out", "x"), "nonsense"),
            (("field",), "--out"),
            (("field", "--out", "x", "--profile", "no.json"), "no.json"),
            (("field", "--out", "x", "--field", "170"), "170"),
        ],
    )
    def test_refusals(self, capsys, tmp_path, monkeypatch, arguments, sentence):
        monkeypatch.chdir(tmp_path)
        code, _, err = run(capsys, "pattern", *arguments)
        assert code == 2
        assert sentence in err
        assert list(tmp_path.iterdir()) == []


class TestProgram:
    """The program itself, as installed, in a Python that has no Blender."""

    WITHOUT_BLENDER = (
        "import sys; sys.modules['bpy'] = None; from beamwright.addon.command import main; "
        "sys.exit(main())"
    )

    def program(self, *arguments):
        return subprocess.run(
            [sys.executable, "-c", self.WITHOUT_BLENDER, *map(str, arguments)],
            capture_output=True,
            text=True,
            check=False,
        )

    def test_check(self, film_file):
        done = self.program("check", film_file)
        assert (done.returncode, done.stderr) == (0, "")
        assert "keeps the standard" in done.stdout

    def test_a_scene_without_blender(self, tmp_path):
        done = self.program("render", "a.blend", "--out", tmp_path)
        assert (done.returncode, done.stdout) == (2, "")
        assert 'pip install "beamwright[blender]"' in done.stderr
        assert done.stderr.count("\n") == 1

    def test_version(self):
        done = self.program("--version")
        assert done.stdout.startswith("beamwright ")
        assert done.returncode == 0

    def test_a_scene_is_named(self, tmp_path):
        done = self.program("render", "--out", tmp_path)
        assert done.returncode == 2
        assert "SCENE.blend" in done.stderr


def test_host_errors_are_reported(capsys, tmp_path):
    class NoBlender:
        def open(self, path, scene_name, camera_name):
            raise HostError("This command needs Blender.")

    code, _, err = run(capsys, "render", "--out", tmp_path, host=NoBlender())
    assert (code, err) == (2, "beamwright: This command needs Blender.\n")
