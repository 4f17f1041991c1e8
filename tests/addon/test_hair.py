# SPDX-License-Identifier: GPL-3.0-or-later
"""Hair curves, compared with what Blender's own Curve to Mesh makes of them."""

import bpy
import numpy as np
import pytest
from beamwright.addon.extract.hair import hair_lines
from beamwright.addon.session import open_source
from beamwright.core import pipeline
from blender_scenes import geometry_group

SIZES = (4, 3, 5, 2, 1)


def add_hair(scene, kind, cyclic=()):
    """Add strands of five lengths, their points strewn before the camera."""
    rng = np.random.default_rng(3)
    data = bpy.data.hair_curves.new("Tuft")
    data.add_curves(list(SIZES))
    places = rng.uniform(-1.0, 1.0, (sum(SIZES), 3)).astype(np.float32)
    data.attributes["position"].data.foreach_set("vector", places.ravel())
    if kind != "CATMULL_ROM":
        data.set_types(type=kind)
    if kind == "BEZIER":
        for name in ("handle_left", "handle_right"):
            handles = data.attributes.new(name, "FLOAT_VECTOR", "POINT")
            shifted = places + rng.uniform(-0.4, 0.4, places.shape).astype(np.float32)
            handles.data.foreach_set("vector", shifted.ravel())
    if cyclic:
        closed = data.attributes.new("cyclic", "BOOLEAN", "CURVE")
        for curve in cyclic:
            closed.data[curve].value = True
    item = bpy.data.objects.new("Tuft", data)
    scene.collection.objects.link(item)
    return item, places


def as_mesh(item):
    """Return points and edges of Blender's own conversion."""

    def build(nodes, links, start, end):
        node = nodes.new("GeometryNodeCurveToMesh")
        links.new(start, node.inputs[0])
        links.new(node.outputs[0], end)

    group = geometry_group(build)
    copy = item.copy()
    bpy.context.collection.objects.link(copy)
    copy.modifiers.new("To Mesh", "NODES").node_group = group
    graph = bpy.context.evaluated_depsgraph_get()
    for instance in graph.object_instances:
        if instance.is_instance and instance.parent.original == copy:
            mesh = instance.object.data
            points = np.array([tuple(vertex.co) for vertex in mesh.vertices])
            edges = np.array([tuple(edge.vertices) for edge in mesh.edges])
            bpy.data.objects.remove(copy)
            return points, edges
    raise AssertionError("the copy has no mesh")


def evaluated(item):
    graph = bpy.context.evaluated_depsgraph_get()
    points, edges = hair_lines(item.evaluated_get(graph).data)
    return points.reshape(-1, 3), edges


@pytest.mark.parametrize("cyclic", [(), (0, 2)])
@pytest.mark.parametrize("kind", ["CATMULL_ROM", "POLY", "BEZIER"])
def test_the_same_points_as_curve_to_mesh(scene, kind, cyclic):
    """Reference: Blender's node Curve to Mesh, point for point."""
    item, places = add_hair(scene, kind, cyclic)
    points, edges = evaluated(item)
    theirs, their_edges = as_mesh(item)
    assert points == pytest.approx(theirs, abs=2e-6)
    assert {frozenset(edge) for edge in edges.tolist()} == {
        frozenset(edge) for edge in their_edges.tolist()
    }
    if kind == "POLY":
        assert points == pytest.approx(places)


def test_nurbs(scene):
    """Blender's points, spaced otherwise, lie on our lines but for the sag of a chord."""
    item, _ = add_hair(scene, "NURBS")
    points, edges = evaluated(item)
    theirs, _ = as_mesh(item)
    # Twelve steps a piece; strands of too few points for the order stay as they are.
    assert len(edges) == 12 + 2 + 24 + 1
    start, along = points[edges[:, 0]], points[edges[:, 1]] - points[edges[:, 0]]
    offset = theirs[:, None] - start
    share = np.clip((offset * along).sum(axis=2) / (along**2).sum(axis=1), 0.0, 1.0)
    gaps = np.linalg.norm(offset - share[:, :, None] * along, axis=2)[: -SIZES[-1]]
    assert gaps.min(axis=1).max() < 0.005


def test_hair_is_drawn(scene):
    """In the colour of its material, hidden by what stands before it, the same while still."""
    item, places = add_hair(scene, "POLY")
    straw = bpy.data.materials.new("Straw")
    straw.diffuse_color = (1.0, 0.8, 0.2, 1.0)
    item.data.materials.append(straw)
    source = open_source()
    first = source.scene_at(1)
    (surface,) = first.surfaces
    assert surface.name == "Tuft"
    assert surface.positions == pytest.approx(places, abs=1e-6)
    assert surface.colours[0] == pytest.approx((1.0, 0.8, 0.2), abs=1e-6)
    assert surface.topology.loose_vertices.tolist() == [sum(SIZES) - 1]
    assert source.scene_at(2).surfaces[0] is surface
    strokes = pipeline.visible_strokes(first)
    assert len(strokes) > 0
    assert set(strokes.object_names) == {"Tuft"}
    item.location.x = 0.25
    moved = source.scene_at(3).surfaces[0]
    assert moved.topology is surface.topology
    assert moved.positions == pytest.approx(places + np.array([0.25, 0.0, 0.0]), abs=1e-6)


def test_no_strands(scene):
    item = bpy.data.objects.new("Bald", bpy.data.hair_curves.new("Bald"))
    scene.collection.objects.link(item)
    points, edges = evaluated(item)
    assert points.shape == (0, 3)
    assert edges.shape == (0, 2)
