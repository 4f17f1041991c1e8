# SPDX-License-Identifier: GPL-3.0-or-later
"""Keep-out areas drawn as objects, and the limits of a scene's projectors."""

import math

import bpy
import numpy as np
import pytest
import shapely
from beamwright.addon.keep_out import keep_out_areas
from beamwright.addon.session import BlenderSource
from beamwright.core import pipeline
from beamwright.core.errors import SceneError
from beamwright.core.output import ilda
from beamwright.core.points.projector import Projector
from beamwright.core.safety.exposure import BeamWidth, Edition
from beamwright.core.safety.laser import LaserSetup, LaserSource
from beamwright.core.safety.limits import SafetyLimits
from beamwright.core.sequence import RenderRequest, render_sequence
from blender_scenes import add_cube


def square(name, half=0.5, centre=(0.0, 0.0), faces=((0, 1, 2, 3),), edges=()):
    """A square in the plane that the test camera looks at."""
    mesh = bpy.data.meshes.new(name)
    x, z = centre
    corners = [(x + a * half, 0.0, z + b * half) for a, b in ((-1, -1), (1, -1), (1, 1), (-1, 1))]
    mesh.from_pydata(corners, edges, faces)
    item = bpy.data.objects.new(name, mesh)
    return item


@pytest.fixture
def projector(scene):
    """A projector with an empty keep-out collection."""
    scene.camera.data.type = "ORTHO"
    scene.camera.data.ortho_scale = 4.0
    collection = bpy.data.collections.new("Keep Out")
    scene.collection.children.link(collection)
    added = scene.beamwright.add_projector("Pictures")
    added.aim.scale_x = added.aim.scale_y = 0.5
    added.safety.keep_outs = collection
    return added


def link(projector, item):
    projector.safety.keep_outs.objects.link(item)
    bpy.context.view_layer.update()
    return item


def corners(area):
    return sorted((round(x, 6), round(y, 6)) for x, y in area.outline)


SQUARE = [(-0.125, -0.125), (-0.125, 0.125), (0.125, -0.125), (0.125, 0.125)]


def test_a_face_becomes_an_area_in_the_projectors_field(scene, projector):
    """4 units span the field and the aim halves it: a square of 1 unit is 0.25 wide."""
    link(projector, square("Band"))
    (area,) = keep_out_areas(scene, projector)
    assert area.name == "Band"
    assert corners(area) == SQUARE


@pytest.mark.parametrize("hide", ["hide_viewport", "hide_render", "excluded"])
def test_hidden_areas_count_all_the_same(scene, projector, hide):
    item = link(projector, square("Band"))
    if hide == "excluded":
        bpy.context.view_layer.layer_collection.children["Keep Out"].exclude = True
    else:
        setattr(item, hide, True)
    bpy.context.view_layer.update()
    (area,) = keep_out_areas(scene, projector)
    assert corners(area) == SQUARE


def test_a_hidden_area_with_modifiers_is_refused(scene, projector):
    item = link(projector, square("Band"))
    item.modifiers.new("Mirror", "MIRROR")
    item.hide_viewport = True
    bpy.context.view_layer.update()
    with pytest.raises(SceneError, match="“Band” is hidden and has modifiers"):
        keep_out_areas(scene, projector)


def test_outlines_without_faces(scene, projector):
    """A ring of edges is what it encloses; an open line is what it could enclose."""
    link(projector, square("Ring", faces=(), edges=((0, 1), (1, 2), (2, 3), (3, 0))))
    link(projector, square("Open", faces=(), edges=((0, 1), (1, 2), (2, 3))))
    areas = keep_out_areas(scene, projector)
    assert [area.name for area in areas] == ["Open", "Ring"]
    assert [corners(area) for area in areas] == [SQUARE, SQUARE]


def test_a_curve(scene, projector):
    """A circle of radius 1, drawn as a curve with a turned plane."""
    bpy.ops.curve.primitive_bezier_circle_add(radius=1.0, rotation=(math.pi / 2, 0.0, 0.0))
    item = bpy.context.object
    for collection in item.users_collection:
        collection.objects.unlink(item)
    link(projector, item)
    (area,) = keep_out_areas(scene, projector)
    radius = np.hypot(*np.array(area.outline).T)
    assert len(radius) >= 16
    np.testing.assert_allclose(radius, 0.25, rtol=0.02)


@pytest.mark.parametrize("mover", ["camera", "area", "lens"])
def test_an_area_that_could_move_over_the_page_is_refused(scene, projector, mover):
    item = link(projector, square("Band"))
    owner = {"camera": scene.camera, "area": item, "lens": scene.camera.data}[mover]
    owner.keyframe_insert("ortho_scale" if mover == "lens" else "location", frame=1)
    with pytest.raises(SceneError, match="“Band” could move over the page"):
        keep_out_areas(scene, projector)


def test_an_area_of_a_moving_camera_is_parented_to_it(scene, projector):
    item = link(projector, square("Band"))
    scene.camera.keyframe_insert("location", frame=1)
    item.parent = scene.camera
    item.matrix_parent_inverse = scene.camera.matrix_world.inverted()
    bpy.context.view_layer.update()
    (area,) = keep_out_areas(scene, projector)
    assert corners(area) == SQUARE


def test_what_is_no_shape_or_behind_the_camera_is_refused(scene, projector):
    lamp = bpy.data.objects.new("Lamp", bpy.data.lights.new("Lamp", "POINT"))
    link(projector, lamp)
    with pytest.raises(SceneError, match="“Lamp” is no keep-out area"):
        keep_out_areas(scene, projector)
    projector.safety.keep_outs.objects.unlink(lamp)
    scene.camera.data.type = "PERSP"
    item = link(projector, square("Band"))
    item.location.y = -12.0
    bpy.context.view_layer.update()
    with pytest.raises(SceneError, match="“Band” reaches behind its camera"):
        keep_out_areas(scene, projector)


def test_limits_reach_the_planned_frame(scene, projector):
    """A cube under a keep-out area is drawn but for the part beneath."""
    add_cube()
    link(projector, square("Band", half=1.5, centre=(1.6, 0.0)))
    source = BlenderSource(scene)
    planned = pipeline.draw_frame(source.current(), source.projectors, limits=source.limits)
    frame = planned["Pictures"].frame
    lit = frame.xy[frame.rgb.any(axis=1)]
    assert len(lit)
    assert lit[:, 0].max() < 0.025
    assert planned["Pictures"].figures.darkened > 0


def test_untouched_settings_are_cores(scene, projector):
    source = BlenderSource(add_cube().users_scene[0])
    assert source.limits == {"Pictures": SafetyLimits()}
    assert source.lasers == {}


def test_every_safety_setting_arrives(scene, projector):
    safety, light = projector.safety, projector.light
    safety.margin_field, safety.dwell_max_us, safety.spot_field = 0.05, 500.0, 0.03
    safety.brightness_max, safety.picture_min_field = 0.25, 0.4
    safety.window_low, safety.window_high = (-0.9, -0.8), (0.7, 0.6)
    assert scene.beamwright.limits_to_core()["Pictures"] == SafetyLimits(
        margin_field=0.05,
        window=(-0.9, -0.8, 0.7, 0.6),
        dwell_max_us=500.0,
        spot_field=0.03,
        brightness_max=0.25,
        picture_min_field=0.4,
    )
    light.wavelength_nm, light.power_w = (638.0, 520.0, 0.0), (0.5, 1.25, -1.0)
    light.divergence_mrad, light.diameter_mm, light.distance_m = 1.2, 4.0, 12.5
    light.width, light.edition = "INVERSE_E2", "GENERATION_2014"
    light.check_live, light.ratio_max = True, 2.5
    assert scene.beamwright.lasers_to_core() == {
        "Pictures": LaserSetup(
            source=LaserSource((638.0, 520.0, None), (0.5, 1.25, 0.0), 1.2, 4.0,
                               BeamWidth.INVERSE_E2),
            distance_m=12.5,
            edition=Edition.GENERATION_2014,
            ratio_max=2.5,
        )
    }  # fmt: skip


def test_the_core_projector_is_untouched(scene, projector):
    """Safety and light are no part of what frames are planned for."""
    projector.safety.margin_field = 0.05
    projector.aim.scale_x = projector.aim.scale_y = 0.95
    assert projector.to_core() == Projector(name="Pictures")


def add_keep_out(**options):
    assert bpy.ops.beamwright.keep_out_add(**options) == {"FINISHED"}
    bpy.context.view_layer.update()
    return bpy.context.object


@pytest.fixture
def pictures(scene):
    """A projector without keep-outs and a cube to draw."""
    add_cube()
    return scene.beamwright.add_projector("Pictures")


@pytest.mark.parametrize("lens", ["PERSP", "ORTHO"])
def test_an_added_area_lies_on_the_page_where_it_was_asked_for(scene, pictures, lens):
    """A wide page, a scaled, shifted and turned camera: the same part of the page."""
    scene.render.resolution_x, scene.render.resolution_y = 1600, 900
    scene.camera.data.type = lens
    scene.camera.data.shift_x, scene.camera.scale = 0.2, (2.0, 0.5, 1.5)
    scene.camera.rotation_euler = (1.1, 0.3, 0.7)
    pictures.aim.scale_x = pictures.aim.scale_y = 1.0
    bpy.context.view_layer.update()
    item = add_keep_out(centre=(0.5, -0.5), width=0.25, height=0.5)
    assert item.select_get()
    assert bpy.context.selected_objects == [item]
    assert (item.display_type, item.show_in_front, item.hide_render) == ("WIRE", True, True)
    (area,) = keep_out_areas(scene, pictures)
    assert np.allclose(sorted(area.outline), [
        (0.25, -0.5625), (0.25, 0.0), (0.75, -0.5625), (0.75, 0.0),
    ], atol=1e-5)  # fmt: skip


def test_an_added_area_is_no_part_of_the_picture(scene, pictures):
    """It is neither drawn nor does it hide the cube; its collection says the same."""
    before = pipeline.visible_strokes(BlenderSource(scene).current())
    item = add_keep_out(width=0.05, height=0.05, centre=(0.9, 0.9))
    assert pictures.safety.keep_outs.beamwright.override_lines
    after = pipeline.visible_strokes(BlenderSource(scene).current())
    np.testing.assert_array_equal(before.points, after.points)
    item.hide_render = False
    shown = pipeline.visible_strokes(BlenderSource(scene).current())
    np.testing.assert_array_equal(before.points, shown.points)


def test_an_animated_camera_keeps_its_added_area(scene, pictures):
    """It hangs on the camera, so that the areas are not refused for moving."""
    add_keep_out()
    (still,) = keep_out_areas(scene, pictures)
    scene.camera.keyframe_insert("location", frame=1)
    scene.camera.location = (3.0, -8.0, 2.0)
    scene.camera.keyframe_insert("location", frame=4)
    scene.frame_set(4)
    (moved,) = keep_out_areas(scene, pictures)
    assert np.allclose(still.outline, moved.outline, atol=1e-5)


def test_edits_in_edit_mode_count_at_once(scene, pictures):
    item = add_keep_out()
    (before,) = keep_out_areas(scene, pictures)
    bpy.ops.object.mode_set(mode="EDIT")
    try:
        bpy.ops.mesh.select_all(action="SELECT")
        bpy.ops.transform.resize(value=(2.0, 2.0, 2.0))
        bpy.context.view_layer.update()
        (during,) = keep_out_areas(scene, pictures)
        assert not bpy.ops.beamwright.keep_out_add.poll()
    finally:
        bpy.ops.object.mode_set(mode="OBJECT")
    (after,) = keep_out_areas(scene, pictures)
    assert np.allclose(2.0 * np.array(sorted(before.outline)), sorted(after.outline), atol=1e-5)
    assert np.allclose(sorted(during.outline), sorted(after.outline), atol=1e-5)
    assert item.name == after.name


def test_nothing_in_an_added_area_is_lit_in_the_exported_file(scene, pictures, tmp_path):
    """Points and the segments between them, against shapely; the cube is lit elsewhere."""
    scene.frame_end = 2
    request = RenderRequest(folder=tmp_path / "before")
    for _ in render_sequence(BlenderSource(scene), request):
        pass
    add_keep_out(shape="ROUND", centre=(0.15, 0.0), width=0.2, height=0.4)
    (area,) = keep_out_areas(scene, pictures)
    inside = shapely.Polygon(area.outline)
    request = RenderRequest(folder=tmp_path / "after")
    for _ in render_sequence(BlenderSource(scene), request):
        pass
    for folder, allowed in (("before", False), ("after", True)):
        lit_inside = 0
        for frame in ilda.read(tmp_path / folder / "Pictures.ild"):
            samples = frame.samples(30000.0)
            begin = np.roll(samples.xy, 1, axis=0)
            lit = samples.rgb.any(axis=1)
            assert lit.any()
            ways = shapely.linestrings(np.stack([begin[lit], samples.xy[lit]], axis=1))
            lit_inside += np.count_nonzero(shapely.intersects(inside, ways))
        assert (lit_inside == 0) == allowed


def test_areas_are_listed_selected_and_removed(scene, pictures):
    first, second = add_keep_out(), add_keep_out(centre=(0.5, 0.5))
    assert second.select_get()
    assert not first.select_get()
    assert bpy.ops.beamwright.keep_out_select(name=first.name) == {"FINISHED"}
    assert bpy.context.selected_objects == [first]
    shape = first.data.name
    assert bpy.ops.beamwright.keep_out_remove(name=first.name) == {"FINISHED"}
    assert shape not in bpy.data.meshes
    assert [area.name for area in keep_out_areas(scene, pictures)] == [second.name]
    with pytest.raises(RuntimeError, match="no keep-out area “Nothing”"):
        bpy.ops.beamwright.keep_out_remove(name="Nothing")
    # Another projector's areas are not touched.
    scene.beamwright.add_projector("Words")
    scene.beamwright.active_projector = 1
    with pytest.raises(RuntimeError, match="has no keep-out areas"):
        bpy.ops.beamwright.keep_out_remove(name=second.name)


def test_adding_and_removing_can_be_undone(scene, pictures):
    bpy.ops.ed.undo_push(message="start")
    bpy.ops.beamwright.keep_out_add("EXEC_DEFAULT", True)
    assert len(bpy.context.scene.beamwright.projectors[0].safety.keep_outs.objects) == 1
    bpy.ops.ed.undo()
    assert bpy.context.scene.beamwright.projectors[0].safety.keep_outs is None
    bpy.ops.ed.redo()
    (item,) = bpy.context.scene.beamwright.projectors[0].safety.keep_outs.objects
    bpy.ops.beamwright.keep_out_remove("EXEC_DEFAULT", True, name=item.name)
    bpy.ops.ed.undo()
    assert len(bpy.context.scene.beamwright.projectors[0].safety.keep_outs.objects) == 1


def test_what_adding_needs_is_said(scene):
    with pytest.raises(RuntimeError, match="no projector yet"):
        bpy.ops.beamwright.keep_out_add()
    scene.beamwright.add_projector("Pictures")
    scene.camera = None
    with pytest.raises(RuntimeError, match="no camera"):
        bpy.ops.beamwright.keep_out_add()
