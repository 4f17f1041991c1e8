# SPDX-License-Identifier: GPL-3.0-or-later
"""Take the picture of baked strokes. Run by ``run.py`` in a window; see there."""

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


def window():
    return bpy.context.window_manager.windows[0]


def area_of(kind):
    return next(item for item in window().screen.areas if item.type == kind)


def inside(area, kind="WINDOW"):
    """Run operators in a region of an area."""
    region = next(item for item in area.regions if item.type == kind)
    return bpy.context.temp_override(window=window(), area=area, region=region)


def grab(name, *areas):
    """Save a picture of areas that lie upon each other, as the screen shows them."""
    left = min(area.x for area in areas)
    bottom = min(area.y for area in areas)
    width = max(area.x + area.width for area in areas) - left
    top = max(area.y + area.height for area in areas)
    crop = f"{width}x{top - bottom}+{left}+{window().height - top}"
    command = ["import", "-window", "root", "-crop", crop, "+repage", "+dither", "-colors", "256"]
    subprocess.run([*command, f"png8:{OUT / name}"], check=True)


def bake():
    """Show a bake instead of what it was made from, scrubbed to the middle of the sequence."""
    scene = bpy.context.scene
    area = area_of("VIEW_3D")
    with inside(area):
        bpy.ops.beamwright.bake_strokes("EXEC_DEFAULT")
        bpy.ops.screen.area_split(direction="HORIZONTAL", factor=0.2)
    yield
    view, below = sorted(
        (item for item in window().screen.areas if item.type == "VIEW_3D"),
        key=lambda item: -item.y,
    )
    layers = bpy.context.view_layer.layer_collection.children
    for layer in layers:
        layer.exclude = "Beamwright" not in layer.name
    for item in scene.collection.objects:
        item.hide_set(True)
    baked = next(item for item in bpy.context.view_layer.objects if item.beamwright.baked)
    baked.hide_select = False
    bpy.context.view_layer.objects.active = baked
    baked.select_set(True)
    below.ui_type = "DOPESHEET"
    yield
    sheet = below.spaces.active
    sheet.mode = "GPENCIL"
    sheet.show_region_ui = False
    space = view.spaces.active
    space.show_region_toolbar = False
    space.region_3d.view_perspective = "CAMERA"
    space.shading.type = "SOLID"
    space.shading.background_type = "VIEWPORT"
    space.shading.background_color = (0.0, 0.0, 0.0)
    space.overlay.show_floor = space.overlay.show_axis_x = space.overlay.show_axis_y = False
    space.overlay.show_outline_selected = space.overlay.show_object_origins = False
    space.overlay.show_cursor = space.overlay.show_text = False
    scene.frame_set(105)
    yield
    with inside(below):
        bpy.ops.action.view_all()
    with inside(view):
        bpy.ops.view3d.view_center_camera()
    for _ in range(3):
        yield
    grab("bake.png", view, below)


def steps():
    yield
    yield from bake()


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
