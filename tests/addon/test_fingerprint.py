# SPDX-License-Identifier: GPL-3.0-or-later
"""The fingerprint of a scene: whatever changes its picture changes it, and nothing else does."""

import subprocess
import sys

import bpy
import pytest
from beamwright.addon.extract.fingerprint import scene_fingerprint
from beamwright.addon.properties import assign
from blender_scenes import add_collection, add_cube, add_material, geometry_group


def grid_group():
    """A node group with a number in it."""

    def build(nodes, links, start, end):
        move = nodes.new("GeometryNodeTransform")
        links.new(start, move.inputs[0])
        links.new(move.outputs[0], end)

    return geometry_group(build)


@pytest.fixture
def rich(scene, tmp_path):
    """A scene with one of everything that may change."""
    cube = add_cube()
    add_material(cube, "Paint", (1.0, 0.5, 0.0))
    cube.keyframe_insert("location", frame=1)
    cube.location.x = 1.0
    cube.keyframe_insert("location", frame=4)
    cube.modifiers.new("Bevel", "BEVEL").width = 0.1
    nodes = cube.modifiers.new("Nodes", "NODES")
    nodes.node_group = grid_group()
    cube.shape_key_add(name="Basis")
    cube.shape_key_add(name="Wide").value = 0.2
    driver = cube.driver_add("rotation_euler", 2).driver
    driver.type = "SCRIPTED"
    driver.expression = "frame / 10"
    bones = bpy.data.objects.new("Bones", bpy.data.armatures.new("Bones"))
    scene.collection.objects.link(bones)
    bpy.context.view_layer.objects.active = bones
    bpy.ops.object.mode_set(mode="EDIT")
    bones.data.edit_bones.new("Bone").tail = (0.0, 0.0, 1.0)
    bpy.ops.object.mode_set(mode="OBJECT")
    text = bpy.data.objects.new("Words", bpy.data.curves.new("Words", "FONT"))
    text.data.body = "Harbour"
    scene.collection.objects.link(text)
    add_collection("Shelf")
    add_cube("Other", collection=bpy.data.collections["Shelf"])
    path = tmp_path / "rich.blend"
    bpy.ops.wm.save_as_mainfile(filepath=str(path))
    bpy.ops.wm.open_mainfile(filepath=str(path))
    return bpy.context.scene


def cube():
    return bpy.data.objects["Cube"]


def first_curve():
    action = cube().animation_data.action
    return action.layers[0].strips[0].channelbag(cube().animation_data.action_slot).fcurves[0]


def set_value(owner, name, value):
    setattr(owner, name, value)


CHANGES = {
    "vertex": lambda s: set_value(cube().data.shape_keys.key_blocks[0].data[0], "co", (0, 0, 3)),
    "mesh of another": lambda s: set_value(
        bpy.data.objects["Other"].data.vertices[0], "co", (0.0, 0.0, 1.0001)
    ),
    "keyframe": lambda s: set_value(first_curve().keyframe_points[1], "co", (4.0, 1.5)),
    "interpolation": lambda s: set_value(
        first_curve().keyframe_points[0], "interpolation", "CONSTANT"
    ),
    "modifier": lambda s: set_value(cube().modifiers["Bevel"], "width", 0.11),
    "material colour": lambda s: set_value(
        bpy.data.materials["Paint"], "diffuse_color", (1.0, 0.5, 0.1, 1.0)
    ),
    "driver": lambda s: set_value(
        cube().animation_data.drivers[0].driver, "expression", "frame / 11"
    ),
    "node value": lambda s: set_value(
        bpy.data.node_groups["Nodes"].nodes["Transform Geometry"].inputs["Translation"],
        "default_value",
        (0.0, 0.0, 0.5),
    ),
    "shape key": lambda s: set_value(cube().data.shape_keys.key_blocks[1], "value", 0.3),
    "pose": lambda s: set_value(
        bpy.data.objects["Bones"].pose.bones[0], "rotation_quaternion", (0.9, 0.1, 0.0, 0.0)
    ),
    "text": lambda s: set_value(bpy.data.curves["Words"], "body", "Harbours"),
    "lens": lambda s: set_value(bpy.data.cameras["Camera"], "lens", 51.0),
    "camera place": lambda s: set_value(bpy.data.objects["Camera"], "location", (0, -11, 0)),
    "render visibility": lambda s: set_value(bpy.data.objects["Words"], "hide_render", True),
    "collection visibility": lambda s: set_value(
        bpy.data.collections["Shelf"], "hide_render", True
    ),
    "excluded collection": lambda s: set_value(
        s.view_layers[0].layer_collection.children["Shelf"], "exclude", True
    ),
    "membership": lambda s: bpy.data.collections["Shelf"].objects.link(cube()),
    "our lines": lambda s: set_value(cube().beamwright.lines, "crease_angle", 0.2),
    "our scene settings": lambda s: set_value(s.beamwright.drawing, "page_border", True),
    "assignment": lambda s: assign(cube(), "Lettering"),
    "resolution": lambda s: set_value(s.render, "resolution_x", 999),
    "start": lambda s: set_value(s, "frame_start", 2),
    "parent": lambda s: set_value(bpy.data.objects["Other"], "parent", cube()),
    "camera by marker": lambda s: set_value(
        s.timeline_markers.new("M", frame=2), "camera", bpy.data.objects["Camera"]
    ),
    "script": lambda s: bpy.data.texts.new("driver.py").write("x = 1"),
}


@pytest.mark.parametrize("change", CHANGES)
def test_changes_with_the_picture(rich, change):
    """Each change is seen, and undoing it by loading the file again gives the old value."""
    before = scene_fingerprint(rich)
    assert scene_fingerprint(rich) == before
    CHANGES[change](rich)
    bpy.context.view_layer.update()
    assert scene_fingerprint(rich) != before
    bpy.ops.wm.open_mainfile(filepath=bpy.data.filepath)
    assert scene_fingerprint(bpy.context.scene) == before


def test_saving_and_opening_changes_nothing(rich):
    """However often the file is opened and saved again, finished frames stay good."""
    before = scene_fingerprint(rich)
    for _ in range(3):
        bpy.ops.wm.save_mainfile()
        bpy.ops.wm.open_mainfile(filepath=bpy.data.filepath)
        assert scene_fingerprint(bpy.context.scene) == before


def test_looking_changes_nothing(rich):
    """Scrubbing, selecting and the 3D cursor leave it as it is."""
    before = scene_fingerprint(rich)
    rich.frame_set(3)
    cube().select_set(not cube().select_get())
    rich.cursor.location = (1.0, 2.0, 3.0)
    assert scene_fingerprint(rich) == before
    assert rich.frame_current == 3


def test_asking_for_settings_changes_nothing(rich):
    """Blender makes empty groups for settings that are only looked at."""
    before = scene_fingerprint(rich)
    for item in (*rich.objects, *bpy.data.collections):
        assert item.beamwright.lines.crease
    assert not rich.beamwright.drawing.page_border
    assert len(rich.beamwright.projectors) == 0
    assert scene_fingerprint(rich) == before
    # An entry of a list counts, though it holds defaults only.
    rich.beamwright.projectors.add()
    one = scene_fingerprint(rich)
    rich.beamwright.projectors.add()
    assert len({before, one, scene_fingerprint(rich)}) == 3


def test_baked_strokes_do_not_count(rich):
    """Nor what only they use; what lies beside them still does."""
    before = scene_fingerprint(rich)
    for _ in range(2):
        assert bpy.ops.beamwright.bake_strokes() == {"FINISHED"}
        assert scene_fingerprint(rich) == before
    item = next(item for item in rich.objects if item.beamwright.baked)
    item.hide_viewport = True
    item.modifiers.new("Thick", "GREASE_PENCIL_THICKNESS")
    rich.view_layers[0].layer_collection.children[item.users_collection[0].name].exclude = True
    rich.view_layers.new("Beam")
    layers = scene_fingerprint(rich)
    bpy.ops.beamwright.remove_bake()
    assert scene_fingerprint(rich) == layers != before
    bpy.ops.beamwright.bake_strokes()
    item = next(item for item in rich.objects if item.beamwright.baked)
    bpy.data.collections["Shelf"].objects.link(item)
    rich.collection.objects.link(item)
    assert scene_fingerprint(rich) == layers
    item.users_collection[0].objects.link(cube())
    assert scene_fingerprint(rich) != layers


def test_the_report_does_not_count(rich):
    """Nor a report that was cleared; the artist's markers and properties beside it do."""
    rich.beamwright.add_projector("Pictures").target_refresh_hz = 500.0
    for item in rich.objects:
        item.beamwright.locked = True
    before = scene_fingerprint(rich)
    assert bpy.ops.beamwright.analyze_range() == {"FINISHED"}
    assert [item.name[:11] for item in rich.timeline_markers] == ["Over budget"] * 2
    assert len(rich.beamwright.worst_frames) == 1
    assert rich.animation_data.action is not None
    assert scene_fingerprint(rich) == before
    rich.beamwright.active_worst_frame = 0
    rich.frame_set(2)
    assert scene_fingerprint(rich) == before
    marker = rich.timeline_markers.new("cue", frame=2)
    with_cue = scene_fingerprint(rich)
    assert with_cue != before
    rich["wind"] = 1.0
    assert scene_fingerprint(rich) not in (before, with_cue)
    rich.keyframe_insert('["wind"]', frame=1)
    keyed = scene_fingerprint(rich)
    assert keyed not in (before, with_cue)
    rich.animation_data.action.layers[0].strips[0].channelbag(
        rich.animation_data.action_slot
    ).fcurves.find('["wind"]').keyframe_points[0].co.y = 2.0
    assert scene_fingerprint(rich) != keyed
    rich.keyframe_delete('["wind"]', frame=1)
    del rich["wind"]
    rich.timeline_markers.remove(marker)
    assert scene_fingerprint(rich) == before
    bound = next(item for item in rich.timeline_markers if item.name.startswith("Over"))
    bound.camera = rich.camera
    assert scene_fingerprint(rich) != before
    bound.camera = None
    bpy.ops.beamwright.clear_report()
    assert scene_fingerprint(rich) == before


def test_writing_it_down_leaves_the_scene_alone(rich):
    """Animated values come back after they were at rest."""
    rich.frame_set(4)
    place, value = tuple(cube().location), cube().rotation_euler.z
    scene_fingerprint(rich)
    assert tuple(cube().location) == place
    assert cube().rotation_euler.z == value


def test_another_scene_does_not_matter(rich):
    """Nor does a show that has the scene on its sequencer."""
    before = scene_fingerprint(rich)
    show = bpy.data.scenes.new("Show")
    strip = show.sequence_editor_create().strips.new_scene("A", rich, 1, 1)
    assert scene_fingerprint(rich) == before
    strip.frame_start = 30
    show.frame_end = 500
    assert scene_fingerprint(rich) == before


def test_the_same_in_another_process(rich):
    """Addresses in memory and the order of loading differ there."""
    code = (
        "import bpy, sys; from beamwright import addon; addon.register_headless();"
        "bpy.ops.wm.open_mainfile(filepath=sys.argv[1]);"
        "from beamwright.addon.extract.fingerprint import scene_fingerprint;"
        "print('is', scene_fingerprint(bpy.context.scene))"
    )
    done = subprocess.run(
        [sys.executable, "-c", code, bpy.data.filepath],
        capture_output=True, text=True, check=True, timeout=60,
    )  # fmt: skip
    assert f"is {scene_fingerprint(rich)}" in done.stdout


def test_linked_library(rich, tmp_path):
    """A linked file counts with its content, also where the link itself stays as it is."""
    library = tmp_path / "library.blend"
    mesh = bpy.data.meshes["Other"]
    bpy.data.libraries.write(str(library), {mesh})
    with bpy.data.libraries.load(str(library), link=True) as (there, here):
        here.meshes = list(there.meshes)
    item = bpy.data.objects.new("Linked", here.meshes[0])
    rich.collection.objects.link(item)
    before = scene_fingerprint(rich)
    mesh.vertices[0].co.z += 1.0
    with_change = scene_fingerprint(rich)
    bpy.data.libraries.write(str(library), {mesh})
    assert scene_fingerprint(rich) not in (before, with_change)
