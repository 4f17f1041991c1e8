# SPDX-License-Identifier: GPL-3.0-or-later
"""Operators without a window: what they do, refuse, and leave alone."""

import json

import bpy
import pytest
from beamwright.addon import ROOT_PACKAGE, compat, preferences, properties, results, timeline
from beamwright.addon.operators.export import output_folder
from beamwright.addon.panels import object_lines, sidebar
from beamwright.addon.preview import overlay
from beamwright.core import kernels
from beamwright.core.errors import OutputError
from blender_scenes import add_cube

OPERATORS = bpy.ops.beamwright


def fails(operator, **keywords):
    """Run an operator that must report an error; return the message."""
    with pytest.raises(RuntimeError) as caught:
        operator(**keywords)
    return str(caught.value).strip().removeprefix("Error: ")


def test_analyze_frame(scene):
    """Figures of the current frame, for each projector; the scene is left as it was."""
    add_cube()
    scene.beamwright.add_projector("Pictures")
    scene.frame_set(3)
    assert OPERATORS.analyze_frame() == {"FINISHED"}
    result = results.latest("Scene")
    assert result.frame == scene.frame_current == 3
    figures = result.figures["Pictures"]
    assert figures.points > 4
    assert figures.cost["Cube"] > 0
    assert results.judge(figures).headline.startswith(f"{figures.points:,} of 1,000 points")


def test_analyze_range(scene):
    """The curves hold what single frames give; running again changes nothing."""
    item = add_cube()
    for frame, scale in ((1, 1.0), (4, 0.0)):
        item.scale = (scale, scale, scale)
        item.keyframe_insert("scale", frame=frame)
    assert OPERATORS.analyze_range() == {"FINISHED"}
    (curve,) = [
        curve
        for bag in compat.curve_bags(scene)
        for curve in bag.fcurves
        if "Points" in curve.data_path
    ]
    assert [point.co.x for point in curve.keyframe_points] == [1.0, 2.0, 3.0, 4.0]
    first = [point.co.y for point in curve.keyframe_points]
    scene.frame_set(1)
    OPERATORS.analyze_frame()
    assert results.latest("Scene").figures["Projector"].points == first[0]
    OPERATORS.analyze_range()
    (curve,) = [
        curve
        for bag in compat.curve_bags(scene)
        for curve in bag.fcurves
        if "Points" in curve.data_path
    ]
    assert [point.co.y for point in curve.keyframe_points] == first
    assert OPERATORS.clear_report() == {"FINISHED"}
    assert not timeline.has_report(scene)


def test_over_budget_is_marked(scene):
    """A locked object that does not fit is over budget on every frame: one range."""
    add_cube().beamwright.locked = True
    projector = scene.beamwright.add_projector("Slow")
    projector.target_refresh_hz = 500.0
    projector.profile.point_rate_hz = 1000
    assert OPERATORS.analyze_range() == {"FINISHED"}
    assert sorted((m.frame, m.name) for m in scene.timeline_markers) == [
        (1, "Over budget: Slow"),
        (4, "Over budget ends: Slow"),
    ]


def test_export(scene, tmp_path):
    """One file a projector and the report; the frame and the visibility come back."""
    item = add_cube()
    item.hide_viewport = True
    for name in ("Pictures", "Lettering"):
        scene.beamwright.add_projector(name)
    scene.frame_set(2)
    folder = tmp_path / "laser"
    assert OPERATORS.export_sequence(folder=str(folder)) == {"FINISHED"}
    assert sorted(path.name for path in folder.iterdir()) == [
        "Lettering.ild",
        "Pictures.ild",
        "report.csv",
        "report.html",
        "report.json",
    ]
    report = json.loads((folder / "report.json").read_text(encoding="utf-8"))
    assert report["scene"] == "Scene"
    assert scene.frame_current == 2
    assert item.hide_viewport


def test_export_of_one_projector_with_strokes(scene, tmp_path):
    add_cube()
    for name in ("Pictures", "Lettering"):
        scene.beamwright.add_projector(name)
    scene.beamwright.strokes = "SVG"
    scene.beamwright.output_folder = str(tmp_path)
    OPERATORS.export_sequence(projector="Pictures")
    assert (tmp_path / "Pictures.ild").exists()
    assert not (tmp_path / "Lettering.ild").exists()
    assert len(list((tmp_path / "strokes" / "Pictures").glob("*.svg"))) == 4


def unknown_projector(scene, _folder):
    scene.beamwright.add_projector("A")
    return {"projector": "Nobody"}


def unwritable_folder(_scene, folder):
    (folder / "file").write_text("", encoding="utf-8")
    return {"folder": str(folder / "file" / "below")}


def nothing_to_draw(_scene, _folder):
    bpy.data.objects.remove(bpy.data.objects["Cube"])
    return {}


def broken_late(scene, _folder):
    """A camera that stops being usable at frame 3."""
    lens = scene.camera
    for frame, scale in ((1, 1.0), (2, 1.0), (3, 0.0)):
        lens.scale = (scale, scale, scale)
        lens.keyframe_insert("scale", frame=frame)
    return {}


@pytest.mark.parametrize(
    ("spoil", "words"),
    [
        (unknown_projector, "Nobody"),
        (unwritable_folder, "below"),
        (nothing_to_draw, "empty"),
        (broken_late, "Frame 3"),
    ],
)
def test_export_refuses(scene, tmp_path, spoil, words):
    """One clear sentence, and nothing under a final name; an earlier export stays."""
    add_cube()
    old = tmp_path / "report.json"
    old.write_text("old", encoding="utf-8")
    keywords = {"folder": str(tmp_path), **spoil(scene, tmp_path)}
    before = sorted(tmp_path.rglob("*"))
    message = fails(OPERATORS.export_sequence, **keywords)
    assert words in message
    assert "Traceback" not in message
    assert sorted(tmp_path.rglob("*")) == before
    assert old.read_text(encoding="utf-8") == "old"
    assert scene.frame_current == 1


def test_analyze_refuses_and_changes_nothing(scene):
    """Without anything to draw there is a report, no curve and no marker."""
    assert "is empty" in fails(OPERATORS.analyze_range)
    assert "is empty" in fails(OPERATORS.analyze_frame)
    assert not timeline.has_report(scene)
    assert results.latest("Scene") is None


@pytest.mark.parametrize("name", ["analyze_frame", "analyze_range", "export_sequence"])
def test_no_camera_switches_off(empty, name):
    add_cube()
    operator = getattr(OPERATORS, name)
    assert not operator.poll()
    assert "camera" in fails(operator)


def test_projector_list(scene):
    """Add, move, remove; the selection follows."""
    settings = scene.beamwright
    assert not OPERATORS.projector_remove.poll()
    for _ in range(3):
        OPERATORS.projector_add()
    for projector, name in zip(settings.projectors, "ABC", strict=True):
        projector.name = name
    assert settings.active_projector == 2
    OPERATORS.projector_move(direction="UP")
    assert [item.name for item in settings.projectors] == ["A", "C", "B"]
    assert settings.active_projector == 1
    OPERATORS.projector_move(direction="DOWN")
    assert OPERATORS.projector_move(direction="DOWN") == {"CANCELLED"}
    OPERATORS.projector_remove()
    assert [item.name for item in settings.projectors] == ["A", "B"]
    assert settings.active_projector == 1
    assert OPERATORS.projector_move.poll()
    OPERATORS.projector_remove()
    assert not OPERATORS.projector_move.poll()


def test_assign_toggles(scene):
    scene.beamwright.add_projector("A")
    item = add_cube()
    bpy.context.view_layer.objects.active = item
    OPERATORS.assign(projector="A")
    assert properties.assigned_names(item) == ("A",)
    OPERATORS.assign(projector="A")
    assert properties.assigned_names(item) == ()
    OPERATORS.assign(projector="A", owner="COLLECTION")
    assert properties.assigned_names(scene.collection) == ("A",)


def test_copy_to_selected(scene):
    """Every setting of the active object, and only to those selected."""
    source, target, other = add_cube("S"), add_cube("T"), add_cube("O")
    source.beamwright.lines.crease = False
    source.beamwright.lines.colour = (0.25, 0.5, 1.0)
    source.beamwright.lines.marks = {"SEAM", "SHARP"}
    source.beamwright.priority = 3.0
    properties.assign(source, "A", "B")
    bpy.context.view_layer.objects.active = source
    for item in (source, other, target):
        item.select_set(item is not other)
    assert OPERATORS.copy_to_selected() == {"FINISHED"}
    assert target.beamwright.lines.to_core() == source.beamwright.lines.to_core()
    assert tuple(target.beamwright.lines.colour) == (0.25, 0.5, 1.0)
    assert target.beamwright.lines.marks == {"SEAM", "SHARP"}
    assert target.beamwright.priority == 3.0
    assert properties.assigned_names(target) == ("A", "B")
    assert other.beamwright.lines.crease
    target.select_set(False)
    assert not OPERATORS.copy_to_selected.poll()


def test_undo_takes_back(scene):
    """Adding a projector can be undone; figures and caches survive without dead handles."""
    add_cube()
    bpy.ops.ed.undo_push(message="start")
    OPERATORS.projector_add()
    bpy.ops.ed.undo_push(message="added")
    OPERATORS.analyze_frame()
    bpy.ops.ed.undo()
    scene = bpy.context.scene
    assert not len(scene.beamwright.projectors)
    assert OPERATORS.analyze_frame() == {"FINISHED"}


def test_folder_beside_an_unsaved_file(scene):
    """A relative folder needs a saved file; the message says so."""
    assert not bpy.data.filepath
    with pytest.raises(OutputError, match="never saved"):
        output_folder(scene)
    with pytest.raises(OutputError, match="“//there”"):
        output_folder(scene, "//there")


def test_folder_beside_a_saved_file(scene, tmp_path):
    bpy.ops.wm.save_as_mainfile(filepath=str(tmp_path / "show.blend"))
    assert output_folder(scene) == tmp_path / "laser"
    scene.beamwright.output_folder = "//out"
    assert output_folder(scene) == tmp_path / "out"
    assert output_folder(scene, "//other") == tmp_path / "other"


def test_export_of_a_new_file_needs_a_folder(scene, tmp_path):
    """Without a window there is one clear sentence; a folder of the preferences helps."""
    add_cube()
    assert not bpy.data.filepath
    assert "never saved" in fails(OPERATORS.export_sequence)
    entry = bpy.context.preferences.addons.new()
    entry.module = ROOT_PACKAGE
    try:
        assert preferences.output_folder() == preferences.FALLBACK_FOLDER
        entry.preferences.output_folder = str(tmp_path / "default")
        assert OPERATORS.export_sequence() == {"FINISHED"}
    finally:
        bpy.context.preferences.addons.remove(entry)
    assert (tmp_path / "default" / "Projector.ild").exists()


def test_folder_from_the_file_browser(scene, tmp_path):
    """What the browser hands back is exported to, and kept as the scene's folder."""
    add_cube()
    assert OPERATORS.export_sequence(directory=str(tmp_path)) == {"FINISHED"}
    assert (tmp_path / "Projector.ild").exists()
    assert scene.beamwright.output_folder == str(tmp_path)
    (tmp_path / "Projector.ild").unlink()
    assert OPERATORS.export_sequence() == {"FINISHED"}
    assert (tmp_path / "Projector.ild").exists()


def test_preferences_say_what_serves(addon, monkeypatch):
    """Compiled or not, and why not; the preview follows the quality that is set."""
    native, words, reason = preferences.kernel_words()
    assert native == kernels.is_native()
    assert (words == "Compiled") == native
    assert bool(reason) != native
    monkeypatch.setattr(kernels, "is_native", lambda: False)
    monkeypatch.setattr(kernels, "status", lambda: "numpy: there is no library for this machine")
    assert preferences.kernel_words()[2] == "there is no library for this machine"
    assert overlay.as_exported()
    entry = bpy.context.preferences.addons.new()
    entry.module = ROOT_PACKAGE
    try:
        entry.preferences.preview_quality = "VIEWPORT"
        assert not overlay.as_exported()
    finally:
        bpy.context.preferences.addons.remove(entry)
    assert overlay.as_exported()


def test_line_kinds_are_offered_for_bodies_alone(scene):
    """A flat text has none; extruded, read as a mesh, or bent by a modifier it has."""
    poll = bpy.types.BEAMWRIGHT_PT_object_kinds.poll
    add_cube()
    bpy.context.view_layer.objects.active = scene.objects["Cube"]
    assert poll(bpy.context)
    bpy.ops.object.text_add()
    text = bpy.context.object
    assert object_lines.is_flat(text)
    assert not poll(bpy.context)
    text.data.extrude = 0.1
    assert poll(bpy.context)
    text.data.extrude = 0.0
    text.beamwright.artwork.as_mesh = True
    assert poll(bpy.context)
    text.beamwright.artwork.as_mesh = False
    text.modifiers.new("Bend", "SIMPLE_DEFORM")
    assert poll(bpy.context)
    bpy.ops.object.grease_pencil_add(type="EMPTY")
    assert not poll(bpy.context)


def test_wrapped_lines_keep_per_cent_with_the_number():
    """No line is longer than asked, no word is lost, and none begins with a per cent sign."""

    class Layout:
        def __init__(self):
            self.lines = []

        def label(self, text, icon):
            self.lines.append((text, icon))

    text = "Most points: Whale 14 %, Hull 11 %,\nBack Waves 8 %"
    for width in range(12, 60):
        layout = Layout()
        sidebar.wrapped(layout, text, width, icon="ERROR")
        lines = [line for line, _icon in layout.lines]
        assert max(map(len, lines)) <= width
        assert not any(line.startswith("%") for line in lines)
        assert " ".join(lines).replace("\N{NO-BREAK SPACE}", " ").split() == text.split()
        assert [icon for _line, icon in layout.lines] == ["ERROR"] + ["BLANK1"] * (len(lines) - 1)
