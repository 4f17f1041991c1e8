# SPDX-License-Identifier: GPL-3.0-or-later
"""Keep-out areas drawn as objects, and the limits of a scene's projectors."""

import math

import bpy
import numpy as np
import pytest
from beamwright.addon.keep_out import keep_out_areas
from beamwright.addon.session import BlenderSource
from beamwright.core import pipeline
from beamwright.core.errors import SceneError
from beamwright.core.points.projector import Projector
from beamwright.core.safety.exposure import BeamWidth, Edition
from beamwright.core.safety.laser import LaserSetup, LaserSource
from beamwright.core.safety.limits import SafetyLimits
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
