# SPDX-License-Identifier: GPL-3.0-or-later
"""The program and Blender's own --command, on real files."""

import json
import os
import subprocess
import sys
import time

import bpy
import pytest
from beamwright.addon.command import blender_command
from beamwright.core.output import ilda, stroke_json
from blender_scenes import add_cube

PROGRAM = "import sys; from beamwright.addon.command import main; sys.exit(main())"


def program(*arguments):
    """Run the installed program in a Python of its own."""
    return subprocess.run(
        [sys.executable, "-c", PROGRAM, *map(str, arguments)],
        capture_output=True,
        text=True,
        check=False,
        timeout=120,
    )


@pytest.fixture
def film(scene, tmp_path):
    """A saved file: a cube, drawn by two projectors' show."""
    add_cube()
    scene.beamwright.add_projector("Pictures")
    scene.beamwright.add_projector("Words")
    path = tmp_path / "film.blend"
    bpy.ops.wm.save_as_mainfile(filepath=str(path))
    return path


def test_render_answers_in_nothing_but_json(film, tmp_path):
    """Blender's own messages go to standard error; the files are sound; the program ends."""
    out = tmp_path / "out"
    done = program("render", film, "--out", out, "--json", "--frames", "1-2")
    assert done.returncode == 0, done.stderr
    answer = json.loads(done.stdout)
    assert [row["name"] for row in answer["projectors"]] == ["Pictures", "Words"]
    assert "Cube" in answer["projectors"][0]["share_by_object"]
    for name in ("Pictures", "Words"):
        assert ilda.check(out / f"{name}.ild") == []
        assert len(ilda.read(out / f"{name}.ild")) == 2


@pytest.mark.skipif(os.name == "nt", reason="Windows has no SIGTERM to catch")
def test_a_terminated_render_leaves_nothing(film, tmp_path):
    """What a render farm does to a job that takes too long."""
    out = tmp_path / "out"
    arguments = ["render", str(film), "--out", str(out), "--frames", "1-60000"]
    running = subprocess.Popen(
        [sys.executable, "-c", PROGRAM, *arguments], stdout=subprocess.PIPE, stderr=subprocess.PIPE
    )
    deadline = time.monotonic() + 60.0
    while not out.exists() and running.poll() is None and time.monotonic() < deadline:
        time.sleep(0.05)
    assert out.exists()
    running.terminate()
    said, complained = running.communicate(timeout=60)
    assert (running.returncode, said) == (130, b"")
    assert b"cancelled" in complained
    assert not out.exists()


def test_lines(film, tmp_path):
    """Seen straight on, a cube is its front face: the four edges of a square."""
    path = tmp_path / "lines.json"
    done = program("lines", film, "--frame", "1", "--out", path)
    assert done.returncode == 0, done.stderr
    assert done.stdout.startswith(f"{path}: ")
    strokes, page = stroke_json.read(path)
    assert (page.half_width, page.half_height) == (1.0, 1.0)
    camera = bpy.data.cameras["Camera"]
    side = 2.0 * 2.0 / 9.0 * camera.lens / camera.sensor_width
    assert strokes.lengths.sum() == pytest.approx(4.0 * side, rel=1e-5)


@pytest.mark.parametrize(
    ("name", "content", "sentence"),
    [
        ("missing.blend", None, "missing.blend"),
        ("noise.blend", b"no Blender file", "noise.blend"),
        ("folder.blend", "folder", "folder"),
    ],
)
def test_files_that_cannot_be_opened(tmp_path, name, content, sentence):
    """One sentence, exit code 2, and nothing written."""
    path = tmp_path / name
    if content == "folder":
        path.mkdir()
    elif content is not None:
        path.write_bytes(content)
    done = program("render", path, "--out", tmp_path / "out")
    assert (done.returncode, done.stdout) == (2, "")
    last = done.stderr.splitlines()[-1]
    assert last.startswith("beamwright: ")
    assert sentence in last
    assert "Traceback" not in done.stderr
    assert not (tmp_path / "out").exists()


def in_blender(capfd, *arguments):
    """Run as ``blender FILE.blend --command beamwright`` does, on the open file."""
    code = blender_command([str(argument) for argument in arguments])
    output = capfd.readouterr()
    return code, output.out, output.err


def test_the_open_file_is_rendered(film, capfd, tmp_path):
    """Without a file name the open file is taken, and left as it was."""
    scene = bpy.context.scene
    scene.frame_set(3)
    code, out, _ = in_blender(capfd, "render", "--out", tmp_path / "out", "--json")
    assert code == 0
    assert json.loads(out)["projectors"][0]["frames"] == 4
    assert scene.frame_current == 3
    assert len(ilda.read(tmp_path / "out" / "Pictures.ild")) == 4


def test_runs_twice_in_one_blender(film, capfd, tmp_path):
    """Standard output is given back after a command."""
    for _ in range(2):
        assert in_blender(capfd, "lines", "--frame", "1", "--out", tmp_path / "a.svg")[0] == 0
    print("still here")
    assert capfd.readouterr().out == "still here\n"


@pytest.mark.parametrize(
    ("spoil", "sentence"),
    [
        (lambda scene: bpy.data.objects.remove(bpy.data.objects["Camera"]), "camera"),
        (lambda scene: bpy.data.objects.remove(bpy.data.objects["Cube"]), "empty"),
    ],
)
def test_scenes_that_cannot_be_drawn(film, capfd, tmp_path, spoil, sentence):
    """No camera and an empty scene end as one sentence."""
    spoil(bpy.context.scene)
    code, out, err = in_blender(capfd, "render", "--out", tmp_path / "out")
    assert (code, out) == (2, "")
    assert sentence in err.splitlines()[-1]
    assert not (tmp_path / "out").exists()


def test_vertices_that_are_no_numbers(film, capfd, tmp_path):
    """The object is named, and nothing is written."""
    bpy.data.objects["Cube"].data.vertices[0].co.x = float("nan")
    code, out, err = in_blender(capfd, "render", "--out", tmp_path / "out")
    assert (code, out) == (2, "")
    assert "Cube" in err.splitlines()[-1]
    assert not (tmp_path / "out").exists()


@pytest.mark.parametrize(
    ("arguments", "sentence"),
    [(("--camera", "Nobody"), "Nobody"), (("--scene", "Nowhere"), "Nowhere")],
)
def test_names_that_do_not_exist(film, capfd, tmp_path, arguments, sentence):
    """The name and what there is instead."""
    code, _, err = in_blender(capfd, "render", "--out", tmp_path / "out", *arguments)
    assert code == 2
    assert sentence in err.splitlines()[-1]
