# SPDX-License-Identifier: GPL-3.0-or-later
"""Jobs under way give back what they took, whatever ends them."""

import bpy
import pytest
from beamwright.addon import jobs, session
from beamwright.core.errors import SceneError
from blender_scenes import add_cube

OPERATORS = bpy.ops.beamwright


class Started:
    """A job that read its first frame of the current scene."""

    def __init__(self):
        self.source = session.open_source()
        self.closed = False
        self.run = jobs.Run("Count", self.source, self._steps())
        next(self.run.steps)

    def _steps(self):
        try:
            for frame in range(1, 5):
                self.source.scene_at(frame)
                yield frame, 4, frame
        finally:
            self.closed = True


@pytest.fixture
def hidden(scene):
    """A cube that renders but is hidden in the viewport, so that reading has to change it."""
    item = add_cube()
    item.hide_viewport = True
    scene.frame_set(3)
    yield item
    jobs.stop_all("the test ended")
    assert not jobs.running()
    assert not session.is_reading()


def test_ends_once(scene, hidden):
    """Everything comes back at the first end; a second one does nothing."""
    started = Started()
    assert not hidden.hide_viewport
    assert session.is_reading()
    started.run.close()
    assert started.closed
    assert hidden.hide_viewport
    assert scene.frame_current == 3
    hidden.hide_viewport = False
    started.run.close("again")
    assert not hidden.hide_viewport
    assert not started.run.stopped


def test_one_at_a_time(scene, hidden, tmp_path):
    """While one runs, the others are off and say why; then they are on again."""
    started = Started()
    for operator in (OPERATORS.export_sequence, OPERATORS.analyze_range, OPERATORS.bake_strokes):
        assert not operator.poll()
    with pytest.raises(RuntimeError, match="Count is still at work"):
        OPERATORS.export_sequence(folder=str(tmp_path))
    started.run.close()
    assert OPERATORS.export_sequence.poll()


def test_file_loaded(scene, hidden):
    """Another file ends it, with the reason."""
    started = Started()
    bpy.ops.wm.read_homefile(use_empty=True)
    assert started.closed
    assert started.run.stopped == "another file was loaded"
    assert not jobs.running()


def test_undo(scene, hidden):
    """So does an undo, and the viewport is as it was before the job."""
    bpy.ops.ed.undo_push(message="start")
    hidden.location.x = 1.0
    bpy.ops.ed.undo_push(message="moved")
    started = Started()
    bpy.ops.ed.undo()
    assert "undone" in started.run.stopped
    assert bpy.data.objects["Cube"].hide_viewport
    assert bpy.data.objects["Cube"].location.x == 0.0
    assert bpy.context.scene.frame_current == 3


def test_extension_switched_off(addon, scene, hidden):
    """Off means off: nothing of the job is left."""
    started = Started()
    addon.unregister()
    try:
        assert started.closed
        assert "switched off" in started.run.stopped
        assert hidden.hide_viewport
    finally:
        addon.register()


def test_scene_deleted(scene, hidden):
    """The next step says what happened, and ending it raises nothing."""
    other = bpy.data.scenes.new("Other")
    started = Started()
    bpy.data.scenes.remove(scene)
    with pytest.raises(SceneError, match="deleted or renamed"):
        next(started.run.steps)
    started.run.close()
    assert bpy.data.scenes[:] == [other]


def test_object_deleted(scene, hidden):
    """What is deleted is not drawn any more; the rest goes on."""
    add_cube("Other")
    started = Started()
    bpy.data.objects.remove(hidden)
    assert len(list(started.run.steps)) == 3
    started.run.close()
    assert [item.name for item in bpy.data.objects if item.type == "MESH"] == ["Other"]
