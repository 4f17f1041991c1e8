# SPDX-License-Identifier: GPL-3.0-or-later
"""Import drawings in a window, edit one, export, and take a picture of the panel.

Run by ``run.py`` with ``--artwork``; exit code 0 where all of it holds.
"""

import os
import subprocess
import sys
import traceback
from pathlib import Path

import bpy

OUT = Path(os.environ["BEAMWRIGHT_OUT"])
ARTWORK = Path(os.environ["BEAMWRIGHT_ARTWORK"])
sys.path.append(os.environ["BEAMWRIGHT_SITE"])

preferences = bpy.context.preferences
preferences.view.show_splash = False
preferences.use_preferences_save = False


def view_3d():
    window = bpy.context.window_manager.windows[0]
    area = next(item for item in window.screen.areas if item.type == "VIEW_3D")
    region = next(item for item in area.regions if item.type == "WINDOW")
    return window, area, region


def call(name, *arguments, **keywords):
    window, area, region = view_3d()
    with bpy.context.temp_override(window=window, area=area, region=region):
        return getattr(bpy.ops.beamwright, name)(*arguments, **keywords)


def grab(name, area):
    """Save a picture of one area, as the screen shows it."""
    window = bpy.context.window_manager.windows[0]
    top = window.height - area.y - area.height
    path = OUT / name
    crop = f"{area.width}x{area.height}+{area.x}+{top}"
    command = ["import", "-window", "root", "-crop", crop, "+repage", "+dither", "-colors", "256"]
    subprocess.run([*command, f"png8:{path}"], check=True)


def wait():
    """Wait until no job of ours runs."""
    for _ in range(60):
        window = view_3d()[0]
        if not any("BEAMWRIGHT" in item.bl_idname for item in window.modal_operators):
            return
        yield
    raise AssertionError("still running")


def points_of(item):
    drawing = item.data.layers["gull"].frames[0].drawing
    return [tuple(value.vector) for value in drawing.attributes["position"].data]


def steps():
    window, area, _region = view_3d()
    scene = bpy.context.scene
    for item in list(scene.objects):
        if item.type != "CAMERA":
            bpy.data.objects.remove(item)
    scene.timeline_markers.clear()
    scene.frame_start, scene.frame_end = 1, 4
    yield

    # What Blender calls when a file is dropped on the view.
    bpy.ops.ed.undo_push(message="before")
    result = call("import_artwork", "INVOKE_DEFAULT", filepath=str(ARTWORK / "gull_0001.svg"))
    assert result == {"RUNNING_MODAL"}, result
    yield from wait()
    gull = bpy.context.view_layer.objects.active
    assert gull.type == "GREASEPENCIL", gull
    assert len(gull.data.layers["gull"].frames) == 48
    assert len(gull.data.layers["moon"].frames) == 1
    bpy.ops.ed.undo()
    yield
    assert not any(item.type == "GREASEPENCIL" for item in bpy.context.scene.objects)
    bpy.ops.ed.redo()
    yield
    gull = next(item for item in bpy.context.scene.objects if item.type == "GREASEPENCIL")
    bpy.context.view_layer.objects.active = gull
    gull.select_set(True)

    # Edit one point as an artist would: edit mode, select, move.
    scene = bpy.context.scene
    scene.frame_set(1)
    before = points_of(gull)
    window, area, region = view_3d()
    with bpy.context.temp_override(window=window, area=area, region=region):
        bpy.ops.object.mode_set(mode="EDIT")
        bpy.ops.grease_pencil.select_all(action="SELECT")
        bpy.ops.transform.translate(value=(0.4, 0.0, 0.2))
        bpy.ops.object.mode_set(mode="OBJECT")
    yield
    after = points_of(gull)
    moved = max(abs(a[0] - b[0]) for a, b in zip(after, before, strict=True))
    assert moved > 0.1, moved

    folder = OUT / "frames"
    result = call("export_sequence", "INVOKE_DEFAULT", folder=str(folder))
    assert result == {"RUNNING_MODAL"}, result
    yield from wait()
    assert any(path.suffix == ".ild" and path.stat().st_size > 1000 for path in folder.iterdir())
    for path in folder.iterdir():
        path.unlink()
    folder.rmdir()

    bpy.data.objects.remove(gull)
    result = call(
        "import_artwork", "EXEC_DEFAULT", filepath=str(ARTWORK / "tide_table.svg"), sequence=False
    )
    assert result == {"FINISHED"}, result
    page = bpy.context.view_layer.objects.active
    artwork = page.beamwright.artwork
    artwork.layer("lettering").assign("Lettering")
    artwork.active_layer = len(artwork.layers) - 1
    panel = bpy.types.BEAMWRIGHT_PT_artwork
    bpy.utils.unregister_class(panel)
    panel.bl_options = set()  # else it is closed at first
    bpy.utils.register_class(panel)
    kept = ("BEAMWRIGHT_PT_object", "BEAMWRIGHT_PT_artwork")
    for name in dir(bpy.types):
        if name.startswith("BEAMWRIGHT_PT_") and name not in kept:
            bpy.utils.unregister_class(getattr(bpy.types, name))  # room for the one to be shown
    space = area.spaces.active
    space.show_region_ui = True
    space.show_region_toolbar = False
    space.shading.type = "SOLID"
    space.shading.light = "FLAT"
    space.overlay.show_overlays = False
    space.region_3d.view_perspective = "CAMERA"
    yield
    region = next(item for item in area.regions if item.type == "UI")
    region.active_panel_category = "Beamwright"
    yield
    with bpy.context.temp_override(window=window, area=area, region=region):
        bpy.ops.view3d.view_center_camera()
    yield
    yield
    grab("artwork.png", area)
    print("All checks passed")


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
