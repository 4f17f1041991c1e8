# SPDX-License-Identifier: GPL-3.0-or-later
"""What renders is read, and only that, whatever the viewport shows."""

import bpy
import pytest
from beamwright.addon import compat
from beamwright.addon.extract.visibility import render_state
from beamwright.addon.session import open_source
from beamwright.core.errors import SceneError
from blender_scenes import add_collection, add_cube


def read():
    """Names of the surfaces, with the scene in the state of its renders."""
    source = open_source()
    with source.reading():
        surfaces = source.scene_at(1).surfaces
    return {surface.name: surface for surface in surfaces}


def layer_of(collection):
    """Return the layer collection of a collection."""
    pending = [bpy.context.view_layer.layer_collection]
    while pending:
        layer = pending.pop()
        if layer.collection == collection:
            return layer
        pending.extend(layer.children)
    raise LookupError(collection.name)


def hide_object_in_render(item, _collection):
    item.hide_render = True


def hide_from_camera(item, _collection):
    item.visible_camera = False


def hide_collection_in_render(_item, collection):
    collection.hide_render = True


def exclude_collection(_item, collection):
    layer_of(collection).exclude = True


def make_indirect(_item, collection):
    layer_of(collection).indirect_only = True


@pytest.mark.parametrize(
    "hide",
    [
        hide_object_in_render,
        hide_from_camera,
        hide_collection_in_render,
        exclude_collection,
        make_indirect,
    ],
)
def test_not_rendered(scene, hide):
    """Each way to keep an object out of renders keeps it out here."""
    collection = add_collection("Stage")
    item = add_cube("Hidden", collection)
    add_cube("Shown")
    assert set(read()) == {"Hidden", "Shown"}
    hide(item, collection)
    assert set(read()) == {"Shown"}


def hide_object_in_viewport(item, _collection):
    item.hide_viewport = True


def hide_with_the_eye(item, _collection):
    item.hide_set(True)


def hide_collection_in_viewport(_item, collection):
    collection.hide_viewport = True


def hide_layer_in_viewport(_item, collection):
    layer_of(collection).hide_viewport = True


@pytest.mark.parametrize(
    "hide",
    [
        hide_object_in_viewport,
        hide_with_the_eye,
        hide_collection_in_viewport,
        hide_layer_in_viewport,
    ],
)
def test_rendered_though_hidden_in_the_viewport(scene, hide):
    """Viewport visibility plays no part, and comes back as it was."""
    collection = add_collection("Stage")
    item = add_cube("Item", collection)
    hide(item, collection)
    assert set(read()) == {"Item"}
    layer = layer_of(collection)
    after = (item.hide_viewport, item.hide_get(), collection.hide_viewport, layer.hide_viewport)
    expected = [
        hide is other
        for other in (
            hide_object_in_viewport,
            hide_with_the_eye,
            hide_collection_in_viewport,
            hide_layer_in_viewport,
        )
    ]
    assert (after[0], after[2], after[3]) == (expected[0], expected[2], expected[3])
    assert item.hide_get() == expected[1]


def test_object_in_two_collections(scene):
    """One collection that renders is enough."""
    one, two = add_collection("One"), add_collection("Two")
    item = add_cube("Both", one)
    two.objects.link(item)
    one.hide_render = True
    assert set(read()) == {"Both"}
    two.hide_render = True
    assert read() == {}


def test_child_of_a_collection_that_does_not_render(scene):
    """Disabling a collection disables those below; excluding it leaves included ones alone."""
    outer = add_collection("Outer")
    inner = add_collection("Inner", outer)
    add_cube("Inside", inner)
    outer.hide_render = True
    assert read() == {}
    outer.hide_render = False
    layer_of(outer).exclude = True
    layer_of(inner).exclude = False
    assert set(read()) == {"Inside"}


@pytest.mark.parametrize("way", ["collection", "object"])
def test_holdout_only_hides(scene, way):
    """A holdout is not drawn but hides what lies behind it."""
    collection = add_collection("Mask")
    item = add_cube("Mask", collection)
    if way == "collection":
        layer_of(collection).holdout = True
    else:
        item.is_holdout = True
    item.beamwright.lines.occludes = False
    lines = read()["Mask"].lines
    assert lines.occludes
    assert not lines.drawn


def test_nothing_to_do_is_left_out(scene):
    """An object that neither draws nor hides costs nothing."""
    item = add_cube("Ghost")
    item.beamwright.lines.drawn = item.beamwright.lines.occludes = False
    assert read() == {}


def test_animated_render_visibility(scene):
    """Keyed render visibility follows the frame."""
    item = add_cube("Blink")
    for frame, hidden in ((1, False), (3, True)):
        item.hide_render = hidden
        item.keyframe_insert("hide_render", frame=frame)
    source = open_source()
    with source.reading():
        assert [len(source.scene_at(frame).surfaces) for frame in (1, 2, 3)] == [1, 1, 0]


def test_modifiers_as_in_renders(scene):
    """Render levels and render switches of modifiers count; the viewport's come back."""
    item = add_cube("Smooth")
    modifier = item.modifiers.new("Subdivision", "SUBSURF")
    modifier.levels, modifier.render_levels = 0, 2
    extra = item.modifiers.new("Array", "ARRAY")
    extra.count, extra.show_viewport, extra.show_render = 2, False, True
    surface = read()["Smooth"]
    assert len(surface.topology.triangles) == 2 * 6 * 16 * 2
    assert (modifier.levels, extra.show_viewport) == (0, False)


def test_keyed_render_switches_of_modifiers(scene):
    """Keyed render switches and levels follow the frame, also when alike at first."""
    item = add_cube("Row")
    extra = item.modifiers.new("Array", "ARRAY")
    smooth = item.modifiers.new("Subdivision", "SUBSURF")
    extra.count, extra.show_viewport, smooth.levels = 2, False, 0
    for frame, shown in ((1, False), (3, True)):
        extra.show_render, smooth.render_levels = shown, int(shown)
        extra.keyframe_insert("show_render", frame=frame)
        smooth.keyframe_insert("render_levels", frame=frame)
    scene.frame_set(1)
    source = open_source()
    with source.reading():
        counts = [len(source.scene_at(frame).surfaces[0].topology.triangles) for frame in (1, 3, 1)]
    # Subdivision (Catmull and Clark 1978) makes four quadrilaterals of each.
    assert counts == [12, 12 * 2 * 4, 12]
    assert (extra.show_viewport, smooth.levels) == (False, 0)


def _nodes_of(item):
    """Return a node group that puts an object on every vertex."""
    group = bpy.data.node_groups.new("On Points", "GeometryNodeTree")
    for way in ("INPUT", "OUTPUT"):
        group.interface.new_socket("Geometry", in_out=way, socket_type="NodeSocketGeometry")
    start, end, taken, spread = (
        group.nodes.new(kind)
        for kind in (
            "NodeGroupInput",
            "NodeGroupOutput",
            "GeometryNodeObjectInfo",
            "GeometryNodeInstanceOnPoints",
        )
    )
    taken.inputs["Object"].default_value = item
    taken.inputs["As Instance"].default_value = True
    for one, other in (
        (start.outputs[0], spread.inputs["Points"]),
        (taken.outputs["Geometry"], spread.inputs["Instance"]),
        (spread.outputs[0], end.inputs[0]),
    ):
        group.links.new(one, other)
    return group


def _on_nodes(stage, item):
    stage.modifiers.new("Nodes", "NODES").node_group = _nodes_of(item)


def _on_particles(stage, item):
    stage.modifiers.new("Particles", "PARTICLE_SYSTEM")
    particles = stage.particle_systems[0].settings
    particles.count, particles.frame_start, particles.frame_end = 8, 0, 0
    particles.physics_type, particles.lifetime = "NO", 100
    particles.render_type, particles.instance_object = "OBJECT", item
    stage.show_instancer_for_render = False


def _on_vertices(stage, item):
    stage.instance_type = "VERTS"
    stage.show_instancer_for_render = False
    item.parent = stage


def _in_collection(stage, item):
    collection = bpy.data.collections.new("Boats")
    collection.objects.link(item)
    bpy.context.scene.collection.objects.unlink(item)
    stage.hide_render = True
    empty = bpy.data.objects.new("Instance", None)
    empty.instance_type, empty.instance_collection = "COLLECTION", collection
    bpy.context.scene.collection.objects.link(empty)


@pytest.mark.parametrize(
    ("spread", "hidden", "shown"),
    [(_on_nodes, 8, 9), (_on_particles, 8, 9), (_on_vertices, 0, 8), (_in_collection, 0, 1)],
)
def test_copies_of_a_hidden_object(scene, spread, hidden, shown):
    """Copies are there exactly where a render has them.

    Source: Blender's own renders of these scenes, 5.2 with Cycles: nodes and particles show
    copies of an object that is hidden itself, collections and vertices do not, and vertices
    replace the object they copy.
    """
    stage, item = add_cube("Stage"), add_cube("Boat")
    spread(stage, item)
    for hide, count in ((True, hidden), (False, shown)):
        item.hide_render = hide
        source = open_source()
        with source.reading():
            surfaces = source.scene_at(1).surfaces
        assert sum("Boat" in surface.name for surface in surfaces) == count


def test_state_comes_back_after_an_error(scene):
    """An exception inside leaves the viewport as it was."""
    item = add_cube()
    item.hide_viewport = True

    class BrokenError(Exception):
        pass

    def fail():
        with render_state(scene, bpy.context.view_layer):
            assert not item.hide_viewport
            raise BrokenError

    with pytest.raises(BrokenError):
        fail()
    assert item.hide_viewport


def test_frame_comes_back(scene):
    """Reading a range leaves the current frame alone."""
    add_cube()
    scene.frame_set(2, subframe=0.5)
    source = open_source()
    with source.reading():
        source.scene_at(4)
    assert (scene.frame_current, scene.frame_subframe) == (2, 0.5)


def test_keyed_viewport_visibility_plays_no_part(scene):
    """Keys and drivers for the viewport alone are muted while reading, and come back."""
    item = add_cube("Blink")
    modifier = item.modifiers.new("Array", "ARRAY")
    modifier.count = 2
    for frame, hidden in ((1, True), (2, False)):
        item.hide_viewport = hidden
        item.keyframe_insert("hide_viewport", frame=frame)
    driver = modifier.driver_add("show_viewport").driver
    driver.type, driver.expression = "SCRIPTED", "0"
    (curve,) = compat.animation_curves(item)
    scene.frame_set(1)
    source = open_source()
    with source.reading():
        frames = [source.scene_at(frame).surfaces for frame in (1, 2)]
    assert [len(surfaces) for surfaces in frames] == [1, 1]
    assert [len(surfaces[0].topology.triangles) for surfaces in frames] == [24, 24]
    assert not curve.mute
    assert not item.animation_data.drivers[0].mute
    assert item.hide_viewport


def test_scene_deleted_while_reading(empty):
    """What is left comes back; nothing raises but the reading itself."""
    other = bpy.data.scenes.new("Other")
    camera = bpy.data.objects.new("Camera", bpy.data.cameras.new("Camera"))
    other.collection.objects.link(camera)
    other.camera = camera
    item = add_cube("Shared")
    other.collection.objects.link(item)
    gone = add_cube("Gone")
    other.collection.objects.link(gone)
    item.hide_viewport = gone.hide_viewport = True
    source = open_source(scene_name="Other")

    def read_on():
        with source.reading():
            assert not item.hide_viewport
            bpy.data.objects.remove(gone)
            assert len(source.scene_at(1).surfaces) == 1
            bpy.data.objects.remove(camera)
            bpy.data.scenes.remove(other)
            source.scene_at(2)

    with pytest.raises(SceneError, match="deleted or renamed"):
        read_on()
    assert item.hide_viewport


def test_file_loaded_while_reading(scene):
    """Another file has nothing to be put back into, even where names are the same."""
    add_cube("Item").hide_viewport = True
    source = open_source()

    def read_on():
        with source.reading():
            bpy.ops.wm.read_homefile(use_empty=True)
            add_cube("Item").hide_viewport = False

    read_on()
    assert not bpy.data.objects["Item"].hide_viewport


@pytest.mark.parametrize("overridden", [False, True])
def test_linked_data(scene, tmp_path, overridden):
    """Linked objects and overrides render by the same rules, and come back as they were."""
    boats = add_collection("Boats")
    hull, oar = add_cube("Hull", boats), add_cube("Oar", boats)
    hull.hide_viewport = oar.hide_render = True
    hull.modifiers.new("Array", "ARRAY").show_viewport = False
    path = tmp_path / "boats.blend"
    bpy.ops.wm.save_as_mainfile(filepath=str(path))
    bpy.ops.wm.read_homefile(use_empty=True)
    scene = bpy.context.scene
    camera = bpy.data.objects.new("Camera", bpy.data.cameras.new("Camera"))
    scene.collection.objects.link(camera)
    scene.camera = camera
    with bpy.data.libraries.load(str(path), link=True) as (_there, here):
        here.collections = ["Boats"]
    boats = here.collections[0]
    scene.collection.children.link(boats)
    if overridden:
        local = boats.override_hierarchy_create(scene, bpy.context.view_layer)
        scene.collection.children.unlink(boats)
        boats = local
    surfaces = read()
    assert {name.split(" ")[0] for name in surfaces} == {"Hull"}
    (surface,) = surfaces.values()
    assert len(surface.topology.triangles) == 2 * 12
    hull = boats.objects["Hull"]
    assert (hull.hide_viewport, hull.modifiers["Array"].show_viewport) == (True, False)
