# SPDX-License-Identifier: GPL-3.0-or-later
"""The preview's arrays, words, cache and engine, in the real Blender without a window."""

import threading
import time
from types import SimpleNamespace

import bpy
import numpy as np
import pytest
from beamwright.addon import results
from beamwright.addon.extract.camera import extract_camera
from beamwright.addon.preview import cards, framing, guides, layers, overlay, scene_view, settings
from beamwright.addon.preview.cache import PictureCache
from beamwright.addon.preview.engine import draw_picture, projector_guides
from beamwright.addon.preview.layers import Lines, Pattern
from beamwright.addon.preview.meter import State, read_meter, wrap
from beamwright.addon.preview.worker import Worker
from beamwright.addon.session import BlenderSource
from beamwright.core import pipeline
from beamwright.core.points.aim import projected
from beamwright.core.points.projector import Aim, Projector, ScannerProfile
from beamwright.core.report.figures import FrameFigures
from beamwright.core.safety.limits import SafetyLimits
from beamwright.core.safety.zones import KeepOut
from beamwright.core.strokes import Strokes
from blender_scenes import add_cube, add_mesh
from hypothesis import given
from hypothesis import strategies as st
from mathutils import Euler


@pytest.fixture
def preview(scene):
    """A scene with a cube, and the preview switched on."""
    add_cube("Crate").rotation_euler = (0.4, 0.3, 0.5)
    bpy.context.view_layer.update()
    chosen = settings.current()
    chosen.enabled = True
    yield overlay.engine()
    settings.current().enabled = False
    assert not overlay.is_running()


def shown(engine, scene):
    """Ask for a scene's picture as a view does, wait for it and return it."""
    engine.picture_of(scene)
    engine.finish()
    picture, fresh = engine.picture_of(scene)
    assert fresh
    return picture


def figures(**changed):
    """Figures of a frame that fits, with some changed."""
    usual = {
        "frame": 1,
        "points": 900,
        "lit": 700,
        "blanked": 200,
        "strokes": 40,
        "refresh_hz": 33.3,
        "budget": 1000,
        "over_budget": False,
        "lit_length": 9.0,
        "cost": {"Whale": 600.0, "Gull": 300.0},
    }
    return FrameFigures(**(usual | changed))


# -- words ---------------------------------------------------------------------------------


def test_meter_over_budget():
    """Points, refresh, what it looks like and who is to blame, in one line."""
    reading = read_meter(
        figures(
            points=1430,
            budget=1200,
            over_budget=True,
            refresh_hz=30000 / 1430,
            stress=1.0,
            cost={"Whale": 586.3, "Gull": 300.0, "Rope": 100.0, "Buoy": 50.0, "": 393.7},
        ),
        25.0,
    )
    assert reading.state is State.OVER
    assert reading.headline == "1,430 of 1,200 points: 21 Hz, will flicker; Whale costs 41 %"
    assert reading.details == (
        "Then Gull costs 21 %, Rope costs 7 %",
        "Drawn as coarse as allowed: corners are rounded",
    )
    assert reading.share == pytest.approx(1430 / 1200)


def test_meter_over_but_steady():
    """A fast refresh that is still below the wish is not called flicker."""
    reading = read_meter(figures(over_budget=True, refresh_hz=55.0), 60.0)
    assert "steady" in reading.headline
    assert "Slower than the 60 Hz asked for" in reading.details


@pytest.mark.parametrize(
    ("changed", "state", "words"),
    [
        ({}, State.FITS, ()),
        ({"stress": 0.7}, State.COARSE, ("Drawn coarse: corners are rounded",)),
        (
            {
                "dropped_strokes": 12,
                "dropped_length": 3.0,
                "dropped_objects": ("Gull", "Net", "Rope"),
            },
            State.CUT,
            (
                "12 strokes left out to fit (25 % of the lines: Gull, Net and 1 more)",
                "Most points: Whale costs 67 %, Gull costs 33 %",
            ),
        ),
        ({"darkened": 1}, State.FITS, ("1 point darkened for safety",)),
        (
            {"clipped_length": 0.5},
            State.FITS,
            ("Part of the picture lies outside the projector's field",),
        ),
        ({"strokes": 0, "points": 1, "cost": {}}, State.EMPTY, ()),
    ],
)
def test_meter_states(changed, state, words):
    """Each way a frame can suffer has its state and its sentence."""
    reading = read_meter(figures(**changed), 30.0)
    assert (reading.state, reading.details) == (state, words)


@given(st.lists(st.text("abc", min_size=1, max_size=9), max_size=12), st.integers(1, 20))
def test_wrapping_keeps_all_words(words, width):
    lines = wrap(" ".join(words), width, len)
    assert " ".join(lines).split() == words
    assert all(len(line) <= width or " " not in line for line in lines)


# -- cache and worker ----------------------------------------------------------------------


@given(st.lists(st.tuples(st.integers(0, 2), st.integers(0, 9), st.integers(1, 60)), max_size=60))
def test_cache_keeps_its_bound(entries):
    """Never above the limit, sums right, and the newest item that fits is always there."""
    cache = PictureCache(100)
    for owner, key, size in entries:
        item = SimpleNamespace(nbytes=size)
        cache.keep(owner, key, item)
        assert cache.nbytes <= 100
        assert cache.find(owner, key) is item
    kept = {id(cache.find(a, b)): cache.find(a, b) for a in range(3) for b in range(10)}
    kept.pop(id(None), None)
    assert sum(item.nbytes for item in kept.values()) == cache.nbytes
    assert len(kept) == len(cache)


def test_cache_drops_what_was_used_longest_ago():
    cache = PictureCache(30)
    items = [SimpleNamespace(nbytes=10) for _ in range(4)]
    for place in range(3):
        cache.keep(0, place, items[place])
    cache.find(0, 0)
    cache.keep(0, 3, items[3])
    assert [cache.find(0, place) is not None for place in range(4)] == [True, False, True, True]
    cache.set_limit(10)
    assert len(cache) == 1
    cache.keep(0, 9, SimpleNamespace(nbytes=11))
    assert cache.find(0, 9) is None


def test_worker():
    """One job at a time, errors handed over, and no thread left behind."""
    before = threading.active_count()
    worker = Worker()
    worker.submit(lambda: 6 * 7)
    assert worker.busy
    assert worker.take(timeout_s=5.0) == (42, None)
    assert not worker.busy
    assert worker.take() is None
    worker.submit(lambda: 1 // 0)
    value, error = worker.take(timeout_s=5.0)
    assert value is None
    assert isinstance(error, ZeroDivisionError)
    worker.stop()
    assert threading.active_count() == before


# -- arrays --------------------------------------------------------------------------------


def test_screen_colours():
    """The sRGB curve (IEC 61966-2-1); 0.5 encodes to 188 of 255, 0.2140 to one half."""
    assert layers.encoded([0.0, 0.5, 1.0]) == pytest.approx([0.0, 0.735357, 1.0], abs=1e-6)
    assert round(255 * float(layers.encoded(0.5))) == 188
    assert layers.encoded(0.21404) == pytest.approx(0.5, abs=1e-4)
    assert layers.encoded(0.001) == pytest.approx(0.01292)


aims = st.builds(
    Aim,
    scale_x=st.floats(0.3, 1.0),
    scale_y=st.floats(0.3, 1.0),
    rotation_rad=st.floats(-3.0, 3.0),
    offset_x=st.floats(-0.3, 0.3),
    mirror_x=st.booleans(),
    corners=st.sampled_from(
        [Aim().corners, ((-1.0, -1.0), (0.9, -0.95), (0.8, 0.9), (-0.95, 1.0))]
    ),
)


@given(aims, st.lists(st.tuples(st.floats(-0.5, 0.5), st.floats(-0.5, 0.5)), min_size=2))
def test_back_from_the_projector(aim, points):
    """What core aims comes back to where it was."""
    strokes = Strokes.from_polylines([points])
    back = layers.from_projector(projected(strokes, aim).points, aim)
    assert back == pytest.approx(strokes.points, abs=1e-9)


def square(half=0.5, colour=(1.0, 0.25, 0.0)):
    corners = [(-half, -half), (half, -half), (half, half), (-half, half), (-half, -half)]
    return Strokes.from_polylines([corners], colour=colour, object_names=("Box",))


def test_layers_of_a_square():
    """Strokes, blank moves, points and light of one square, in the camera's field."""
    projector = Projector(aim=Aim(scale_x=0.8, scale_y=0.8, rotation_rad=0.3))
    planned = pipeline.plan_frame(1, square(), [], projector)
    strokes, moves, points, left_out, light = layers.projector_layers(planned, projector)
    assert len(strokes) == 4
    assert np.abs(strokes.ends).max() == pytest.approx(0.5, abs=1e-6)
    assert strokes.colour[0] == pytest.approx([*layers.encoded([1.0, 0.25, 0.0]), 1.0], abs=1e-6)
    assert set(strokes.pattern) == {Pattern.SOLID}
    assert len(points) == planned.figures.points
    rings = points.pattern == Pattern.RING
    assert abs(int(rings.sum()) - planned.figures.blanked) <= 3
    assert len(left_out) == 0
    # A closed square needs no way without light but to where the frame starts.
    assert np.hypot(*(moves.ends[:, 2:] - moves.ends[:, :2]).T).sum() < 0.1
    # The beam follows the square within twice the tolerance it was planned for.
    off = np.abs(np.abs(light.ends[:, :2]).max(axis=1) - 0.5)
    assert off.max() < 2.0 * projector.profile.tolerance_field / 0.8
    assert (light.energy[:, 2] == 0.0).all()
    assert light.energy[:, 1] == pytest.approx(0.25 * light.energy[:, 0], abs=1e-6)
    # In the middle of the sides it is as bright as the typical line.
    lengths = np.hypot(*(light.ends[:, 2:] - light.ends[:, :2]).T)
    middle = np.abs(light.ends[:, :2]).min(axis=1) < 0.2
    assert light.energy[middle, 0] / lengths[middle] == pytest.approx(1.0, rel=0.1)


def test_lowest_level_is_not_seen():
    """A drawn colour looks the same, whatever level the laser starts to shine at."""
    rgb = []
    for level in (0.0, 0.4):
        projector = Projector(profile=ScannerProfile(minimum_level=level))
        planned = pipeline.plan_frame(1, square(), [], projector)
        light = layers.projector_layers(planned, projector)[4]
        rgb.append(light.energy.max(axis=0))
    assert rgb[0] == pytest.approx(rgb[1], rel=0.02, abs=1e-6)


def test_strokes_left_out():
    """What does not fit is shown in dash and dot, in its place; the rest is solid."""
    lines = [[(-0.9, y), (0.9, y)] for y in np.linspace(-0.9, 0.9, 60)]
    strokes = Strokes.from_polylines(lines, object_names=("Net",))
    projector = Projector(target_refresh_hz=60.0)
    planned = pipeline.plan_frame(1, strokes, [], projector)
    assert planned.dropped.any()
    drawn, _moves, _points, left_out, _light = layers.projector_layers(planned, projector)
    assert set(left_out.pattern) == {Pattern.DASH_DOT}
    heights = np.concatenate([drawn.ends[:, 1], left_out.ends[:, 1]])
    assert sorted(heights) == pytest.approx(np.linspace(-0.9, 0.9, 60), abs=1e-6)


def test_arrows_point_the_way():
    """Each longer blank move carries one head, its tip ahead of its back."""
    lines = [[(-0.8, -0.5), (-0.8, 0.5)], [(0.8, 0.5), (0.8, -0.5)]]
    projector = Projector()
    planned = pipeline.plan_frame(1, Strokes.from_polylines(lines), [], projector)
    moves = layers.projector_layers(planned, projector)[1]
    heads = moves.pattern == Pattern.SOLID
    assert int(heads.sum()) == 4  # two moves, two sides each
    tips, backs = moves.ends[heads, :2], moves.ends[heads, 2:]
    assert np.abs(tips[:, 0]).max() < 0.3
    order = np.sign(tips[:, 0] - backs[:, 0])
    assert sorted(order) == [-1.0, -1.0, 1.0, 1.0]


def test_empty_frame_has_empty_layers():
    planned = pipeline.plan_frame(1, Strokes.empty(), [], Projector())
    strokes, moves, _points, left_out, light = layers.projector_layers(planned, Projector())
    assert (len(strokes), len(moves), len(left_out), len(light)) == (0, 0, 0, 0)


def test_lines_drop_what_is_no_number():
    lines = Lines.of([[0, 0, 1, 1], [np.nan, 0, 1, 1]], (1, 1, 1, 1), 1.0)
    assert len(lines) == len(lines.colour) == len(lines.width) == 1


def test_hatching_fills_the_area_only():
    """All of a triangle is hatched at the pitch, nothing outside of it."""
    triangle = np.array([(-0.5, -0.5), (0.5, -0.5), (0.0, 0.5), (-0.5, -0.5)])
    pieces = guides.hatching(triangle, 0.02)
    middles = 0.5 * (pieces[:, :2] + pieces[:, 2:])
    inside = (middles[:, 1] > -0.5) & (np.abs(middles[:, 0]) < 0.5 * (0.5 - middles[:, 1]))
    assert inside.all()
    # Hatches a pitch apart cover area over pitch of length.
    length = np.hypot(*(pieces[:, 2:] - pieces[:, :2]).T).sum()
    assert length == pytest.approx(0.5 / 0.02, rel=0.03)
    assert len(guides.hatching(triangle[:2])) == 0


def test_guides_of_limits():
    """Field, safe area and keep-outs lie where the aim puts them, each with its name."""
    limits = SafetyLimits(
        window=(-0.8, -0.6, 0.8, 0.9),
        zones=(KeepOut("Balcony", ((0.1, 0.1), (0.4, 0.1), (0.4, 0.3))),),
    )
    projector = Projector(name="Fast", aim=Aim(scale_x=0.5, scale_y=0.5))
    lines, areas, labels = projector_guides(projector, limits, 0)
    assert np.abs(lines.ends).max() == pytest.approx(2.0)
    window = lines.ends[lines.pattern == Pattern.SOLID]
    assert (window[:, 0].min(), window[:, 1].max()) == pytest.approx((-1.6, 1.8))
    assert (areas.ends[:, 0].min(), areas.ends[:, 1].max()) == pytest.approx((0.2, 0.6), abs=1e-6)
    texts = [label.text for label in labels]
    assert texts == ["Fast: field", "Fast: safe area", "Keep out: Balcony"]


def test_hidden_lines_are_shown_beside_visible_ones(scene):
    """A cube behind a wall draws nothing, and is there in the hidden layer."""
    add_cube("Wall").scale = (3.0, 0.1, 3.0)
    add_cube("Behind", location=(0.0, 5.0, 0.0))
    bpy.context.view_layer.update()
    source = BlenderSource(scene)
    picture = draw_picture(source.current(1), source.projectors, {}, None, True)
    (item,) = picture.projectors
    assert np.abs(item.strokes.ends).max() > 0.5
    assert len(item.strokes) == 4
    assert len(item.hidden) >= 12
    assert set(item.hidden.pattern) == {Pattern.DOTTED}


# -- engine --------------------------------------------------------------------------------


def test_engine_draws_and_keeps(preview, scene):
    """A picture is computed once; coming back to a frame gives the same one."""
    first = shown(preview, scene)
    assert first.message == ""
    assert first.frame == scene.frame_current
    assert len(first.projectors[0].strokes) == 9
    assert results.latest(scene.name).figures["Projector"] == first.projectors[0].figures
    assert shown(preview, scene) is first
    scene.frame_set(3)
    assert not preview.picture_of(scene)[1]
    third = shown(preview, scene)
    assert third is not first
    assert third.frame == 3
    scene.frame_set(1)
    assert shown(preview, scene) is first


def test_view_never_waits(preview, scene):
    """Asking for a picture that is not there returns at once with the one before."""
    first = shown(preview, scene)
    scene.frame_set(2)
    picture, fresh = preview.picture_of(scene)
    assert picture is first
    assert not fresh
    assert not preview.busy


def test_moved_object_empties_the_cache(preview, scene):
    first = shown(preview, scene)
    bpy.data.objects["Crate"].location.x = 1.0
    bpy.context.view_layer.update()
    assert len(preview.cache) == 0
    second = shown(preview, scene)
    assert (
        second.projectors[0].strokes.ends[:, 0].mean()
        > first.projectors[0].strokes.ends[:, 0].mean()
    )


def test_selection_keeps_the_cache(preview, scene):
    """What changes no picture costs no picture."""
    first = shown(preview, scene)
    bpy.data.objects["Crate"].select_set(True)
    bpy.context.view_layer.update()
    assert len(preview.cache) == 1
    scene.world = bpy.data.worlds.new("Night")
    bpy.context.view_layer.update()
    assert shown(preview, scene) is first
    assert len(preview.cache) == 1


def test_settings_change_the_picture(preview, scene):
    """Projectors and line settings count, though no object was touched."""
    first = shown(preview, scene)
    scene.beamwright.add_projector().target_refresh_hz = 60.0
    second = shown(preview, scene)
    assert second.projectors[0].figures.budget == first.projectors[0].figures.budget // 2
    scene.beamwright.drawing.page_border = True
    assert len(shown(preview, scene).projectors[0].strokes) == 13
    scene.render.resolution_x = 2000
    assert shown(preview, scene) is not second


def test_playing_twice_computes_once(preview, scene):
    """An animation's second round comes from the cache."""
    crate = bpy.data.objects["Crate"]
    for frame in (1, 4):
        crate.location.x = 0.2 * frame
        crate.keyframe_insert("location", frame=frame)
    rounds = []
    for _ in range(2):
        pictures = []
        for frame in range(1, 5):
            scene.frame_set(frame)
            pictures.append(shown(preview, scene))
        rounds.append(pictures)
    assert all(a is b for a, b in zip(*rounds, strict=True))
    assert len({float(item.projectors[0].strokes.ends.mean()) for item in rounds[0]}) == 4


def test_no_camera_is_said(preview, scene):
    """The words are those of the command line; a camera brings the picture back."""
    shown(preview, scene)
    camera = scene.camera
    scene.camera = None
    picture = shown(preview, scene)
    assert "has no camera" in picture.message
    assert picture.projectors == ()
    scene.camera = camera
    assert shown(preview, scene).message == ""


def test_emptied_scene_is_said(preview, scene):
    shown(preview, scene)
    bpy.data.objects.remove(bpy.data.objects["Crate"])
    bpy.context.view_layer.update()
    assert "is empty" in shown(preview, scene).message


def test_undo_forgets(preview, scene):
    bpy.ops.ed.undo_push(message="before")
    first = shown(preview, scene)
    bpy.data.objects["Crate"].location.x = 1.0
    bpy.context.view_layer.update()
    bpy.ops.ed.undo_push(message="move")
    moved = shown(preview, scene)
    bpy.ops.ed.undo()
    scene = bpy.context.scene
    again = shown(preview, scene)
    assert again is not moved
    assert np.array_equal(again.projectors[0].strokes.ends, first.projectors[0].strokes.ends)


def test_preview_outlives_a_file(preview, scene, tmp_path):
    """After another file is loaded the preview is on, with its settings, showing that file."""
    settings.current().simulate = True
    path = tmp_path / "crate.blend"
    bpy.ops.wm.save_as_mainfile(filepath=str(path))
    shown(preview, scene)
    bpy.ops.wm.read_homefile(use_empty=True)
    assert settings.current().enabled
    assert settings.current().simulate
    assert overlay.engine() is preview
    picture = shown(preview, bpy.context.scene)
    assert "has no camera" in picture.message
    bpy.ops.wm.open_mainfile(filepath=str(path))
    assert shown(preview, bpy.context.scene).message == ""
    settings.current().simulate = False


def test_scenes_are_kept_apart(preview, scene):
    """Two scenes, each with its own picture; one that is deleted is dropped."""
    other = bpy.data.scenes.new("Second")
    other.collection.objects.link(scene.camera)
    other.camera = scene.camera
    add_cube("Other", collection=other.collection, location=(2.0, 0.0, 0.0))
    first, second = shown(preview, scene), shown(preview, other)
    assert first is not second
    assert shown(preview, scene) is first
    bpy.data.scenes.remove(other)
    preview.mark(changed=True)
    assert shown(preview, scene).message == ""
    assert len(preview._scenes) == 1


def test_export_is_left_alone(preview, scene):
    """While frames are read for an export, the preview waits."""
    shown(preview, scene)
    with BlenderSource(scene).reading():
        scene.frame_set(2)
        preview.picture_of(scene)
        assert preview.tick() > 0.0
        assert not preview.busy
    assert shown(preview, scene).frame == 1


def test_keep_outs_are_shown(preview, scene):
    """A keep-out's outline is drawn and follows its object, though that is not drawn itself."""
    from blender_scenes import add_collection

    shown(preview, scene)
    scene.beamwright.add_projector()
    places = add_collection("Keep Outs")
    corners = [(-1, 0, 1), (1, 0, 1), (1, 0, 2), (-1, 0, 2)]
    balcony = add_mesh("Balcony", corners, faces=[(0, 1, 2, 3)], collection=places)
    balcony.hide_render = True
    scene.beamwright.projectors[0].safety.keep_outs = places
    bpy.context.view_layer.update()
    first = shown(preview, scene)
    assert "Keep out: Balcony" in [label.text for label in first.projectors[0].labels]
    balcony.location.z = 0.5
    bpy.context.view_layer.update()
    second = shown(preview, scene)
    lifted = second.projectors[0].keep_outs.ends[:, 1].max()
    assert lifted > first.projectors[0].keep_outs.ends[:, 1].max() + 0.05
    # A window of the scan field is no object, and counts at once as well.
    scene.beamwright.projectors[0].safety.window_high = (0.5, 0.5)
    third = shown(preview, scene)
    assert any("safe area" in label.text for label in third.projectors[0].labels)


def test_edited_text_empties_the_cache(preview, scene):
    """Editing a text changes its picture."""
    words = bpy.data.curves.new("Words", "FONT")
    words.body = "Sea"
    item = bpy.data.objects.new("Words", words)
    item.rotation_euler = (1.5708, 0.0, 0.0)
    scene.collection.objects.link(item)
    bpy.context.view_layer.update()
    first = shown(preview, scene)
    words.body = "Harbour"
    bpy.context.view_layer.update()
    second = shown(preview, scene)
    assert len(second.projectors[0].strokes) > len(first.projectors[0].strokes)


def test_preview_settings_are_described(addon):
    """Every switch has a name, and a tooltip without a final point."""
    for name in settings.BEAMWRIGHT_PG_preview.__annotations__:
        item = settings.BEAMWRIGHT_PG_preview.bl_rna.properties[name]
        assert item.name
        assert item.description[0].isupper()
        assert not item.description.endswith(".")


def test_broken_setting_is_said(preview, scene):
    """A setting that core refuses gives its words, not an exception."""
    scene.beamwright.add_projector().aim.scale_x = 0.0
    assert "scale is 0" in shown(preview, scene).message


def test_shows_what_is_exported(preview, scene):
    """Render visibility and render modifiers count, as in exports; the viewport is left alone."""
    crate = bpy.data.objects["Crate"]
    crate.hide_viewport = True
    modifier = crate.modifiers.new("Array", "ARRAY")
    modifier.count, modifier.show_viewport, modifier.show_render = 2, False, True
    only = add_cube("Viewport Only", location=(0.0, 0.0, 3.0))
    only.hide_render = True
    eyed = add_cube("Closed Eye", location=(-3.0, 0.0, 0.0))
    eyed.hide_set(True)
    bpy.context.view_layer.update()
    picture = shown(preview, scene)
    source = BlenderSource(scene)
    with source.reading():
        exported = pipeline.draw_frame(source.scene_at(1), source.projectors)["Projector"].figures
    (seen,) = picture.projectors
    assert set(seen.figures.cost) == {"Crate", "Closed Eye"}
    assert seen.figures.points == exported.points
    assert (crate.hide_viewport, modifier.show_viewport, eyed.hide_get()) == (True, False, True)
    # Our own reading is no change: the picture stays up to date, and nothing goes on working.
    preview.finish()
    assert preview.tick() is None
    assert preview.picture_of(scene) == (picture, True)
    preview.as_rendered = False
    (seen,) = shown(preview, scene).projectors
    assert seen.figures.strokes == 0


def test_looks_for_differences_once(preview, scene, monkeypatch):
    """While frames only go on, viewport and render settings are not compared again."""
    from beamwright.addon import session

    calls = []
    whole = session.apply_render_state
    monkeypatch.setattr(
        session,
        "apply_render_state",
        lambda *names, **more: calls.append(1) or whole(*names, **more),
    )
    crate = bpy.data.objects["Crate"]
    for frame, x in ((1, 0.0), (4, 2.0)):
        crate.location.x = x
        crate.keyframe_insert("location", frame=frame)
    for frame in (1, 2, 3, 4):
        scene.frame_set(frame)
        shown(preview, scene)
    assert len(calls) == 1
    crate.hide_viewport = True
    bpy.context.view_layer.update()
    shown(preview, scene)
    assert len(calls) == 2


def test_switching_off_leaves_nothing(scene):
    """No thread, timer or handler stays; twice on and off is no different from once."""
    add_cube()
    threads = threading.active_count()
    for _ in range(2):
        settings.current().enabled = True
        engine = overlay.engine()
        shown(engine, scene)
        assert engine.worker_alive
        settings.current().enabled = False
        assert overlay.engine() is None
        assert not bpy.app.timers.is_registered(overlay._tick)
        assert threading.active_count() == threads


def test_unregister_while_on(addon, scene):
    """Switching the extension off with the preview on leaves no thread behind."""
    add_cube()
    threads = threading.active_count()
    settings.current().enabled = True
    shown(overlay.engine(), scene)
    addon.unregister()
    try:
        assert threading.active_count() == threads
        assert not overlay.is_running()
        assert not hasattr(bpy.types.WindowManager, settings.NAME)
    finally:
        addon.register()
    assert not settings.current().enabled
    assert not overlay.is_running()


# -- camera and page -----------------------------------------------------------------------


@pytest.mark.parametrize("lens", ["PERSP", "ORTHO"])
@pytest.mark.parametrize("distance", [0.0, 7.0])
def test_plane_is_the_page(scene, lens, distance):
    """Field coordinates in the plane are seen at these field coordinates by core's camera."""
    camera = scene.camera
    camera.data.type = lens
    camera.data.shift_x, camera.data.shift_y = 0.2, -0.1
    camera.rotation_euler = (1.2, 0.2, 0.4)
    camera.scale = (2.0, 1.0, 3.0)
    scene.render.resolution_x, scene.render.resolution_y = 1920, 800
    bpy.context.view_layer.update()
    seen = extract_camera(camera, scene, bpy.context.evaluated_depsgraph_get())
    plane = np.array(scene_view.plane_matrix(scene, camera, distance))
    for x, y in [(0.0, 0.0), (1.0, 0.4), (-0.7, 0.3), (0.2, -0.4)]:
        clip = seen.view_projection @ (plane @ [x, y, 0.0, 1.0])
        assert clip[:2] / clip[3] == pytest.approx((x, y), abs=2e-6)


@given(
    st.lists(
        st.tuples(st.floats(-5, 5), st.floats(-5, 5), st.floats(-3, 3)), min_size=2, max_size=12
    ),
    st.floats(-0.3, 0.3),
)
def test_perspective_fit(points, shift):
    """All points in the window, and two opposite sides touched, unless points are no wider."""
    bounds = (-0.4 + shift, -0.3, 0.4 + shift, 0.3)
    places = np.array(points)
    eye = framing.fit_perspective(places, bounds)
    local = places - eye
    assert (local[:, 2] > 0.0).all()
    x, y = local[:, 0] / local[:, 2], local[:, 1] / local[:, 2]
    assert x.min() >= bounds[0] - 1e-6
    assert x.max() <= bounds[2] + 1e-6
    assert y.min() >= bounds[1] - 1e-6
    assert y.max() <= bounds[3] + 1e-6
    room = min(
        max(x.min() - bounds[0], bounds[2] - x.max()), max(y.min() - bounds[1], bounds[3] - y.max())
    )
    assert room < 1e-6 or local[:, 2].min() < 2.0 * framing.LEAST_DISTANCE


@pytest.mark.parametrize("lens", ["PERSP", "ORTHO"])
@pytest.mark.parametrize("margin", [0.0, 0.1])
def test_frame_artwork(scene, lens, margin):
    """The selection fills the page up to the margin; what is not selected does not count."""
    camera = scene.camera
    camera.data.type = lens
    camera.data.shift_x = 0.1
    camera.rotation_euler = Euler((1.1, 0.1, 0.7))
    scene.render.resolution_x, scene.render.resolution_y = 1600, 900
    mast = add_cube("Mast", location=(3.0, 4.0, 2.0))
    mast.scale = (0.5, 0.5, 3.0)
    add_cube("Far Away", location=(90.0, 0.0, 0.0))
    mast.select_set(True)
    bpy.context.view_layer.update()
    turn = camera.matrix_world.to_quaternion()
    assert bpy.ops.beamwright.frame_artwork(margin=margin) == {"FINISHED"}
    bpy.context.view_layer.update()
    assert camera.matrix_world.to_quaternion().dot(turn) == pytest.approx(1.0, abs=1e-6)
    seen = extract_camera(camera, scene, bpy.context.evaluated_depsgraph_get())
    world = np.array([mast.matrix_world @ vertex.co for vertex in mast.data.vertices])
    clip = np.c_[world, np.ones(len(world))] @ seen.view_projection.T
    assert (clip[:, 3] > 0.0).all()
    places = clip[:, :2] / clip[:, 3:]
    half = np.array([seen.half_width, seen.half_height]) * (1.0 - 2.0 * margin)
    reach = np.abs(places).max(axis=0) / half
    assert reach.max() == pytest.approx(1.0, abs=1e-4)
    low, high = places.min(axis=0) / half, places.max(axis=0) / half
    assert np.max(np.minimum(-low, high)) == pytest.approx(1.0, abs=1e-4)


def test_frame_artwork_without_selection(scene):
    """Everything that is drawn counts then; empties and lights do not."""
    add_cube("Left", location=(-3.0, 0.0, 0.0))
    add_cube("Right", location=(3.0, 0.0, 0.0))
    light = bpy.data.objects.new("Lamp", bpy.data.lights.new("Lamp", "POINT"))
    light.location = (0.0, 0.0, 500.0)
    scene.collection.objects.link(light)
    bpy.ops.object.select_all(action="DESELECT")
    bpy.ops.beamwright.frame_artwork(margin=0.0)
    bpy.context.view_layer.update()
    assert scene.camera.location.x == pytest.approx(0.0, abs=1e-5)
    assert scene.camera.location.z == pytest.approx(0.0, abs=1e-5)


def test_frame_artwork_needs_a_camera(empty):
    add_cube()
    assert not bpy.ops.beamwright.frame_artwork.poll()


def test_toggle(scene):
    add_cube()
    bpy.ops.beamwright.preview_toggle()
    assert overlay.is_running()
    bpy.ops.beamwright.preview_toggle()
    assert not overlay.is_running()


def test_handlers_cost_nothing_while_off(scene):
    """With the preview off, handlers neither keep nor start anything."""
    add_mesh("Dot", [(0, 0, 0)])
    scene.frame_set(2)
    bpy.context.view_layer.update()
    assert overlay.engine() is None
    assert not bpy.app.timers.is_registered(overlay._tick)


# -- the graphics card ---------------------------------------------------------------------

SIZE = 400


@pytest.fixture(scope="session")
def graphics():
    """Bring up an off-screen graphics context, where Blender can."""
    import gpu

    if not hasattr(gpu, "init"):
        pytest.skip(f"Blender {bpy.app.version_string} has no gpu.init: no graphics in background")
    try:
        gpu.init()
    except Exception as error:
        pytest.skip(f"no off-screen graphics here: {error}")
    return gpu


def drawn(gpu, scene, picture, **switches):
    """Draw a picture as the camera's view, and return its pixels, (SIZE, SIZE, 3), y up."""
    chosen = settings.current()
    usual = {"guides": False, "meter": False, "simulate": False, "left_out": True, "glow": 0.5}
    usual["line_width"] = 1.0
    for name, value in (usual | switches).items():
        setattr(chosen, name, value)
    view = scene_view.View(SIZE, SIZE, 1.0, (0, 0, SIZE, SIZE), scene.frame_current, False)
    camera = scene.camera
    projection = camera.calc_matrix_camera(bpy.context.evaluated_depsgraph_get(), x=SIZE, y=SIZE)
    matrix = projection @ camera.matrix_world.normalized().inverted()
    planes = scene_view.scene_planes(scene, matrix, view, 0.0)
    target = gpu.types.GPUOffScreen(SIZE, SIZE)
    with target.bind():
        framebuffer = gpu.state.active_framebuffer_get()
        framebuffer.clear(color=(0.0, 0.0, 0.0, 1.0))
        scene_view.draw_view(view, chosen, picture, picture.projectors, planes, (1.0, 1.0), True)
        buffer = framebuffer.read_color(0, 0, SIZE, SIZE, 4, 0, "UBYTE")
    buffer.dimensions = SIZE * SIZE * 4
    return np.array(buffer, np.uint8).reshape(SIZE, SIZE, 4)[:, :, :3].astype(int)


@pytest.fixture
def red_square(preview, scene):
    """A red square before the camera that fills half of the page."""
    bpy.data.objects.remove(bpy.data.objects["Crate"])
    card = add_mesh("Card", [(-1, 0, -1), (1, 0, -1), (1, 0, 1), (-1, 0, 1)], faces=[(0, 1, 2, 3)])
    card.beamwright.lines.colour_source = "OWN"
    card.beamwright.lines.colour = (1.0, 0.05, 0.0)
    bpy.ops.object.select_all(action="DESELECT")
    bpy.ops.beamwright.frame_artwork(margin=0.25)
    bpy.context.view_layer.update()
    return shown(preview, scene)


def test_lines_on_the_screen(graphics, scene, red_square):
    """The square's outline in its colour at its place, and nothing else."""
    pixels = drawn(graphics, scene, red_square, line_width=2.0)
    lit = pixels.max(axis=2) > 128
    rows, columns = np.nonzero(lit)
    for places in (rows, columns):
        assert abs(places.min() - 99) <= 2
        assert abs(places.max() - 300) <= 2
    assert not lit[110:290, 110:290].any()
    # On the line's middle its colour is exact: sRGB-encoded 1.0 and 0.05 are 255 and 63.
    red = pixels[200][pixels[200].max(axis=1).argmax()]
    assert red.tolist() == pytest.approx([255, 63, 0], abs=2)
    # Twice 1.6 pixels wide: that many full pixels in a row, on each side.
    assert pixels[200, :, 0].sum() / 255.0 == pytest.approx(2 * 3.2, abs=0.3)


def test_simulated_beam_on_the_screen(graphics, scene, red_square):
    """Light along the sides, corners cut inside, a halo that falls off; darkening works."""
    pixels = drawn(graphics, scene, red_square, simulate=True, glow=1.0)
    side = pixels[200, :, 0]
    peak = int(side[:200].argmax())
    assert abs(peak - 100) <= 2
    falling = side[peak : peak + 30]
    assert (np.diff(falling) <= 1).all()
    assert falling[0] > 200
    assert 10 < falling[8] < falling[0] - 60
    assert falling[25] < 40
    assert pixels[200, 200].max() < 8
    dim = drawn(graphics, scene, red_square, simulate=True, glow=0.0)
    assert dim[200, peak + 8].max() < 10


def test_switches_on_the_screen(graphics, scene, red_square):
    """Each switch adds pixels of its own."""
    base = drawn(graphics, scene, red_square)
    for switches in ({"points": True}, {"guides": True}, {"meter": True}, {"blank_moves": True}):
        more = drawn(graphics, scene, red_square, **switches)
        if switches != {"blank_moves": True}:  # one closed stroke: hardly any blank way
            assert np.count_nonzero(more.max(axis=2) > 40) > np.count_nonzero(
                base.max(axis=2) > 40
            ), switches
    for name in ("points", "blank_moves"):
        setattr(settings.current(), name, False)


def test_meter_on_the_screen(graphics, scene, red_square):
    """The card stands in the lower right corner, on its own paper, with its tint."""
    pixels = drawn(graphics, scene, red_square, meter=True)
    card = pixels[20:100, 80:380]
    tint = np.array(cards.TINTS[State.FITS][:3]) * 255.0
    assert np.count_nonzero(np.abs(card - tint).max(axis=2) < 12) > 30
    assert np.array_equal(pixels[330:, :60], np.zeros_like(pixels[330:, :60]))


def test_message_on_the_screen(graphics, scene, red_square):
    """Without a picture, words stand in the lower left corner."""
    message = layers.Picture(1, message="The scene has no camera: add one.")
    pixels = drawn(graphics, scene, message)
    assert np.count_nonzero(pixels[10:80, 20:300].max(axis=2) > 150) > 100


def test_batches_are_bounded(graphics, preview, scene, red_square):
    """Playing through many frames does not pile up on the graphics card."""
    from beamwright.addon.preview import drawing

    for frame in range(1, 40):
        scene.frame_set(frame)
        drawn(graphics, scene, shown(preview, scene), points=True)
    settings.current().points = False
    assert len(drawing._BATCHES) <= drawing.KEPT_BATCHES
    settings.current().enabled = False
    assert not drawing._BATCHES
    assert not drawing._TARGETS


def test_behind_the_eye(graphics, scene, red_square):
    """Seen from a place where the plane runs through the eye, nothing breaks."""
    chosen = settings.current()
    view = scene_view.View(SIZE, SIZE, 1.0, (0, 0, SIZE, SIZE), 1, False)
    camera = scene.camera
    projection = camera.calc_matrix_camera(bpy.context.evaluated_depsgraph_get(), x=SIZE, y=SIZE)
    plane = scene_view.plane_matrix(scene, camera)
    for depth in (0.0, 0.3, -5.0):
        eye = plane.copy()
        eye.translation += plane.to_3x3().col[2] * depth
        planes = scene_view.scene_planes(scene, projection @ eye.inverted_safe(), view, 0.0)
        target = graphics.types.GPUOffScreen(SIZE, SIZE)
        with target.bind():
            scene_view.draw_view(
                view, chosen, red_square, red_square.projectors, planes, (1.0, 1.0), True
            )


def test_finish_gives_up(preview, scene):
    """`finish` is for tests and pictures, and has an end."""
    preview.picture_of(scene)
    start = time.monotonic()
    preview.finish(timeout_s=20.0)
    assert time.monotonic() - start < 20.0
