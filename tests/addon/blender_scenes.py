# SPDX-License-Identifier: GPL-3.0-or-later
"""Small Blender scenes for tests."""

import bpy

CUBE_VERTICES = [(x, y, z) for x in (-1, 1) for y in (-1, 1) for z in (-1, 1)]
CUBE_FACES = [(0, 1, 3, 2), (4, 6, 7, 5), (0, 4, 5, 1), (2, 3, 7, 6), (0, 2, 6, 4), (1, 5, 7, 3)]


def add_mesh(name, vertices, edges=(), faces=(), collection=None):
    """Add an object with a mesh of its own to a collection, or to the scene."""
    mesh = bpy.data.meshes.new(name)
    mesh.from_pydata(vertices, list(edges), list(faces))
    item = bpy.data.objects.new(name, mesh)
    (collection or bpy.context.scene.collection).objects.link(item)
    return item


def add_cube(name="Cube", collection=None, location=(0.0, 0.0, 0.0)):
    """Add a cube of edge 2."""
    item = add_mesh(name, CUBE_VERTICES, faces=CUBE_FACES, collection=collection)
    item.location = location
    return item


def add_collection(name, parent=None):
    """Add a collection below another, or to the scene."""
    collection = bpy.data.collections.new(name)
    (parent or bpy.context.scene.collection).children.link(collection)
    return collection


def add_material(item, name, colour):
    """Append a material with this viewport colour."""
    material = bpy.data.materials.new(name)
    material.diffuse_color = (*colour, 1.0)
    item.data.materials.append(material)
    return material


def geometry_group(build):
    """Make a geometry node group; `build(nodes, links, input, output)` wires it."""
    group = bpy.data.node_groups.new("Nodes", "GeometryNodeTree")
    for direction in ("INPUT", "OUTPUT"):
        group.interface.new_socket("Geometry", in_out=direction, socket_type="NodeSocketGeometry")
    start = group.nodes.new("NodeGroupInput")
    end = group.nodes.new("NodeGroupOutput")
    build(group.nodes, group.links, start.outputs[0], end.inputs[0])
    return group
