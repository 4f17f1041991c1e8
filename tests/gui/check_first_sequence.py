# SPDX-License-Identifier: GPL-3.0-or-later
"""From Blender's default scene to an exported sequence, as the README's first section says.

Run by ``run.py``, which installs the built zip and starts Blender without a file. Only the
mouse and one key are used, and every click is counted.
"""

import json
import os
import struct
import subprocess
import sys
import traceback
from pathlib import Path

import bpy
import numpy as np

DEFAULT_SCENE = True
OUT = Path(os.environ["BEAMWRIGHT_OUT"])
MOST_CLICKS = 10
preferences = bpy.context.preferences
preferences.view.show_splash = False
preferences.use_preferences_save = False
preferences.system.viewport_aa = "OFF"
# The file browser opens at home, and the artist of this test is content with that.
FOLDER = Path.home()

# Places in the sidebar: right of its left edge, below its top; in the window's pixels.
PREVIEW_SWITCH = (36, 16)
CAMERA_VIEW = (-33, 177)
ANALYZE_RANGE = (110, 433)
EXPORT = (130, 706)
TAB_BELOW = 255

clicks = []


def window_of(kind):
    """Return the window, area and its regions that show an editor of this kind, or None."""
    for window in bpy.context.window_manager.windows:
        for area in window.screen.areas:
            if area.type == kind:
                return window, area, {region.type: region for region in area.regions}
    return None


def grab(name):
    path = OUT / f"{name}.png"
    subprocess.run(["import", "-window", "root", str(path)], check=True)
    raw = subprocess.run(["convert", str(path), "rgb:-"], check=True, capture_output=True).stdout
    window = bpy.context.window_manager.windows[0]
    return np.frombuffer(raw, np.uint8).reshape(window.height, window.width, -1).astype(int)


def move(window, x, y):
    for shift in (3, 0):
        window.event_simulate("MOUSEMOVE", "NOTHING", x=x + shift, y=y)
        yield 0.15


def click(what, window, x, y):
    """Click, and write it down."""
    clicks.append(what)
    yield from move(window, x, y)
    for value in ("PRESS", "RELEASE"):
        window.event_simulate("LEFTMOUSE", value, x=x, y=y)
        yield 0.15
    yield 0.8


def press(what, key, text):
    """Press a key over the 3D view; counts as a click."""
    clicks.append(what)
    window, _area, regions = window_of("VIEW_3D")
    region = regions["WINDOW"]
    x, y = region.x + region.width // 3, region.y + region.height // 2
    yield from move(window, x, y)
    window.event_simulate(key, "PRESS", x=x, y=y, unicode=text)
    yield 0.1
    window.event_simulate(key, "RELEASE", x=x, y=y)
    yield 1.0


def sidebar(place):
    """Return where a place of the sidebar lies in the window."""
    region = window_of("VIEW_3D")[2]["UI"]
    scale = preferences.system.ui_scale / 1.0416666
    x = region.x + round(place[0] * scale)
    return x, region.y + region.height - round(place[1] * scale)


def tab():
    """Return where our tab stands, at the sidebar's right edge."""
    region = window_of("VIEW_3D")[2]["UI"]
    x, y = sidebar((0, TAB_BELOW))
    return x + region.width - 12, y


def finished(seconds=60):
    """Wait until no job of ours runs."""
    for _ in range(seconds * 5):
        if not running():
            yield 0.5
            return
        yield 0.2
    raise AssertionError(f"still running: {running()}")


def light(pixels):
    """Count the pixels of the preview's light lines in the middle of the 3D view."""
    window, _area, regions = window_of("VIEW_3D")
    region = regions["WINDOW"]
    top = window.height - region.y - region.height
    part = pixels[top : top + region.height, region.x : region.x + region.width]
    height, width, _ = part.shape
    part = part[height // 4 : -height // 4, width // 4 : -width // 4]
    return int(np.count_nonzero(part.min(axis=2) > 225))


def running():
    return [
        item.bl_idname
        for window in bpy.context.window_manager.windows
        for item in window.modal_operators
        if "BEAMWRIGHT" in item.bl_idname
    ]


def read_frames(path):
    """Return each frame's points as (n, 3): x, y and whether lit; ILDA format 5, from memory."""
    data, at, frames = path.read_bytes(), 0, []
    while True:
        assert data[at : at + 4] == b"ILDA"
        assert data[at + 7] == 5
        count = struct.unpack(">H", data[at + 24 : at + 26])[0]
        if not count:
            assert at + 32 == len(data)
            return frames
        fields = [("place", ">i2", 2), ("status", "u1"), ("colour", "u1", 3)]
        records = np.frombuffer(data, np.dtype(fields), count, at + 32)
        lit = (records["status"] & 0x40) == 0
        frames.append(np.c_[records["place"], lit])
        at += 32 + 8 * count


def steps():
    scene = bpy.context.scene
    assert not bpy.data.filepath
    assert sorted(item.name for item in scene.objects) == ["Camera", "Cube", "Light"]
    yield 1.0
    window, area, _regions = window_of("VIEW_3D")

    yield from press("N over the 3D view", "N", "n")
    assert area.spaces.active.show_region_ui
    yield from click("Beamwright", window, *tab())
    region = window_of("VIEW_3D")[2]["UI"]
    assert region.active_panel_category == "Beamwright", region.active_panel_category
    yield from click("Preview", window, *sidebar(PREVIEW_SWITCH))
    assert bpy.context.window_manager.beamwright_preview.enabled
    yield from click("Toggle Camera View", window, *sidebar(CAMERA_VIEW))
    assert area.spaces.active.region_3d.view_perspective == "CAMERA"
    yield 2.0
    lines = grab("1-preview")
    # The cube's nine visible edges, seen large in the camera's frame.
    assert light(lines) > 1000, light(lines)

    yield from click("Analyze Range", window, *sidebar(ANALYZE_RANGE))
    yield from finished()
    grab("2-analyzed")
    assert any(key.startswith("Beamwright Points") for key in dict(scene.items()))
    assert not len(scene.timeline_markers)

    yield from click("Export Sequence…", window, *sidebar(EXPORT))
    yield 1.5
    grab("3-browser")
    browser = window_of("FILE_BROWSER")
    assert browser is not None
    window, area, regions = browser
    bar = regions["EXECUTE"]
    place = bar.x + bar.width - 60, bar.y + bar.height // 2
    yield from click("Export Sequence", window, *place)
    yield from finished()
    grab("4-exported")

    assert window_of("FILE_BROWSER") is None
    written = sorted(path.name for path in FOLDER.iterdir() if path.is_file())
    assert {"Projector.ild", "report.csv", "report.json"} <= set(written), written
    assert all(name.startswith(("Projector.ild", "report.")) for name in written), written
    frames = read_frames(FOLDER / "Projector.ild")
    assert len(frames) == 250
    report = json.loads((FOLDER / "report.json").read_text(encoding="utf-8"))
    assert report["scene"] == "Scene"
    for frame in (frames[0], frames[-1]):
        lit = frame[frame[:, 2] == 1]
        # Seen by the default camera, the cube stands in the middle, over a good third of it.
        assert len(frame) <= 1000
        assert len(lit) > 100
        low, high = lit[:, :2].min(axis=0) / 32767.0, lit[:, :2].max(axis=0) / 32767.0
        assert np.abs(low + high).max() < 0.2, (low, high)
        assert 0.5 < (high - low)[0] < 1.2, (low, high)
    settings = bpy.context.scene.beamwright
    assert Path(settings.output_folder) == FOLDER

    # The chosen folder is one step of undo; without it the next export asks again.
    print(f"{len(clicks)} clicks: {', '.join(clicks)}")
    assert len(clicks) < MOST_CLICKS
    window, area, regions = window_of("VIEW_3D")
    region = regions["WINDOW"]
    x, y = region.x + region.width // 3, region.y + region.height // 2
    yield from move(window, x, y)
    for value in ("PRESS", "RELEASE"):
        window.event_simulate("Z", value, x=x, y=y, ctrl=True)
        yield 0.5
    assert not bpy.context.scene.beamwright.output_folder
    print("All checks passed")


todo = steps()


def tick():
    try:
        pause = next(todo)
    except StopIteration:
        sys.exit(0)
    except Exception:
        traceback.print_exc()
        grab("failed")
        sys.exit(1)
    return pause


bpy.app.timers.register(tick, first_interval=1.0)
