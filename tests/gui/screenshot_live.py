# SPDX-License-Identifier: GPL-3.0-or-later
"""Take the pictures of the live panel, dark and armed. Run by ``run.py`` in a window.

A virtual projector on this machine stands in for a real one. The script fails where the
panel's timer does not light it, or blackout does not make it dark.
"""

import importlib
import os
import subprocess
import sys
import time
import traceback
from pathlib import Path

import bpy

OUT = Path(os.environ["BEAMWRIGHT_OUT"])

preferences = bpy.context.preferences
preferences.view.show_splash = False
preferences.use_preferences_save = False
preferences.system.use_online_access = True


def view_3d():
    window = bpy.context.window_manager.windows[0]
    area = next(item for item in window.screen.areas if item.type == "VIEW_3D")
    return window, area


def part(path):
    """A module of the installed extension."""
    names = [addon.module for addon in preferences.addons]
    root = next(name for name in names if name.endswith(".beamwright"))
    return importlib.import_module(f"{root}.{path}")


def grab(name, area):
    """Save a picture of the sidebar, as the screen shows it, while Blender goes on.

    A Blender that waited for it would be a source that stalls.
    """
    window = bpy.context.window_manager.windows[0]
    region = next(item for item in area.regions if item.type == "UI")
    top = window.height - region.y - region.height
    path = OUT / name
    crop = f"{region.width}x{region.height}+{region.x}+{top}"
    command = ["import", "-window", "root", "-crop", crop, "+repage", "+dither", "-colors", "256"]
    with subprocess.Popen([*command, f"png8:{path}"]) as running:
        yield from until(lambda: running.poll() is not None, 60.0)
        assert running.returncode == 0


def show_live_alone():
    """Leave only the live panel in the sidebar, with all its parts open."""
    for cls in reversed(part("addon.panels").CLASSES):
        bpy.utils.unregister_class(cls)
    for cls in part("addon.panels.live").CLASSES:
        cls.bl_options = set()
        bpy.utils.register_class(cls)


def show_all():
    """Put the panels back, as the extension expects them when Blender quits."""
    for cls in reversed(part("addon.panels.live").CLASSES):
        bpy.utils.unregister_class(cls)
    for cls in part("addon.panels").CLASSES:
        bpy.utils.register_class(cls)


def until(condition, seconds=10.0):
    """Let Blender go on until something holds."""
    limit = time.monotonic() + seconds
    while not condition():
        assert time.monotonic() < limit, f"it did not happen in time: {state()}"
        yield


def state():
    """What the outputs say, for a message."""
    live = part("addon.live")
    return [live.status(name) for name in live._outputs] + list(live._reasons.items())


def steps():
    window, area = view_3d()
    space = area.spaces.active
    space.show_region_ui = True
    space.show_region_toolbar = False
    space.region_3d.view_perspective = "CAMERA"
    # Drawn by the processor alone, a shaded view takes longer than the stall time.
    space.shading.type = "WIREFRAME"
    space.overlay.show_overlays = False
    yield
    region = next(item for item in area.regions if item.type == "UI")
    region.active_panel_category = "Beamwright"
    scene = bpy.context.scene
    scene.frame_set(60)
    projector = scene.beamwright.projectors[scene.beamwright.active_projector]
    live = part("addon.live")
    receiver = part("core.live.receiver").Receiver(port=0)
    with receiver:
        projector.live.host, projector.live.port = "127.0.0.1", receiver.port
        light = projector.light
        light.wavelength_nm, light.power_w = (638.0, 520.0, 450.0), (1.0, 1.0, 1.0)
        light.divergence_mrad, light.diameter_mm, light.width = 1.0, 4.0, "INVERSE_E2"
        light.distance_m = 12.0
        yield
        with bpy.context.temp_override(window=window, area=area, region=region):
            for place in ((-0.85, -0.85), (0.85, -0.85)):
                bpy.ops.beamwright.keep_out_add(centre=place, width=0.1, height=0.1)
        worst_spot = part("addon.worst_spot")
        with bpy.context.temp_override(window=window, area=area, region=region):
            bpy.ops.beamwright.live_start()
        yield from until(lambda: receiver.connected)
        yield from until(lambda: worst_spot.reading_of(scene, projector)[1])
        yield
        assert not receiver.lit
        yield from grab("live_dark.png", area)
        assert live.status(projector.name).state.value == "dark", state()
        bpy.ops.beamwright.live_arm("EXEC_DEFAULT")
        yield from until(lambda: receiver.lit)
        yield
        yield
        assert worst_spot.reading_of(scene, projector)[1]
        yield from grab("live_armed.png", area)
        # A machine too slow to draw the window in time goes dark, and the picture would lie.
        assert live.status(projector.name).lit, state()
        # Scrubbing keeps it lit: the timer feeds it.
        for frame in (61, 70, 80):
            scene.frame_set(frame)
            yield from until(lambda f=frame: live._engine.picture_of(scene)[0].frame == f)
            assert live.status(projector.name).state.value == "armed", live.status(projector.name)
        # By its key over the 3D view, as somebody would who sees something go wrong.
        view = next(item for item in area.regions if item.type == "WINDOW")
        x, y = view.x + view.width // 4, view.y + view.height // 2
        for shift in (3, 0):
            window.event_simulate("MOUSEMOVE", "NOTHING", x=x + shift, y=y)
            yield
        assert receiver.lit
        window.event_simulate("ESC", "PRESS", x=x, y=y, shift=True)
        window.event_simulate("ESC", "RELEASE", x=x, y=y, shift=True)
        yield from until(lambda: not receiver.lit, 1.0)
        assert live.status(projector.name).reason == "blackout"
        bpy.ops.beamwright.live_stop()
        assert receiver.figures().faults == {}


def with_live_alone():
    """Take the steps with the other panels away, and put these back whatever happens."""
    show_live_alone()
    try:
        yield from steps()
    finally:
        show_all()


todo = with_live_alone()


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
