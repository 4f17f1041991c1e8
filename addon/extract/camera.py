# SPDX-License-Identifier: GPL-3.0-or-later
"""Blender's camera as a core camera, its aspect folded in."""

from __future__ import annotations

import math

import bpy
import numpy as np

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

    def cameras() -> list[str]:
        return sorted(item.name for item in scene.objects if item.type == "CAMERA")

    if camera_name is not None:
        found = scene.objects.get(camera_name)
        if found is None or found.type != "CAMERA":
            listed = ", ".join(f"“{name}”" for name in cameras()) or "none"
            raise SceneError(
                f"Scene “{scene.name}” has no camera “{camera_name}”; its cameras: {listed}."
            )
        return found
    camera = bound_camera(scene, frame) or scene.camera
    if camera is None or camera.type != "CAMERA":
        found_cameras = cameras()
        remedy = (
            f"make “{found_cameras[0]}” the scene's camera in the scene properties"
            if found_cameras
            else "add one (Add > Camera) and aim it at what shall be drawn"
        )
        raise SceneError(f"Scene “{scene.name}” has no camera: {remedy}.")
    return camera


Rows = list[list[float]]


def _world_to_view(camera: bpy.types.Object) -> Rows:
    """Invert the camera's world matrix in double precision, its scale left out as in renders.

    Plain floats: for one matrix numpy costs many times as much.
    """
    place = camera.matrix_world
    world = [list(place[row]) for row in range(3)]
    lengths = [math.hypot(*(world[row][column] for row in range(3))) for column in range(3)]
    finite = all(math.isfinite(value) for row in world for value in row)
    if not finite or min(lengths) < 1e-30:
        raise SceneError(
            f"Camera “{camera.name}” has no valid place: its scale is zero or its transform is "
            "not a number. Reset its scale to 1."
        )
    (a, b, c), (d, e, f), (g, h, i) = (
        [row[column] / lengths[column] for column in range(3)] for row in world
    )
    adjugate = [
        [e * i - f * h, c * h - b * i, b * f - c * e],
        [f * g - d * i, a * i - c * g, c * d - a * f],
        [d * h - e * g, b * g - a * h, a * e - b * d],
    ]
    determinant = a * adjugate[0][0] + b * adjugate[1][0] + c * adjugate[2][0]
    if abs(determinant) < 1e-12:
        raise SceneError(
            f"Camera “{camera.name}” is squashed flat by its parents' scale: reset it to 1."
        )
    view = [[value / determinant for value in row] for row in adjugate]
    x, y, z = (row[3] for row in world)
    for row in view:
        row.append(-(row[0] * x + row[1] * y + row[2] * z))
    return [*view, [0.0, 0.0, 0.0, 1.0]]


def _product(a: Rows, b: Rows) -> Rows:
    columns = list(zip(*b, strict=True))
    return [[x * p + y * q + z * r + w * s for p, q, r, s in columns] for x, y, z, w in a]


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
    matrix = evaluated.calc_matrix_camera(
        depsgraph,
        x=render.resolution_x,
        y=render.resolution_y,
        scale_x=render.pixel_aspect_x,
        scale_y=render.pixel_aspect_y,
    )
    projection = [list(matrix[row]) for row in range(4)]
    view = _world_to_view(evaluated)
    if lens.type == "PERSP":
        projection[3] = [0.0, 0.0, -1.0, 0.0]
    else:
        projection[3] = [0.0, 0.0, 0.0, 1.0]
    projection[0] = [value * half_width for value in projection[0]]
    projection[1] = [value * half_height for value in projection[1]]
    through = _product(projection, view)
    if lens.type == "ORTHO":
        through[3] = [0.0, 0.0, 0.0, 1.0]
    if not all(math.isfinite(value) for row in through for value in row):
        raise SceneError(
            f"The projection of camera “{camera.name}” is not a number: check its lens, "
            "clipping distances and shift."
        )
    axis = view[2][:3]
    length = -math.hypot(*axis)
    return Camera(
        view_projection=np.array(through),
        half_width=half_width,
        half_height=half_height,
        clip_start=float(lens.clip_start),
        clip_end=float(lens.clip_end),
        eye=np.array(evaluated.matrix_world.translation, np.float64),
        direction=np.array([value / length for value in axis]),
    )
