# SPDX-License-Identifier: GPL-3.0-or-later
"""Menus, so that everything is found by searching: Blender's search lists what menus hold."""

from typing import Any

import bpy

from ...core.points.projector import GENERIC_PROFILES
from .. import profiles
from ..properties import PROPERTY

Entry = tuple[str, str, dict[str, Any]]
"""Operator, text (empty takes the operator's own) and properties."""

SCENE_ENTRIES: tuple[tuple[Entry, ...], ...] = (
    (
        ("beamwright.preview_toggle", "", {}),
        ("beamwright.analyze_frame", "", {}),
        ("beamwright.analyze_range", "", {}),
        ("beamwright.jump_to_marker", "Jump to Next Over-Budget Range", {"next": True}),
        ("beamwright.jump_to_marker", "Jump to Previous Over-Budget Range", {"next": False}),
        ("beamwright.clear_report", "", {}),
    ),
    (
        ("beamwright.export_sequence", "", {}),
        ("beamwright.bake_strokes", "", {}),
        ("beamwright.remove_bake", "", {}),
    ),
    (
        ("beamwright.projector_add", "", {}),
        ("beamwright.projector_remove", "", {}),
        ("beamwright.projector_move", "Move Projector Up", {"direction": "UP"}),
        ("beamwright.projector_move", "Move Projector Down", {"direction": "DOWN"}),
    ),
    (
        ("beamwright.live_start", "", {}),
        ("beamwright.live_arm", "", {}),
        ("beamwright.live_blackout", "", {}),
        ("beamwright.live_stop", "", {}),
        ("beamwright.safety_text", "", {}),
    ),
    (("beamwright.show_new", "", {}),),
)
"""Of the Render menu, group by group."""

OBJECT_ENTRIES: tuple[Entry, ...] = (
    ("beamwright.frame_artwork", "", {}),
    ("beamwright.copy_to_selected", "Copy Settings to Selected", {}),
)
"""Of the 3D view's Object menu; whom the selection is drawn by follows them."""

PROFILE_ENTRIES: tuple[Entry, ...] = (
    ("beamwright.profile_store", "Save Profile…", {}),
    ("beamwright.profile_import", "Load File…", {}),
    ("beamwright.profile_export", "Save File…", {}),
)


def draw_entries(layout: Any, entries: tuple[Entry, ...]) -> None:
    """Put operators into a menu."""
    for name, text, values in entries:
        item = layout.operator(name, text=text) if text else layout.operator(name)
        for key, value in values.items():
            setattr(item, key, value)


class BEAMWRIGHT_MT_scene(bpy.types.Menu):
    """Everything that is done to the scene as a whole."""

    bl_idname = "BEAMWRIGHT_MT_scene"
    bl_label = "Beamwright"

    def draw(self, _context: Any) -> None:
        """Lay out the groups, and the profiles."""
        for place, group in enumerate(SCENE_ENTRIES):
            if place:
                self.layout.separator()
            draw_entries(self.layout, group)
            if group[0][0] == "beamwright.projector_add":
                self.layout.menu(BEAMWRIGHT_MT_profiles.bl_idname)


class BEAMWRIGHT_MT_object(bpy.types.Menu):
    """Everything that is done to the selected objects."""

    bl_idname = "BEAMWRIGHT_MT_object"
    bl_label = "Beamwright"

    def draw(self, _context: Any) -> None:
        """Lay out the operators, and who draws the selection."""
        draw_entries(self.layout, OBJECT_ENTRIES)
        self.layout.menu(BEAMWRIGHT_MT_drawn_by.bl_idname)


class BEAMWRIGHT_MT_drawn_by(bpy.types.Menu):
    """Projectors and groups, to draw the selected objects or not."""

    bl_idname = "BEAMWRIGHT_MT_drawn_by"
    bl_label = "Selected Drawn By"

    def draw(self, context: Any) -> None:
        """Lay out one switch for each."""
        settings = getattr(context.scene, PROPERTY)
        names = [projector.name for projector in settings.projectors]
        groups = dict.fromkeys(item.group for item in settings.projectors if item.group)
        for name in (*names, *(group for group in groups if group not in names)):
            item = self.layout.operator("beamwright.assign", text=name)
            item.projector, item.owner = name, "SELECTED"
        if not names:
            self.layout.label(text="One standard projector draws all")


class BEAMWRIGHT_MT_profiles(bpy.types.Menu):
    """Usual ratings to start from, the artist's own profiles, and files."""

    bl_idname = "BEAMWRIGHT_MT_profiles"
    bl_label = "Scanner Profiles"

    def draw(self, _context: Any) -> None:
        """Lay out the lists; the folder is only read while the menu is opened."""
        layout = self.layout
        for name, profile in GENERIC_PROFILES.items():
            text = f"{name} at {profile.rated_angle_deg:g}°"
            item = layout.operator("beamwright.profile_apply", text=text)
            item.name, item.saved = name, False
        saved = profiles.stored()
        layout.separator()
        for name in saved:
            item = layout.operator("beamwright.profile_apply", text=name, icon="PRESET")
            item.name, item.saved = name, True
        draw_entries(layout, PROFILE_ENTRIES[:1])
        if saved:
            layout.menu(BEAMWRIGHT_MT_profile_delete.bl_idname)
        layout.separator()
        draw_entries(layout, PROFILE_ENTRIES[1:])


class BEAMWRIGHT_MT_profile_delete(bpy.types.Menu):
    """The artist's own profiles, to delete."""

    bl_idname = "BEAMWRIGHT_MT_profile_delete"
    bl_label = "Delete Saved Profile"

    def draw(self, _context: Any) -> None:
        """Lay out one entry for each."""
        for name in profiles.stored():
            self.layout.operator("beamwright.profile_delete", text=name).name = name


CLASSES = (
    BEAMWRIGHT_MT_profile_delete,
    BEAMWRIGHT_MT_profiles,
    BEAMWRIGHT_MT_drawn_by,
    BEAMWRIGHT_MT_object,
    BEAMWRIGHT_MT_scene,
)


def draw_in_render_menu(menu: Any, _context: Any) -> None:
    """Add the scene's menu to Blender's own."""
    menu.layout.separator()
    menu.layout.menu(BEAMWRIGHT_MT_scene.bl_idname, icon="OUTLINER_OB_LIGHT")


def draw_in_object_menu(menu: Any, _context: Any) -> None:
    """Add the objects' menu to Blender's own."""
    menu.layout.separator()
    menu.layout.menu(BEAMWRIGHT_MT_object.bl_idname)


_PLACES = (
    ("TOPBAR_MT_render", draw_in_render_menu),
    ("VIEW3D_MT_object", draw_in_object_menu),
)


def add_to_blender() -> None:
    """Hang our menus into Blender's own."""
    for name, function in _PLACES:
        getattr(bpy.types, name).append(function)


def remove_from_blender() -> None:
    """Take our menus out of Blender's own."""
    for name, function in reversed(_PLACES):
        getattr(bpy.types, name).remove(function)
