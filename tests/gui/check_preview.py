# SPDX-License-Identifier: GPL-3.0-or-later
"""The preview in a window: switched on and off with the mouse, playing, moving, undone.

Run by ``run.py`` with the harbour scene; exit code 0 where all of it holds. The pictures it
takes are its proof: what is asserted of pixels is read from the screen.
"""

import importlib
import os
import subprocess
import sys
import threading
import traceback
from pathlib import Path

import addon_utils
import bpy
import numpy as np

OUT = Path(os.environ["BEAMWRIGHT_OUT"])
MODULE = "bl_ext.user_default.beamwright"
preferences = bpy.context.preferences
preferences.view.show_splash = False
preferences.use_preferences_save = False
preferences.system.viewport_aa = "OFF"

overlay = importlib.import_module(MODULE + ".addon.preview.overlay")
settings = importlib.import_module(MODULE + ".addon.preview.settings")

# Where things lie in the sidebar: to the right of its left edge, below its top.
SWITCH = (36, 16)
SIMULATED_BEAM = (124, 99)
TINT = np.array((0.45, 0.87, 0.74)) * 255.0  # of a meter that is content


def view():
    window = bpy.context.window_manager.windows[0]
    area = next(item for item in window.screen.areas if item.type == "VIEW_3D")
    regions = {region.type: region for region in area.regions}
    return window, area, regions


def grab(name):
    """Save the screen, and return the 3D view's pixels, (height, width, 3), y down."""
    window, _area, regions = view()
    path = OUT / f"{name}.png"
    subprocess.run(["import", "-window", "root", str(path)], check=True)
    raw = subprocess.run(["convert", str(path), "rgb:-"], check=True, capture_output=True).stdout
    pixels = np.frombuffer(raw, np.uint8).reshape(window.height, window.width, -1).astype(int)
    region = regions["WINDOW"]
    top = window.height - region.y - region.height
    right = regions["UI"].x
    return pixels[top : top + region.height, region.x : right]


def move(x, y):
    window = view()[0]
    for shift in (3, 0):
        window.event_simulate("MOUSEMOVE", "NOTHING", x=x + shift, y=y)
        yield 0.1


def click(place):
    """Click into the sidebar."""
    window, _area, regions = view()
    region, scale = regions["UI"], preferences.system.ui_scale / 1.0416666
    x = region.x + round(place[0] * scale)
    y = region.y + region.height - round(place[1] * scale)
    yield from move(x, y)
    for value in ("PRESS", "RELEASE"):
        window.event_simulate("LEFTMOUSE", value, x=x, y=y)
        yield 0.15
    yield from move(*middle())
    yield 1.0


def middle():
    region = view()[2]["WINDOW"]
    return region.x + region.width // 4, region.y + region.height // 2


def press(key, text=None, **modifiers):
    window = view()[0]
    x, y = middle()
    more = {"unicode": text} if text else {}
    window.event_simulate(key, "PRESS", x=x, y=y, **more, **modifiers)
    yield 0.1
    window.event_simulate(key, "RELEASE", x=x, y=y, **modifiers)
    yield 0.3


def settled(seconds=20.0):
    """Wait until the picture of the current frame is there and drawn."""
    for _ in range(int(seconds / 0.2)):
        engine = overlay.engine()
        if engine.picture_of(bpy.context.scene)[1] and not engine.busy:
            yield 0.8
            return
        yield 0.2
    raise AssertionError("the preview does not catch up")


def tinted(pixels):
    """Count pixels in the tint of a content meter, in the lower right quarter."""
    height, width, _ = pixels.shape
    part = pixels[height // 2 :, width // 2 :]
    return int(np.count_nonzero(np.abs(part - TINT).max(axis=2) < 10))


def strokes():
    picture = overlay.engine().picture_of(bpy.context.scene)[0]
    return np.concatenate([item.strokes.ends for item in picture.projectors])


def steps():
    _window, area, regions = view()
    scene = bpy.context.scene
    space = area.spaces.active
    space.region_3d.view_perspective = "CAMERA"
    space.show_region_ui = True
    space.show_region_toolbar = False
    scene.frame_set(60)
    yield 1.0
    regions["UI"].active_panel_category = "Beamwright"
    yield 1.0
    bare = grab("1-off")
    assert tinted(bare) < 20, tinted(bare)

    # Switch on with the mouse.
    yield from click(SWITCH)
    assert settings.current().enabled
    yield from settled()
    lines = grab("2-on")
    assert tinted(lines) > 800, tinted(lines)

    # Play: frames go on, pictures come along, and the last one is right.
    yield from move(*middle())
    yield from press("SPACE")
    yield 4.0
    assert bpy.context.screen.is_animation_playing
    grab("3-playing")
    yield from press("SPACE")
    assert not bpy.context.screen.is_animation_playing
    played = scene.frame_current
    assert played > 64, played
    assert len(overlay.engine().cache) > 3
    yield from settled()
    assert overlay.engine().picture_of(scene)[0].frame == played

    # Change a setting with the mouse: light in the dark.
    yield from click(SIMULATED_BEAM)
    assert settings.current().simulate
    yield from settled()
    beam = grab("4-beam")
    assert np.median(beam.max(axis=2)) < 0.4 * np.median(lines.max(axis=2))
    assert np.count_nonzero(beam.max(axis=2) > 240) > 500
    yield from click(SIMULATED_BEAM)
    assert not settings.current().simulate

    # Move an object with the keyboard, and take it back.
    moon = scene.objects["Moon"]
    for item in scene.objects:
        item.select_set(item == moon)
    bpy.context.view_layer.objects.active = moon
    bpy.ops.ed.undo_push(message="Select")
    yield from settled()
    before = strokes()
    yield from move(*middle())
    for key, text in (("G", None), ("X", None), ("ONE", "1"), ("RET", None)):
        yield from press(key, text)
    yield from settled()
    after = strokes()
    grab("5-moved")
    assert after.shape != before.shape or np.abs(after - before).max() > 0.01
    yield from press("Z", ctrl=True)
    yield from settled()
    again = strokes()
    assert again.shape == before.shape
    assert sorted(map(tuple, again.round(5))) == sorted(map(tuple, before.round(5)))

    # Too much for the scanner: the meter says so in words and with another sign.
    scene = bpy.context.scene
    for projector in scene.beamwright.projectors:
        projector.target_refresh_hz = 60.0
    for item in scene.objects:
        item.beamwright.locked = True
    yield from settled()
    over = grab("6-over")
    readings = [
        item.reading for item in overlay.engine().picture_of(bpy.context.scene)[0].projectors
    ]
    assert readings[0].state.value == "Over", readings
    assert " costs " in readings[0].headline
    assert tinted(over) < tinted(lines)

    # Without a camera it says so.
    camera = scene.camera
    scene.camera = None
    yield from settled()
    assert "no camera" in overlay.engine().picture_of(scene)[0].message
    grab("7-no-camera")
    scene.camera = camera

    # Another file: the preview stays on and shows that one.
    bpy.ops.wm.open_mainfile(filepath=bpy.data.filepath, load_ui=False)
    yield 1.0
    assert settings.current().enabled
    yield from settled()
    assert not overlay.engine().picture_of(bpy.context.scene)[0].message

    # Off with the mouse: nothing of it is left on the screen.
    _window, _area, regions = view()
    regions["UI"].active_panel_category = "Beamwright"
    yield 0.5
    yield from click(SWITCH)
    assert not settings.current().enabled
    off = grab("8-off")
    assert tinted(off) < 20, tinted(off)

    # The extension switched off with the preview on: no thread, no handler.
    settings.current().enabled = True
    yield from settled()
    addon_utils.disable(MODULE, default_set=False)
    yield 1.0
    names = [thread.name for thread in threading.enumerate()]
    assert "preview" not in names, names
    assert tinted(grab("9-disabled")) < 20
    print("All checks passed")


todo = steps()


def tick():
    try:
        return next(todo)
    except StopIteration:
        sys.exit(0)
    except Exception:
        traceback.print_exc()
        sys.exit(1)


bpy.app.timers.register(tick, first_interval=1.0, persistent=True)
