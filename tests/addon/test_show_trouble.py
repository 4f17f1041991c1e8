# SPDX-License-Identifier: GPL-3.0-or-later
"""Shows when things go wrong, and parts of shows: through the command line, in this process."""

import errno
import json
import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import bpy
import pytest
from beamwright.addon import session
from beamwright.addon.command import BlenderHost
from beamwright.addon.show import BlenderFilm, open_film
from beamwright.core import cli, sequence
from beamwright.core.lines import features, intersections
from beamwright.core.output import ilda
from beamwright.core.safety.scanned import worst_spot
from beamwright.core.show import cache as cache_module
from beamwright.core.show import cluster, work
from beamwright.core.show.cache import CACHE_VERSION, Cache
from beamwright.core.show.work import SeeFrames, do
from blender_scenes import add_cube

SAMPLES = Path(__file__).resolve().parents[2] / "sample_scenes"
PROGRAM = "import sys; from beamwright.addon.command import main; sys.exit(main())"
LENGTH = 30


def add_scene(name):
    scene = bpy.data.scenes.new(name)
    scene.render.resolution_x = scene.render.resolution_y = 1000
    scene.frame_start, scene.frame_end = 1, LENGTH
    camera = bpy.data.objects.new(f"Camera {name}", bpy.data.cameras.new(name))
    camera.location, camera.rotation_euler = (0.0, -10.0, 0.0), (1.5707963, 0.0, 0.0)
    scene.collection.objects.link(camera)
    scene.camera = camera
    cube = add_cube(f"Cube {name}", collection=scene.collection)
    for frame, turn in ((1, 0.0), (LENGTH, 2.0)):
        cube.rotation_euler = (turn / 3, turn, 0.3)
        cube.keyframe_insert("rotation_euler", frame=frame)
    return scene


@pytest.fixture
def saved(empty, tmp_path):
    """Two scenes one after the other, ten frames over one another, for one projector."""
    empty.name = "Show"
    empty.frame_start, empty.frame_end = 1, 50
    empty.beamwright.add_projector("Pictures")
    empty.beamwright_show.is_show = True
    empty.sequence_editor_create()
    for channel, (name, first) in enumerate((("One", 1), ("Two", 21)), 1):
        empty.beamwright_show.assign(channel, "Pictures")
        empty.sequence_editor.strips.new_scene(name, add_scene(name), channel, first)
    path = tmp_path / "show.blend"
    bpy.ops.wm.save_as_mainfile(filepath=str(path))
    return path


@pytest.fixture
def render(saved, tmp_path, capfd):
    """Render the show through the command line; gives exit code and what was said."""

    def run(out, cache, *more, file=saved):
        folders = ("--out", tmp_path / out, "--cache", tmp_path / cache, "--jobs", 1)
        with BlenderHost(inside=True) as host:
            code = cli.main(["render", *map(str, (file, *folders, *more))], host, "beamwright")
        said = capfd.readouterr()
        return code, said.out, said.err

    return run


def contents(folder):
    return {
        str(path.relative_to(folder)): path.read_bytes()
        for path in folder.rglob("*")
        if path.is_file()
    }


def entries(folder):
    """Inode of each entry: what is written again gets another one."""
    return {path.name: path.stat().st_ino for path in folder.rglob("*.bwc")}


def test_per_strip(render, tmp_path):
    """Strips have files of their own, with the show's samples where they were alone in it."""
    code, out, _ = render("out", "cache", "--per-strip", "--json")
    assert code == 0
    whole = ilda.read(tmp_path / "out" / "Pictures.ild")
    assert len(whole) == 50
    listed = json.loads(out)["files"]
    for name, at in (("One", slice(0, 20)), ("Two", None)):
        file = tmp_path / "out" / "strips" / name / "Pictures.ild"
        assert str(file) in listed
        assert ilda.check(file) == []
        own = ilda.read(file)
        assert len(own) == LENGTH
        if at is not None:
            for mine, theirs in zip(own[at], whole[at], strict=True):
                assert (mine.xyz == theirs.xyz).all()
                assert (mine.rgb == theirs.rgb).all()
    report = json.loads((tmp_path / "out" / "strips" / "Two" / "report.json").read_text())
    assert (report["scene"], report["frame_first"], report["frame_last"]) == ("Two", 21, 50)


def test_strips_of_one_folder_name_are_refused(render, saved, tmp_path):
    bpy.data.scenes["Show"].sequence_editor.strips["Two"].name = "one"
    bpy.ops.wm.save_mainfile()
    code, _, err = render("out", "cache", "--per-strip")
    assert code == 2
    assert "“one”" in err
    assert "“One”" in err


def test_parts(render, tmp_path):
    """Parts that know nothing of one another make all strokes, each once, and no files."""
    found = []
    for number in (1, 2, 3):
        code, out, _ = render("out", f"part{number}", "--part", f"{number}/3")
        assert code == 0
        assert "Render without --part" in out
        found.append(set(entries(tmp_path / f"part{number}")))
    assert not (tmp_path / "out").exists()
    assert all(found[:2]), "there is work for two at least"
    assert sum(map(len, found)) == len(set().union(*found))
    for number in (1, 2, 3):
        assert render("out", "shared", "--part", f"{number}/3")[0] == 0
    before = entries(tmp_path / "shared")
    assert set(before) == set().union(*found)
    assert render("out", "shared")[0] == 0
    after = entries(tmp_path / "shared")
    assert {name: after[name] for name in before} == before, "no frame was drawn again"
    assert render("whole", "other")[0] == 0
    assert contents(tmp_path / "out") == contents(tmp_path / "whole")


def test_a_full_disk_loses_nothing(render, tmp_path, monkeypatch):
    """What was finished stays; once there is room the same command goes on from there."""
    assert render("whole", "other")[0] == 0
    write, written = Cache._write, []

    def full(self, path, content):
        if len(written) == 30:
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
        written.append(path)
        write(self, path, content)

    monkeypatch.setattr(Cache, "_write", full)
    code, _, err = render("out", "cache")
    assert code == 2
    assert os.strerror(errno.ENOSPC) in err
    assert "give the same command again" in err
    assert not (tmp_path / "out" / "Pictures.ild").exists()
    monkeypatch.undo()
    before = entries(tmp_path / "cache")
    assert len(before) == 29  # and the note of the version
    assert render("out", "cache")[0] == 0
    after = entries(tmp_path / "cache")
    assert {name: after[name] for name in before} == before
    assert contents(tmp_path / "out") == contents(tmp_path / "whole")


def test_ctrl_c_and_the_same_command_again(saved, tmp_path):
    """Processes end at once; nothing that was finished is done again."""
    if os.name == "nt":
        pytest.skip("a console signal would reach the tests as well")
    cache = tmp_path / "cache"
    command = [
        sys.executable, "-c", PROGRAM, "render", str(saved), "--out", str(tmp_path / "out"),
        "--cache", str(cache), "--jobs", "2",
    ]  # fmt: skip
    running = subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE)
    deadline = time.monotonic() + 60.0
    while len(entries(cache) if cache.exists() else ()) < 5 and time.monotonic() < deadline:
        time.sleep(0.01)
    running.send_signal(signal.SIGINT)
    _, err = running.communicate(timeout=60)
    assert running.returncode == 130, err.decode()
    assert "the same command goes on from there" in err.decode()
    assert not (tmp_path / "out" / "Pictures.ild").exists()
    before = entries(cache)
    assert before
    done = subprocess.run(command, capture_output=True, timeout=120, check=False)
    assert done.returncode == 0, done.stderr.decode()
    after = entries(cache)
    assert {name: after[name] for name in before} == before
    assert len(after) > len(before)


def test_damaged_strokes_under_missing_blocks(render, tmp_path):
    """All kinds of damage at once: bits, an empty file, a file cut short, one that is gone."""
    assert render("a", "cache")[0] == 0
    paths = sorted((tmp_path / "cache").rglob("*.bwc"), key=lambda path: path.stat().st_size)
    *strokes, last = paths
    last.unlink()  # the largest is a block
    spoilt = [strokes[place] for place in (0, 7, 14, 21)]
    content = bytearray(spoilt[0].read_bytes())
    content[len(content) // 2] ^= 16
    spoilt[0].write_bytes(content)
    spoilt[1].write_bytes(b"")
    spoilt[2].write_bytes(spoilt[2].read_bytes()[:-1])
    spoilt[3].unlink()
    assert render("b", "cache")[0] == 0
    assert contents(tmp_path / "a") == contents(tmp_path / "b")


def test_a_newer_cache_is_left_alone(render, tmp_path):
    folder = tmp_path / "cache"
    folder.mkdir()
    (folder / "version.json").write_text(json.dumps({"version": CACHE_VERSION + 1}))
    code, _, err = render("out", "cache")
    assert code == 2
    assert "newer Beamwright" in err
    assert "--cache" in err
    assert [path.name for path in folder.iterdir()] == ["version.json"]
    assert not (tmp_path / "out").exists()


def test_entries_of_another_version_are_made_anew(render, tmp_path):
    """As after an update: they read as missing, and are replaced."""
    assert render("a", "cache")[0] == 0
    for path in (tmp_path / "cache").rglob("*.bwc"):
        content = bytearray(path.read_bytes())
        content[len(cache_module.MAGIC)] = CACHE_VERSION - 1
        path.write_bytes(content)
    assert render("b", "cache")[0] == 0
    assert contents(tmp_path / "a") == contents(tmp_path / "b")


def test_dead_scheduler(render, tmp_path, monkeypatch):
    pytest.importorskip("distributed", reason="the extra [cluster] is not installed")
    monkeypatch.setattr(cluster, "TIMEOUT_S", 0.5)
    assert render("out", "cache")[0] == 0
    before = contents(tmp_path / "out"), entries(tmp_path / "cache")
    code, _, err = render("out", "cache", "--scheduler", "tcp://127.0.0.1:9")
    assert code == 2
    assert "tcp://127.0.0.1:9" in err
    assert "dask scheduler" in err
    assert (contents(tmp_path / "out"), entries(tmp_path / "cache")) == before


def drop_scene():
    bpy.data.scenes.remove(bpy.data.scenes["Two"])


def add_lost_sound():
    path = os.path.join(bpy.app.tempdir, "lost.wav")
    bpy.data.scenes["Show"].sequence_editor.strips.new_sound("Music", path, 8, 1)


@pytest.mark.parametrize(
    ("spoil", "words"),
    [(drop_scene, ("“Two”", "deleted")), (add_lost_sound, ("“Music”", "lost.wav"))],
)
def test_what_is_missing_is_named_and_old_files_stay(render, saved, tmp_path, spoil, words):
    assert render("out", "cache")[0] == 0
    before = contents(tmp_path / "out")
    bpy.ops.wm.open_mainfile(filepath=str(saved))
    spoil()
    bpy.ops.wm.save_mainfile()
    code, _, err = render("out", "cache")
    assert code == 2
    for word in words:
        assert word in err
    assert contents(tmp_path / "out") == before


def drawn(film, scene, frames, folder):
    """Bytes of the strokes of frames, drawn in this order."""
    found = {}
    cache = Cache(folder)
    for frame in frames:
        key = f"{frame:040x}"
        assert list(do(SeeFrames(scene, None, (frame,), (key,)), film, cache)) == [1]
        found[frame] = cache.read_bytes(key)
    return found


def forget():
    session.forget()
    features.forget()
    intersections.forget()


@pytest.mark.parametrize(
    ("sample", "frames"),
    [("lighthouse", (1, 2, 3, 30, 31, 60)), ("harbour", (1, 2, 40, 90)), ("gull_sequence", (1, 9))],
)
def test_no_frame_depends_on_those_before(addon, tmp_path, sample, frames):
    """In order, backwards, after others, and each by itself from nothing: the same bytes."""
    del addon
    film = open_film(SAMPLES / f"{sample}.blend")
    name = film.name
    forget()
    forwards = drawn(film, name, frames, tmp_path / "a")
    backwards = drawn(film, name, frames[::-1], tmp_path / "b")
    assert backwards == forwards
    for frame in frames:
        forget()
        alone = drawn(open_film(SAMPLES / f"{sample}.blend"), name, (frame,), tmp_path / "c")
        assert alone[frame] == forwards[frame], frame
    assert len(set(forwards.values())) == len(frames), "every frame is another picture"


def test_bodies_that_move_together_leave_no_trace(empty, tmp_path):
    """Two crossing bodies turned as one, where what was found before may be carried along."""
    del empty
    scene = add_scene("Pair")
    first = bpy.data.objects["Cube Pair"]
    other = add_cube("Other", collection=scene.collection)
    other.parent, other.location, other.rotation_euler = first, (0.6, 0.4, 0.3), (0.5, 0.2, 0.1)
    scene.beamwright.add_projector("Pictures")
    path = tmp_path / "pair.blend"
    bpy.ops.wm.save_as_mainfile(filepath=str(path))
    film = open_film(path, "Pair")
    frames = range(1, 9)
    forget()
    forwards = drawn(film, "Pair", frames, tmp_path / "a")
    forget()
    assert drawn(film, "Pair", frames[::-1], tmp_path / "b") == forwards
    for frame in frames:
        forget()
        assert drawn(film, "Pair", (frame,), tmp_path / "c")[frame] == forwards[frame]


def test_the_worst_spot_is_kept_with_the_frames(saved, render, tmp_path, monkeypatch):
    """A second render follows no beam again; another laser plans anew and evaluates nothing."""
    light = bpy.context.scene.beamwright.projectors[0].light
    light.wavelength_nm, light.power_w = (638.0, 520.0, 450.0), (0.1, 0.2, -1.0)
    light.divergence_mrad, light.diameter_mm, light.distance_m = 1.2, 4.0, 12.5
    light.width = "INVERSE_E2"
    bpy.ops.wm.save_mainfile()
    assert render("out", "cache")[0] == 0
    told = json.loads((tmp_path / "out" / "report.json").read_text())["projectors"][0]
    worst = told["safety"]["worst"]
    profile = bpy.context.scene.beamwright.projectors[0].to_core().profile
    laser = bpy.context.scene.beamwright.lasers_to_core()["Pictures"]
    spots = [
        worst_spot(frame.samples(profile.point_rate_hz), laser.source, profile, laser.distance_m)
        for frame in ilda.read(tmp_path / "out" / "Pictures.ild")
    ]
    # The file keeps the light's colours and places in fewer digits than the planner has.
    assert worst["ratio"] == pytest.approx(max(spot.ratio for spot in spots), rel=0.02)

    def followed(*_, **__):
        raise AssertionError("the beam was followed again")

    for module in (sequence, work):
        monkeypatch.setattr(module, "worst_spot", followed)
    before = contents(tmp_path / "out")
    assert render("out", "cache")[0] == 0
    assert contents(tmp_path / "out") == before
    monkeypatch.undo()
    # Rendering has opened the file anew.
    bpy.context.scene.beamwright.projectors[0].light.power_w = (0.2, 0.4, -1.0)
    bpy.ops.wm.save_mainfile()
    monkeypatch.setattr(BlenderFilm, "scene_at", followed)
    assert render("out", "cache")[0] == 0
    brighter = json.loads((tmp_path / "out" / "report.json").read_text())["projectors"][0]
    assert brighter["safety"]["worst"]["ratio"] == pytest.approx(2.0 * worst["ratio"], rel=1e-9)
