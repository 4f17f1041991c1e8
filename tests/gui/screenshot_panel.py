# SPDX-License-Identifier: GPL-3.0-or-later
"""Take the pictures of the panels. Run by ``run.py`` in a window; see there."""

import os
import subprocess
import sys
import traceback
from pathlib import Path

import bpy

OUT = Path(os.environ["BEAMWRIGHT_OUT"])

preferences = bpy.context.preferences
preferences.view.show_splash = False
preferences.use_preferences_save = False


def view_3d():
    window = bpy.context.window_manager.windows[0]
    area = next(item for item in window.screen.areas if item.type == "VIEW_3D")
    return window, area


def grab(name, area):
    """Save a picture of one area, as the screen shows it."""
    window = bpy.context.window_manager.windows[0]
    top = window.height - area.y - area.height
    path = OUT / name
    crop = f"{area.width}x{area.height}+{area.x}+{top}"
    command = ["import", "-window", "root", "-crop", crop, "+repage", "+dither", "-colors", "256"]
    subprocess.run([*command, f"png8:{path}"], check=True)


def steps():
    window, area = view_3d()
    space = area.spaces.active
    space.show_region_ui = True
    space.show_region_toolbar = False
    space.shading.type = "SOLID"
    space.region_3d.view_perspective = "CAMERA"
    yield
    region = next(item for item in area.regions if item.type == "UI")
    region.active_panel_category = "Beamwright"
    scene = bpy.context.scene
    scene.frame_set(60)
    bpy.context.view_layer.objects.active = scene.objects.get("Hull") or next(
        item for item in scene.objects if item.type == "MESH"
    )
    yield
    with bpy.context.temp_override(window=window, area=area, region=region):
        bpy.ops.view3d.view_center_camera()
        bpy.ops.beamwright.analyze_frame()
    bpy.context.window_manager.beamwright_preview.enabled = True
    for _ in range(3):
        yield
    grab("panel.png", area)
    # Asked to be drawn too often, both pictures lose strokes: the list says where and whose.
    scene.frame_start, scene.frame_end = 36, 135
    for projector, refresh_hz in zip(scene.beamwright.projectors, (57.0, 200.0), strict=True):
        projector.target_refresh_hz = refresh_hz
    scene.beamwright.active_projector = 0
    with bpy.context.temp_override(window=window, area=area, region=region):
        bpy.ops.beamwright.analyze_range("EXEC_DEFAULT")
    assert all(item.lost for item in scene.beamwright.worst_frames)
    assert len(scene.beamwright.worst_frames) > 1
    names = [item.projector for item in scene.beamwright.worst_frames]
    scene.beamwright.active_worst_frame = names.index("Pictures")
    for _ in range(3):
        yield
    grab("worst_frames.png", area)


todo = steps()


def tick():
    try:
        next(todo)
    except StopIteration:
        sys.exit(0)
    except Exception:
        traceback.print_exc()
        sys.exit(1)
    return 1.0


bpy.app.timers.register(tick, first_interval=1.0)
