# SPDX-License-Identifier: GPL-3.0-or-later
"""Take the pictures of the effects' panels. Run by ``run.py`` with ``--scene opening.blend``."""

import importlib
import os
import subprocess
import sys
import traceback
from pathlib import Path

import bpy

OUT = Path(os.environ["BEAMWRIGHT_OUT"])
SHOWN = [f"BEAMWRIGHT_PT_effects{part}" for part in ("", "_reveal", "_mask", "_morph")]
MODULE = "bl_ext.user_default.beamwright"
panels = importlib.import_module(MODULE + ".addon.panels")
effects = importlib.import_module(MODULE + ".addon.panels.effects")

preferences = bpy.context.preferences
preferences.view.show_splash = False
preferences.use_preferences_save = False


def find(kind):
    window = bpy.context.window_manager.windows[0]
    return window, next(item for item in window.screen.areas if item.type == kind)


def grab(name, area):
    """Save a picture of one area, as the screen shows it."""
    window = bpy.context.window_manager.windows[0]
    top = window.height - area.y - area.height
    path = OUT / name
    crop = f"{area.width}x{area.height}+{area.x}+{top}"
    command = ["import", "-window", "root", "-crop", crop, "+repage", "+dither", "-colors", "256"]
    subprocess.run([*command, f"png8:{path}"], check=True)


def open_panels():
    """Leave only the panels to be shown, and open them; return these."""
    for cls in reversed(panels.CLASSES):
        bpy.utils.unregister_class(cls)
    shown = [cls for cls in effects.CLASSES if cls.bl_idname in SHOWN]
    for cls in shown:
        cls.bl_options = set()
        bpy.utils.register_class(cls)
    return shown


def show_all(shown):
    """Put the panels back, as the extension expects them when Blender quits."""
    for cls in reversed(shown):
        bpy.utils.unregister_class(cls)
    for cls in panels.CLASSES:
        bpy.utils.register_class(cls)


def steps():
    window, area = find("VIEW_3D")
    space = area.spaces.active
    space.show_region_ui = True
    space.show_region_toolbar = False
    space.shading.light = "FLAT"
    space.overlay.show_floor = space.overlay.show_axis_x = space.overlay.show_axis_y = False
    space.overlay.show_cursor = False
    space.region_3d.view_perspective = "CAMERA"
    scene = bpy.context.scene
    scene.frame_set(66)
    layer = bpy.context.view_layer
    for name in ("Squalls", "Lighthouse", "Title"):  # the preview shows what renders
        layer.layer_collection.children[name].hide_viewport = True
    layer.objects.active = scene.objects["Settle"]
    yield
    ui = next(item for item in area.regions if item.type == "UI")
    ui.active_panel_category = "Beamwright"
    view = next(item for item in area.regions if item.type == "WINDOW")
    with bpy.context.temp_override(window=window, area=area, region=view):
        bpy.ops.view3d.view_center_camera()
        bpy.ops.beamwright.preview_toggle()
    yield
    yield
    yield
    grab("effects.png", area)


def with_effects_alone():
    """Take the steps with the other panels away, and put these back whatever happens."""
    shown = open_panels()
    try:
        yield from steps()
    finally:
        show_all(shown)


todo = with_effects_alone()


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
