# SPDX-License-Identifier: GPL-3.0-or-later
"""Each kind of source as it arrives in core: counts, places, kinds, colours."""

import math

import bpy
import numpy as np
import pytest
from beamwright.addon.session import open_source
from beamwright.core import pipeline
from beamwright.core.errors import SceneError
from beamwright.core.scene import LineKind
from blender_scenes import (
    CUBE_FACES,
    CUBE_VERTICES,
    add_cube,
    add_material,
    add_mesh,
    geometry_group,
)


def surfaces(frame=1):
    return open_source().scene_at(frame).surfaces


def only(frame=1):
    (surface,) = surfaces(frame)
    return surface


def test_cube(scene):
    """World positions, triangles of polygons, no loose parts."""
    item = add_cube(location=(1.0, 2.0, 3.0))
    item.scale = (2.0, 1.0, 1.0)
    surface = only()
    expected = np.array(CUBE_VERTICES, float) * [2, 1, 1] + [1, 2, 3]
    assert surface.positions == pytest.approx(expected)
    assert surface.positions.dtype == np.float64
    topology = surface.topology
    assert topology.vertex_count == 8
    assert topology.triangles.dtype == np.int32
    assert topology.triangles.shape == (12, 3)
    for polygon, face in enumerate(CUBE_FACES):
        mine = topology.triangles[topology.triangle_polygon == polygon]
        assert len(mine) == 2
        assert set(mine.ravel().tolist()) == set(face)
    assert not len(topology.loose_edges)
    assert not len(topology.loose_vertices)
    assert not surface.mirrored
    assert surface.name == surface.identity == "Cube"


def test_winding_points_outwards(scene):
    """Triangles are counter-clockwise from outside; a mirrored object says so."""
    add_cube()
    surface = only()
    corners = surface.positions[surface.topology.triangles]
    normals = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    assert np.all(np.einsum("ij,ij->i", normals, corners.mean(axis=1)) > 0)
    bpy.data.objects["Cube"].scale.x = -1.0
    assert only().mirrored


def test_modifiers_and_shape_keys_move_vertices_only(scene):
    """A deformed mesh keeps the very topology object while its shape changes."""
    item = add_cube()
    item.shape_key_add(name="Basis")
    key = item.shape_key_add(name="Long")
    for point in key.data:
        point.co.x *= 3.0
    key.value = 0.0
    key.keyframe_insert("value", frame=1)
    key.value = 1.0
    key.keyframe_insert("value", frame=3)
    source = open_source()
    first, last = source.scene_at(1).surfaces[0], source.scene_at(3).surfaces[0]
    assert np.ptp(first.positions[:, 0]) == pytest.approx(2.0)
    assert np.ptp(last.positions[:, 0]) == pytest.approx(6.0)
    assert first.topology is last.topology


def test_subdivision_gives_a_new_topology(scene):
    item = add_cube()
    before = only().topology
    item.modifiers.new("Subdivision", "SUBSURF").levels = 2
    item.modifiers["Subdivision"].render_levels = 2
    after = only().topology
    # Each level cuts a quad into four: 6 · 16 quads; V = 8 + 12 · 3 + 6 · 9.
    assert len(after.triangles) == 6 * 16 * 2
    assert after.vertex_count == 98
    assert before.vertex_count == 8


def test_armature(scene):
    """A bone that turns takes its vertices along."""
    item = add_cube()
    bones = bpy.data.armatures.new("Rig")
    rig = bpy.data.objects.new("Rig", bones)
    scene.collection.objects.link(rig)
    bpy.context.view_layer.objects.active = rig
    bpy.ops.object.mode_set(mode="EDIT")
    bone = bones.edit_bones.new("Bone")
    bone.head, bone.tail = (0, 0, 0), (0, 0, 1)
    bpy.ops.object.mode_set(mode="OBJECT")
    item.modifiers.new("Armature", "ARMATURE").object = rig
    item.vertex_groups.new(name="Bone").add(range(8), 1.0, "REPLACE")
    rig.pose.bones["Bone"].location = (5.0, 0.0, 0.0)
    assert only().positions.mean(axis=0) == pytest.approx([5.0, 0.0, 0.0], abs=1e-5)


def test_materials_smooth_and_marks(scene):
    """Slots, shading and the artist's marks arrive per triangle and edge."""
    item = add_mesh(
        "Strip",
        [(0, 0, 0), (1, 0, 0), (1, 0, 1), (0, 0, 1), (2, 0, 0), (2, 0, 1)],
        faces=[(0, 1, 2, 3), (1, 4, 5, 2)],
    )
    add_material(item, "Red", (1.0, 0.0, 0.0))
    add_material(item, "Blue", (0.0, 0.0, 1.0))
    mesh = item.data
    mesh.polygons[1].material_index = 1
    mesh.polygons[0].use_smooth = False
    mesh.polygons[1].use_smooth = True
    marks = mesh.attributes.new("freestyle_edge", "BOOLEAN", "EDGE")
    edges = [tuple(sorted(edge.vertices)) for edge in mesh.edges]
    marks.data[edges.index((2, 3))].value = True
    mesh.edges[edges.index((0, 1))].use_edge_sharp = True
    mesh.edges[edges.index((1, 4))].use_seam = True

    surface = only()
    topology = surface.topology
    polygon = topology.triangle_polygon
    assert topology.triangle_material.tolist() == polygon.tolist()
    assert topology.triangle_smooth.tolist() == (polygon == 1).tolist()
    assert surface.colours == pytest.approx(np.array([[1, 0, 0], [0, 0, 1]]))
    assert [sorted(edge) for edge in topology.marked_edges.tolist()] == [[2, 3]]

    item.beamwright.lines.marks = {"SHARP", "SEAM"}
    marked = {tuple(sorted(edge)) for edge in only().topology.marked_edges.tolist()}
    assert marked == {(0, 1), (1, 4)}
    item.beamwright.lines.marks = set()
    assert not len(only().topology.marked_edges)


@pytest.mark.parametrize(
    ("source", "expected"),
    [("MATERIAL", (1.0, 0.0, 0.0)), ("OBJECT", (0.0, 1.0, 0.0)), ("OWN", (0.0, 0.0, 1.0))],
)
def test_colour_sources(scene, source, expected):
    """Each of the three colour sources, on every slot."""
    item = add_cube()
    add_material(item, "Red", (1.0, 0.0, 0.0))
    item.color = (0.0, 1.0, 0.0, 1.0)
    item.beamwright.lines.colour = (0.0, 0.0, 1.0)
    item.beamwright.lines.colour_source = source
    assert only().colours.tolist() == [list(expected)]


def test_no_material_is_white(scene):
    add_cube()
    assert only().colours.tolist() == [[1.0, 1.0, 1.0]]


def test_loose_edges_and_points(scene):
    """Edges without faces, and vertices without edges."""
    add_mesh("Wire", [(0, 0, 0), (1, 0, 0), (2, 0, 1), (3, 0, 3)], edges=[(0, 1), (1, 2)])
    topology = only().topology
    assert {tuple(sorted(edge)) for edge in topology.loose_edges.tolist()} == {(0, 1), (1, 2)}
    assert topology.loose_vertices.tolist() == [3]
    assert topology.triangles.shape == (0, 3)


def test_ngon_is_cut_anew_when_it_deforms(scene):
    """An L that folds the other way needs another triangulation."""
    shape = [(0, 0, 0), (2, 0, 0), (2, 0, 1), (1, 0, 1), (1, 0, 2), (0, 0, 2)]
    item = add_mesh("L", shape, faces=[range(6)])
    item.shape_key_add(name="Basis")
    key = item.shape_key_add(name="Other")
    for point, place in zip(
        key.data, [(0, 0, 0), (1, 0, 1), (2, 0, 0), (2, 0, 2), (1, 0, 2), (0, 0, 2)], strict=True
    ):
        point.co = place
    key.value = 0.0
    key.keyframe_insert("value", frame=1)
    key.value = 1.0
    key.keyframe_insert("value", frame=3)
    source = open_source()
    for frame, area in ((1, 3.0), (3, 3.0)):
        surface = source.scene_at(frame).surfaces[0]
        corners = surface.positions[surface.topology.triangles]
        cross = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
        # All triangles turn the same way and cover the polygon once.
        assert np.linalg.norm(cross, axis=1).sum() / 2 == pytest.approx(area)
        assert np.linalg.norm(cross.sum(axis=0)) / 2 == pytest.approx(area)


def test_quads_are_cut_as_blender_cuts_them(scene):
    """What was read of earlier frames does not stay when quads fold another way."""
    rng = np.random.default_rng(7)
    side = 6
    places = [(x, 0.0, z) for z in range(side) for x in range(side)]
    faces = [
        (k, k + 1, k + 1 + side, k + side)
        for k in range(side * (side - 1))
        if k % side < side - 1 and k != 8
    ]
    faces.append((8, 9, 15))
    item = add_mesh("Sheet", places, faces=faces)
    item.shape_key_add(name="Basis")
    key = item.shape_key_add(name="Crumpled")
    for point in key.data:
        point.co = rng.uniform(0.0, side, 3)
    for frame, value in ((1, 0.0), (5, 1.0)):
        key.value = value
        key.keyframe_insert("value", frame=frame)
    source = open_source()
    found = []
    for frame in (1, 1, 2, 3, 4, 5, 5, 1):
        topology = source.scene_at(frame).surfaces[0].topology
        mesh = item.evaluated_get(bpy.context.evaluated_depsgraph_get()).data
        mesh.calc_loop_triangles()
        triangles = np.array([tuple(triangle.vertices) for triangle in mesh.loop_triangles])
        assert np.array_equal(topology.triangles, triangles)
        found.append(topology)
    assert not np.array_equal(found[0].triangles, found[5].triangles)
    assert found[0] is found[1] is found[7]
    assert found[5] is found[6]


def test_loose_edges_of_alike_meshes(scene):
    """As many vertices and edges, but joined otherwise: each has its own lines."""
    corners = [(0, 0, 0), (1, 0, 0), (0, 0, 1), (1, 0, 1)]
    joined = {"Lying": [(0, 1), (2, 3)], "Upright": [(0, 2), (1, 3)], "Again": [(0, 1), (2, 3)]}
    for name, edges in joined.items():
        add_mesh(name, corners, edges=edges)
    surfaces = {surface.name: surface for surface in open_source().scene_at(1).surfaces}
    for name, edges in joined.items():
        assert surfaces[name].topology.loose_edges.tolist() == [list(edge) for edge in edges]
    assert surfaces["Lying"].topology is surfaces["Again"].topology


def test_text_is_outlined(scene):
    """Text read as a mesh is one filled surface whose borders are its outlines."""
    text = bpy.data.curves.new("Text", "FONT")
    text.body = "I"
    item = bpy.data.objects.new("Text", text)
    item.beamwright.artwork.as_mesh = True
    scene.collection.objects.link(item)
    surface = only()
    assert surface.name == "Text"
    assert len(surface.topology.triangles) > 0
    assert not len(surface.topology.loose_edges)


def test_curves(scene):
    """An open curve is loose edges; a filled or bevelled one a surface, once."""
    bpy.ops.curve.primitive_bezier_curve_add()
    item = bpy.context.object
    surface = only()
    assert len(surface.topology.loose_edges) == item.data.resolution_u
    item.data.bevel_depth = 0.1
    surface = only()
    assert len(surface.topology.triangles) > 0
    assert not len(surface.topology.loose_edges)


def test_metaballs_and_surfaces(scene):
    """Metaballs and NURBS surfaces arrive once, as meshes."""
    bpy.ops.object.metaball_add(radius=1.0)
    bpy.ops.surface.primitive_nurbs_surface_sphere_add(location=(4, 0, 0))
    found = surfaces()
    assert [surface.name for surface in found] == ["Mball", "SurfSphere"]
    assert all(len(surface.topology.triangles) > 100 for surface in found)


def test_collection_instances(scene):
    """Two instances of a collection: names shared, identities their own, topology shared."""
    source = bpy.data.collections.new("Gull")
    add_cube("Wing", source, location=(0.0, 0.0, 1.0))
    for name, x in (("Left", -4.0), ("Right", 4.0)):
        item = bpy.data.objects.new(name, None)
        item.instance_type, item.instance_collection = "COLLECTION", source
        item.location.x = x
        scene.collection.objects.link(item)
    found = surfaces()
    assert [surface.name for surface in found] == ["Wing", "Wing"]
    assert len({surface.identity for surface in found}) == 2
    assert found[0].topology is found[1].topology
    centres = [surface.positions.mean(axis=0).tolist() for surface in found]
    assert centres == [[-4.0, 0.0, 1.0], [4.0, 0.0, 1.0]]
    again = surfaces(2)
    assert [surface.identity for surface in again] == [surface.identity for surface in found]


def test_objects_that_share_a_mesh(scene):
    """Read once a frame: places of their own, one topology, and the same when all is still."""
    first = add_cube()
    second = bpy.data.objects.new("Second", first.data)
    second.location = (5.0, 0.0, 0.0)
    scene.collection.objects.link(second)
    source = open_source()
    before = source.scene_at(1).surfaces
    assert before[0].topology is before[1].topology
    expected = np.array(CUBE_VERTICES, float)
    np.testing.assert_allclose(before[0].positions, expected)
    np.testing.assert_allclose(before[1].positions, expected + np.array([5.0, 0.0, 0.0]))
    still = source.scene_at(1).surfaces
    assert [a is b for a, b in zip(before, still, strict=True)] == [True, True]
    first.data.vertices[0].co.x -= 1.0
    first.data.update()
    expected[0, 0] -= 1.0
    moved = source.scene_at(1).surfaces
    np.testing.assert_allclose(moved[0].positions, expected)
    np.testing.assert_allclose(moved[1].positions, expected + np.array([5.0, 0.0, 0.0]))
    # A modifier gives the second a mesh of its own.
    second.modifiers.new("Array", "ARRAY")
    apart = source.scene_at(1).surfaces
    assert apart[0] is moved[0]
    assert len(apart[1].positions) == 16
    assert apart[1].topology is not apart[0].topology


def test_geometry_nodes_instances(scene):
    """Instances made by nodes arrive beside the object's own geometry."""

    def build(nodes, links, start, end):
        cubes = nodes.new("GeometryNodeInstanceOnPoints")
        cube = nodes.new("GeometryNodeMeshCube")
        join = nodes.new("GeometryNodeJoinGeometry")
        links.new(start, cubes.inputs["Points"])
        links.new(cube.outputs[0], cubes.inputs["Instance"])
        links.new(cubes.outputs[0], join.inputs[0])
        links.new(start, join.inputs[0])
        links.new(join.outputs[0], end)

    item = add_mesh("Points", [(0, 0, 0), (3, 0, 0), (0, 0, 3)], faces=[(0, 1, 2)])
    item.modifiers.new("Nodes", "NODES").node_group = geometry_group(build)
    found = surfaces()
    assert [surface.topology.vertex_count for surface in found] == [3, 8, 8, 8]
    assert len({surface.identity for surface in found}) == 4
    assert {surface.name for surface in found} == {"Points"}
    centres = np.array([surface.positions.mean(axis=0) for surface in found[1:]])
    assert centres == pytest.approx(np.array([[0, 0, 0], [3, 0, 0], [0, 0, 3]]), abs=1e-6)


def test_particles_as_instances(scene):
    """Particles that render as an object arrive as its instances."""
    leaf = add_cube("Leaf", location=(0.0, 50.0, 0.0))
    leaf.scale = (0.1, 0.1, 0.1)
    plate = add_mesh("Plate", [(0, 0, 0), (4, 0, 0), (4, 0, 4), (0, 0, 4)], faces=[(0, 1, 2, 3)])
    plate.modifiers.new("Particles", "PARTICLE_SYSTEM")
    settings = plate.particle_systems[0].settings
    settings.type, settings.count = "HAIR", 7
    settings.render_type, settings.instance_object = "OBJECT", leaf
    found = surfaces()
    names = [surface.name for surface in found]
    assert names.count("Leaf") == 7 + 1
    assert len({surface.identity for surface in found}) == len(found)
    plate.show_instancer_for_render = False
    assert "Plate" not in [surface.name for surface in surfaces()]


def test_smooth_contour_reads_normals(scene):
    """World-space unit normals, also under a scale that is not uniform; only when asked for."""
    bpy.ops.mesh.primitive_uv_sphere_add(segments=64, ring_count=32)
    item = bpy.context.object
    item.data.shade_smooth()
    item.scale = (1.0, 2.0, 0.5)
    assert only().vertex_normals is None
    item.beamwright.lines.smooth_contour = True
    surface = only()
    normals = surface.vertex_normals
    assert np.linalg.norm(normals, axis=1) == pytest.approx(np.ones(len(normals)))
    # The gradient of the ellipsoid's equation.
    expected = surface.positions / np.array([1.0, 4.0, 0.25])
    expected /= np.linalg.norm(expected, axis=1, keepdims=True)
    assert np.einsum("ij,ij->i", normals, expected).min() > math.cos(math.radians(2.0))


def test_animated_settings_and_colours(scene):
    """Keyed line settings and material colours follow the frame."""
    item = add_cube()
    material = add_material(item, "Lamp", (0.0, 0.0, 0.0))
    for frame, level in ((1, 0.0), (3, 1.0)):
        material.diffuse_color = (level, level, 0.0, 1.0)
        material.keyframe_insert("diffuse_color", frame=frame)
        item.beamwright.lines.rank = int(level * 5)
        item.keyframe_insert("beamwright.lines.rank", frame=frame)
    source = open_source()
    assert source.scene_at(1).surfaces[0].colours.tolist() == [[0.0, 0.0, 0.0]]
    surface = source.scene_at(3).surfaces[0]
    assert surface.colours.tolist() == [[1.0, 1.0, 0.0]]
    assert surface.lines.rank == 5


def test_scene_that_no_window_shows(scene):
    """A scene in the background is read through its own graph, at its own frame."""
    other = bpy.data.scenes.new("Background")
    other.render.resolution_x = other.render.resolution_y = 500
    camera = scene.camera.copy()
    other.collection.objects.link(camera)
    other.camera = camera
    item = add_cube("Mover", other.collection)
    for frame, x in ((1, 0.0), (11, 10.0)):
        item.location.x = x
        item.keyframe_insert("location", index=0, frame=frame)
    item.animation_data.action.layers[0].strips[0].channelbags[0].fcurves[0].keyframe_points[
        0
    ].interpolation = "LINEAR"
    bpy.context.window.scene = scene
    source = open_source(scene_name="Background")
    places = [source.scene_at(frame).surfaces[0].positions[:, 0].mean() for frame in (1, 6, 11)]
    assert places == pytest.approx([0.0, 5.0, 10.0], abs=1e-5)
    assert scene.frame_current == 1


def test_nan_vertices_are_named_by_core(scene):
    """Nothing breaks before core, whose message names the object."""
    item = add_cube("Broken")
    item.data.vertices[0].co.x = math.nan
    frame = open_source().scene_at(1)
    assert np.isnan(frame.surfaces[0].positions[0, 0])
    with pytest.raises(SceneError, match="Broken"):
        pipeline.visible_strokes(frame)


def test_edit_mode(scene):
    """The mesh being edited is read as it stands."""
    add_cube()
    bpy.context.view_layer.objects.active = bpy.data.objects["Cube"]
    bpy.ops.object.mode_set(mode="EDIT")
    try:
        assert only().topology.vertex_count == 8
    finally:
        bpy.ops.object.mode_set(mode="OBJECT")


def test_kinds_reach_core(scene):
    """A cube seen along an axis: its square, from the object's own settings."""
    item = add_cube()
    strokes = pipeline.visible_strokes(open_source().scene_at(1))
    assert len(strokes) == 1
    assert strokes.closed.all()
    item.beamwright.lines.drawn = False
    assert len(pipeline.visible_strokes(open_source().scene_at(1))) == 0
    item.beamwright.lines.drawn = True
    for name in ("silhouette", "crease"):
        setattr(item.beamwright.lines, name, False)
    assert LineKind.CREASE not in open_source().scene_at(1).surfaces[0].lines.kinds
    assert len(pipeline.visible_strokes(open_source().scene_at(1))) == 0
