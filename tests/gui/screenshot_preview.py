# SPDX-License-Identifier: GPL-3.0-or-later
"""Take the pictures of the preview. Run by ``run.py`` in a window; see there."""

import importlib
import os
import subprocess
import sys
import traceback
from pathlib import Path

import bpy

OUT = Path(os.environ["BEAMWRIGHT_OUT"])
MODULE = "bl_ext.user_default.beamwright"
overlay = importlib.import_module(MODULE + ".addon.preview.overlay")

preferences = bpy.context.preferences
preferences.view.show_splash = False
preferences.use_preferences_save = False


def view_3d():
    window = bpy.context.window_manager.windows[0]
    area = next(item for item in window.screen.areas if item.type == "VIEW_3D")
    return window, area


def grab(name, colours=256):
    """Save a picture of the 3D view with its sidebar; `colours` 0 keeps them all."""
    window, area = view_3d()
    top = window.height - area.y - area.height
    crop = f"{area.width}x{area.height}+{area.x}+{top}"
    command = ["import", "-window", "root", "-crop", crop, "+repage"]
    if colours:
        command += ["+dither", "-colors", str(colours)]
    path = f"{'png8' if colours else 'png24'}:{OUT / name}"
    subprocess.run([*command, path], check=True)


def fit_page(region, width):
    """Put the camera's page into the left `width` pixels of a region."""
    view = region.data
    view.view_camera_zoom = 8.0
    # Blender scales the page by this of the zoom; offsets count in shares of the region.
    factor = (2.0**0.5 + view.view_camera_zoom / 50.0) ** 2 / 4.0
    view.view_camera_offset = ((region.width - width) / (4.0 * factor * region.width), -0.02)


def settled():
    """Wait for the picture of the frame that is set, and for the view to draw it."""
    engine = overlay.engine()
    while not engine.picture_of(bpy.context.scene)[1] or engine.busy:
        yield
    yield
    yield


def steps():
    _window, area = view_3d()
    scene = bpy.context.scene
    space = area.spaces.active
    space.show_region_ui = True
    space.show_region_toolbar = False
    space.shading.type = "SOLID"
    space.region_3d.view_perspective = "CAMERA"
    scene.frame_set(83)
    yield
    region = next(item for item in area.regions if item.type == "UI")
    region.active_panel_category = "Beamwright"
    for item in scene.objects:
        item.select_set(False)
    yield
    whole = next(item for item in area.regions if item.type == "WINDOW")
    fit_page(whole, whole.width - region.width)
    chosen = bpy.context.window_manager.beamwright_preview
    chosen.enabled = True
    chosen.blank_moves = True
    chosen.hidden_lines = True
    yield from settled()
    grab("preview.png")

    chosen.blank_moves = chosen.hidden_lines = False
    chosen.simulate = True
    yield from settled()
    grab("preview_beam.png", colours=0)

    # All strokes must be drawn, on a slower scanner than the scene was made for, and steadier.
    pictures = scene.beamwright.projectors[0]
    pictures.profile.rating = "K20"
    pictures.target_refresh_hz = 40.0
    for item in scene.objects:
        item.beamwright.locked = True
    scene.beamwright.active_projector = 0
    chosen.simulate = False
    yield from settled()
    grab("preview_over_budget.png")


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
