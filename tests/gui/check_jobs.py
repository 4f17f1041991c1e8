# SPDX-License-Identifier: GPL-3.0-or-later
"""Long work in a window: export and analysis run to the end, stop with Esc, and undo.

Run by ``run.py`` with a sample scene; exit code 0 where all of it holds.
"""

import os
import sys
import traceback
from pathlib import Path

import bpy

OUT = Path(os.environ["BEAMWRIGHT_OUT"])
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
    return [item.bl_idname for item in window.modal_operators if "BEAMWRIGHT" in item.bl_idname]


def wait(seconds):
    """Wait until no job of ours runs."""
    for _ in range(int(seconds / 0.2)):
        if not running():
            return
        yield
    raise AssertionError(f"still running after {seconds} s: {running()}")


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


bpy.app.timers.register(tick, first_interval=1.0)
