# SPDX-License-Identifier: GPL-3.0-or-later
"""Many objects at once, and data that belongs to another file."""

import bpy
import pytest
from beamwright.addon import operators
from beamwright.addon.operators.editable import why_fixed
from beamwright.addon.panels import menus
from beamwright.addon.properties import assign, assigned_names
from blender_scenes import add_cube

OPERATORS = bpy.ops.beamwright


def fails(operator, **keywords):
    with pytest.raises(RuntimeError) as caught:
        operator(**keywords)
    return str(caught.value).strip().removeprefix("Error: ")


def select(*items, active):
    for item in bpy.context.scene.objects:
        item.select_set(item in items)
    bpy.context.view_layer.objects.active = active


@pytest.fixture
def library(scene, tmp_path):
    """Return a saved file with the collection *Boats* and its two cubes, and an empty scene."""
    boats = bpy.data.collections.new("Boats")
    scene.collection.children.link(boats)
    for name in ("Hull", "Oar"):
        item = add_cube(name, boats)
        item.beamwright.priority = 4.0
    path = tmp_path / "boats.blend"
    bpy.ops.wm.save_as_mainfile(filepath=str(path))
    bpy.ops.wm.read_homefile(use_empty=True)
    return path


def link(path, name="Boats"):
    """Link a collection of a file into the scene."""
    with bpy.data.libraries.load(str(path), link=True) as (_there, here):
        here.collections = [name]
    collection = here.collections[0]
    bpy.context.scene.collection.children.link(collection)
    return collection


def test_assign_selected(scene):
    """All selected take the state that the active one changes to; others stay as they are."""
    scene.beamwright.add_projector("A")
    scene.beamwright.add_projector("B")
    one, two, three = (add_cube(name) for name in ("One", "Two", "Three"))
    assign(two, "B", "A")
    select(one, two, active=one)
    assert OPERATORS.assign(projector="A", owner="SELECTED") == {"FINISHED"}
    assert [assigned_names(item) for item in (one, two, three)] == [("A",), ("B", "A"), ()]
    assert OPERATORS.assign(projector="A", owner="SELECTED") == {"FINISHED"}
    assert [assigned_names(item) for item in (one, two, three)] == [(), ("B",), ()]


def test_assign_without_an_active_object(scene):
    """The selection is enough; nothing at all is refused."""
    scene.beamwright.add_projector("A")
    item = add_cube()
    select(item, active=None)
    OPERATORS.assign(projector="A", owner="SELECTED")
    assert assigned_names(item) == ("A",)
    select(active=None)
    assert "no active object" in fails(OPERATORS.assign, projector="A", owner="SELECTED")


def test_linked_objects_are_left_alone(library):
    """Linked data cannot be changed here: it is said, and what can be changed is."""
    scene = bpy.context.scene
    scene.beamwright.add_projector("A")
    boats = link(library)
    hull = boats.objects["Hull"]
    own = add_cube("Own")
    assert "linked from another file" in why_fixed(hull)
    assert not why_fixed(own)
    select(hull, active=hull)
    assert "linked from another file" in fails(OPERATORS.assign, projector="A")
    assert assigned_names(hull) == ()
    select(own, hull, active=own)
    assert OPERATORS.assign(projector="A", owner="SELECTED") == {"FINISHED"}
    assert (assigned_names(own), assigned_names(hull)) == (("A",), ())
    assert not OPERATORS.copy_to_selected.poll()
    assert "linked from another file" in fails(OPERATORS.copy_to_selected)


def test_overrides_can_be_changed(library, tmp_path):
    """An override takes assignment and priority, and keeps them in the saved file."""
    scene = bpy.context.scene
    scene.beamwright.add_projector("A")
    boats = link(library)
    own = add_cube("Own")
    own.beamwright.priority = -2.0
    own.beamwright.lines.crease = False
    own.beamwright.baked = True
    overridden = boats.override_hierarchy_create(scene, bpy.context.view_layer)
    hull = next(item for item in overridden.objects if item.name.startswith("Hull"))
    hull.override_library.is_system_override = False
    assert not why_fixed(hull)
    select(own, hull, active=own)
    OPERATORS.assign(projector="A", owner="SELECTED")
    assert OPERATORS.copy_to_selected() == {"FINISHED"}
    assert assigned_names(hull) == ("A",)
    assert hull.beamwright.priority == -2.0
    assert not hull.beamwright.lines.crease
    assert not hull.beamwright.baked
    path = tmp_path / "stage.blend"
    name = hull.name
    bpy.ops.wm.save_as_mainfile(filepath=str(path))
    bpy.ops.wm.open_mainfile(filepath=str(path))
    (hull,) = [item for item in bpy.data.objects if item.name == name and not item.library]
    assert assigned_names(hull) == ("A",)
    assert hull.beamwright.priority == -2.0
    assert not hull.beamwright.lines.crease


def test_system_overrides_say_why(library):
    """Overrides that Blender made on the way to another are not for changing."""
    scene = bpy.context.scene
    scene.beamwright.add_projector("A")
    boats = link(library)
    overridden = boats.override_hierarchy_create(scene, bpy.context.view_layer)
    hull = next(item for item in overridden.objects if item.name.startswith("Hull"))
    hull.override_library.is_system_override = True
    select(hull, active=hull)
    assert "not editable" in fails(OPERATORS.assign, projector="A")


def test_linked_scene(library):
    """A linked scene's projectors stay as they are."""
    with bpy.data.libraries.load(str(library), link=True) as (_there, here):
        here.scenes = ["Scene"]
    linked = here.scenes[0]
    window = bpy.context.window
    window.scene = linked
    for name in ("projector_add", "analyze_range", "bake_strokes"):
        operator = getattr(OPERATORS, name)
        assert not operator.poll()
        assert "linked from another file" in fails(operator)


IN_PANELS_ONLY = {
    "assign",  # the menu of projectors
    "assign_layer",
    "list_layers",
    "profile_apply",  # the menu of profiles
    "profile_delete",
    "show_add_scene",
    "show_channel_assign",
    "show_render",  # the sequencer's panel
    "add_effect_control",  # the collection's panel
    "keep_out_add",
    "keep_out_select",
    "keep_out_remove",
    "import_artwork",  # File > Import
    "new_lettering",  # Add
}


def test_everything_is_in_a_menu(addon):
    """Blender's search lists what menus hold: all operators but those that need a choice."""
    entries = [entry for group in menus.SCENE_ENTRIES for entry in group]
    entries += [*menus.OBJECT_ENTRIES, *menus.PROFILE_ENTRIES]
    listed = {name.removeprefix("beamwright.") for name, _text, _values in entries}
    known = {cls.bl_idname.removeprefix("beamwright.") for cls in operators.CLASSES}
    assert listed <= known
    assert known - listed <= IN_PANELS_ONLY, known - listed - IN_PANELS_ONLY
    for name, _text, values in entries:
        kind = getattr(OPERATORS, name.removeprefix("beamwright.")).get_rna_type()
        assert set(values) <= set(kind.properties.keys())


def test_menus_hang_in_blenders_own(addon):
    """They are there once, and gone with the extension."""

    def hung():
        return [
            function.__name__
            for name, _function in menus._PLACES
            for function in getattr(bpy.types, name)._dyn_ui_initialize()
            if function.__module__ == menus.__name__
        ]

    assert hung() == ["draw_in_render_menu", "draw_in_object_menu"]
    addon.unregister()
    try:
        assert hung() == []
    finally:
        addon.register()
    assert hung() == ["draw_in_render_menu", "draw_in_object_menu"]
