# SPDX-License-Identifier: GPL-3.0-or-later
"""Opening scenes: what is refused, in which words, and what is left behind."""

import bpy
import numpy as np
import pytest
from beamwright.addon.session import open_source
from beamwright.core.errors import BeamwrightError, SceneError
from blender_scenes import add_cube


def refusal(*arguments, **keywords):
    with pytest.raises(SceneError) as caught:
        open_source(*arguments, **keywords)
    message = str(caught.value)
    assert "\n" not in message
    assert message.endswith(".")
    return message


def test_missing_file(scene, tmp_path):
    path = tmp_path / "none.blend"
    assert refusal(path) == f"There is no file “{path}”: check the path."


def test_folder(scene, tmp_path):
    assert "is a folder" in refusal(tmp_path)


def test_missing_library(scene, tmp_path):
    """Without what it links a scene would show what is hidden; with it, it opens."""
    library, path = tmp_path / "boats.blend", tmp_path / "quay.blend"
    boats = bpy.data.collections.new("Boats")
    add_cube("Hull", bpy.context.scene.collection)
    boats.objects.link(bpy.data.objects["Hull"])
    bpy.data.libraries.write(str(library), {boats})
    bpy.data.objects.remove(bpy.data.objects["Hull"])
    bpy.data.collections.remove(boats)
    with bpy.data.libraries.load(str(library), link=True) as (_there, here):
        here.collections = ["Boats"]
    scene.collection.children.link(here.collections[0])
    bpy.ops.wm.save_as_mainfile(filepath=str(path))
    (surface,) = open_source(path).scene_at(1).surfaces
    assert surface.name.startswith("Hull")
    library.unlink()
    message = refusal(path)
    assert "“Boats”" in message
    assert "boats.blend" in message


@pytest.mark.parametrize("content", [b"", b"not a scene", b"BLENDER-v405RENDH"])
def test_unreadable_file(scene, tmp_path, content):
    """Not a .blend file, or a broken one: said so, and the open scene stays."""
    path = tmp_path / "broken.blend"
    path.write_bytes(content)
    scene.name = "Still Here"
    message = refusal(path)
    assert "broken.blend" in message
    assert "cannot be opened" in message
    assert bpy.data.scenes[0].name == "Still Here"


def test_scene_names_are_listed(scene):
    add_cube()
    bpy.data.scenes.new("Second")
    message = refusal(scene_name="Third")
    assert "“Third”" in message
    assert "“Scene”, “Second”" in message


def test_no_camera(empty):
    add_cube()
    assert "has no camera: add one" in refusal()


def test_camera_that_is_not_the_scenes(scene):
    """The message names a camera that is there."""
    add_cube()
    scene.camera = None
    assert "make “Camera” the scene's camera" in refusal()


def test_unknown_camera(scene):
    add_cube()
    message = refusal(camera_name="Cube")
    assert "no camera “Cube”" in message
    assert "“Camera”" in message


def test_empty_scene(scene):
    assert "is empty" in refusal()


def test_deleted_scene(scene):
    """A source outlives its scene, and says so."""
    other = bpy.data.scenes.new("Gone")
    other.collection.objects.link(scene.camera)
    other.camera = scene.camera
    add_cube(collection=other.collection)
    source = open_source(scene_name="Gone")
    bpy.data.scenes.remove(other)
    with pytest.raises(SceneError, match="“Gone” was deleted"):
        source.scene_at(1)


def test_deleted_object_between_frames(scene):
    """Objects may come and go while frames are read."""
    add_cube("One")
    add_cube("Two")
    source = open_source()
    assert len(source.scene_at(1).surfaces) == 2
    bpy.data.objects.remove(bpy.data.objects["One"])
    assert [surface.name for surface in source.scene_at(2).surfaces] == ["Two"]


def test_facts_of_the_scene(scene):
    add_cube()
    scene.render.fps, scene.render.fps_base = 30, 1.001
    scene.frame_start, scene.frame_end = 5, 50
    source = open_source()
    assert source.fps == pytest.approx(29.97, abs=1e-3)
    assert (source.name, source.frame_start, source.frame_end) == ("Scene", 5, 50)
    assert source.details()["blender"] == bpy.app.version_string


def test_file_is_read_in_the_state_of_its_renders(scene, tmp_path):
    """A saved scene gives what its render would show, with the same arrays as when open."""
    item = add_cube()
    add_cube("Hidden").hide_viewport = True
    item.rotation_euler = (0.3, 0.4, 0.5)
    with open_source().reading():
        before = open_source().scene_at(2).surfaces
    path = tmp_path / "saved.blend"
    bpy.ops.wm.save_as_mainfile(filepath=str(path))
    bpy.ops.wm.read_homefile(use_empty=True)
    after = open_source(path).scene_at(2).surfaces
    assert [surface.name for surface in after] == ["Cube", "Hidden"]
    for ours, theirs in zip(after, before, strict=True):
        assert np.array_equal(ours.positions, theirs.positions)
        assert ours.identity == theirs.identity


def test_topologies_serve_later_sources(scene):
    """A second source of the same scene finds what the first one read; an undo forgets it."""
    from beamwright.addon import session

    add_cube()
    first = open_source().scene_at(1).surfaces[0].topology
    assert open_source().scene_at(1).surfaces[0].topology is first
    session.forget()
    assert open_source().scene_at(1).surfaces[0].topology is not first


def test_projectors_without_names(scene):
    """A name that was emptied behind our back is reported, not written."""
    add_cube()
    scene.beamwright.projectors.add()
    with pytest.raises(BeamwrightError, match="name"):
        open_source()
