# SPDX-License-Identifier: GPL-3.0-or-later
"""Who draws what: the object's own choice, its nearest collection, or the first projector."""

import bpy
from beamwright.addon.properties import assign
from beamwright.addon.session import open_source
from beamwright.core import pipeline
from beamwright.core.scene import LineKind
from blender_scenes import add_collection, add_cube


def projectors_of(name):
    (surface,) = [item for item in open_source().scene_at(1).surfaces if item.name == name]
    return surface.assignment.projectors


def test_order_of_precedence(scene):
    """Object before collection, near before far, far before default."""
    for name in ("A", "B", "C"):
        scene.beamwright.add_projector(name)
    outer = add_collection("Outer")
    inner = add_collection("Inner", outer)
    item = add_cube("Item", inner)
    assert projectors_of("Item") == ()
    assign(outer, "A")
    assert projectors_of("Item") == ("A",)
    assign(inner, "B")
    assert projectors_of("Item") == ("B",)
    assign(item, "C", "A")
    assert projectors_of("Item") == ("C", "A")
    assign(item)
    assign(inner)
    assign(outer)
    assign(scene.collection, "B")
    assert projectors_of("Item") == ("B",)


def test_unknown_names_are_passed_over(scene):
    """A name that the scene does not have decides nothing; a group's name does."""
    scene.beamwright.add_projector("A").group = "Pair"
    collection = add_collection("Stage")
    item = add_cube("Item", collection)
    assign(item, "Gone")
    assign(collection, "Pair")
    assert projectors_of("Item") == ("Pair",)


def test_instances_follow_their_source_then_their_instancer(scene):
    for name in ("A", "B"):
        scene.beamwright.add_projector(name)
    source = bpy.data.collections.new("Source")
    add_cube("Item", source)
    empty = bpy.data.objects.new("Instance", None)
    empty.instance_type, empty.instance_collection = "COLLECTION", source
    scene.collection.objects.link(empty)
    assign(empty, "B")
    assert projectors_of("Item") == ("B",)
    assign(source, "A")
    assert projectors_of("Item") == ("A",)


def test_priority_and_lock(scene):
    item = add_cube()
    item.beamwright.priority, item.beamwright.locked = 2.5, True
    (surface,) = open_source().scene_at(1).surfaces
    assert (surface.assignment.priority, surface.assignment.locked) == (2.5, True)


def test_collection_sets_lines(scene):
    """A collection's lines replace those of the objects that follow it."""
    collection = add_collection("Far")
    item = add_cube("Item", collection)
    collection.beamwright.lines.crease = False
    collection.beamwright.lines.colour_source = "OWN"
    collection.beamwright.lines.colour = (0.0, 0.5, 1.0)

    def surface():
        return open_source().scene_at(1).surfaces[0]

    assert LineKind.CREASE in surface().lines.kinds
    collection.beamwright.override_lines = True
    assert LineKind.CREASE not in surface().lines.kinds
    assert surface().colours.tolist() == [[0.0, 0.5, 1.0]]
    item.beamwright.inherit_lines = False
    assert LineKind.CREASE in surface().lines.kinds


def test_two_projectors_share_the_scene(scene):
    """Each object's strokes reach its own projector and no other."""
    for name in ("Pictures", "Lettering"):
        scene.beamwright.add_projector(name)
    add_cube("Left", location=(-2.0, 0.0, 0.0))
    right = add_cube("Right", location=(2.0, 0.0, 0.0))
    assign(right, "Lettering")
    source = open_source()
    planned = pipeline.draw_frame(source.scene_at(1), source.projectors)
    assert set(planned["Pictures"].figures.cost) - {""} == {"Left"}
    assert set(planned["Lettering"].figures.cost) - {""} == {"Right"}
