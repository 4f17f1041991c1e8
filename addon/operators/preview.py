# SPDX-License-Identifier: GPL-3.0-or-later
"""The preview's switch, and the camera's fit to the artwork."""

from collections.abc import Iterator
from typing import Any

import bpy
import numpy as np
from bpy.props import FloatProperty
from mathutils import Matrix, Vector

from ..compat import animated_paths
from ..extract.camera import bound_camera
from ..preview import settings as preview_settings
from ..preview.framing import fit_orthographic, fit_perspective
from ..session import DRAWABLE
from .editable import why_fixed


class BEAMWRIGHT_OT_preview_toggle(bpy.types.Operator):
    """Show over the 3D view what the projectors will draw and what it costs, or stop showing it"""

    bl_idname = "beamwright.preview_toggle"
    bl_label = "Toggle Preview"
    bl_options = {"REGISTER"}

    def execute(self, _context: Any) -> set[str]:
        """Flip the switch."""
        chosen = preview_settings.current()
        chosen.enabled = not chosen.enabled
        return {"FINISHED"}


class BEAMWRIGHT_OT_frame_artwork(bpy.types.Operator):
    """Move the camera so that the selected objects fill its frame, without turning it.
    With nothing selected, all objects that are drawn"""

    bl_idname = "beamwright.frame_artwork"
    bl_label = "Frame Artwork"
    bl_options = {"REGISTER", "UNDO"}

    margin: FloatProperty(
        name="Margin",
        description="Room left on each side, as a share of the frame",
        subtype="FACTOR",
        default=0.05,
        min=0.0,
        max=0.45,
    )

    @classmethod
    def poll(cls, context: Any) -> bool:
        """Need a camera that may be moved."""
        scene = context.scene
        camera = _camera(scene) if scene is not None else None
        if camera is None:
            cls.poll_message_set("The scene has no camera: add one with Add > Camera")
            return False
        if reason := why_fixed(camera):
            cls.poll_message_set(reason)
            return False
        if camera.data.type not in {"PERSP", "ORTHO"}:
            cls.poll_message_set("A panoramic camera bends lines: make it perspective first")
            return False
        return True

    def execute(self, context: Any) -> set[str]:
        """Fit the camera to the evaluated points of the objects."""
        scene, depsgraph = context.scene, context.evaluated_depsgraph_get()
        camera = _camera(scene)
        chosen = [item for item in context.selected_objects if item.type in DRAWABLE]
        items = chosen or [item for item in scene.objects if _shown(item, context.view_layer)]
        points = [part for item in items for part in _points(item.evaluated_get(depsgraph))]
        if not points:
            self.report({"WARNING"}, "There is nothing to frame: select an object with lines")
            return {"CANCELLED"}
        _fit(camera, scene, np.concatenate(points), self.margin)
        if any(path.startswith(("location", "delta_location")) for path in animated_paths(camera)):
            self.report(
                {"INFO"},
                f"“{camera.name}” is animated: insert a keyframe, or the next frame moves it back",
            )
        return {"FINISHED"}


def _camera(scene: bpy.types.Scene) -> bpy.types.Object | None:
    camera = bound_camera(scene, scene.frame_current) or scene.camera
    return camera if camera is not None and camera.type == "CAMERA" else None


def _shown(item: bpy.types.Object, view_layer: bpy.types.ViewLayer) -> bool:
    return (
        item.type in DRAWABLE
        and not item.hide_render
        and item.name in view_layer.objects
        and item.visible_get(view_layer=view_layer)
    )


def _points(item: bpy.types.Object) -> Iterator[np.ndarray]:
    """Yield world positions, (n, 3), of an evaluated object: its vertices, else its box."""
    world = np.array(item.matrix_world, np.float64)
    mesh: Any = item.data if item.type == "MESH" else None
    if mesh is not None and len(mesh.vertices):
        local = np.empty(3 * len(mesh.vertices), np.float32)
        mesh.attributes["position"].data.foreach_get("vector", local)
        corners = local.reshape(-1, 3).astype(np.float64)
    else:
        corners = np.array(item.bound_box, np.float64)
    if len(corners) and np.isfinite(corners).all():
        yield corners @ world[:3, :3].T + world[:3, 3]


def _fit(
    camera: bpy.types.Object, scene: bpy.types.Scene, points: np.ndarray, margin: float
) -> None:
    world = camera.matrix_world.normalized()
    turn = np.array(world.to_3x3(), np.float64)
    axes = np.stack([turn[:, 0], turn[:, 1], -turn[:, 2]])
    local = points @ axes.T
    corners = np.array(camera.data.view_frame(scene=scene), np.float64)
    low, high = corners[:, :2].min(axis=0), corners[:, :2].max(axis=0)
    depth = -float(corners[0, 2])
    if camera.data.type == "PERSP":
        low, high = low / depth, high / depth
    room = margin * (high - low)
    bounds = (*(low + room), *(high - room))
    if camera.data.type == "PERSP":
        eye = fit_perspective(local, bounds)
    else:
        side, factor = fit_orthographic(local, bounds)
        camera.data.ortho_scale *= factor
        nearest = float(local[:, 2].min()) - 2.0 * camera.data.clip_start
        here = float(axes[2] @ np.array(world.translation))
        eye = np.array([*side, min(here, nearest)])
    camera.matrix_world = Matrix.Translation(Vector(eye @ axes)) @ world.to_3x3().to_4x4()
    farthest = float(local[:, 2].max()) - eye[2]
    if camera.data.clip_end < farthest:
        camera.data.clip_end = 1.25 * farthest


CLASSES = (BEAMWRIGHT_OT_preview_toggle, BEAMWRIGHT_OT_frame_artwork)
