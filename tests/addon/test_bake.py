# SPDX-License-Identifier: GPL-3.0-or-later
"""Baked strokes: in the right place and colour on each frame, one object, and never content."""

import math
import subprocess
import sys
from itertools import pairwise

import bpy
import numpy as np
import pytest
from beamwright.addon import bake, timeline
from beamwright.addon.preview.layers import encoded
from beamwright.addon.properties import assign
from beamwright.addon.session import BlenderSource
from beamwright.core import pipeline
from beamwright.core.points.aim import aim_matrix
from blender_scenes import add_cube, add_material, add_mesh
from bpy_extras.object_utils import world_to_camera_view
from mathutils import Matrix, Vector
from shapely import MultiLineString, box

OPERATORS = bpy.ops.beamwright
COLOURS = {"Orange": (1.0, 0.5, 0.125), "Blue": (0.0, 0.25, 1.0)}


@pytest.fixture
def stage(scene):
    """A turning cube for the pictures, a line and a dot for the lettering, and a light."""
    cube = add_cube("Cube")
    add_material(cube, "Orange", COLOURS["Orange"])
    for frame, turn in ((1, 0.3), (4, 1.2)):
        cube.rotation_euler = (0.4, 0.1, turn)
        cube.keyframe_insert("rotation_euler", frame=frame)
    line = add_mesh("Line", [(-2.0, 0.0, 2.0), (2.0, 0.0, 2.5), (0.0, 0.0, -2.5)], edges=[(0, 1)])
    add_material(line, "Blue", COLOURS["Blue"])
    line.beamwright.lines.dot = True
    for name in ("Pictures", "Lettering"):
        scene.beamwright.add_projector(name)
    assign(line, "Lettering")
    return scene


def counts():
    """How many data blocks of each kind a bake makes there are."""
    return {
        name: len(getattr(bpy.data, name))
        for name in ("objects", "materials", "collections", "actions")
    } | {"data": len(bake.compat.grease_pencils())}


def layers(scene):
    return {layer.name: layer for layer in bake.baked_object(scene).data.layers}


def column(drawing, name, values, width, member="value"):
    found = drawing.attributes.get(name)
    if found is None:
        return None
    result = np.zeros(len(found.data) * width, values)
    found.data.foreach_get(member, result)
    return result.reshape(-1, width)


def polylines(drawing):
    """Positions of each stroke in the object's space, (m, 3), and whether it is closed."""
    if not len(drawing.strokes):
        return []
    points = column(drawing, "position", np.float32, 3, "vector")
    sizes = [len(stroke.points) for stroke in drawing.strokes]
    parts = np.split(points, np.cumsum(sizes)[:-1])
    return [(part, stroke.cyclic) for part, stroke in zip(parts, drawing.strokes, strict=True)]


def on_page(scene, item, points, camera=None):
    """Where Blender sees points of an object: field coordinates of the camera, (n, 2)."""
    render = scene.render
    width = render.resolution_x * render.pixel_aspect_x
    height = render.resolution_y * render.pixel_aspect_y
    half = np.array([width, height]) / max(width, height)
    seen = [
        world_to_camera_view(scene, camera or scene.camera, item.matrix_world @ Vector(point))[:2]
        for point in points
    ]
    return (2.0 * np.array(seen).reshape(-1, 2) - 1.0) * half


def planned(scene):
    """What each projector draws on each frame."""
    source = BlenderSource(scene)
    memories, result = {}, {}
    with source.reading():
        for frame in range(source.frame_start, source.frame_end + 1, source.frame_step):
            shares = pipeline.draw_frame(
                source.scene_at(frame), source.projectors, memories, source.limits
            )
            memories = {name: share.memory for name, share in shares.items()}
            result[frame] = shares
    return source.projectors, result


def drawn_lines(share, projector):
    """Kept strokes in the camera's field."""
    strokes = share.strokes
    if len(share.dropped):
        strokes = strokes.take(~share.dropped)
    matrix = np.linalg.inv(aim_matrix(projector.aim))
    flat = np.column_stack([strokes.points, np.ones(len(strokes.points))]) @ matrix.T
    places = flat[:, :2] / flat[:, 2:]
    return [places[a:b] for a, b in zip(strokes.offsets[:-1], strokes.offsets[1:], strict=True)]


def moving(camera):
    """A pan with a roll and a change of lens."""
    for frame, place, turn, lens in ((1, -2.0, 0.0, 50.0), (4, 2.0, 0.6, 35.0)):
        camera.location.x = place
        camera.rotation_euler = (math.pi / 2, turn, 0.1 * place)
        camera.data.lens = lens
        camera.keyframe_insert("location", frame=frame)
        camera.keyframe_insert("rotation_euler", frame=frame)
        camera.data.keyframe_insert("lens", frame=frame)


def shifted(camera):
    camera.data.shift_x, camera.data.shift_y = 0.1, -0.07


def flat(camera):
    camera.data.type, camera.data.ortho_scale = "ORTHO", 9.0
    shifted(camera)


def portrait(_camera):
    bpy.context.scene.render.resolution_x = 600
    bpy.context.scene.render.pixel_aspect_x = 1.25


def scaled(camera):
    camera.scale = (2.0, 2.0, 2.0)


@pytest.mark.parametrize("view", [moving, shifted, flat, portrait, scaled])
def test_stands_where_it_is_drawn(stage, view):
    """Blender's own camera sees each point where the projector's stroke is, on each frame."""
    view(stage.camera)
    aim = stage.beamwright.projectors["Lettering"].aim
    aim.scale_x, aim.rotation, aim.offset_y, aim.mirror_x = 0.5, 0.3, 0.1, True
    assert OPERATORS.bake_strokes() == {"FINISHED"}
    item = bake.baked_object(stage)
    projectors, frames = planned(stage)
    points = 0
    for frame, shares in frames.items():
        stage.frame_set(frame)
        for projector in projectors:
            lines = drawn_lines(shares[projector.name], projector)
            layer = layers(stage)[projector.name]
            drawing = layer.frames[frame - 1].drawing
            assert layer.frames[frame - 1].frame_number == frame
            baked = polylines(drawing)
            assert len(baked) == len(lines) > 0
            for (found, closed), wanted in zip(baked, lines, strict=True):
                ends = len(wanted) - closed
                assert closed == (len(wanted) > 2 and bool((wanted[0] == wanted[-1]).all()))
                assert len(found) == ends
                seen = on_page(stage, item, found)
                # Single precision, a tenth of a unit from the camera.
                assert np.abs(seen - wanted[:ends]).max() < 2e-5
                points += ends
    assert points > 50


def test_nothing_stands_before_it(stage):
    """All of it lies between the near clipping plane and what the camera can see."""
    OPERATORS.bake_strokes()
    for layer in layers(stage).values():
        (part, *_), *_ = polylines(layer.frames[0].drawing)
        assert part[:, 2] == pytest.approx(-1.5 * stage.camera.data.clip_start)


def test_colours_and_widths(stage):
    OPERATORS.bake_strokes(line_width=1.0)
    for name, colour in (("Pictures", "Orange"), ("Lettering", "Blue")):
        drawing = layers(stage)[name].frames[0].drawing
        rgba = column(drawing, "vertex_color", np.float32, 4, "color")
        assert np.abs(rgba - (*COLOURS[colour], 1.0)).max() < 1e-6
        # One percent of the page's width at its distance.
        half = stage.camera.data.sensor_width / 2 / stage.camera.data.lens
        wide = 2.0 * half * 1.5 * stage.camera.data.clip_start
        assert column(drawing, "radius", np.float32, 1) == pytest.approx(0.005 * wide, rel=1e-5)
    sizes = sorted(len(part) for part, _ in polylines(layers(stage)["Lettering"].frames[0].drawing))
    assert sizes == [1, 2]


def slot_colours(drawing, item):
    """sRGB colour, 0…255, of the material of each stroke."""
    return [
        tuple(
            np.round(
                255
                * encoded(item.material_slots[s.material_index].material.grease_pencil.color[:3])
            ).astype(int)
        )
        for s in drawing.strokes
    ]


def test_materials_have_the_colours_too(stage):
    """Solid shading shows materials: one for each colour, kept when baked anew."""
    OPERATORS.bake_strokes()
    item = bake.baked_object(stage)
    names = ["Beamwright Strokes #0089ff", "Beamwright Strokes #ffbc63"]
    assert sorted(slot.name for slot in item.material_slots) == names
    for name, colour in (("Pictures", (255, 188, 99)), ("Lettering", (0, 137, 255))):
        assert set(slot_colours(layers(stage)[name].frames[0].drawing, item)) == {colour}
    kept = bpy.data.materials[names[0]]
    kept.grease_pencil.color = (1.0, 0.0, 0.0, 1.0)
    bpy.data.materials["Orange"].diffuse_color = (0.0, 1.0, 0.0, 1.0)
    OPERATORS.bake_strokes()
    slots = sorted(slot.name for slot in item.material_slots)
    assert slots == [names[0], "Beamwright Strokes #00ff00"]
    assert names[1] not in bpy.data.materials
    assert set(slot_colours(layers(stage)["Lettering"].frames[0].drawing, item)) == {(255, 0, 0)}


def test_many_colours_share_materials(stage):
    """A fade has more colours than anybody wants materials; each is near its own."""
    shades = [(0.01 * k, 0.5, 1.0 - 0.01 * k) for k in range(100)]
    for k, shade in enumerate(shades):
        line = add_mesh(
            f"L{k}", [(-2.0, 0.0, 0.03 * k - 2), (-1.5, 0.0, 0.03 * k - 2)], edges=[(0, 1)]
        )
        add_material(line, f"M{k}", shade)
        line.beamwright.locked = True
    stage.frame_end = 1
    OPERATORS.bake_strokes()
    item = bake.baked_object(stage)
    assert 8 <= len(item.material_slots) <= bake.PALETTE_MAX
    drawing = layers(stage)["Pictures"].frames[0].drawing
    exact = column(drawing, "vertex_color", np.float32, 4, "color")
    sizes = [len(stroke.points) for stroke in drawing.strokes]
    first = exact[np.cumsum(sizes) - sizes, :3]
    assert len(np.unique(np.round(first, 4), axis=0)) > 90
    assert np.abs(255 * encoded(first) - slot_colours(drawing, item)).max() < 33


def test_a_drawing_for_each_frame(stage):
    """Nothing before the first, nothing after the last; steps hold."""
    stage.frame_start, stage.frame_end, stage.frame_step = 2, 9, 3
    stage.frame_set(4)
    OPERATORS.bake_strokes()
    for layer in layers(stage).values():
        assert [frame.frame_number for frame in layer.frames] == [2, 5, 8, 11]
        assert [len(frame.drawing.strokes) > 0 for frame in layer.frames] == [True] * 3 + [False]
    assert stage.frame_current == 4


def test_empty_frames_show_nothing(stage):
    """An object hidden from frame 3 on is gone there, not held from before."""
    line = bpy.data.objects["Line"]
    for frame, hidden in ((1, False), (3, True)):
        line.hide_render = hidden
        line.keyframe_insert("hide_render", frame=frame)
    OPERATORS.bake_strokes()
    strokes = [len(frame.drawing.strokes) for frame in layers(stage)["Lettering"].frames]
    assert strokes == [2, 2, 0, 0, 0]


def test_again_replaces(stage):
    """The object, its look and its place stay; the drawings, layers and poses are new."""
    moving(stage.camera)
    before = counts()
    OPERATORS.bake_strokes()
    once = counts()
    made = {name: once[name] - before[name] for name in once}
    assert made == {"objects": 1, "data": 1, "collections": 1, "actions": 1, "materials": 2}
    item = bake.baked_object(stage)
    item.modifiers.new("Thick", "GREASE_PENCIL_THICKNESS")
    layers(stage)["Pictures"].opacity = 0.5
    shelf = bpy.data.collections.new("Shelf")
    stage.collection.children.link(shelf)
    shelf.objects.link(item)
    stage.beamwright.projectors["Lettering"].name = "Words"
    stage.frame_end = 2
    stage.camera.animation_data_clear()
    OPERATORS.bake_strokes()
    assert counts() == once | {
        "collections": once["collections"] + 1,
        "actions": once["actions"] - 1,
    }
    assert bake.baked_object(stage) == item
    assert [layer.name for layer in item.data.layers] == ["Pictures", "Words"]
    assert layers(stage)["Pictures"].opacity == 0.5
    assert [modifier.name for modifier in item.modifiers] == ["Thick"]
    assert shelf in item.users_collection
    for layer in layers(stage).values():
        assert [frame.frame_number for frame in layer.frames] == [1, 2, 3]
    bpy.context.view_layer.update()
    expected = stage.camera.matrix_world
    assert max(abs(value) for row in item.matrix_world - expected for value in row) < 1e-6


def test_copies_of_it_go_too(stage):
    """A duplicate is a bake as well: one stays."""
    OPERATORS.bake_strokes()
    item = bake.baked_object(stage)
    copy = item.copy()
    stage.collection.objects.link(copy)
    OPERATORS.bake_strokes()
    assert sum(entry.beamwright.baked for entry in bpy.data.objects) == 1
    assert OPERATORS.remove_bake() == {"FINISHED"}


def test_removing_leaves_nothing(stage):
    moving(stage.camera)
    assert not OPERATORS.remove_bake.poll()
    before = counts()
    OPERATORS.bake_strokes()
    assert OPERATORS.remove_bake() == {"FINISHED"}
    assert counts() == before
    assert bake.baked_object(stage) is None


def test_is_never_drawn(stage):
    """Neither drawn nor hiding anything, whatever collection or instance it is in."""
    _projectors, before = planned(stage)
    OPERATORS.bake_strokes()
    collection = bake.baked_object(stage).users_collection[0]
    instance = bpy.data.objects.new("Instance", None)
    instance.instance_type, instance.instance_collection = "COLLECTION", collection
    stage.collection.objects.link(instance)
    _projectors, after = planned(stage)
    for frame, shares in before.items():
        for name, share in shares.items():
            again = after[frame][name].strokes
            assert np.array_equal(share.strokes.points, again.points)
            assert np.array_equal(share.strokes.offsets, again.offsets)
            assert np.array_equal(share.strokes.colour, again.colour)
            assert np.array_equal(share.frame.xy, after[frame][name].frame.xy)


def test_alone_it_is_no_content(stage):
    """With nothing else to draw the scene is empty, and the older bake stays."""
    OPERATORS.bake_strokes()
    strokes = len(layers(stage)["Pictures"].frames[0].drawing.strokes)
    for name in ("Cube", "Line"):
        bpy.data.objects.remove(bpy.data.objects[name])
    with pytest.raises(RuntimeError, match="is empty"):
        OPERATORS.bake_strokes()
    assert len(layers(stage)["Pictures"].frames[0].drawing.strokes) == strokes > 0


def test_a_failure_keeps_the_older_bake(stage):
    """A camera that is lost on frame 3 stops the work before anything is written."""
    OPERATORS.bake_strokes()
    lens = stage.camera
    for frame, scale in ((1, 1.0), (2, 1.0), (3, 0.0)):
        lens.scale = (scale, scale, scale)
        lens.keyframe_insert("scale", frame=frame)
    bpy.data.objects["Cube"].location.x = 1.0
    old = polylines(layers(stage)["Pictures"].frames[0].drawing)[0][0]
    with pytest.raises(RuntimeError, match="valid place"):
        OPERATORS.bake_strokes()
    assert np.array_equal(polylines(layers(stage)["Pictures"].frames[0].drawing)[0][0], old)


def test_lost_strokes_are_lost(stage):
    """What is left out for the budget is not in the bake."""
    for index in range(12):
        add_cube(f"Cube {index}", location=(0.6 * index - 3.0, 0.0, -1.0))
    pictures = stage.beamwright.projectors["Pictures"]
    pictures.target_refresh_hz = 120.0
    OPERATORS.bake_strokes()
    _projectors, frames = planned(stage)
    lost = 0
    for frame, shares in frames.items():
        share = shares["Pictures"]
        baked = layers(stage)["Pictures"].frames[frame - 1].drawing
        assert len(baked.strokes) == len(share.strokes) - int(share.dropped.sum())
        lost += int(share.dropped.sum())
    assert lost > 0


def test_darkened_light_is_dark(stage):
    """Where a keep-out area takes the light away, the bake has no line; beside it, it has."""
    pictures = stage.beamwright.projectors["Pictures"]
    aim = pictures.aim
    aim.scale_x = aim.scale_y = 0.8
    area = add_mesh("Area", [(0, 0, -3), (3, 0, -3), (3, 0, 3), (0, 0, 3)], faces=[(0, 1, 2, 3)])
    areas = bpy.data.collections.new("Keep Out")
    stage.collection.children.link(areas)
    areas.objects.link(area)
    stage.collection.objects.unlink(area)
    area.beamwright.lines.drawn = area.beamwright.lines.occludes = False
    pictures.safety.keep_outs = areas
    bpy.context.view_layer.update()
    OPERATORS.bake_strokes()
    projectors, frames = planned(stage)
    share = frames[1]["Pictures"]
    assert share.figures.darkened > 0
    item = bake.baked_object(stage)
    stage.frame_set(1)
    parts = [part for part, _ in polylines(layers(stage)["Pictures"].frames[0].drawing)]
    places = on_page(stage, item, np.concatenate(parts))
    assert places[:, 0].max() < 0.01
    # On the left every stroke is there in its length, and nothing beside them.
    # Near the area the guard's margins rule.
    left = box(-9.0, -9.0, -0.12, 9.0)
    drawn = MultiLineString(drawn_lines(share, projectors[0])).intersection(left)
    baked = MultiLineString([on_page(stage, item, part) for part in parts]).intersection(left)
    assert drawn.length > 1.0
    assert drawn.buffer(0.015).contains(baked)
    assert baked.buffer(0.015).contains(drawn)
    rgba = column(
        layers(stage)["Pictures"].frames[0].drawing, "vertex_color", np.float32, 4, "color"
    )
    assert np.abs(rgba - (*COLOURS["Orange"], 1.0)).max() < 1e-5


def test_a_projector_with_a_camera_of_its_own(stage):
    """Its picture stands before that camera."""
    own = bpy.data.objects.new("Own", bpy.data.cameras.new("Own"))
    own.matrix_world = (
        Matrix.Translation((1.0, -8.0, 1.0)) @ stage.camera.matrix_world.to_3x3().to_4x4()
    )
    stage.collection.objects.link(own)
    bpy.context.view_layer.update()
    stage.beamwright.projectors["Lettering"].camera = own
    OPERATORS.bake_strokes()
    projectors, frames = planned(stage)
    item = bake.baked_object(stage)
    stage.frame_set(1)
    lines = drawn_lines(frames[1]["Lettering"], projectors[1])
    baked = polylines(layers(stage)["Lettering"].frames[0].drawing)
    for (found, _), wanted in zip(baked, lines, strict=True):
        assert np.abs(on_page(stage, item, found, own) - wanted).max() < 2e-4


def test_each_scene_has_its_own(stage):
    """A scene that shares all objects keeps the old bake when the other is baked anew."""
    OPERATORS.bake_strokes()
    first = bake.baked_object(stage)
    bpy.ops.scene.new(type="LINK_COPY")
    other = bpy.context.window.scene if bpy.context.window else bpy.data.scenes[-1]
    assert other != stage
    assert bake.baked_object(other) == first
    with bpy.context.temp_override(scene=other):
        other.frame_end = 2
        OPERATORS.bake_strokes()
    second = bake.baked_object(other)
    assert second != first
    assert bake.baked_object(stage) == first
    assert [len(item.data.layers[0].frames) for item in (first, second)] == [5, 3]
    with bpy.context.temp_override(scene=other):
        OPERATORS.remove_bake()
    assert bake.baked_object(other) is None
    assert bake.baked_object(stage) == first


def test_undone_in_one_step(stage):
    bpy.ops.ed.undo_push(message="start")
    OPERATORS.bake_strokes()
    bpy.ops.ed.undo_push(message="baked")
    bpy.ops.ed.undo()
    scene = bpy.context.scene
    assert bake.baked_object(scene) is None
    bpy.ops.ed.redo()
    assert len(layers(bpy.context.scene)["Pictures"].frames) == 5


def test_the_report_and_the_bake_get_along(stage):
    """Each keeps to its own curves, in actions of their own."""
    moving(stage.camera)
    OPERATORS.bake_strokes()
    OPERATORS.analyze_range()
    item = bake.baked_object(stage)
    paths = {curve.data_path for curve in bake.compat.animation_curves(item)}
    assert paths == set(bake.POSE)
    OPERATORS.clear_report()
    assert not timeline.has_report(stage)
    assert {curve.data_path for curve in bake.compat.animation_curves(item)} == paths


RENDER = """
import sys, bpy
from beamwright import addon
addon.register()
bpy.ops.wm.open_mainfile(filepath=sys.argv[1])
scene = bpy.context.scene
bpy.ops.beamwright.bake_strokes(line_width=1.5)
for item in scene.objects:
    item.hide_render = not item.beamwright.baked and item.type != "CAMERA"
scene.render.engine = "BLENDER_WORKBENCH"
scene.view_settings.view_transform = "Standard"
scene.render.film_transparent = True
scene.frame_set(2)
scene.render.filepath = sys.argv[2]
scene.render.image_settings.file_format = "PNG"
bpy.ops.render.render(write_still=True)
addon.unregister()
"""


def test_renders_as_it_is_drawn(stage, tmp_path):
    """A rendered picture has the strokes' colours where the strokes are, and nothing elsewhere.

    In a process of its own: rendering without any graphics driver ends Blender.
    """
    stage.render.resolution_x = stage.render.resolution_y = 400
    blend, picture = tmp_path / "stage.blend", tmp_path / "frame.png"
    bpy.ops.wm.save_as_mainfile(filepath=str(blend))
    command = [sys.executable, "-c", RENDER, str(blend), str(picture)]
    done = subprocess.run(command, capture_output=True, text=True, check=False, timeout=120)
    if not picture.exists():
        pytest.skip(f"no off-screen rendering here: {(done.stderr or done.stdout)[-300:]}")
    image = bpy.data.images.load(str(picture))
    image.colorspace_settings.name = "sRGB"
    rgba = np.array(image.pixels[:]).reshape(400, 400, 4)
    projectors, frames = planned(stage)
    near = np.zeros((400, 400), bool)
    for projector, colour in zip(projectors, COLOURS.values(), strict=True):
        for line in drawn_lines(frames[2][projector.name], projector):
            dense = np.concatenate([np.linspace(a, b, 200) for a, b in pairwise(line)] or [line])
            x, y = np.clip(np.floor((dense.T + 1.0) * 200.0).astype(int), 1, 398)
            hit = rgba[y, x]
            # Thin lines: the middle of the pixel may lie beside one, the line's alpha tells.
            assert (hit[:, 3] > 0.2).mean() > 0.97
            full = hit[:, 3] > 0.99
            encoded = [
                c * 12.92 if c <= 0.0031308 else 1.055 * c ** (1 / 2.4) - 0.055 for c in colour
            ]
            assert full.any()
            crossing = np.abs(hit[full, :3] - encoded).max(axis=1) > 0.02
            assert crossing.mean() < 0.05
            for dx in range(-5, 6):
                for dy in range(-5, 6):
                    near[np.clip(y + dy, 0, 399), np.clip(x + dx, 0, 399)] = True
    assert (rgba[~near, 3] == 0.0).all()


@pytest.mark.parametrize("mode", ["EDIT", "PAINT_GREASE_PENCIL"])
def test_baked_anew_while_it_is_edited(stage, mode):
    """Drawings are replaced in any mode; nothing of the older ones is left."""
    OPERATORS.bake_strokes()
    item = bake.baked_object(stage)
    bpy.context.view_layer.objects.active = item
    bpy.ops.object.mode_set(mode=mode)
    assert item.mode == mode
    stage.frame_end = 2
    assert OPERATORS.bake_strokes() == {"FINISHED"}
    bpy.ops.object.mode_set(mode="OBJECT")
    for layer in layers(stage).values():
        assert [frame.frame_number for frame in layer.frames] == [1, 2, 3]
        assert len(layer.frames[0].drawing.strokes) > 0


def test_a_linked_scene_is_refused(stage, tmp_path):
    """It can be baked only where it lives: both buttons are off."""
    OPERATORS.bake_strokes()
    path = tmp_path / "stage.blend"
    bpy.data.libraries.write(str(path), {stage})
    with bpy.data.libraries.load(str(path), link=True) as (_there, here):
        here.scenes = ["Scene"]
    with bpy.context.temp_override(scene=here.scenes[0]):
        assert not OPERATORS.bake_strokes.poll()
        assert not OPERATORS.remove_bake.poll()
    assert OPERATORS.bake_strokes.poll()
    assert OPERATORS.remove_bake.poll()
