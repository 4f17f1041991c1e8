# SPDX-License-Identifier: GPL-3.0-or-later
"""Shows: the sequencer as timeline, renders that survive anything, and what is refused."""

import json
import os
import signal
import subprocess
import sys
import time

import bpy
import pytest
from beamwright.addon.extract.sequencer import problems, read_timeline
from beamwright.addon.properties.scene import DEFAULT_PROJECTOR_NAME
from beamwright.addon.show import open_film
from beamwright.core.errors import SceneError
from beamwright.core.output import ilda
from blender_scenes import add_cube

PROGRAM = "import sys; from beamwright.addon.command import main; sys.exit(main())"


def start(*arguments, cache):
    return subprocess.Popen(
        [sys.executable, "-c", PROGRAM, *map(str, arguments)],
        stdout=subprocess.PIPE, stderr=subprocess.PIPE,
        env={**os.environ, "BEAMWRIGHT_CACHE": str(cache)},
    )  # fmt: skip


def program(*arguments, cache):
    running = start(*arguments, cache=cache)
    out, err = running.communicate(timeout=120)
    assert running.returncode == 0, err.decode()
    return out.decode()


def add_scene(name, frames=30):
    """A scene of its own with a turning cube."""
    scene = bpy.data.scenes.new(name)
    scene.render.resolution_x = scene.render.resolution_y = 1000
    scene.frame_start, scene.frame_end = 1, frames
    camera = bpy.data.objects.new(f"Camera {name}", bpy.data.cameras.new(name))
    camera.location, camera.rotation_euler = (0.0, -10.0, 0.0), (1.5707963, 0.0, 0.0)
    scene.collection.objects.link(camera)
    scene.camera = camera
    cube = add_cube(f"Cube {name}", collection=scene.collection)
    for frame, turn in ((1, 0.0), (frames, 2.0)):
        cube.rotation_euler = (turn / 3, turn, 0.3)
        cube.keyframe_insert("rotation_euler", frame=frame)
    return scene


def add_strip(show, scene, channel, first):
    return show.sequence_editor.strips.new_scene(scene.name, scene, channel, first)


def add_effect(show, kind, one, other):
    strips = show.sequence_editor.strips
    try:
        return strips.new_effect(kind.title(), kind, 5, 1, frame_end=9, input1=one, input2=other)
    except TypeError:
        return strips.new_effect(kind.title(), kind, 5, 1, length=8, input1=one, input2=other)


@pytest.fixture
def show(empty):
    """Two scenes with a cross-fade, for one projector; a second one draws nothing yet."""
    empty.name = "Show"
    empty.frame_start, empty.frame_end = 1, 50
    empty.beamwright.add_projector("Pictures")
    empty.beamwright.add_projector("Words")
    empty.beamwright_show.is_show = True
    empty.beamwright_show.assign(1, "Pictures")
    empty.beamwright_show.assign(2, "Pictures")
    empty.sequence_editor_create()
    one = add_strip(empty, add_scene("One"), 1, 1)
    other = add_strip(empty, add_scene("Two"), 2, 21)
    add_effect(empty, "CROSS", one, other)
    empty.timeline_markers.new("cue Lights Out", frame=21)
    empty.timeline_markers.new("note to self", frame=22)
    return empty


@pytest.fixture
def saved(show, tmp_path):
    path = tmp_path / "show.blend"
    bpy.ops.wm.save_as_mainfile(filepath=str(path))
    return path


def contents(folder):
    return {path.name: path.read_bytes() for path in folder.iterdir() if path.is_file()}


def test_timeline(show):
    timeline = read_timeline(show)
    assert [(s.name, s.scene, s.channel, s.first, s.end) for s in timeline.strips] == [
        ("One", "One", 1, 1, 31), ("Two", "Two", 2, 21, 51),
    ]  # fmt: skip
    (effect,) = timeline.effects
    assert (effect.kind, effect.first, effect.end, effect.inputs) == (
        "cross", 21, 31, ("One", "Two"),
    )  # fmt: skip
    assert [(cue.name, cue.frame) for cue in timeline.cues] == [("Lights Out", 21)]
    assert timeline.targets == {1: "Pictures", 2: "Pictures"}


def test_scenes_are_read_at_their_own_frame(show):
    """A scene that no window shows is read through its own evaluated graph."""
    film = open_film()
    places = [film.scene_at("Two", frame, None).surfaces[0].positions for frame in (1, 30, 1)]
    assert (places[0] == places[2]).all()
    assert abs(places[0] - places[1]).max() > 0.5


def test_any_number_of_processes_and_after_a_kill(saved, tmp_path):
    """Byte-identical files: one process, two, and killed in the middle then asked again."""
    one, two, three = (tmp_path / name for name in ("one", "two", "three"))
    out = program("render", saved, "--out", one, "--json", cache=tmp_path / "c1")
    assert [row["frames"] for row in json.loads(out)["projectors"]] == [50, 50]
    program("render", saved, "--out", two, "--jobs", "2", cache=tmp_path / "c2")
    assert contents(one) == contents(two)
    assert ilda.check(one / "Pictures.ild") == []
    assert json.loads((one / "report.json").read_text())["details"]["cues"] == [["Lights Out", 21]]

    cache = tmp_path / "c3"
    running = start("render", saved, "--out", three, "--jobs", "2", cache=cache)
    deadline = time.monotonic() + 60.0
    while len(list(cache.rglob("*.bwc"))) < 5 and time.monotonic() < deadline:
        time.sleep(0.01)
    running.send_signal(signal.SIGKILL if hasattr(signal, "SIGKILL") else signal.SIGTERM)
    running.communicate(timeout=60)
    assert running.returncode != 0
    assert not (three / "Pictures.ild").exists()
    finished = {path: path.stat().st_mtime_ns for path in cache.rglob("*.bwc")}
    assert finished
    program("render", saved, "--out", three, "--jobs", "2", cache=cache)
    assert contents(one) == contents(three)


def test_a_moved_strip_renders_nothing_and_an_edit_its_scene_only(saved, tmp_path):
    cache = tmp_path / "cache"
    program("render", saved, "--out", tmp_path / "out", cache=cache)
    known = set(cache.rglob("*.bwc"))
    show = bpy.data.scenes["Show"]
    strip = show.sequence_editor.strips["Two"]
    for effect in [item for item in show.sequence_editor.strips if item.type == "CROSS"]:
        show.sequence_editor.strips.remove(effect)
    strip.channel = 3
    bpy.ops.wm.save_mainfile()
    program("render", saved, "--out", tmp_path / "out", cache=cache)
    after = set(cache.rglob("*.bwc"))
    assert len(after - known) < 10, "blocks are planned anew, hardly any frame is rendered"
    bpy.data.objects["Cube One"].data.vertices[0].co.x = -1.5
    bpy.ops.wm.save_mainfile()
    program("render", saved, "--out", tmp_path / "out", cache=cache)
    # Twenty frames of scene One are on show, and their block; nothing of scene Two.
    assert len(set(cache.rglob("*.bwc")) - after) == 21


def test_an_effect_renders_its_scene_again_and_nothing_else(saved, tmp_path):
    """Exactly when something of an effect changes: its share, or its mask elsewhere."""
    cache = tmp_path / "cache"
    cube = bpy.data.objects["Cube Two"]
    mask = add_cube("Mask", collection=bpy.data.scenes["Two"].collection)
    cube.beamwright.effects.mask.object = mask
    cube.beamwright.effects.reveal.use = True
    known = None
    changes = (
        (lambda: None, None),
        (lambda: setattr(cube.beamwright.effects.reveal, "end", 0.4), 31),
        (lambda: setattr(mask.location, "x", 0.3), 31),
        (lambda: bpy.data.scenes["Two"].frame_set(7), 0),
    )
    for change, made in changes:
        change()
        bpy.ops.wm.save_mainfile()
        program("render", saved, "--out", tmp_path / "out", cache=cache)
        now = set(cache.rglob("*.bwc"))
        if made is not None:
            # Thirty frames of scene Two are on show, and blocks; nothing of scene One.
            assert made <= len(now - known) <= made + 3 * (made > 0)
        known = now


def test_damaged_entries_are_rendered_again(saved, tmp_path):
    cache = tmp_path / "cache"
    program("render", saved, "--out", tmp_path / "a", cache=cache)
    for path in cache.rglob("*.bwc"):
        content = bytearray(path.read_bytes())
        content[-1] ^= 1
        path.write_bytes(content)
    program("render", saved, "--out", tmp_path / "b", cache=cache)
    assert contents(tmp_path / "a") == contents(tmp_path / "b")


def scene_gone(show):
    bpy.data.scenes.remove(bpy.data.scenes["Two"])


def unknown_projector(show):
    show.beamwright_show.assign(1, "Nobody")


def turned(show):
    show.sequence_editor.strips["One"].transform.rotation = 0.5


def missing_sound(show):
    path = os.path.join(bpy.app.tempdir, "gone.wav")
    import wave

    with wave.open(path, "wb") as stream:
        stream.setparams((1, 2, 8000, 0, "NONE", ""))
        stream.writeframes(b"\0\0" * 8000)
    show.sequence_editor.strips.new_sound("Music", path, 8, 1)
    os.unlink(path)


def no_camera(show):
    bpy.data.objects.remove(bpy.data.objects["Camera Two"])


def meta(show):
    strips = show.sequence_editor.strips
    inner = strips.new_meta("Chapter", 6, 1).strips
    inner.new_scene("Inside", bpy.data.scenes["One"], 1, 1)


def speed(show):
    strips = show.sequence_editor.strips
    one = strips["One"]
    try:
        strips.new_effect("Faster", "SPEED", 6, 1, frame_end=9, input1=one)
    except TypeError:
        strips.new_effect("Faster", "SPEED", 6, 1, length=8, input1=one)


def glow(show):
    strips = show.sequence_editor.strips
    one = strips["One"]
    try:
        strips.new_effect("Halo", "GLOW", 6, 1, frame_end=9, input1=one)
    except TypeError:
        strips.new_effect("Halo", "GLOW", 6, 1, length=8, input1=one)


def retimed(show):
    if bpy.app.version < (5, 0, 0):
        pytest.skip("Blender 4.5 crashes where a retiming key is added without a window")
    show.sequence_editor.strips["One"].retiming_keys.add(timeline_frame=10)


def cropped(show):
    show.sequence_editor.strips["One"].crop.min_x = 20


def modified(show):
    show.sequence_editor.strips["One"].modifiers.new("Curves", "CURVES")


def of_a_sequencer(show):
    bpy.data.scenes["One"].sequence_editor_create()
    show.sequence_editor.strips["One"].scene_input = "SEQUENCER"


def emptied(show):
    for item in list(bpy.data.scenes["Two"].objects):
        if item.type != "CAMERA":
            bpy.data.objects.remove(item)


def nothing(show):
    strips = show.sequence_editor.strips
    for name in ("Cross", "One", "Two"):
        strips.remove(strips[name])


@pytest.mark.parametrize(
    ("spoil", "words"),
    [
        (meta, ("“Chapter”", "UnMeta Strip")),
        (speed, ("“Faster”", "Remove speed strip")),
        (glow, ("“Halo”", "can't be drawn", "mute it")),
        (retimed, ("“One”", "Remove retiming")),
        (cropped, ("“One”", "reset its crop")),
        (modified, ("“One”", "Remove the modifiers")),
        (of_a_sequencer, ("“One”", "set its input to Camera")),
        (emptied, ("“Two”", "empty")),
        (nothing, ("“Show”", "Add Scene to Show")),
        (scene_gone, ("“Two”", "deleted", "remove it")),
        (unknown_projector, ("“Nobody”", "“Pictures”", "Show panel")),
        (turned, ("“One”", "reset its transform")),
        (missing_sound, ("gone.wav", "“Music”", "missing")),
        (no_camera, ("“Two”", "no camera")),
    ],
)
def test_refused_by_name_with_what_to_do(show, spoil, words):
    spoil(show)
    with pytest.raises(SceneError) as caught:
        open_film()
    for word in words:
        assert word in str(caught.value)


def test_muted_strips_are_no_trouble(show):
    turned(show)
    show.sequence_editor.strips["One"].mute = True
    assert not [finding for finding in problems(show) if finding.refused]
    assert [strip.name for strip in read_timeline(show).strips] == ["Two"]


class TestSettingUp:
    def test_new_show(self, scene):
        """Projectors with all their values, and channels for each."""
        scene.beamwright.add_projector("Pictures").profile.point_rate_hz = 40000
        scene.beamwright.projectors[0].aim.scale_x = 0.7
        scene.beamwright.add_projector("Words")
        bpy.ops.beamwright.show_new(name="Evening")
        show = bpy.data.scenes["Evening"]
        assert show.beamwright.projectors_to_core() == scene.beamwright.projectors_to_core()
        assert show.beamwright_show.targets() == {
            1: "Pictures", 2: "Pictures", 3: "Words", 4: "Words",
        }  # fmt: skip

    def test_add_scene_goes_behind_the_last(self, show):
        add_scene("Three", frames=10)
        assert bpy.ops.beamwright.show_add_scene(scene="Three", channel=1) == {"FINISHED"}
        added = read_timeline(show).strips[-1]
        assert (added.name, added.channel, added.first, added.end) == ("Three", 1, 31, 41)

    def test_from_a_fresh_file(self, empty):
        """Nothing but Blender's own start: a camera and a cube."""
        bpy.ops.wm.read_homefile(use_empty=False)
        bpy.ops.beamwright.show_new()
        show = bpy.context.scene
        assert [item.name for item in show.beamwright.projectors] == [DEFAULT_PROJECTOR_NAME]
        assert bpy.ops.beamwright.show_add_scene(scene="Scene") == {"FINISHED"}
        assert bpy.ops.beamwright.show_add_scene(scene="Scene") == {"FINISHED"}
        film = open_film()
        assert film.name == show.name
        assert (film.frame_start, film.frame_end) == (1, 500)
        assert [strip.first for strip in film.timeline.strips] == [1, 251]

    def test_assign_channel(self, show):
        bpy.ops.beamwright.show_channel_assign(channel=2, target="Words")
        assert show.beamwright_show.targets() == {1: "Pictures", 2: "Words"}
        bpy.ops.beamwright.show_channel_assign(channel=2, target="BY_OBJECT")
        assert show.beamwright_show.targets() == {1: "Pictures"}


class TestRendering:
    """The operator starts the same command as a terminal."""

    def test_changes_that_are_not_saved_are_rendered(self, saved, tmp_path, monkeypatch):
        monkeypatch.setenv("BEAMWRIGHT_CACHE", str(tmp_path / "cache"))
        show = bpy.data.scenes["Show"]
        show.beamwright_show.jobs = 1
        show.beamwright.output_folder = str(tmp_path / "out")
        show.frame_end = 12
        assert bpy.ops.beamwright.show_render() == {"FINISHED"}
        names = {path.name for path in (tmp_path / "out").iterdir()}
        assert names == {"Pictures.ild", "Words.ild", "report.json", "report.csv", "report.html"}
        assert len(ilda.read(tmp_path / "out" / "Pictures.ild")) == 12
        assert json.loads((tmp_path / "out" / "report.json").read_text())["details"]["file"] == (
            "show.blend"
        )
        # What was saved before stays as it was.
        program("render", saved, "--out", tmp_path / "saved", cache=tmp_path / "cache")
        assert len(ilda.read(tmp_path / "saved" / "Pictures.ild")) == 50

    def test_what_the_command_refuses_is_said_in_the_window(self, saved, tmp_path):
        show = bpy.data.scenes["Show"]
        show.beamwright_show.jobs = 1
        (tmp_path / "out").write_text("in the way")
        show.beamwright.output_folder = str(tmp_path / "out")
        with pytest.raises(RuntimeError, match="out"):
            bpy.ops.beamwright.show_render()

    def test_a_show_that_is_refused_can_not_be_started(self, show):
        meta(show)
        with pytest.raises(RuntimeError, match="poll"):
            bpy.ops.beamwright.show_render()

    def test_parts_and_then_the_whole(self, saved, tmp_path):
        """What a farm does: every part by itself, then the files."""
        cache = tmp_path / "cache"
        for part in ("1/2", "2/2"):
            told = program("render", saved, "--out", tmp_path / "no", "--part", part, cache=cache)
            assert "in the cache" in told
        assert not (tmp_path / "no").exists()
        program("render", saved, "--out", tmp_path / "parts", cache=cache)
        program("render", saved, "--out", tmp_path / "whole", cache=tmp_path / "other")
        assert contents(tmp_path / "parts") == contents(tmp_path / "whole")
