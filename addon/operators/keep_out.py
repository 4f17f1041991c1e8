# SPDX-License-Identifier: GPL-3.0-or-later
"""Keep-out areas: add one before the camera, select it, remove it."""

import math
from typing import Any

import bpy
from bpy.props import EnumProperty, FloatProperty, FloatVectorProperty, StringProperty
from mathutils import Matrix, Vector

from ...core.errors import SceneError
from ..extract.camera import scene_camera
from ..properties import PROPERTY

COLOUR = (1.0, 0.15, 0.1, 1.0)
"""Of the object; the wire is also in front of all else and carries its name."""

ROUND_CORNERS = 48


def _projector(operator: Any, context: Any) -> Any:
    scene = context.scene
    if scene is None or scene.library is not None:
        operator.poll_message_set("The scene is linked from another file: change it there")
        return None
    settings = getattr(scene, PROPERTY)
    if not 0 <= settings.active_projector < len(settings.projectors):
        operator.poll_message_set("The scene has no projector yet")
        return None
    return settings.projectors[settings.active_projector]


def _in_object_mode(operator: Any, context: Any) -> bool:
    if context.mode != "OBJECT":
        operator.poll_message_set("Leave Edit Mode first (Tab)")
        return False
    return True


def _frame_corners(camera: bpy.types.Object, scene: bpy.types.Scene) -> list[Vector]:
    """Return the page's corners in the camera's own space, well within its clipping range.

    Seen without perspective, or at the distance at which the page is two units wide, the page
    has the camera field's own coordinates.
    """
    lens = camera.data
    corners = [corner.copy() for corner in lens.view_frame(scene=scene)]
    near, far = 1.2 * lens.clip_start, 0.8 * lens.clip_end
    if lens.type == "ORTHO":
        distance = min(max(1.0, near), far)
        return [Vector((corner.x, corner.y, -distance)) for corner in corners]
    low, high = min(c.x for c in corners), max(c.x for c in corners)
    unit = -corners[0].z * 2.0 / max(high - low, 1e-9)
    distance = min(max(unit, near), far)
    return [corner * (distance / -corner.z) for corner in corners]


def _outline(shape: str) -> list[tuple[float, float]]:
    if shape == "RECTANGLE":
        return [(-1.0, -1.0), (1.0, -1.0), (1.0, 1.0), (-1.0, 1.0)]
    turns = [2.0 * math.pi * place / ROUND_CORNERS for place in range(ROUND_CORNERS)]
    return [(math.cos(turn), math.sin(turn)) for turn in turns]


def _collection(scene: bpy.types.Scene, projector: Any) -> bpy.types.Collection:
    """Return the projector's collection of keep-outs, in the scene; made where there is none."""
    collection = projector.safety.keep_outs
    if collection is None:
        collection = bpy.data.collections.new(f"Keep-Out {projector.name}")
        collection.color_tag = "COLOR_01"
        # Areas are no part of the picture: they are not drawn and hide nothing.
        settings = getattr(collection, PROPERTY)
        settings.override_lines = True
        settings.lines.drawn = settings.lines.occludes = False
        projector.safety.keep_outs = collection
    if collection not in {scene.collection, *scene.collection.children_recursive}:
        scene.collection.children.link(collection)
    return collection


class BEAMWRIGHT_OT_keep_out_add(bpy.types.Operator):
    """Add a flat shape before the camera in which the selected projector never lights anything.
    Change its outline in Edit Mode"""

    bl_idname = "beamwright.keep_out_add"
    bl_label = "Add Keep-Out"
    bl_options = {"REGISTER", "UNDO"}

    shape: EnumProperty(
        name="Shape",
        items=[
            ("RECTANGLE", "Rectangle", "Four corners"),
            ("ROUND", "Round", "A circle, or an oval where width and height differ"),
        ],
    )
    centre: FloatVectorProperty(
        name="Centre",
        description="Place on the page; 0 is its middle, 1 its edge",
        size=2,
        default=(0.0, 0.0),
        soft_min=-1.0,
        soft_max=1.0,
    )
    width: FloatProperty(
        name="Width", description="In parts of the page's", default=0.3, min=0.001, soft_max=1.0
    )
    height: FloatProperty(
        name="Height", description="In parts of the page's", default=0.3, min=0.001, soft_max=1.0
    )

    @classmethod
    def poll(cls, context: Any) -> bool:
        """Need a projector, and a camera whose page the area lies over."""
        projector = _projector(cls, context)
        if projector is None or not _in_object_mode(cls, context):
            return False
        collection = projector.safety.keep_outs
        if collection is not None and collection.library is not None:
            cls.poll_message_set("The keep-out areas are linked from another file: add there")
            return False
        try:
            scene_camera(context.scene, context.scene.frame_current)
        except SceneError:
            if projector.camera is None:
                cls.poll_message_set("The scene has no camera, over whose page the area could lie")
                return False
        return True

    def execute(self, context: Any) -> set[str]:
        """Make the object, hang it before the camera, and select it."""
        scene = context.scene
        projector = _projector(self, context)
        camera = projector.camera or scene_camera(scene, scene.frame_current)
        if camera.data.type == "PANO":
            self.report({"ERROR"}, f"Camera “{camera.name}” is panoramic and has no flat page")
            return {"CANCELLED"}
        frame = _frame_corners(camera, scene)
        low = Vector((min(c.x for c in frame), min(c.y for c in frame), frame[0].z))
        high = Vector((max(c.x for c in frame), max(c.y for c in frame), frame[0].z))
        middle, half = (low + high) / 2.0, (high - low) / 2.0
        mesh = bpy.data.meshes.new("Keep-Out")
        points = [
            (x * self.width * half.x, y * self.height * half.y, 0.0)
            for x, y in _outline(self.shape)
        ]
        mesh.from_pydata(points, [], [tuple(range(len(points)))])
        item = bpy.data.objects.new("Keep-Out", mesh)
        item.display_type = "WIRE"
        item.show_in_front = item.show_name = True
        item.color = COLOUR
        item.hide_render = True
        _collection(scene, projector).objects.link(item)
        item.parent = camera
        # Blender leaves the camera's scale out of its view; so do we.
        world = camera.matrix_world
        item.matrix_parent_inverse = world.inverted_safe() @ Matrix.LocRotScale(
            world.to_translation(), world.to_quaternion(), None
        )
        item.location = middle + Vector((self.centre[0] * half.x, self.centre[1] * half.y, 0.0))
        context.view_layer.update()
        return _select(self, context, item)


def _select(operator: Any, context: Any, item: bpy.types.Object) -> set[str]:
    if item.name not in context.view_layer.objects:
        operator.report(
            {"WARNING"},
            f"“{item.name}” is not in this view layer: show its collection to change it. It counts "
            "all the same",
        )
        return {"FINISHED"}
    for other in context.selected_objects:
        other.select_set(False)
    item.hide_set(False)
    item.select_set(True)
    context.view_layer.objects.active = item
    return {"FINISHED"}


class _OneArea:
    """Operators on one of the projector's areas, by name."""

    name: StringProperty(name="Name", description="Of the object", options={"SKIP_SAVE"})

    @classmethod
    def poll(cls, context: Any) -> bool:
        """Need keep-out areas."""
        projector = _projector(cls, context)
        if projector is None or not _in_object_mode(cls, context):
            return False
        collection = projector.safety.keep_outs
        if collection is None or not len(collection.all_objects):
            cls.poll_message_set("The projector has no keep-out areas")
            return False
        return True

    def _found(self, context: Any) -> bpy.types.Object | None:
        areas = _projector(self, context).safety.keep_outs.all_objects
        found = areas.get(self.name)
        if found is None:
            self.report({"ERROR"}, f"The projector has no keep-out area “{self.name}”")  # type: ignore[attr-defined]
        return found


class BEAMWRIGHT_OT_keep_out_select(_OneArea, bpy.types.Operator):
    """Select this keep-out area, to change it"""

    bl_idname = "beamwright.keep_out_select"
    bl_label = "Select Keep-Out"
    bl_options = {"REGISTER", "UNDO"}

    def execute(self, context: Any) -> set[str]:
        """Select it and nothing else."""
        item = self._found(context)
        return {"CANCELLED"} if item is None else _select(self, context, item)


class BEAMWRIGHT_OT_keep_out_remove(_OneArea, bpy.types.Operator):
    """Delete this keep-out area: the projector may light what lies beneath"""

    bl_idname = "beamwright.keep_out_remove"
    bl_label = "Remove Keep-Out"
    bl_options = {"REGISTER", "UNDO"}

    def execute(self, context: Any) -> set[str]:
        """Delete the object, and its shape where nobody else has it."""
        item = self._found(context)
        if item is None:
            return {"CANCELLED"}
        if item.library is not None:
            self.report({"ERROR"}, f"“{item.name}” is linked from another file: remove it there")
            return {"CANCELLED"}
        shape = item.data
        bpy.data.objects.remove(item)
        if isinstance(shape, bpy.types.Mesh) and not shape.users:
            bpy.data.meshes.remove(shape)
        return {"FINISHED"}


CLASSES = (
    BEAMWRIGHT_OT_keep_out_add,
    BEAMWRIGHT_OT_keep_out_select,
    BEAMWRIGHT_OT_keep_out_remove,
)
