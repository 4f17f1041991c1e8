# SPDX-License-Identifier: GPL-3.0-or-later
"""Report curves and markers: complete, idempotent, and careful with the artist's own data."""

from dataclasses import replace

import bpy
import pytest
from beamwright.addon import compat, results, timeline
from beamwright.core.report.figures import FrameFigures
from blender_scenes import add_cube, add_mesh

OVER = [False, True, True, False, True, False, True]


def figures(over=OVER, start=1, step=1):
    return [
        FrameFigures(
            frame=start + step * k,
            points=1200 if full else 800,
            lit=700,
            blanked=500 if full else 100,
            strokes=10,
            refresh_hz=25.0 if full else 37.5,
            budget=1000,
            over_budget=full,
            stress=0.25 * k,
        )
        for k, full in enumerate(over)
    ]


def curves(scene):
    return {curve.data_path: curve for bag in compat.curve_bags(scene) for curve in bag.fcurves}


def markers(scene):
    return sorted((marker.frame, marker.name) for marker in scene.timeline_markers)


def test_ranges_over_budget():
    assert list(timeline.over_ranges(figures())) == [(2, 3), (5, 5), (7, 7)]
    assert list(timeline.over_ranges(figures([True] * 3, start=10, step=5))) == [(10, 20)]
    assert list(timeline.over_ranges(figures([False] * 3))) == []
    assert list(timeline.over_ranges([])) == []


def test_curves_hold_the_figures(scene):
    """One stepped, locked curve a measure and projector, with a key on each frame."""
    items = figures()
    assert timeline.write_report(scene, {"Pictures": items, 'Say "hi"': items[:2]}) == 4
    found = curves(scene)
    assert len(found) == 8
    curve = found['["Beamwright Points: Pictures"]']
    assert curve.lock
    assert [tuple(point.co) for point in curve.keyframe_points] == [
        (item.frame, item.points) for item in items
    ]
    assert {point.interpolation for point in curve.keyframe_points} == {"CONSTANT"}
    assert curve.group.name == "Beamwright Pictures"
    for item in items:
        scene.frame_set(item.frame)
        assert scene["Beamwright Points: Pictures"] == item.points
        assert scene["Beamwright Refresh: Pictures"] == pytest.approx(item.refresh_hz)
        assert scene["Beamwright Stress: Pictures"] == pytest.approx(item.stress)
    scene.frame_set(2)
    assert scene['Beamwright Points: Say "hi"'] == 1200


def test_markers_stand_at_both_ends(scene):
    timeline.write_report(scene, {"Pictures": figures()})
    assert markers(scene) == [
        (2, "Over budget: Pictures"),
        (3, "Over budget ends: Pictures"),
        (5, "Over budget: Pictures"),
        (7, "Over budget: Pictures"),
    ]


def test_again_replaces(scene):
    """Writing twice leaves what writing once does, also after a projector is gone."""
    timeline.write_report(scene, {"Pictures": figures(), "Lettering": figures()})
    timeline.write_report(scene, {"Pictures": figures()})
    once = (set(curves(scene)), markers(scene), set(scene.keys()))
    timeline.write_report(scene, {"Pictures": figures()})
    assert (set(curves(scene)), markers(scene), set(scene.keys())) == once
    assert len(once[0]) == 4


def test_clearing_keeps_the_artists_data(scene):
    """Own curves, properties and markers go; the artist's stay, in the same action."""
    scene["wind"] = 1.0
    scene.keyframe_insert('["wind"]', frame=1)
    scene.timeline_markers.new("Chorus", frame=4)
    action = scene.animation_data.action
    timeline.write_report(scene, {"Pictures": figures()})
    assert scene.animation_data.action == action
    assert timeline.has_report(scene)
    timeline.clear_report(scene)
    assert not timeline.has_report(scene)
    assert set(curves(scene)) == {'["wind"]'}
    assert markers(scene) == [(4, "Chorus")]
    assert scene["wind"] == 1.0


def test_clearing_removes_our_own_action(scene):
    import bpy

    before = len(bpy.data.actions)
    timeline.write_report(scene, {"Pictures": figures()})
    timeline.clear_report(scene)
    assert len(bpy.data.actions) == before


def test_long_names(scene):
    """Names beyond Blender's limit are cut, inside no letter."""
    name = "Ä" * 60
    timeline.write_report(scene, {name: figures()})
    assert len(curves(scene)) == 4
    assert all(len(key.encode()) <= 63 for key in scene.keys())  # noqa: SIM118 - an ID


def test_no_figures(scene):
    assert timeline.write_report(scene, {"Pictures": []}) == 0
    assert not timeline.has_report(scene)


def test_animated_paths(scene):
    """The report's curves are found among a data block's animated paths."""
    items = [replace(item, points=1) for item in figures()]
    timeline.write_report(scene, {"Pictures": items})
    assert '["Beamwright Points: Pictures"]' in set(compat.animated_paths(scene))


def test_jumping_goes_from_range_to_range(scene):
    timeline.write_report(scene, {"Pictures": figures([False, True, True, False, True])})
    starts = [
        item.frame for item in scene.timeline_markers if item.name.startswith(timeline.STARTS)
    ]
    assert timeline.next_trouble(scene, 0) == min(starts)
    assert timeline.next_trouble(scene, min(starts)) == max(starts)
    assert timeline.next_trouble(scene, max(starts)) is None
    assert timeline.next_trouble(scene, max(starts), backwards=True) == min(starts)
    worst = scene.beamwright.worst_frames
    assert [(row.projector, row.over_budget) for row in worst] == [("Pictures", True)] * 2
    assert {(row.first, row.last) for row in worst} == {(2, 3), (5, 5)}
    timeline.clear_report(scene)
    assert len(scene.beamwright.worst_frames) == 0


def lossy(frames):
    """Figures of frames that fit only because strokes of the gull were left out."""
    return [
        replace(
            item,
            dropped_strokes=number,
            dropped_length=float(number),
            dropped_objects=("Gull",) if number else (),
            cost={"Whale": 600.0, "Gull": 200.0},
        )
        for item, number in zip(figures([False] * len(frames)), frames, strict=True)
    ]


def test_frames_that_lose_strokes_are_marked_and_listed(scene):
    items = lossy([0, 2, 5, 0, 1])
    assert [
        (over, [run.frame for run in runs]) for over, runs in timeline.troubled_ranges(items)
    ] == [
        (False, [2, 3]),
        (False, [5]),
    ]
    assert timeline.write_report(scene, {"Pictures": items}) == 2
    assert markers(scene) == [
        (2, "Strokes left out: Pictures"),
        (3, "Strokes left out ends: Pictures"),
        (5, "Strokes left out: Pictures"),
    ]
    rows = scene.beamwright.worst_frames
    assert [(row.frame, row.left_out, row.over_budget) for row in rows] == [
        (3, 5, False),
        (5, 1, False),
    ]
    assert rows[0].blame == "Whale 75 %, Gull 25 %"
    assert rows[0].lost == "Gull"
    scene.beamwright.active_worst_frame = 1
    assert scene.frame_current == 5


def test_the_jump_operator_goes_both_ways(scene):
    jump = bpy.ops.beamwright.jump_to_marker
    assert not jump.poll()
    timeline.write_report(scene, {"Pictures": lossy([0, 2, 0, 1])})
    scene.frame_set(1)
    for forwards, frame in ((True, 2), (True, 4), (False, 2)):
        assert jump(next=forwards) == {"FINISHED"}
        assert scene.frame_current == frame
    assert jump(next=False) == {"CANCELLED"}
    assert scene.frame_current == 2


def test_the_artists_markers_stay(scene):
    """Also one of ours that a camera was bound to: removing it would change the cut."""
    scene.timeline_markers.new("Chorus", frame=2)
    scene.timeline_markers.new("cue whale", frame=3)
    timeline.write_report(scene, {"Pictures": figures([False, True, False])})
    bound = next(item for item in scene.timeline_markers if item.name.startswith("Over"))
    bound.camera = scene.camera
    for _ in range(2):
        timeline.write_report(scene, {"Pictures": figures([True, False, False])})
    expected = [(1, "Over budget: Pictures"), (2, "Chorus"), (2, "Over budget: Pictures")]
    assert markers(scene) == [*expected, (3, "cue whale")]
    timeline.clear_report(scene)
    assert markers(scene) == [*expected[1:], (3, "cue whale")]
    assert not timeline.has_report(scene)


def keys(curves):
    return [
        (curve.data_path, curve.mute, [tuple(point.co) for point in curve.keyframe_points])
        for curve in curves
    ]


def test_other_animation_is_untouched(scene):
    """Muted curves, curves of other slots, other actions and strips keep their keys."""
    scene["wind"] = 1.0
    scene.keyframe_insert('["wind"]', frame=1)
    scene.keyframe_insert('["wind"]', frame=4)
    action = scene.animation_data.action
    own = next(compat.animation_curves(scene))
    own.mute = True
    lens = scene.camera.data
    lens.animation_data_create().action = action
    lens.animation_data.action_slot = action.slots.new(id_type="CAMERA", name="Lens")
    lens.keyframe_insert("lens", frame=2)
    other = bpy.data.actions.new("Beamwright Report of mine")
    other.use_fake_user = True

    def state():
        found = [curve for curve in compat.animation_curves(scene) if "wind" in curve.data_path]
        return keys(found), keys(compat.animation_curves(lens)), len(bpy.data.actions)

    before = state()
    assert before[0][0][1]
    for _ in range(2):
        timeline.write_report(scene, {"Pictures": figures()})
        assert state() == before
        assert len(list(compat.animation_curves(scene))) == 5
    timeline.clear_report(scene)
    assert state() == before
    assert scene.animation_data.action == action


def test_a_renamed_projector_leaves_nothing_behind(scene):
    add_cube()
    projector = scene.beamwright.add_projector("Pictures")
    bpy.ops.beamwright.analyze_range()
    projector.name = "Whales"
    bpy.ops.beamwright.analyze_range()
    assert set(curves(scene)) == {
        f'["Beamwright {measure}: Whales"]' for measure, _ in timeline.MEASURES
    }
    assert {key for key in scene.keys() if key.startswith("Beamwright ")} == {  # noqa: SIM118
        f"Beamwright {measure}: Whales" for measure, _ in timeline.MEASURES
    }
    groups = [group.name for bag in compat.curve_bags(scene) for group in bag.groups]
    assert groups == ["Beamwright Whales"]


def test_long_names_with_one_beginning(scene):
    """Names that Blender's limit cuts to the same letters get curves of their own."""
    names = ["P" * 70 + "ictures", "P" * 70 + "uppets"]
    timeline.write_report(scene, {name: figures([False] * (2 + k)) for k, name in enumerate(names)})
    lengths = sorted(len(curve.keyframe_points) for curve in curves(scene).values())
    assert lengths == [2] * 4 + [3] * 4
    assert all(len(key.encode()) <= 63 for key in scene.keys())  # noqa: SIM118 - an ID


@pytest.mark.parametrize("how", ["copy", "LINK_COPY", "FULL_COPY", "NEW"])
def test_scenes_keep_their_own_report(scene, how):
    """What is written into one scene, or cleared there, leaves the other's report whole."""
    timeline.write_report(scene, {"Pictures": figures()})

    def state():
        return (keys(compat.animation_curves(scene)), markers(scene), set(scene.keys()))

    before = state()
    known = set(bpy.data.scenes)
    if how == "copy":
        scene.copy()
    else:
        bpy.ops.scene.new(type=how)
    (other,) = set(bpy.data.scenes) - known
    timeline.write_report(other, {"Pictures": figures([True] * 3)})
    assert state() == before
    assert markers(other) == [(1, "Over budget: Pictures"), (3, "Over budget ends: Pictures")]
    assert {len(points) for _, _, points in keys(compat.animation_curves(other))} == {3}
    timeline.clear_report(other)
    assert state() == before
    assert not timeline.has_report(other)


def test_analysis_is_undone_in_one_step(scene):
    add_cube()
    bpy.ops.ed.undo_push(message="start")
    bpy.ops.beamwright.analyze_range()
    bpy.ops.ed.undo_push(message="analyzed")
    assert timeline.has_report(scene)
    bpy.ops.ed.undo()
    assert not timeline.has_report(bpy.context.scene)
    assert curves(bpy.context.scene) == {}
    bpy.ops.ed.redo()
    assert len(curves(bpy.context.scene)) == 4
    assert bpy.context.scene.beamwright.worst_frames[0].projector == "Projector"


def test_a_linked_action_is_refused(scene, tmp_path):
    """An action of another file cannot take the curves: the button says so."""
    add_cube()
    action = bpy.data.actions.new("Linked")
    path = tmp_path / "actions.blend"
    bpy.data.libraries.write(str(path), {action})
    bpy.data.actions.remove(action)
    with bpy.data.libraries.load(str(path), link=True) as (_there, here):
        here.actions = ["Linked"]
    scene.animation_data_create().action = here.actions[0]
    assert not bpy.ops.beamwright.analyze_range.poll()
    scene.animation_data.action = None
    assert bpy.ops.beamwright.analyze_range.poll()


def test_keep_outs_show_in_the_figures(scene):
    """The report counts what the scene's own safety limits darken, as an export does."""
    add_cube()
    projector = scene.beamwright.add_projector("Pictures")
    areas = bpy.data.collections.new("Keep Out")
    scene.collection.children.link(areas)
    projector.safety.keep_outs = areas
    bpy.ops.beamwright.analyze_frame()
    assert results.latest("Scene").figures["Pictures"].darkened == 0
    area = add_mesh("Area", [(0, 0, -3), (3, 0, -3), (3, 0, 3), (0, 0, 3)], faces=[(0, 1, 2, 3)])
    areas.objects.link(area)
    scene.collection.objects.unlink(area)
    area.beamwright.lines.drawn = area.beamwright.lines.occludes = False
    bpy.context.view_layer.update()
    bpy.ops.beamwright.analyze_frame()
    assert results.latest("Scene").figures["Pictures"].darkened > 0
