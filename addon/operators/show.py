# SPDX-License-Identifier: GPL-3.0-or-later
"""Setting a show up: a scene whose sequencer holds the other scenes."""

from typing import Any

import bpy
from bpy.props import EnumProperty, IntProperty, StringProperty

from ..extract.sequencer import handles, is_show
from ..properties import PROPERTY
from ..show_properties import SHOW_PROPERTY

FIRST_CHANNEL = 1
BY_OBJECT = "BY_OBJECT"


def copy_values(source: Any, target: Any) -> None:
    """Give a property group the values of another, groups inside it included."""
    for entry in source.bl_rna.properties:
        name = entry.identifier
        if name in ("rna_type", "name", "last_name", "rating"):
            continue
        if entry.type == "POINTER" and isinstance(getattr(source, name), bpy.types.PropertyGroup):
            copy_values(getattr(source, name), getattr(target, name))
        elif entry.type not in ("POINTER", "COLLECTION") and not entry.is_readonly:
            setattr(target, name, getattr(source, name))


def show_of(context: Any) -> Any:
    """Return the scene whose sequencer is shown, or None."""
    workspace = getattr(context, "workspace", None)
    # Since Blender 5 a workspace has a sequencer scene, which need not be the window's.
    return getattr(workspace, "sequencer_scene", None) or context.scene


class BEAMWRIGHT_OT_show_new(bpy.types.Operator):
    """Make a scene for a show, with the projectors of the current scene and a channel for each"""

    bl_idname = "beamwright.show_new"
    bl_label = "New Show"
    bl_options = {"REGISTER", "UNDO"}

    name: StringProperty(name="Name", description="Name of the show", default="Show")

    def execute(self, context: Any) -> set[str]:
        """Make the scene and show it."""
        current = context.scene
        show = bpy.data.scenes.new(self.name)
        show.render.fps, show.render.fps_base = current.render.fps, current.render.fps_base
        show.render.resolution_x = current.render.resolution_x
        show.render.resolution_y = current.render.resolution_y
        settings = getattr(show, SHOW_PROPERTY)
        settings.is_show = True
        editor = show.sequence_editor_create()
        target = getattr(show, PROPERTY)
        for source in getattr(current, PROPERTY).projectors:
            copy_values(source, target.add_projector(source.name))
        if not target.projectors:
            target.add_projector()  # what a scene without any has by itself
        for number, projector in enumerate(target.projectors):
            channel = FIRST_CHANNEL + 2 * number  # room for overlaps in between
            for offset, letter in enumerate("AB"):
                settings.assign(channel + offset, projector.name)
                editor.channels[channel + offset].name = f"{projector.name} {letter}"
        if context.window is not None:
            context.window.scene = show
        if hasattr(context.workspace, "sequencer_scene"):
            context.workspace.sequencer_scene = show
        return {"FINISHED"}


class BEAMWRIGHT_OT_show_add_scene(bpy.types.Operator):
    """Add a scene to the show, behind the last strip on its channel"""

    bl_idname = "beamwright.show_add_scene"
    bl_label = "Add Scene to Show"
    bl_options = {"REGISTER", "UNDO"}

    scene: StringProperty(name="Scene", description="Scene to add")
    channel: IntProperty(
        name="Channel", description="Channel of the sequencer", default=FIRST_CHANNEL, min=1
    )

    @classmethod
    def poll(cls, context: Any) -> bool:
        """Need a show."""
        show = show_of(context)
        if show is None or not is_show(show):
            cls.poll_message_set("This scene is no show: make one with New Show")
            return False
        return True

    def invoke(self, context: Any, _event: Any) -> set[str]:
        """Ask which scene."""
        return context.window_manager.invoke_props_dialog(self)

    def draw(self, _context: Any) -> None:
        """Lay out the question."""
        self.layout.prop_search(self, "scene", bpy.data, "scenes")
        self.layout.prop(self, "channel")

    def execute(self, context: Any) -> set[str]:
        """Add the strip and make room for it."""
        show = show_of(context)
        scene = bpy.data.scenes.get(self.scene)
        if scene is None or scene == show:
            self.report({"ERROR"}, "Choose a scene other than the show itself")
            return {"CANCELLED"}
        editor = show.sequence_editor
        ends = [handles(item)[1] for item in editor.strips if item.channel == self.channel]
        first = max([*ends, show.frame_start])
        strip = editor.strips.new_scene(
            name=scene.name, scene=scene, channel=self.channel, frame_start=first
        )
        last = handles(strip)[1] - 1
        show.frame_end = max(show.frame_end if ends else show.frame_start, last)
        return {"FINISHED"}


def _targets(_operator: Any, context: Any) -> list[tuple[str, str, str]]:
    show = show_of(context)
    projectors = getattr(show, PROPERTY).projectors if show is not None else ()
    names = [projector.name for projector in projectors]
    names += sorted({projector.group for projector in projectors} - {""} - set(names))
    items = [(BY_OBJECT, "By Object", "Every object goes to the projectors it is assigned to")]
    items += [(name, name, f"Everything on the channel goes to {name}") for name in names]
    # Blender needs somebody to hold the texts of a list that changes.
    _targets.items = items  # type: ignore[attr-defined] # functions take attributes
    return items


class BEAMWRIGHT_OT_show_channel_assign(bpy.types.Operator):
    """Choose who draws the scenes on a channel"""

    bl_idname = "beamwright.show_channel_assign"
    bl_label = "Assign Channel"
    bl_options = {"REGISTER", "UNDO"}

    channel: IntProperty(name="Channel", description="Channel of the sequencer", default=1, min=1)
    target: EnumProperty(name="Projector", description="Who draws it", items=_targets)

    @classmethod
    def poll(cls, context: Any) -> bool:
        """Need a show."""
        return BEAMWRIGHT_OT_show_add_scene.poll.__func__(cls, context)  # type: ignore[attr-defined] # the same question

    def execute(self, context: Any) -> set[str]:
        """Store it."""
        target = "" if self.target == BY_OBJECT else self.target
        getattr(show_of(context), SHOW_PROPERTY).assign(self.channel, target)
        return {"FINISHED"}


CLASSES = (
    BEAMWRIGHT_OT_show_new,
    BEAMWRIGHT_OT_show_add_scene,
    BEAMWRIGHT_OT_show_channel_assign,
)
