# SPDX-License-Identifier: GPL-3.0-or-later
"""What Blender itself shows of masked layers, and of a drawing seen from behind.

Run by ``run.py``; exit code 0 where Blender's picture and the lines the add-on reads agree, and
both are as tests/addon/test_artwork.py and docs/artwork.md say.
"""

import importlib
import math
import os
import sys
import traceback
from pathlib import Path

import bpy
import numpy as np

OUT = Path(os.environ["BEAMWRIGHT_OUT"])
MODULE = "bl_ext.user_default.beamwright"
SIZE = 100
PLACES = {"in A": (-80, 0), "in A and C": (0, 0), "in C": (80, 0), "outside": (0, 80)}
# Masks of the layer on top, how A looks, and at which of the places it shows.
CASES = {
    "inside": ([("A", False)], {}, "TTFF"),
    "outside": ([("A", True)], {}, "FFTT"),
    "inside either": ([("A", False), ("C", False)], {}, "TTTF"),
    "outside both": ([("A", True), ("C", True)], {}, "FFFT"),
    "A without C": ([("A", False), ("C", True)], {}, "TFFF"),
    "listed the other way": ([("C", True), ("A", False)], {}, "TFFF"),
    "all but A without C": ([("A", True), ("C", False)], {}, "FTTT"),
    "hidden mask layer": ([("A", False)], {"hide": True}, "TTTT"),
    "transparent mask layer": ([("A", False)], {"opacity": 0.0}, "TTFF"),
    "mask itself masked": ([("C", False)], {"chained": True}, "FTTF"),
    "switched off": ([("A", False)], {"use_masks": False}, "TTTT"),
    "no mask": ([], {}, "TTTT"),
}

bpy.context.preferences.view.show_splash = False
bpy.context.preferences.use_preferences_save = False
session = importlib.import_module(MODULE + ".addon.session")
pipeline = importlib.import_module(MODULE + ".core.pipeline")


def add(data, name, rectangles, colour):
    """Add a layer of filled rectangles, (left, bottom, right, top) in hundredths."""
    material = bpy.data.materials.new(name)
    bpy.data.materials.create_gpencil_data(material)
    material.grease_pencil.color = material.grease_pencil.fill_color = (*colour, 1.0)
    data.materials.append(material)
    layer = data.layers.new(name)
    layer.use_lights = False
    drawing = layer.frames.new(1).drawing
    drawing.add_strokes([4] * len(rectangles))
    points = [
        (x / 100, 0.0, z / 100)
        for left, low, right, top in rectangles
        for x, z in ((left, low), (right, low), (right, top), (left, top))
    ]
    drawing.attributes["position"].data.foreach_set("vector", np.ravel(points))
    count = len(rectangles)
    for attribute, kind, values in (
        ("cyclic", "BOOLEAN", [True] * count),
        ("hide_stroke", "BOOLEAN", [True] * count),
        ("fill_id", "INT", list(range(1, count + 1))),
        ("material_index", "INT", [len(data.materials) - 1] * count),
    ):
        found = drawing.attributes.get(attribute)
        found = found or drawing.attributes.new(attribute, kind, "CURVE")
        found.data.foreach_set("value", values)
    drawing.tag_positions_changed()
    return layer


def drawing_of(parts):
    for item in list(bpy.data.objects):
        if item.type == "GREASEPENCIL":
            bpy.data.objects.remove(item)
    data = bpy.data.grease_pencils.new("Check")
    item = bpy.data.objects.new("Check", data)
    bpy.context.scene.collection.objects.link(item)
    for name, rectangles, colour in parts:
        add(data, name, rectangles, colour)
    return item


def picture(name):
    """What the 3D view shows, (SIZE, SIZE, 3), y up."""
    window = bpy.context.window_manager.windows[0]
    area = next(item for item in window.screen.areas if item.type == "VIEW_3D")
    region = next(item for item in area.regions if item.type == "WINDOW")
    path = OUT / f"{name}.png"
    bpy.context.scene.render.filepath = str(path)
    with bpy.context.temp_override(window=window, area=area, region=region):
        bpy.ops.render.opengl(write_still=True)
    image = bpy.data.images.load(str(path))
    pixels = np.array(image.pixels[:]).reshape(SIZE, SIZE, 4)[..., :3]
    bpy.data.images.remove(image)
    path.unlink()
    return pixels


def read():
    """Lines as the add-on reads them: middles in hundredths, and colours."""
    source = session.open_source()
    with source.reading():
        scene = source.scene_at(1)
    strokes = pipeline.visible_strokes(scene)
    bounds = [(strokes.offsets[i], strokes.offsets[i + 1]) for i in range(len(strokes))]
    middles = [
        (strokes.points[a:b].min(axis=0) + strokes.points[a:b].max(axis=0)) / 2 for a, b in bounds
    ]
    return np.array(middles).reshape(-1, 2) * 100.0, strokes.colour


def check_masks():
    for name, (masks, look, expected) in CASES.items():
        item = drawing_of(
            [
                ("A", [(-90, -50, 10, 50)], (0, 0.3, 0)),
                ("C", [(-10, -50, 90, 50)], (0, 0, 0.3)),
                ("top", [(x - 4, z - 4, x + 4, z + 4) for x, z in PLACES.values()], (1, 1, 1)),
            ]
        )
        layers = item.data.layers
        for other, inverted in masks:
            layers["top"].mask_layers.add(layers[other])
            layers["top"].mask_layers[-1].invert = inverted
        layers["top"].use_masks = look.get("use_masks", True)
        layers["A"].hide = look.get("hide", False)
        layers["A"].opacity = look.get("opacity", 1.0)
        if look.get("chained"):
            layers["C"].mask_layers.add(layers["A"])
            layers["C"].use_masks = True
        bpy.context.view_layer.update()
        pixels = picture(name.replace(" ", "_"))
        shown = "".join(
            "T" if pixels[int((z + 100) / 2), int((x + 100) / 2)].min() > 0.9 else "F"
            for x, z in PLACES.values()
        )
        middles, colours = read()
        white = middles[colours.min(axis=1) > 0.9]
        drawn = "".join(
            "T" if len(white) and np.hypot(*(white - place).T).min() < 1.0 else "F"
            for place in PLACES.values()
        )
        print(f"{name}: expected {expected}, Blender {shown}, lines {drawn}", flush=True)
        assert shown == drawn == expected, name


def check_behind():
    item = drawing_of(
        [("low", [(-40, -10, 20, 10)], (1, 0, 0)), ("high", [(-20, -20, 40, 20)], (0, 1, 0))]
    )
    for turned in (False, True):
        item.rotation_euler = (0.0, 0.0, math.pi if turned else 0.0)
        bpy.context.view_layer.update()
        pixels = picture("behind" if turned else "front")
        side = -1 if turned else 1
        overlap = pixels[50, 50 + side * -5]
        assert overlap[1] > 0.9 > 0.1 > overlap[0], (turned, overlap)  # the upper one, either way
        alone = pixels[50, 50 + side * -15]
        assert alone[0] > 0.9 > 0.1 > alone[1], (turned, alone)


def run():
    scene = bpy.context.scene
    for item in list(bpy.data.objects):
        bpy.data.objects.remove(item)
    camera = bpy.data.cameras.new("Camera")
    camera.type, camera.ortho_scale = "ORTHO", 2.0
    scene.camera = bpy.data.objects.new("Camera", camera)
    scene.collection.objects.link(scene.camera)
    scene.camera.location, scene.camera.rotation_euler = (0, -5, 0), (math.pi / 2, 0, 0)
    scene.render.resolution_x = scene.render.resolution_y = SIZE
    scene.render.resolution_percentage = 100
    scene.view_settings.view_transform = "Standard"
    window = bpy.context.window_manager.windows[0]
    space = next(item for item in window.screen.areas if item.type == "VIEW_3D").spaces[0]
    space.overlay.show_overlays = False
    space.shading.type = "SOLID"
    space.region_3d.view_perspective = "CAMERA"
    check_masks()
    check_behind()


def go():
    code = 1
    try:
        run()
        code = 0
    except Exception:
        traceback.print_exc()
    sys.stdout.flush()
    os._exit(code)


bpy.app.timers.register(go, first_interval=2.0)
