# SPDX-License-Identifier: GPL-3.0-or-later
"""Set a show up and render it in a window, and take the picture of the sequencer.

Run by ``run.py`` with the harbour show; exit code 0 where all of it holds.
"""

import os
import subprocess
import sys
import time
import traceback
from pathlib import Path

import bpy

OUT = Path(os.environ["BEAMWRIGHT_OUT"])
RENDERED = OUT / "render"

preferences = bpy.context.preferences
preferences.view.show_splash = False
preferences.use_preferences_save = False


def window():
    return bpy.context.window_manager.windows[0]


def area_of(kind):
    return next(item for item in window().screen.areas if item.type == kind)


def inside(area, kind="WINDOW"):
    region = next(item for item in area.regions if item.type == kind)
    return bpy.context.temp_override(window=window(), area=area, region=region)


def grab(name, area):
    """Save a picture of one area, as the screen shows it."""
    top = window().height - area.y - area.height
    crop = f"{area.width}x{area.height}+{area.x}+{top}"
    command = ["import", "-window", "root", "-crop", crop, "+repage", "+dither", "-colors", "256"]
    subprocess.run([*command, f"png8:{OUT / name}"], check=True)


def press(key):
    area = area_of("SEQUENCE_EDITOR")
    x, y = area.x + 80, area.y + area.height // 2
    for value in ("PRESS", "RELEASE"):
        window().event_simulate(key, value, x=x, y=y)
        yield


def at_work():
    return any("show_render" in item.bl_idname.lower() for item in window().modal_operators)


def wait(seconds=120.0):
    """Wait until no render of ours runs."""
    until = time.monotonic() + seconds
    while at_work():
        assert time.monotonic() < until, "still rendering"
        yield


def sequencer():
    """Give the largest area to the sequencer, with our tab beside it."""
    area = max(window().screen.areas, key=lambda item: item.width * item.height)
    area.type = "SEQUENCE_EDITOR"
    bpy.context.workspace.sequencer_scene = bpy.context.scene
    yield
    area.spaces.active.show_region_ui = True
    yield
    next(item for item in area.regions if item.type == "UI").active_panel_category = "Beamwright"
    with inside(area):
        bpy.ops.sequencer.view_all()
    for _ in range(4):
        yield


def show_scene(name):
    scene = bpy.data.scenes[name]
    window().scene = scene
    bpy.context.workspace.sequencer_scene = scene


def clicks():
    """New Show and Add Scene to Show, as the buttons do it, beside the show that is there."""
    show_scene("Harbour")
    area = area_of("SEQUENCE_EDITOR")
    yield
    with inside(area, "UI"):
        assert bpy.ops.beamwright.show_new("INVOKE_DEFAULT") == {"FINISHED"}
    show = window().scene
    assert show.beamwright_show.is_show
    assert show.name == "Show"
    yield
    with inside(area, "UI"):
        added = bpy.ops.beamwright.show_add_scene("EXEC_DEFAULT", scene="Whale", channel=1)
    assert added == {"FINISHED"}
    assert [strip.scene.name for strip in show.sequence_editor.strips] == ["Whale"]
    yield
    grab("new_show.png", area)
    yield


def rendering():
    """Esc ends a render and leaves nothing; the next one goes to its end."""
    made = window().scene
    # The sample show has far more frames than are drawn before Esc.
    show_scene("Harbour Show")
    window().scene.beamwright.output_folder = str(RENDERED)
    area = area_of("SEQUENCE_EDITOR")
    yield
    with inside(area, "UI"):
        assert bpy.ops.beamwright.show_render("INVOKE_DEFAULT") == {"RUNNING_MODAL"}
    for _ in range(3):
        yield
    assert at_work()
    grab("rendering.png", area)
    yield from press("ESC")
    yield
    assert not at_work()
    assert not RENDERED.exists() or not list(RENDERED.iterdir())
    show_scene(made.name)
    made.beamwright.output_folder = str(RENDERED)
    made.beamwright_show.length_from = "RANGE"
    made.frame_start, made.frame_end = 1, 40
    yield
    with inside(area, "UI"):
        assert bpy.ops.beamwright.show_render("INVOKE_DEFAULT") == {"RUNNING_MODAL"}
    yield from wait()
    names = {path.name for path in RENDERED.iterdir()}
    assert {"Pictures.ild", "Lettering.ild", "report.html"} <= names, names


def steps():
    yield
    yield from sequencer()
    bpy.context.scene.frame_set(1)
    yield
    grab("sequencer.png", area_of("SEQUENCE_EDITOR"))
    yield from clicks()
    yield from rendering()


todo = steps()


def tick():
    try:
        next(todo)
    except StopIteration:
        sys.exit(0)
    except Exception:
        traceback.print_exc()
        sys.exit(1)
    return 0.5


bpy.app.timers.register(tick, first_interval=1.0)
