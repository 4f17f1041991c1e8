# SPDX-License-Identifier: GPL-3.0-or-later
"""The camera against Blender's own projection (`bpy_extras.object_utils`)."""

import math
import random

import bpy
import numpy as np
import pytest
from beamwright.addon.extract.camera import bound_camera, extract_camera
from beamwright.addon.session import open_source
from beamwright.core.errors import SceneError
from blender_scenes import add_cube
from bpy_extras.object_utils import world_to_camera_view
from mathutils import Vector


def randomise(scene, seed):
    """Give the scene's camera and render frame random settings of every kind."""
    choose = random.Random(seed)
    camera, render = scene.camera, scene.render
    lens = camera.data
    camera.location = [choose.uniform(-8, 8) for _ in range(3)]
    camera.rotation_euler = [choose.uniform(-3, 3) for _ in range(3)]
    camera.scale = [choose.uniform(0.2, 3.0) for _ in range(3)]
    lens.type = choose.choice(["PERSP", "ORTHO"])
    lens.lens = choose.uniform(15, 120)
    lens.ortho_scale = choose.uniform(1, 20)
    lens.sensor_fit = choose.choice(["AUTO", "HORIZONTAL", "VERTICAL"])
    lens.sensor_width = choose.uniform(10, 50)
    lens.sensor_height = choose.uniform(10, 50)
    lens.shift_x, lens.shift_y = choose.uniform(-0.8, 0.8), choose.uniform(-0.8, 0.8)
    lens.clip_start, lens.clip_end = 0.05, choose.uniform(50, 500)
    render.resolution_x = choose.randrange(200, 4000)
    render.resolution_y = choose.randrange(200, 4000)
    render.resolution_percentage = choose.choice([10, 50, 100])
    render.pixel_aspect_x = choose.choice([1.0, 1.0, 1.5])
    render.pixel_aspect_y = choose.choice([1.0, 1.0, 1.25])
    return choose


@pytest.mark.parametrize("seed", range(40))
def test_projects_as_blender_does(scene, seed):
    """Field coordinates are Blender's normalised ones, spread over a page of true shape."""
    choose = randomise(scene, seed)
    scene.frame_set(1)
    depsgraph = scene.view_layers[0].depsgraph
    camera = extract_camera(scene.camera, scene, depsgraph)

    render = scene.render
    aspect = (render.resolution_x * render.pixel_aspect_x) / (
        render.resolution_y * render.pixel_aspect_y
    )
    assert max(camera.half_width, camera.half_height) == 1.0
    assert camera.half_width / camera.half_height == pytest.approx(aspect, rel=1e-6)
    assert camera.perspective == (scene.camera.data.type == "PERSP")
    assert camera.clip_end == pytest.approx(scene.camera.data.clip_end)

    matrix = scene.camera.matrix_world.normalized()
    for _ in range(20):
        local = Vector((choose.uniform(-3, 3), choose.uniform(-3, 3), -choose.uniform(1, 30)))
        world = matrix @ local
        expected = world_to_camera_view(scene, scene.camera, world)
        clip = camera.view_projection @ [*world, 1.0]
        field = clip[:2] / clip[3]
        assert field == pytest.approx(
            [
                (2 * expected.x - 1) * camera.half_width,
                (2 * expected.y - 1) * camera.half_height,
            ],
            abs=2e-5 * max(1.0, abs(expected.x), abs(expected.y)),
        )
        if camera.perspective:
            assert clip[3] == pytest.approx(expected.z, rel=1e-5)
        ahead = np.dot(np.array(world) - camera.eye, camera.direction)
        assert ahead == pytest.approx(expected.z, rel=1e-4)


def test_circle_stays_round(scene):
    """Lengths in the field are true at any aspect: no pixel shape is left in them."""
    scene.render.resolution_x, scene.render.resolution_y = 1920, 1080
    scene.render.pixel_aspect_y = 1.2
    scene.frame_set(1)
    camera = extract_camera(scene.camera, scene, scene.view_layers[0].depsgraph)
    fields = []
    for world in ((1, 0, 0), (0, 0, 1)):
        clip = camera.view_projection @ [*world, 1.0]
        fields.append(np.linalg.norm(clip[:2] / clip[3]))
    assert fields[0] == pytest.approx(fields[1], rel=1e-6)


def test_markers_bind_cameras(scene):
    """The camera follows markers as Blender's own frame change does."""
    add_cube()
    names = {}
    for frame, lens in ((3, 20.0), (7, 80.0)):
        other = bpy.data.objects.new(f"Cam{frame}", bpy.data.cameras.new(f"Cam{frame}"))
        other.data.lens = lens
        other.matrix_world = scene.camera.matrix_world
        scene.collection.objects.link(other)
        marker = scene.timeline_markers.new(f"m{frame}", frame=frame)
        marker.camera = other
        names[frame] = other.name
    source = open_source()
    for frame in range(1, 10):
        scene.frame_set(frame)
        expected = names[7] if frame >= 7 else names[3]
        assert scene.camera.name == expected  # Blender's own choice
        assert bound_camera(scene, frame).name == expected
    width = {frame: source.scene_at(frame).camera.view_projection[0, 0] for frame in (3, 7)}
    assert width[7] == pytest.approx(4.0 * width[3])


def test_camera_by_name_wins_over_markers(scene):
    """`camera_name` looks through that camera whatever the markers say."""
    add_cube()
    wide = bpy.data.objects.new("Wide", bpy.data.cameras.new("Wide"))
    wide.data.lens = 25.0
    wide.matrix_world = scene.camera.matrix_world
    scene.collection.objects.link(wide)
    scene.timeline_markers.new("cut", frame=1).camera = scene.camera
    ratio = (
        open_source().scene_at(2).camera.view_projection[0, 0]
        / open_source(camera_name="Wide").scene_at(2).camera.view_projection[0, 0]
    )
    assert ratio == pytest.approx(2.0)


def test_projector_has_its_own_camera(scene):
    """A projector's camera override appears under its name; others use the scene's."""
    add_cube()
    side = bpy.data.objects.new("Side", bpy.data.cameras.new("Side"))
    side.location = (10.0, 0.0, 0.0)
    side.rotation_euler = (math.pi / 2, 0.0, math.pi / 2)
    scene.collection.objects.link(side)
    settings = scene.beamwright
    settings.add_projector("Front")
    settings.add_projector("Side").camera = side
    frame = open_source().scene_at(1)
    assert set(frame.projector_cameras) == {"Side"}
    assert frame.projector_cameras["Side"].eye == pytest.approx([10.0, 0.0, 0.0])
    assert frame.camera.eye == pytest.approx([0.0, -10.0, 0.0])


def test_panoramic_camera_is_refused(scene):
    """The message names the camera and the lens type to set."""
    add_cube()
    scene.camera.data.type = "PANO"
    with pytest.raises(SceneError, match=r"“Camera”.*Perspective or Orthographic"):
        open_source().scene_at(1)


def test_flat_camera_is_refused(scene):
    """A camera scaled to nothing has no direction."""
    add_cube()
    scene.camera.scale = (0.0, 0.0, 0.0)
    with pytest.raises(SceneError, match=r"“Camera”.*scale"):
        open_source().scene_at(1)
