# SPDX-License-Identifier: GPL-3.0-or-later
"""Long work in a window: export and analysis run to the end, stop with Esc, and undo; they
end cleanly where the scene, the file or the extension goes away under them.

Run by ``run.py`` with a sample scene; exit code 0 where all of it holds.
"""

import io
import os
import sys
import threading
import traceback
from pathlib import Path

import addon_utils
import bpy

OUT = Path(os.environ["BEAMWRIGHT_OUT"])
MODULE = "bl_ext.user_default.beamwright"
FILE = bpy.data.filepath
# Errors in operators and handlers do not end a script: what is printed tells of them.
errors = io.StringIO()
shown = sys.stderr


class Both:
    """Writes to the terminal, and keeps what was written."""

    def write(self, text):
        errors.write(text)
        return shown.write(text)

    def flush(self):
        shown.flush()


sys.stderr = Both()
preferences = bpy.context.preferences
preferences.view.show_splash = False
preferences.use_preferences_save = False


def context():
    window = bpy.context.window_manager.windows[0]
    area = next(item for item in window.screen.areas if item.type == "VIEW_3D")
    region = next(item for item in area.regions if item.type == "WINDOW")
    return window, area, region


def invoke(name, **keywords):
    window, area, region = context()
    with bpy.context.temp_override(window=window, area=area, region=region):
        result = getattr(bpy.ops.beamwright, name)("INVOKE_DEFAULT", **keywords)
    assert result == {"RUNNING_MODAL"}, result


def press_escape():
    window, area, _region = context()
    x, y = area.x + area.width // 3, area.y + area.height // 2
    for value in ("PRESS", "RELEASE"):
        window.event_simulate("ESC", value, x=x, y=y)


def running():
    window = context()[0]
    # Of an operator whose class is gone, Blender keeps an empty place until the next event.
    operators = [item for item in window.modal_operators if item is not None]
    return [item.bl_idname for item in operators if "BEAMWRIGHT" in item.bl_idname]


def wait(seconds):
    """Wait until no job of ours runs."""
    for _ in range(int(seconds / 0.2)):
        if not running():
            return
        yield
    raise AssertionError(f"still running after {seconds} s: {running()}")


def begin_export(folder):
    """Start an export that takes a while."""
    scene = bpy.context.scene
    scene.frame_start, scene.frame_end = 1, 200
    invoke("export_sequence", folder=str(folder))


def left_behind(folder):
    """Nothing of a job that did not end by itself may stay."""
    found = list(folder.rglob("*")) if folder.exists() else []
    assert not found, found


def markers():
    return [
        marker.name
        for marker in bpy.context.scene.timeline_markers
        if marker.name.startswith("Over budget")
    ]


def steps():
    scene = bpy.context.scene
    scene.frame_start, scene.frame_end = 1, 10
    scene.frame_set(7)
    yield

    folder = OUT / "whole"
    invoke("export_sequence", folder=str(folder))
    yield from wait(60)
    names = sorted(path.name for path in folder.iterdir())
    assert "report.json" in names, names
    assert sum(name.endswith(".ild") for name in names) == len(scene.beamwright.projectors), names
    assert scene.frame_current == 7

    scene.frame_end = 200
    folder = OUT / "cancelled"
    invoke("export_sequence", folder=str(folder))
    yield
    yield
    assert running()
    press_escape()
    yield from wait(10)
    left = list(folder.rglob("*")) if folder.exists() else []
    assert not left, left
    assert scene.frame_current == 7

    scene.frame_end = 10
    for projector in scene.beamwright.projectors:
        projector.target_refresh_hz = 500.0
    for item in scene.objects:
        item.beamwright.locked = True
    bpy.ops.ed.undo_push(message="before")
    invoke("analyze_range")
    yield from wait(60)
    assert markers()
    yield
    bpy.ops.ed.undo()
    yield
    assert not markers()
    assert not any(key.startswith("Beamwright ") for key in dict(bpy.context.scene.items()))
    bpy.ops.ed.redo()
    yield
    assert markers()

    # The scene is deleted under the job, as from another window.
    folder = OUT / "deleted"
    begin_export(folder)
    yield
    assert running()
    doomed = bpy.context.scene
    other = bpy.data.scenes.new("Other")
    context()[0].scene = other
    bpy.data.scenes.remove(doomed)
    yield from wait(10)
    left_behind(folder)

    # Another file is loaded under it, with the preview on.
    bpy.ops.wm.open_mainfile(filepath=FILE)
    yield
    folder = OUT / "loaded"
    bpy.context.window_manager.beamwright_preview.enabled = True
    begin_export(folder)
    yield
    assert running()
    bpy.ops.wm.open_mainfile(filepath=FILE)
    yield
    assert not running()
    left_behind(folder)
    assert bpy.context.window_manager.beamwright_preview.enabled

    # Two windows: an undo in the one ends the job of the other.
    bpy.ops.wm.window_new()
    yield
    bpy.ops.ed.undo_push(message="before")
    bpy.context.scene.frame_step = 1
    bpy.ops.ed.undo_push(message="after")
    folder = OUT / "undone"
    begin_export(folder)
    yield
    assert running()
    bpy.ops.ed.undo()
    yield from wait(5)
    left_behind(folder)
    with bpy.context.temp_override(window=bpy.context.window_manager.windows[-1]):
        bpy.ops.wm.window_close()
    yield

    # The extension is switched off under job and preview, and on again.
    folder = OUT / "off"
    begin_export(folder)
    yield
    assert running()
    addon_utils.disable(MODULE, default_set=True)
    yield
    assert not running()
    left_behind(folder)
    assert not hasattr(bpy.types.Scene, "beamwright")
    assert not hasattr(bpy.context.window_manager, "beamwright_preview")
    assert not [thread for thread in threading.enumerate() if thread.name == "preview"]
    addon_utils.enable(MODULE, default_set=True)
    yield
    folder = OUT / "on"
    bpy.context.scene.frame_end = 5
    invoke("export_sequence", folder=str(folder))
    yield from wait(30)
    assert (folder / "report.json").exists()
    assert "Traceback" not in errors.getvalue(), errors.getvalue()
    print("All checks passed")


todo = steps()


def tick():
    try:
        next(todo)
    except StopIteration:
        sys.exit(0)
    except Exception:
        traceback.print_exc()
        sys.exit(1)
    return 0.2


bpy.app.timers.register(tick, first_interval=1.0, persistent=True)
