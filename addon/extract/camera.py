# SPDX-License-Identifier: GPL-3.0-or-later
"""Blender's camera as a core camera, its aspect folded in."""

from __future__ import annotations

import bpy
import numpy as np
from numpy.typing import NDArray

from ...core.errors import SceneError
from ...core.scene import Camera

__all__ = ["bound_camera", "extract_camera", "page_half_size", "scene_camera"]


def page_half_size(scene: bpy.types.Scene) -> tuple[float, float]:
    """Return half width and half height of the render frame in field units; the larger is 1.

    Raises
    ------
    SceneError
        If the render resolution is zero or its aspect is not a number.
    """
    render = scene.render
    width = render.resolution_x * render.pixel_aspect_x
    height = render.resolution_y * render.pixel_aspect_y
    if not (width > 0.0 and height > 0.0):
        raise SceneError(
            f"The render resolution of scene “{scene.name}” is {render.resolution_x} × "
            f"{render.resolution_y}: set both above zero in the output properties."
        )
    longer = max(width, height)
    return width / longer, height / longer


def bound_camera(scene: bpy.types.Scene, frame: int) -> bpy.types.Object | None:
    """Return the camera that the timeline's markers bind at a frame, or None.

    The last marker at or before the frame counts; before the first, the first one does.
    Blender passes over cameras that are disabled in renders.
    """
    last: bpy.types.TimelineMarker | None = None
    first: bpy.types.TimelineMarker | None = None
    for marker in scene.timeline_markers:
        if marker.camera is None or marker.camera.hide_render:
            continue
        if marker.frame <= frame and (last is None or marker.frame > last.frame):
            last = marker
        if first is None or marker.frame < first.frame:
            first = marker
    chosen = last or first
    return chosen.camera if chosen is not None else None


def scene_camera(
    scene: bpy.types.Scene, frame: int, camera_name: str | None = None
) -> bpy.types.Object:
    """Return the camera object for a frame: by name, bound by markers, or the scene's.

    Raises
    ------
    SceneError
        If there is none, or no camera of that name; the message lists those there are.
    """
    cameras = sorted(item.name for item in scene.objects if item.type == "CAMERA")
    if camera_name is not None:
        found = scene.objects.get(camera_name)
        if found is None or found.type != "CAMERA":
            listed = ", ".join(f"“{name}”" for name in cameras) or "none"
            raise SceneError(
                f"Scene “{scene.name}” has no camera “{camera_name}”; its cameras: {listed}."
            )
        return found
    camera = bound_camera(scene, frame) or scene.camera
    if camera is None or camera.type != "CAMERA":
        remedy = (
            f"make “{cameras[0]}” the scene's camera in the scene properties"
            if cameras
            else "add one (Add > Camera) and aim it at what shall be drawn"
        )
        raise SceneError(f"Scene “{scene.name}” has no camera: {remedy}.")
    return camera


def _world_to_view(camera: bpy.types.Object) -> NDArray[np.float64]:
    """Invert the camera's world matrix in double precision, its scale left out as in renders."""
    world = np.array(camera.matrix_world, np.float64)
    lengths = np.linalg.norm(world[:3, :3], axis=0)
    if not np.all(np.isfinite(world)) or np.any(lengths < 1e-30):
        raise SceneError(
            f"Camera “{camera.name}” has no valid place: its scale is zero or its transform is "
            "not a number. Reset its scale to 1."
        )
    world[:3, :3] /= lengths
    try:
        return np.linalg.inv(world)
    except np.linalg.LinAlgError:
        raise SceneError(
            f"Camera “{camera.name}” is squashed flat by its parents' scale: reset it to 1."
        ) from None


def extract_camera(
    camera: bpy.types.Object, scene: bpy.types.Scene, depsgraph: bpy.types.Depsgraph
) -> Camera:
    """Return a camera as evaluated in `depsgraph`.

    Blender's own projection matrix is taken, so lens, sensor fit, shift and pixel aspect
    are those of a render. The render percentage and the render region change nothing.

    Raises
    ------
    SceneError
        For a panoramic or custom camera, a zero resolution, or a transform that is no number.
    """
    evaluated = camera.evaluated_get(depsgraph)
    lens = evaluated.data
    if lens.type not in {"PERSP", "ORTHO"}:
        raise SceneError(
            f"Camera “{camera.name}” is of the type “{lens.type.capitalize()}”, which bends "
            "straight lines: set its lens type to Perspective or Orthographic."
        )
    half_width, half_height = page_half_size(scene)
    render = scene.render
    projection = np.array(
        evaluated.calc_matrix_camera(
            depsgraph,
            x=render.resolution_x,
            y=render.resolution_y,
            scale_x=render.pixel_aspect_x,
            scale_y=render.pixel_aspect_y,
        ),
        np.float64,
    )
    view = _world_to_view(evaluated)
    if lens.type == "PERSP":
        projection[3] = (0.0, 0.0, -1.0, 0.0)
    else:
        projection[3] = (0.0, 0.0, 0.0, 1.0)
    fold = np.diag([half_width, half_height, 1.0, 1.0])
    matrix = fold @ projection @ view
    if lens.type == "ORTHO":
        matrix[3] = (0.0, 0.0, 0.0, 1.0)
    if not np.all(np.isfinite(matrix)):
        raise SceneError(
            f"The projection of camera “{camera.name}” is not a number: check its lens, "
            "clipping distances and shift."
        )
    direction = -view[2, :3] / np.linalg.norm(view[2, :3])
    return Camera(
        view_projection=np.ascontiguousarray(matrix),
        half_width=half_width,
        half_height=half_height,
        clip_start=float(lens.clip_start),
        clip_end=float(lens.clip_end),
        eye=np.array(evaluated.matrix_world.translation, np.float64),
        direction=direction,
    )
