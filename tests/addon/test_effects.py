# SPDX-License-Identifier: GPL-3.0-or-later
"""Reveal, mask and morph as the artist sets them, in the real Blender."""

import math
from itertools import pairwise
from pathlib import Path

import bpy
import numpy as np
import pytest
import shapely
from beamwright.addon.compat import animation_curves
from beamwright.addon.extract.effects import problem_of
from beamwright.addon.extract.fingerprint import scene_fingerprint
from beamwright.addon.preview import layers, overlay, settings
from beamwright.addon.session import BlenderSource, open_source
from beamwright.core import pipeline
from beamwright.core.errors import SceneError
from beamwright.core.scene import Morph
from blender_scenes import add_collection, add_cube, add_mesh
from bpy_extras.object_utils import world_to_camera_view
from hypothesis import given
from hypothesis import settings as chosen
from hypothesis import strategies as st
from mathutils import Vector

OPENING = Path(__file__).parents[2] / "sample_scenes" / "opening.blend"
FAN = [(0, 0, 0), (2, 0, 1), (-1, 0, -2), (-2.5, 0, 0.5), (1, 0, -2.5), (2.5, 0, -1.5)]


def effects(item):
    return item.beamwright.effects


def drawn(scene, frame=1):
    """Visible strokes of a frame, as an export sees them."""
    return pipeline.visible_strokes(BlenderSource(scene).scene_at(frame))


def assert_same(a, b):
    """Every array of two stroke sets is the same, to the last bit."""
    for name in ("points", "offsets", "colour", "kind", "object_index", "identity"):
        assert np.array_equal(getattr(a, name), getattr(b, name)), name
    assert a.object_names == b.object_names


def names_in(strokes):
    return {strokes.object_names[row] for row in np.unique(strokes.object_index)}


def length_of(strokes, *names):
    chosen_rows = [strokes.object_names[row] in names for row in strokes.object_index]
    return float(strokes.lengths[np.array(chosen_rows, bool)].sum())


def add_wires(name="Wires", collection=None):
    """Three single lines of different lengths, none touching another."""
    ends = [*FAN]
    return add_mesh(name, ends, edges=[(0, 1), (2, 3), (4, 5)], collection=collection)


def key(item, name, values):
    """Key a share of the effects straight from one frame to another."""
    group, share = name.split(".")
    for frame, value in values.items():
        setattr(getattr(effects(item), group), share, value)
        item.keyframe_insert(f"beamwright.effects.{name}", frame=frame)
    for curve in animation_curves(item):
        for point in curve.keyframe_points:
            point.interpolation = "LINEAR"


# -- reveal --------------------------------------------------------------------------------


@pytest.mark.parametrize("order", ["TOGETHER", "IN_ORDER", "SHUFFLED"])
def test_reveal_is_proportional(scene, order):
    """Nothing at 0, the very same strokes at 1, in between the share of the length."""
    wires, other = add_wires(), add_cube("Other", location=(6.0, 20.0, 0.0))
    child = add_mesh("Child", [(-3, 0, 3), (3, 0, 3)], edges=[(0, 1)])
    child.parent = wires
    plain = drawn(scene)
    whole = length_of(plain, "Wires", "Child")
    rest = length_of(plain, "Other")
    assert whole > 1.0
    assert rest > 0.1
    reveal = effects(wires).reveal
    reveal.use, reveal.order = True, order
    assert_same(drawn(scene), plain)

    @chosen(max_examples=12, deadline=None, derandomize=True)
    @given(st.floats(0.0, 1.0, width=32), st.floats(0.0, 1.0, width=32))
    def check(start, end):
        reveal.start, reveal.end = start, end
        strokes = drawn(scene)
        share = max(0.0, end - start)
        assert length_of(strokes, "Wires", "Child") == pytest.approx(share * whole, abs=1e-6)
        assert length_of(strokes, "Other") == rest

    check()
    reveal.start, reveal.end = 0.0, 0.0
    assert names_in(drawn(scene)) == {"Other"}
    assert other.name == "Other"


def test_orders_differ_only_in_what_comes_first(scene):
    """One stroke is whole before the next begins; each seed keeps an order of its own."""
    count = 9
    ends = [(x, 0.0, z) for z in range(count) for x in (-1.0, 1.0)]
    comb = add_mesh("Comb", ends, edges=[(2 * k, 2 * k + 1) for k in range(count)])
    comb.location.z = -3.2
    comb.scale = (0.9, 1.0, 0.8)
    reveal = effects(comb).reveal
    reveal.use = True

    def turns():
        """Rows in the order in which they appear."""
        seen = []
        for step in range(1, count + 1):
            reveal.end = (step - 0.5) / count
            strokes = drawn(scene)
            assert len(strokes) == step
            lengths = np.sort(strokes.lengths)
            assert np.allclose(lengths[1:], lengths[-1])
            new = {round(float(p[1]), 6) for p in strokes.points} - set(seen)
            assert len(new) == 1
            seen += new
        return seen

    reveal.order = "IN_ORDER"
    straight = turns()
    reveal.order = "SHUFFLED"
    orders = []
    for seed in range(4):
        reveal.seed = seed
        orders.append(tuple(turns()))
        assert sorted(orders[-1]) == sorted(straight)
    assert len({*orders, tuple(straight)}) == 5
    reveal.seed = 2
    assert tuple(turns()) == orders[2]


def test_a_collection_is_revealed_by_its_control(scene):
    """The operator's Empty holds the effects of a collection and of those in it."""
    outer = add_collection("Fleet")
    inner = add_collection("Oars", outer)
    add_wires("Hull", outer)
    add_mesh("Oar", [(-3, 0, 3), (3, 0, 3)], edges=[(0, 1)], collection=inner)
    add_mesh("Quay", [(-3, 0, -3), (3, 0, -3)], edges=[(0, 1)])
    layer = bpy.context.view_layer
    layer.active_layer_collection = layer.layer_collection
    assert not bpy.ops.beamwright.add_effect_control.poll()
    layer.active_layer_collection = layer.layer_collection.children["Fleet"]
    assert bpy.ops.beamwright.add_effect_control() == {"FINISHED"}
    control = layer.objects.active
    assert control.type == "EMPTY"
    whole = length_of(drawn(scene), "Hull", "Oar")
    effects(control).reveal.use = True
    effects(control).reveal.end = 0.25
    strokes = drawn(scene)
    assert length_of(strokes, "Hull", "Oar") == pytest.approx(0.25 * whole)
    assert {"Quay", "Hull", "Oar"} == names_in(strokes)


def test_an_instance_follows_what_instances_it(scene):
    """Effects on an Empty that instances a collection change this instance alone."""
    source = bpy.data.collections.new("Stamp")
    add_mesh("Line", [(-1, 0, 0), (1, 0, 0)], edges=[(0, 1)], collection=source)
    for name, height in (("Upper", 2.0), ("Lower", -2.0)):
        item = bpy.data.objects.new(name, None)
        item.instance_type, item.instance_collection = "COLLECTION", source
        item.location.z = height
        scene.collection.objects.link(item)
    before = drawn(scene)
    assert len(before) == 2
    reveal = effects(bpy.data.objects["Upper"]).reveal
    reveal.use, reveal.end = True, 0.5
    heights = {}
    for strokes in (before, drawn(scene)):
        for row in range(2):
            height = round(float(strokes.polyline(row)[0, 1]), 4)
            heights.setdefault(height, []).append(float(strokes.lengths[row]))
    upper, lower = max(heights), min(heights)
    assert heights[upper][1] == pytest.approx(heights[upper][0] / 2.0)
    assert heights[lower][1] == heights[lower][0]


def test_keys_and_drivers_count_in_a_scene_that_no_window_shows(scene):
    """Values are those of the scene's own graph, whatever the window shows."""
    wires = add_wires()
    reveal = effects(wires).reveal
    reveal.use = True
    key(wires, "reveal.end", {1: 0.0, 5: 1.0})
    driver = wires.driver_add("beamwright.effects.reveal.start").driver
    driver.type, driver.expression = "SCRIPTED", "(frame - 1) / 8"
    bpy.context.window.scene = bpy.data.scenes.new("Elsewhere")
    whole = None
    for frame in (5, 1, 2, 3, 4):
        strokes = drawn(scene, frame)
        share = (frame - 1) / 4.0 - (frame - 1) / 8.0
        whole = whole or length_of(strokes, "Wires") / share
        assert length_of(strokes, "Wires") == pytest.approx(share * whole, abs=1e-6)


def test_keys_on_a_hidden_control_count(scene):
    """A control that is disabled in renders and viewports is evaluated all the same."""
    wires = add_wires()
    control = bpy.data.objects.new("Control", None)
    scene.collection.objects.link(control)
    effects(control).scope = "COLLECTION"
    effects(control).collection = add_collection("Group")
    bpy.data.collections["Group"].objects.link(wires)
    effects(control).reveal.use = True
    key(control, "reveal.end", {1: 0.0, 3: 1.0})
    control.hide_render = control.hide_viewport = True
    source = BlenderSource(scene)
    bpy.context.window.scene = bpy.data.scenes.new("Elsewhere")
    with source.reading():
        lengths = [
            pipeline.visible_strokes(source.scene_at(frame)).lengths.sum() for frame in (1, 2, 3)
        ]
    assert lengths[0] == 0.0
    assert lengths[1] == pytest.approx(lengths[2] / 2.0)
    assert control.hide_viewport


# -- mask ----------------------------------------------------------------------------------

STAR = [
    (radius * math.sin(k * math.pi / 5), radius * math.cos(k * math.pi / 5))
    for k, radius in enumerate([2.4, 0.9] * 5)
]


def star(name="Star", depth=-1.0):
    return add_mesh(name, [(x, depth, z) for x, z in STAR], faces=[tuple(range(10))])


def grid(depth=2.0):
    """Lines across the picture, apart from one another."""
    spots = np.linspace(-2.3, 2.3, 11).tolist()
    vertices = [(x, depth, z + 0.1 * x) for z in spots for x in (-3.0, 3.0)]
    return add_mesh("Grid", vertices, edges=[(k, k + 1) for k in range(0, len(vertices), 2)])


def in_picture(scene, item, vertex):
    """Blender's own projection, in field coordinates of the square picture."""
    view = world_to_camera_view(scene, scene.camera, item.matrix_world @ Vector(vertex))
    return 2.0 * view.x - 1.0, 2.0 * view.y - 1.0


@pytest.mark.parametrize("outside", [False, True])
def test_mask_agrees_with_shapely(scene, outside):
    """A turned star before turned lines, against plain polygon clipping of projected points."""
    lines, mask = grid(), star()
    mask.location, mask.rotation_euler = (0.3, -1.0, 0.2), (0.3, 0.4, 0.5)
    bpy.context.view_layer.update()
    vertices = [in_picture(scene, lines, vertex.co) for vertex in lines.data.vertices]
    whole = shapely.MultiLineString([vertices[k : k + 2] for k in range(0, len(vertices), 2)])
    outline = shapely.Polygon([in_picture(scene, mask, vertex.co) for vertex in mask.data.vertices])
    expected = whole.difference(outline) if outside else whole.intersection(outline)
    effects(lines).mask.object, effects(lines).mask.outside = mask, outside
    assert effects(lines).mask.use
    strokes = drawn(scene)
    assert names_in(strokes) == {"Grid"}
    assert len(strokes) == len(expected.geoms)
    assert strokes.lengths.sum() == pytest.approx(expected.length, abs=2e-5)
    found = shapely.MultiLineString([strokes.polyline(row) for row in range(len(strokes))])
    assert found.hausdorff_distance(expected) < 2e-5


def test_a_mask_is_neither_drawn_nor_does_it_hide(scene):
    """What it covers, but does not mask, stays as it was, even where the mask is off."""
    lines = grid()
    add_cube("Crate", location=(0.0, 5.0, 0.0))
    plain = drawn(scene)
    effects(lines).mask.object = star()
    effects(lines).mask.use = False
    masked = drawn(scene)
    assert_same(masked, plain)
    effects(lines).mask.use = True
    assert length_of(drawn(scene), "Crate") == length_of(plain, "Crate")
    assert 0.0 < length_of(drawn(scene), "Grid") < length_of(plain, "Grid")


def test_a_hidden_masks_animation_counts(scene):
    """Disabled in renders, a moving mask still moves."""
    lines, mask = grid(), star()
    effects(lines).mask.object = mask
    for frame, place in ((1, 0.0), (4, 30.0)):
        mask.location.x = place
        mask.keyframe_insert("location", frame=frame)
    scene.frame_set(1)
    shown = drawn(scene).lengths.sum()
    mask.hide_render = mask.hide_viewport = True
    source = BlenderSource(scene)
    bpy.context.window.scene = bpy.data.scenes.new("Elsewhere")
    with source.reading():
        there = pipeline.visible_strokes(source.scene_at(1)).lengths.sum()
        gone = pipeline.visible_strokes(source.scene_at(4)).lengths.sum()
    assert there == pytest.approx(shown, rel=1e-6)
    assert gone == 0.0


def empty_mask(kind):
    item = bpy.data.objects.new(kind, None)
    item.empty_display_type, item.empty_display_size = kind, 2.0
    bpy.context.scene.collection.objects.link(item)
    return item


def curve_mask(fill, dimensions="3D"):
    data = bpy.data.curves.new("Ring", "CURVE")
    data.dimensions, data.fill_mode = dimensions, fill
    spline = data.splines.new("POLY")
    corners = [(-2, -2), (2, -2), (2, 2), (-2, 2)]
    spline.points.add(3)
    for point, (x, y) in zip(spline.points, corners, strict=True):
        point.co = (x, y, 0.0, 1.0)
    spline.use_cyclic_u = True
    item = bpy.data.objects.new("Ring", data)
    item.rotation_euler.x = math.pi / 2
    bpy.context.scene.collection.objects.link(item)
    return item


def image_mask():
    item = empty_mask("IMAGE")
    item.data = bpy.data.images.new("Slide", 64, 32)
    item.empty_display_size = 5.0
    item.rotation_euler.x = math.pi / 2
    return item


def wire_mask():
    corners = [(-2, 0, -2), (2, 0, -2), (2, 0, 2), (-2, 0, 2)]
    return add_mesh("Frame", corners, edges=[(0, 1), (1, 2), (2, 3), (3, 0)])


@pytest.mark.parametrize(
    ("make", "half_width"),
    [
        (lambda: empty_mask("CUBE"), 2.0 * 10.0 / 8.0),  # its front is nearer to the eye
        (lambda: empty_mask("CIRCLE"), 2.0),
        (image_mask, 2.5),
        (lambda: curve_mask("HALF"), 2.0),
        (lambda: curve_mask("BOTH", "2D"), 2.0),
        (wire_mask, 2.0),
    ],
    ids=["cube", "circle", "image", "open curve", "filled curve", "wire"],
)
def test_shapes_of_masks(scene, make, half_width):
    """Each kind lets the middle line through as far as the shape reaches."""
    line = add_mesh("Line", [(-3, 0, 0), (3, 0, 0)], edges=[(0, 1)])
    whole = drawn(scene).lengths.sum()
    effects(line).mask.object = make()
    assert drawn(scene).lengths.sum() == pytest.approx(whole * half_width / 3.0, rel=2e-3)


def test_text_masks(scene):
    """A letter lets as much of a line through as its filled shape covers of it."""
    line = add_mesh("Line", [(-3, 0, 0.5), (3, 0, 0.5)], edges=[(0, 1)])
    data = bpy.data.curves.new("Letter", "FONT")
    data.body, data.size = "A", 3.0
    letter = bpy.data.objects.new("Letter", data)
    letter.rotation_euler.x = math.pi / 2
    scene.collection.objects.link(letter)
    bpy.context.view_layer.update()
    mesh = letter.to_mesh()
    mesh.calc_loop_triangles()
    faces = [[mesh.vertices[k].co[:2] for k in face.vertices] for face in mesh.loop_triangles]
    shape = shapely.union_all([shapely.Polygon(face) for face in faces])
    letter.to_mesh_clear()
    covered = shape.intersection(shapely.LineString([(-3.0, 0.5), (3.0, 0.5)]))
    assert len(covered.geoms) == 2
    whole = length_of(drawn(scene), "Line")
    effects(line).mask.object = letter
    strokes = drawn(scene)
    assert len(strokes) == 2
    assert strokes.lengths.sum() == pytest.approx(whole * covered.length / 6.0, rel=1e-4)


# -- morph ---------------------------------------------------------------------------------


@pytest.fixture
def pair(scene):
    """A cube that turns into a star with a child, and a cube behind both."""
    cube = add_cube("Cube", location=(-1.5, 0.0, 0.0))
    cube.rotation_euler = (0.4, 0.3, 0.5)
    target = star(depth=0.0)
    target.location.x = 1.5
    child = add_mesh("Ray", [(0, 0, 2.6), (0, 0, 3)], edges=[(0, 1)])
    child.parent = target
    add_cube("Behind", location=(0.0, 6.0, 0.0))
    effects(cube).morph.target_object = target
    return cube, target, child


def test_the_ends_are_the_two_sides(scene, pair):
    """At 0 the target is not there, at 1 what morphs is not: exactly, hidden lines included."""
    cube, target, child = pair
    morph = effects(cube).morph
    for factor, gone in ((0.0, (target, child)), (1.0, (cube,))):
        morph.use, morph.factor = True, factor
        strokes = drawn(scene)
        morph.use = False
        for item in gone:
            item.hide_render = True
        alone = drawn(scene)
        for item in gone:
            item.hide_render = False
        assert names_in(strokes) == names_in(alone)
        for name in ("points", "offsets", "colour", "kind"):
            assert np.array_equal(getattr(strokes, name), getattr(alone, name)), name


def test_half_way_the_target_is_not_drawn_on_its_own(scene, pair):
    """As many strokes as the richer side has, and what stands still."""
    cube, _target, _child = pair
    effects(cube).morph.factor = 0.5
    effects(cube).morph.use = True
    strokes = drawn(scene)
    ends = []
    for factor in (0.0, 1.0):
        effects(cube).morph.factor = factor
        end = drawn(scene)
        still = [end.object_names[row] == "Behind" for row in end.object_index]
        ends.append(len(end) - sum(still))
    moving = [strokes.object_names[row] != "Behind" for row in strokes.object_index]
    assert sum(moving) == max(ends)


def largest_move(before, after):
    """Largest distance between the strokes of one identity; they must be the same ones."""
    rows = {int(value): row for row, value in enumerate(before.identity)}
    assert len(rows) == len(before)
    assert set(rows) == set(after.identity.tolist())
    most = 0.0
    for row, value in enumerate(after.identity):
        a = shapely.LineString(before.polyline(rows[int(value)]))
        b = shapely.LineString(after.polyline(row))
        most = max(most, a.hausdorff_distance(b))
    return most


def test_a_morph_is_continuous(scene, pair):
    """The picture moves in proportion to the factor, without any jump."""
    cube = pair[0]
    morph = effects(cube).morph
    morph.use = True
    count = 24
    steps = np.linspace(0.0, 1.0, count + 1)
    pictures = []
    for factor in steps:
        morph.factor = factor
        strokes = drawn(scene)
        pictures.append(
            strokes.take(
                np.array([strokes.object_names[row] != "Behind" for row in strokes.object_index])
            )
        )
    diagonal = 2.0 * math.sqrt(2.0)
    for before, after in pairwise(pictures[1:-1]):
        assert largest_move(before, after) <= diagonal / count
    # The ends are sets of other identities; as point sets they are as near.
    for near, end in ((1, 0), (-2, -1)):
        a, b = (
            shapely.MultiLineString([s.polyline(k) for k in range(len(s))])
            for s in (pictures[near], pictures[end])
        )
        assert a.hausdorff_distance(b) <= diagonal / count


def test_what_morphs_is_what_a_reveal_leaves(scene, pair):
    """A reveal on what morphs acts before, so that nothing jumps when the factor leaves 0."""
    cube = pair[0]
    effects(cube).reveal.use, effects(cube).reveal.end = True, 0.4
    effects(cube).morph.use = True
    effects(cube).morph.factor = 0.0
    start = drawn(scene)
    effects(cube).morph.factor = 1e-4
    a, b = (
        shapely.MultiLineString([s.polyline(k) for k in range(len(s))])
        for s in (start, drawn(scene))
    )
    assert a.hausdorff_distance(b) < 1e-3


def test_morphs_in_a_row(scene, pair):
    """One target may go on into the next once it is reached."""
    cube, target, _child = pair
    last = add_mesh("Last", [(-2, 0, -3), (2, 0, -3)], edges=[(0, 1)])
    effects(target).morph.target_object = last
    for first, second, seen in (
        (0.0, 0.0, {"Cube", "Behind"}),
        (1.0, 0.0, {"Star", "Ray", "Behind"}),
        (1.0, 1.0, {"Last", "Behind"}),
    ):
        effects(cube).morph.factor, effects(target).morph.factor = first, second
        assert names_in(drawn(scene)) == seen
    effects(cube).morph.factor, effects(target).morph.factor = 0.5, 0.5
    with pytest.raises(SceneError, match=r"“Star” begins before that of “Cube”.*reach 1"):
        drawn(scene)


# -- one path for all ----------------------------------------------------------------------


@pytest.fixture
def preview(scene):
    """The preview switched on."""
    chosen_settings = settings.current()
    chosen_settings.enabled = True
    yield overlay.engine()
    settings.current().enabled = False
    assert not overlay.is_running()


def pieces(lines):
    """Straight pieces of a preview's lines, whatever their order and direction."""
    ends = lines.ends.reshape(-1, 2, 2).tolist()
    return sorted(sorted(pair) for pair in ends)


def test_the_preview_shows_what_is_exported(preview, scene, pair):
    """All three effects at once, and again after each change of one."""
    cube = pair[0]
    lines = grid(8.0)
    effects(lines).mask.object = star("Mask", depth=-2.0)
    effects(lines).reveal.use, effects(lines).reveal.end = True, 0.7
    effects(cube).morph.factor = 0.3
    changes = (
        lambda: None,
        lambda: setattr(effects(lines).reveal, "end", 0.6),
        lambda: setattr(effects(lines).mask, "outside", True),
        lambda: setattr(effects(cube).morph, "factor", 0.9),
        lambda: setattr(bpy.data.objects["Mask"].location, "x", 0.5),
    )
    seen = []
    for change in changes:
        change()
        bpy.context.view_layer.update()
        preview.forget()
        preview.picture_of(scene)
        preview.finish()
        picture, fresh = preview.picture_of(scene)
        assert fresh
        assert not picture.message
        source = BlenderSource(scene)
        with source.reading():
            read = source.scene_at(scene.frame_current)
        planned = pipeline.draw_frame(read, source.projectors, limits=source.limits)
        share = planned[source.projectors[0].name]
        shown = picture.projectors[0].strokes
        exported = layers.projector_layers(share, source.projectors[0])[0]
        assert pieces(shown) == pieces(exported)
        assert picture.projectors[0].figures.lit_length == share.figures.lit_length
        seen.append(share.figures.lit_length)
    assert len(set(seen)) == len(changes)


def test_the_fingerprint_changes_with_effects(scene, pair, tmp_path):
    """Each setting and key counts, what is picked counts with its shape, looking does not."""
    cube = pair[0]
    lines = grid()
    mask = star("Mask")
    effects(lines).mask.object = mask
    effects(lines).reveal.use = True
    key(cube, "morph.factor", {1: 0.0, 4: 1.0})
    bpy.ops.wm.save_as_mainfile(filepath=str(tmp_path / "effects.blend"))
    known = [scene_fingerprint(scene)]

    def changed():
        bpy.context.view_layer.update()
        known.append(scene_fingerprint(scene))
        return known[-1] not in known[:-1]

    scene.frame_set(3)
    assert scene_fingerprint(scene) == known[0]
    drawn(scene, 2)
    problem_of(lines, scene.view_layers[0])
    assert scene_fingerprint(scene) == known[0]
    effects(lines).reveal.end = 0.5
    assert changed()
    effects(lines).reveal.order = "SHUFFLED"
    assert changed()
    effects(lines).reveal.seed = 3
    assert changed()
    effects(lines).mask.outside = True
    assert changed()
    mask.data.vertices[0].co.x += 0.1
    mask.data.update()
    assert changed()
    mask.location.x = 0.1
    assert changed()
    next(iter(animation_curves(cube))).keyframe_points[1].co.y = 0.9
    assert changed()
    effects(cube).morph.use = False
    assert changed()
    effects(cube).morph.target_object = bpy.data.objects["Behind"]
    assert changed()


def test_settings_survive_saving(scene, pair, tmp_path):
    """Pointers, shares and choices come back with the file."""
    cube = pair[0]
    held = effects(cube)
    held.scope, held.collection = "COLLECTION", add_collection("Fleet")
    held.reveal.use, held.reveal.start, held.reveal.end = True, 0.25, 0.75
    held.mask.object = star("Mask")
    held.morph.target_kind, held.morph.target_collection = "COLLECTION", add_collection("Port")
    path = str(tmp_path / "kept.blend")
    bpy.ops.wm.save_as_mainfile(filepath=path)
    bpy.ops.wm.open_mainfile(filepath=path)
    again = effects(bpy.data.objects["Cube"])
    assert (again.scope, again.collection.name) == ("COLLECTION", "Fleet")
    assert (again.reveal.use, again.reveal.start, again.reveal.end) == (True, 0.25, 0.75)
    assert (again.mask.use, again.mask.object.name) == (True, "Mask")
    assert again.morph.target_collection.name == "Port"
    assert again.morph.target_object.name == "Star"


def test_copied_settings_leave_effects_alone(scene, pair):
    """Line settings go to the selected objects; what a morph or mask points to does not."""
    cube, target, _child = pair
    layer = bpy.context.view_layer
    target.select_set(True)
    cube.select_set(True)
    layer.objects.active = cube
    cube.beamwright.priority = 3.0
    bpy.ops.beamwright.copy_to_selected()
    assert target.beamwright.priority == 3.0
    assert not effects(target).any_used
    assert effects(target).morph.target_object is None


# -- bad input -----------------------------------------------------------------------------


def spoil_nothing_chosen(cube, target):
    effects(cube).morph.use = False
    effects(cube).mask.use = True


def spoil_mask_deleted(cube, target):
    effects(cube).mask.object = star("Mask")
    bpy.data.objects.remove(bpy.data.objects["Mask"])


def spoil_own_mask(cube, target):
    effects(cube).mask.object = cube


def spoil_mask_elsewhere(cube, target):
    mask = star("Mask")
    bpy.context.scene.collection.objects.unlink(mask)
    bpy.data.scenes.new("Elsewhere").collection.objects.link(mask)
    effects(cube).mask.object = mask


def spoil_flat_mask(cube, target):
    effects(cube).mask.object = empty_mask("PLAIN_AXES")


def spoil_open_mask(cube, target):
    effects(cube).mask.object = add_wires("Mask")


def spoil_target_deleted(cube, target):
    bpy.data.objects.remove(target)


def spoil_itself(cube, target):
    effects(cube).morph.target_object = cube


def spoil_own_child(cube, target):
    target.parent = cube


def spoil_circle(cube, target):
    effects(target).morph.target_object = cube


def spoil_long_circle(cube, target):
    third = bpy.data.objects["Behind"]
    effects(target).morph.target_object = third
    effects(third).morph.target_object = cube


def spoil_shared_target(cube, target):
    effects(bpy.data.objects["Behind"]).morph.target_object = target


def spoil_empty_target(cube, target):
    effects(cube).morph.target_object = empty_mask("PLAIN_AXES")
    effects(cube).morph.factor = 0.5


def spoil_hidden_target(cube, target):
    target.hide_render = bpy.data.objects["Ray"].hide_render = True
    effects(cube).morph.factor = 0.5


def spoil_no_collection(cube, target):
    effects(cube).scope = "COLLECTION"


def spoil_factor(cube, target):
    effects(cube).morph.factor = math.nan


def spoil_reveal(cube, target):
    effects(cube).reveal.use = True
    effects(cube).reveal.start = math.nan


BAD = {
    spoil_nothing_chosen: "“Cube” has a mask switched on, but none is chosen",
    spoil_mask_deleted: "“Cube” has a mask switched on.*may have been deleted",
    spoil_own_mask: "“Cube” is its own mask: choose another",
    spoil_mask_elsewhere: "“Mask”, the mask of object “Cube”, is not in this scene's view layer",
    spoil_flat_mask: "“PLAIN_AXES”, the mask of object “Cube”, has no area",
    spoil_open_mask: "“Mask”, the mask of object “Cube”, has no area",
    spoil_target_deleted: "“Cube” has a morph switched on, but no target.*deleted",
    spoil_itself: "“Cube” morphs into itself",
    spoil_own_child: "“Cube” morphs into itself: “Ray”",
    spoil_circle: "leads back to where it began",
    spoil_long_circle: "leads back to where it began",
    spoil_shared_target: "“Ray” cannot be the target of two morphs",
    spoil_empty_target: "“PLAIN_AXES”, the target of the morph of object “Cube”, has no lines",
    spoil_hidden_target: "“Star”, the target of the morph of object “Cube”, has no lines",
    spoil_no_collection: "effects of object “Cube” apply to a collection, but none is chosen",
    spoil_factor: "factor of the morph of object “Cube” is not a number",
    spoil_reveal: "start of the reveal of object “Cube” is not a number",
}


@pytest.mark.parametrize("spoil", BAD, ids=lambda spoil: spoil.__name__)
def test_bad_input_is_named(scene, pair, spoil):
    """Each message names the objects and the remedy; nothing of the scene is changed by it."""
    cube, target, _child = pair
    spoil(cube, target)
    kept = {item.name for item in scene.objects}
    with pytest.raises(SceneError, match=BAD[spoil]):
        drawn(scene)
    assert {item.name for item in scene.objects} == kept
    # Put right, the scene draws again.
    for item in scene.objects:
        effects(item).reveal.use = effects(item).mask.use = effects(item).morph.use = False
    assert len(drawn(scene)) > 0


def test_the_panel_tells_what_is_missing(scene, pair):
    """What is wrong in every frame is said before any is drawn."""
    cube = pair[0]
    layer = scene.view_layers[0]
    assert problem_of(cube, layer) == ""
    effects(cube).morph.target_object = cube
    assert "morphs into itself" in problem_of(cube, layer)
    effects(cube).morph.use = False
    assert problem_of(cube, layer) == ""


def test_shares_stay_within_their_range(scene, pair):
    """Keys beyond 0 and 1 mean the ends."""
    cube = pair[0]
    key(cube, "morph.factor", {1: 0.0, 2: 1.0})
    for curve in animation_curves(cube):
        curve.keyframe_points[0].co.y, curve.keyframe_points[1].co.y = -0.5, 2.0
        curve.update()
    assert names_in(drawn(scene, 1)) == {"Cube", "Behind"}
    assert names_in(drawn(scene, 2)) == {"Star", "Ray", "Behind"}


# -- the sample ----------------------------------------------------------------------------


def test_the_opening_settles_without_a_jump(addon):
    """Snow comes in over the edge of the frame, and turns into the lighthouse smoothly."""
    source = open_source(OPENING)
    scene = source.scene_at(20)
    early = pipeline.visible_strokes(scene)
    camera = scene.camera
    page = np.array([camera.half_width, camera.half_height])
    flakes = [early.object_names[row] == "Flakes" for row in early.object_index]
    assert any(flakes)
    points = early.take(np.array(flakes)).points
    assert (np.abs(points) <= page + 1e-9).all()
    # Some are cut by the edge just now.
    assert (np.abs(np.abs(points) - page) < 1e-6).any()
    assert not {"Tower", "Rock"} & names_in(early)
    before = None
    for frame in range(57, 88):
        scene = source.scene_at(frame)
        (factor,) = (item.factor for item in scene.effects if isinstance(item, Morph))
        assert 0.0 < factor < 1.0
        strokes = pipeline.visible_strokes(scene)
        moving = [strokes.object_names[row] not in {"Ripples", "Beam"} for row in
                  strokes.object_index]  # fmt: skip
        strokes = strokes.take(np.array(moving))
        if before is not None:
            # No way across the picture is longer than 1.2; a frame moves by its step's share.
            step = factor - before[1]
            assert largest_move(before[0], strokes) <= 1.2 * step + 1e-4
        before = strokes, factor
    last = pipeline.visible_strokes(source.scene_at(120))
    assert {"Tower", "Rock", "Roof", "Title"} <= names_in(last)
    assert not {"Flakes", "Swept Sky", "First Squall"} & names_in(last)


def test_the_opening_fits_both_projectors(addon):
    """Every tenth frame is within both budgets, and no stroke is left out."""
    source = open_source(OPENING)
    memories = {}
    for frame in range(source.frame_start, source.frame_end + 1, 10):
        planned = pipeline.draw_frame(
            source.scene_at(frame), source.projectors, memories, source.limits
        )
        memories = {name: share.memory for name, share in planned.items()}
        assert set(planned) == {"Pictures", "Lettering"}
        for share in planned.values():
            assert not share.figures.over_budget
            assert share.figures.dropped_strokes == 0
