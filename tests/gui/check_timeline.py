# SPDX-License-Identifier: GPL-3.0-or-later
"""From analysis to export with the mouse: report, jumps, bake, Esc, scrubbing, undo.

Run by ``run.py`` with the harbour scene; exit code 0 where all of it holds. The sidebar shows
the panels of the output alone, so that its buttons lie where they are clicked. What is asserted
of the baked picture is read from the screen.
"""

import importlib
import os
import subprocess
import sys
import traceback
from pathlib import Path

import bpy
import numpy as np
from bpy_extras.view3d_utils import location_3d_to_region_2d
from mathutils import Vector

OUT = Path(os.environ["BEAMWRIGHT_OUT"])
MODULE = "bl_ext.user_default.beamwright"
preferences = bpy.context.preferences
preferences.view.show_splash = False
preferences.use_preferences_save = False
preferences.system.viewport_aa = "OFF"

panels = importlib.import_module(MODULE + ".addon.panels")
output = importlib.import_module(MODULE + ".addon.panels.output")
bake = importlib.import_module(MODULE + ".addon.bake")

OTHERS = [cls for cls in panels.CLASSES if cls not in output.CLASSES]
"""Panels that would move the buttons about."""

# Buttons: to the right of the sidebar's left edge, below its top.
ANALYZE_RANGE = (125, 73)
PREVIOUS = (70, 135)
CLEAR_REPORT = (235, 73)
EXPORT = (125, 267)  # without a report
BAKE = (125, 297)
REMOVE_BAKE = (235, 297)


def view():
    window = bpy.context.window_manager.windows[0]
    area = next(item for item in window.screen.areas if item.type == "VIEW_3D")
    return window, area, {region.type: region for region in area.regions}


def grab(name):
    """Save the screen, and return the 3D view's pixels, (height, width, 3), y up."""
    window, _area, regions = view()
    path = OUT / f"{name}.png"
    subprocess.run(["import", "-window", "root", str(path)], check=True)
    raw = subprocess.run(["convert", str(path), "rgb:-"], check=True, capture_output=True).stdout
    pixels = np.frombuffer(raw, np.uint8).reshape(window.height, window.width, -1).astype(int)
    region = regions["WINDOW"]
    return pixels[::-1][region.y : region.y + region.height, region.x : region.x + region.width]


def move(x, y):
    for shift in (3, 0):
        view()[0].event_simulate("MOUSEMOVE", "NOTHING", x=x + shift, y=y)
        yield 0.1


def middle():
    region = view()[2]["WINDOW"]
    return region.x + region.width // 4, region.y + region.height // 2


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


def press(key, **modifiers):
    x, y = middle()
    for value in ("PRESS", "RELEASE"):
        view()[0].event_simulate(key, value, x=x, y=y, **modifiers)
        yield 0.15
    yield 0.3


def running():
    operators = view()[0].modal_operators
    return [item.bl_idname for item in operators if "BEAMWRIGHT" in item.bl_idname]


def wait(seconds=60.0):
    """Wait until no job of ours runs, and the screen shows what it did."""
    for _ in range(int(seconds / 0.2)):
        if not running():
            yield 0.8
            return
        yield 0.2
    raise AssertionError(f"still running after {seconds} s: {running()}")


def marked():
    return {item.frame for item in bpy.context.scene.timeline_markers if "budget" in item.name}


def baked():
    return bake.baked_object(bpy.context.scene)


def drawings():
    """Frames and points of all layers of the bake."""
    return [
        (layer.name, frame.frame_number, len(frame.drawing.strokes))
        for layer in baked().data.layers
        for frame in layer.frames
    ]


def agreement(pixels, frame):
    """Share of the points of a baked frame where the screen shows the stroke's colour."""
    item, (_window, _area, regions) = baked(), view()
    region = regions["WINDOW"]
    hits = []
    for layer in item.data.layers:
        drawing = next(entry for entry in layer.frames if entry.frame_number == frame).drawing
        for stroke in drawing.strokes:
            colour = item.data.materials[stroke.material_index].grease_pencil.color
            wanted = np.array(colour[:3]) ** (1.0 / 2.2)
            for point in stroke.points:
                place = item.matrix_world @ Vector(point.position)
                x, y = map(int, location_3d_to_region_2d(region, region.data, place))
                if x < regions["UI"].x - region.x - 60:
                    near = pixels[y - 2 : y + 3, x - 2 : x + 3].reshape(-1, 3) / 255.0
                    # Thin lines are dimmed where they fall between pixels; their hue is not.
                    light = near.max(axis=1, keepdims=True)
                    hue = near / np.maximum(light, 1e-3) - wanted / wanted.max()
                    alike = (np.abs(hue).max(axis=1) < 0.12) & (light[:, 0] > 0.4 * wanted.max())
                    hits.append(alike.any())
    assert len(hits) > 100
    return sum(hits) / len(hits)


def steps():
    window, area, regions = view()
    scene = bpy.context.scene
    scene.frame_start, scene.frame_end = 1, 10
    scene.frame_set(7)
    for cls in reversed(OTHERS):
        bpy.utils.unregister_class(cls)
    space = area.spaces.active
    space.show_region_ui = True
    space.show_region_toolbar = False
    space.region_3d.view_perspective = "CAMERA"
    yield 0.5
    regions["UI"].active_panel_category = "Beamwright"
    refresh = [projector.target_refresh_hz for projector in scene.beamwright.projectors]
    for projector in scene.beamwright.projectors:
        projector.target_refresh_hz = 500.0
    for item in scene.objects:
        item.beamwright.locked = True
    bpy.ops.ed.undo_push(message="before")
    yield 1.0

    # The report, with the mouse: markers, curves, a jump to where it begins.
    yield from click(ANALYZE_RANGE)
    yield from wait()
    assert marked() == {1, 10}, marked()
    assert len(scene.beamwright.worst_frames) == 2
    curves = [key for key in scene.keys() if key.startswith("Beamwright ")]  # noqa: SIM118 - an ID
    assert len(curves) == 8, curves
    grab("1-report")
    assert scene.frame_current == 7
    yield from click(PREVIOUS)
    yield 0.5
    assert scene.frame_current == 1, scene.frame_current
    yield from click(ANALYZE_RANGE)
    yield from wait()
    again = [key for key in scene.keys() if key.startswith("Beamwright ")]  # noqa: SIM118 - an ID
    assert (marked(), again) == ({1, 10}, curves)
    yield from click(CLEAR_REPORT)
    yield 0.8
    assert not marked()
    with bpy.context.temp_override(window=window, area=area, region=regions["WINDOW"]):
        bpy.ops.view3d.view_center_camera()

    # A bake that is stopped leaves nothing.
    scene = bpy.context.scene
    for projector, hz in zip(scene.beamwright.projectors, refresh, strict=True):
        projector.target_refresh_hz = hz
    scene.frame_end = 200
    bpy.ops.ed.undo_push(message="ready")
    yield 0.5
    yield from click(BAKE)
    yield 0.4
    assert running()
    grab("2-baking")
    yield from press("ESC")
    yield from wait(10)
    assert baked() is None
    assert scene.frame_current == 1

    # One that is not stands for each frame and projector.
    scene.frame_end = 10
    yield from click(BAKE)
    yield from wait()
    whole = drawings()
    names = [projector.name for projector in scene.beamwright.projectors]
    frames = {name: [n for other, n, _ in whole if other == name] for name in names}
    assert frames == {name: list(range(1, 12)) for name in names}, frames

    # Undone and done again in one step.
    yield from press("Z", ctrl=True)
    yield 0.5
    assert baked() is None
    yield from press("Z", ctrl=True, shift=True)
    yield 0.5
    assert drawings() == whole

    # Stopped, the older bake stays as it is.
    scene = bpy.context.scene
    scene.frame_end = 200
    yield from click(BAKE)
    yield 0.4
    assert running()
    yield from press("ESC")
    yield from wait(10)
    assert drawings() == whole
    scene.frame_end = 10

    # Files, with the bake in the scene.
    folder = OUT / "sequence"
    scene.beamwright.output_folder = str(folder)
    yield 0.5
    yield from click(EXPORT)
    yield from wait()
    files = sorted(path.name for path in folder.iterdir())
    assert sum(name.endswith(".ild") for name in files) == len(names), files
    assert "report.json" in files, files

    # Without what it was made from it can be scrubbed: the screen shows each frame's strokes.
    collection = baked().users_collection[0]
    for layer in bpy.context.view_layer.layer_collection.children:
        layer.exclude = layer.collection != collection
    space.overlay.show_overlays = False
    space.shading.background_type = "VIEWPORT"
    space.shading.background_color = (0.0, 0.0, 0.0)
    yield 1.0
    yield from move(*middle())
    for frame in range(2, 5):
        yield from press("RIGHT_ARROW")
        assert bpy.context.scene.frame_current == frame
    pixels = grab("3-frame-4")
    share = agreement(pixels, 4)
    other = agreement(pixels, 10)
    assert share > 0.97, share
    assert other < share - 0.1, (other, share)
    bpy.context.scene.frame_set(11)
    yield 0.8
    assert agreement(grab("4-after-the-end"), 4) < 0.02

    # Removed with the mouse; nothing stays.
    yield from click(REMOVE_BAKE)
    yield 0.8
    assert baked() is None
    assert not [item for item in bpy.data.objects if item.beamwright.baked]
    print(f"{share:.3f} of the points of the frame shown agree, {other:.3f} of another one")
    print("All checks passed")


todo = steps()


def tick():
    try:
        return next(todo)
    except StopIteration:
        code = 0
    except Exception:
        traceback.print_exc()
        code = 1
    for cls in OTHERS:  # as the extension expects them when Blender quits
        bpy.utils.register_class(cls)
    sys.exit(code)


bpy.app.timers.register(tick, first_interval=1.0)
