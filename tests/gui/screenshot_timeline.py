# SPDX-License-Identifier: GPL-3.0-or-later
"""Take the picture of the report in the Graph Editor. Run by ``run.py`` in a window; see there."""

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


def widen_channels(area):
    """Pull the border of the list of curves, so that their names can be read."""
    region = next(item for item in area.regions if item.type == "CHANNELS")
    x, y = region.x + region.width, region.y + region.height // 2
    for kind, value, place in (
        ("MOUSEMOVE", "NOTHING", x - 3),
        ("MOUSEMOVE", "NOTHING", x),
        ("LEFTMOUSE", "PRESS", x),
        ("MOUSEMOVE", "NOTHING", x + 40),
        ("MOUSEMOVE", "NOTHING", x + 130),
        ("LEFTMOUSE", "RELEASE", x + 130),
    ):
        window().event_simulate(kind, value, x=place, y=y)
        yield


def report():
    """Show the curves of a sequence that is asked for too often to fit, nothing left out."""
    scene = bpy.context.scene
    scene.beamwright.projectors["Pictures"].target_refresh_hz = 53.0
    for item in scene.objects:
        item.beamwright.locked = True
    area = area_of("VIEW_3D")
    with inside(area):
        bpy.ops.beamwright.analyze_range("EXEC_DEFAULT")
    worst = scene.beamwright.worst_frames
    assert len(worst) > 0
    assert worst[0].over_budget
    with inside(area):
        bpy.ops.screen.area_split(direction="HORIZONTAL", factor=0.42)
    yield
    view, graph = sorted(
        (item for item in window().screen.areas if item.type == "VIEW_3D"),
        key=lambda item: -item.y,
    )
    graph.type = "GRAPH_EDITOR"
    yield
    space = graph.spaces.active
    space.dopesheet.show_only_selected = False
    space.dopesheet.filter_text = "Beamwright"
    space.use_normalization = True
    space.show_region_ui = False
    view.spaces.active.show_region_toolbar = False
    view.spaces.active.region_3d.view_perspective = "CAMERA"
    view.spaces.active.shading.type = "SOLID"
    scene.frame_set(worst[0].frame)
    action = scene.animation_data.action
    bag = action.layers[0].strips[0].channelbag(scene.animation_data.action_slot)
    for curve in bag.fcurves:
        shown = curve.data_path in {
            f'["Beamwright {measure}: Pictures"]' for measure in ("Points", "Refresh")
        }
        curve.hide, curve.select = not shown, shown
    yield
    yield from widen_channels(graph)
    with inside(graph):
        bpy.ops.anim.channels_expand(all=True)
        bpy.ops.graph.view_all()
    with inside(view):
        bpy.ops.view3d.view_center_camera()
    bpy.context.window_manager.beamwright_preview.enabled = True
    for _ in range(8):
        yield
    grab("timeline.png", view, graph)


def steps():
    yield
    yield from report()


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
