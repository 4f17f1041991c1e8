# SPDX-License-Identifier: GPL-3.0-or-later
"""A real Blender for each test, with the add-on registered from the checkout."""

import os
import tempfile

import pytest

# Before Blender is imported, or tests would read and write the developer's own preferences.
os.environ["BLENDER_USER_RESOURCES"] = tempfile.mkdtemp(prefix="beamwright-tests-")

bpy = pytest.importorskip("bpy")


@pytest.fixture(scope="session")
def addon():
    """Register the add-on once. Classes left at exit would hang Blender 4.5."""
    import beamwright.addon

    beamwright.addon.register()
    yield beamwright.addon
    beamwright.addon.unregister()


@pytest.fixture
def empty(addon):
    """An empty scene without a camera."""
    bpy.ops.wm.read_homefile(use_empty=True)
    scene = bpy.context.scene
    scene.render.resolution_x = scene.render.resolution_y = 1000
    return scene


@pytest.fixture
def scene(empty):
    """A square scene with a camera 10 units in front of the origin, looking along +y."""
    camera = bpy.data.objects.new("Camera", bpy.data.cameras.new("Camera"))
    camera.location = (0.0, -10.0, 0.0)
    camera.rotation_euler = (1.5707963267948966, 0.0, 0.0)
    empty.collection.objects.link(camera)
    empty.camera = camera
    empty.frame_start, empty.frame_end = 1, 4
    return empty
