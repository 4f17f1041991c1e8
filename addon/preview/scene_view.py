# SPDX-License-Identifier: GPL-3.0-or-later
"""One 3D view of a picture: which layers, in which order, in which plane."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import bpy
import gpu
import numpy as np
from mathutils import Matrix, Vector

from ..extract.camera import bound_camera, page_half_size
from ..properties import PROPERTY
from . import cards, guides
from .drawing import Canvas, pixel_matrix
from .layers import Lines, Picture, ProjectorPicture

__all__ = ["Plane", "View", "draw_region", "draw_view", "plane_matrix"]

PAGE_COLOUR = (0.92, 0.94, 1.0, 0.8)
SPOT_UNITS = 0.8
LABEL_SIZE = 10.5

Rectangle = tuple[float, float, float, float]


class Plane:
    """A camera's field in the view: its matrix to clip space, and how large it is there."""

    def __init__(self, to_clip: Matrix, width: int, height: int) -> None:
        self.to_clip = to_clip
        self._half = np.array([0.5 * width, 0.5 * height])
        probes = self.to_screen(np.array([(0.0, 0.0), (0.5, 0.0), (0.0, 0.5)]))
        sides = np.linalg.norm(probes[1:] - probes[0], axis=1)
        self.field_px = float(2.0 * sides.max()) if np.isfinite(sides).all() else 1.0

    def to_screen(self, points: np.ndarray) -> np.ndarray:
        """Return pixels of points of the field, (n, 2); NaN behind the eye."""
        matrix = np.array(self.to_clip)
        flat = np.asarray(points, np.float64).reshape(-1, 2)
        clip = flat @ matrix[:, :2].T + matrix[:, 3]
        depth = clip[:, 3:]
        ahead = depth > 1e-6
        ratio = np.where(ahead, clip[:, :2] / np.where(ahead, depth, 1.0), np.nan)
        return (ratio + 1.0) * self._half


class View:
    """What `draw_view` needs to know of a region.

    Parameters
    ----------
    width, height
        Pixels.
    unit
        The interface's scale.
    free
        Left, bottom, right, top of what no panel covers.
    frame
        The scene's current frame.
    playing
        The animation plays.
    """

    def __init__(
        self, width: int, height: int, unit: float, free: Rectangle, frame: int, playing: bool
    ) -> None:
        self.width, self.height, self.unit = width, height, unit
        self.free, self.frame, self.playing = free, frame, playing


def draw_region(context: Any, chosen: Any, picture: Picture | None, fresh: bool) -> None:
    """Draw a picture into the context's region."""
    scene, region = context.scene, context.region
    unit = context.preferences.system.ui_scale
    view = View(
        region.width,
        region.height,
        unit,
        _free_area(context),
        scene.frame_current,
        context.screen.is_animation_playing,
    )
    perspective = context.region_data.perspective_matrix
    planes = scene_planes(scene, perspective, view, chosen.distance)
    shown = _chosen_projectors(scene, chosen, picture)
    half = page_half_size(scene) if "" in planes else (1.0, 1.0)
    draw_view(view, chosen, picture, shown, planes, half, fresh)


def scene_planes(
    scene: bpy.types.Scene, perspective: Matrix, view: View, distance: float
) -> dict[str, Plane]:
    """Return the planes of the scene's camera, by "", and of the projectors' own, by name."""
    cameras = {"": bound_camera(scene, scene.frame_current) or scene.camera}
    for projector in getattr(scene, PROPERTY).projectors:
        if projector.camera is not None:
            cameras[projector.name] = projector.camera
    return {
        name: Plane(perspective @ plane_matrix(scene, camera, distance), view.width, view.height)
        for name, camera in cameras.items()
        if camera is not None and camera.type == "CAMERA"
    }


def plane_matrix(scene: bpy.types.Scene, camera: bpy.types.Object, distance: float = 0.0) -> Matrix:
    """Return the matrix from a camera's field, z = 0, to the world.

    Parameters
    ----------
    distance
        Of the plane from the camera; 0 puts it into the frame Blender draws of the camera.
    """
    top_right, bottom_right, bottom_left, top_left = camera.data.view_frame(scene=scene)
    half_width, half_height = page_half_size(scene)
    right = (bottom_right - bottom_left) / (2.0 * half_width)
    up = (top_left - bottom_left) / (2.0 * half_height)
    middle = (top_right + bottom_left) / 2.0
    if distance > 0.0:
        if camera.data.type == "PERSP":
            factor = distance / max(-middle.z, 1e-9)
            right, up, middle = right * factor, up * factor, middle * factor
        else:
            middle = Vector((middle.x, middle.y, -distance))
    plane = Matrix.Identity(4)
    plane.col[0] = (*right, 0.0)
    plane.col[1] = (*up, 0.0)
    plane.col[3] = (*middle, 1.0)
    return camera.matrix_world.normalized() @ plane


def _chosen_projectors(
    scene: bpy.types.Scene, chosen: Any, picture: Picture | None
) -> Sequence[ProjectorPicture]:
    if picture is None:
        return ()
    settings = getattr(scene, PROPERTY)
    if chosen.projectors == "ALL" or not 0 <= settings.active_projector < len(settings.projectors):
        return picture.projectors
    name = settings.projectors[settings.active_projector].name
    return [item for item in picture.projectors if item.name == name]


def _free_area(context: Any) -> Rectangle:
    """Return the part of the region that header, toolbar and sidebar leave free."""
    region = context.region
    left, bottom, right, top = 0.0, 0.0, float(region.width), float(region.height)
    for other in context.area.regions:
        if other.type == "WINDOW" or other.width <= 1 or other.height <= 1:
            continue
        x, y = other.x - region.x, other.y - region.y
        if other.type == "UI":
            right = min(right, float(x)) if other.alignment != "LEFT" else right
            left = max(left, float(x + other.width)) if other.alignment == "LEFT" else left
        elif other.type == "TOOLS":
            left = max(left, float(x + other.width)) if other.alignment != "RIGHT" else left
        elif other.type in {"HEADER", "TOOL_HEADER"}:
            if y > region.height / 2:
                top = min(top, float(y))
            else:
                bottom = max(bottom, float(y + other.height))
        elif other.type in {"ASSET_SHELF", "ASSET_SHELF_HEADER"}:
            bottom = max(bottom, float(y + other.height))
    if right - left < 80.0 or top - bottom < 80.0:
        return 0.0, 0.0, float(region.width), float(region.height)
    return left, bottom, right, top


def draw_view(
    view: View,
    chosen: Any,
    picture: Picture | None,
    shown: Sequence[ProjectorPicture],
    planes: dict[str, Plane],
    page: tuple[float, float],
    fresh: bool,
) -> None:
    """Draw layers, guides and meters into the framebuffer that is bound.

    Parameters
    ----------
    chosen
        `BEAMWRIGHT_PG_preview`, or something with the same switches.
    shown
        Those of the picture's projectors that shall be drawn.
    planes
        By projector name, the scene's camera by "".
    page
        Half width and height of the page in field units.
    """
    with gpu.matrix.push_pop(), gpu.matrix.push_pop_projection():
        gpu.matrix.load_matrix(Matrix.Identity(4))
        gpu.matrix.load_projection_matrix(pixel_matrix(view.width, view.height))
        _draw(view, chosen, picture, shown, planes, page, fresh)


def _draw(
    view: View,
    chosen: Any,
    picture: Picture | None,
    shown: Sequence[ProjectorPicture],
    planes: dict[str, Plane],
    page: tuple[float, float],
    fresh: bool,
) -> None:
    canvas = Canvas(view.width, view.height, view.unit)
    placed = [
        (item, plane)
        for item in shown
        if (plane := planes.get(item.name if item.own_camera else "")) is not None
    ]

    def layer(name: str) -> None:
        for item, plane in placed:
            canvas.lines(getattr(item, name), plane.to_clip, plane.field_px, chosen.line_width)

    if chosen.simulate and placed:
        canvas.light(
            [(item.light, plane.to_clip, plane.field_px) for item, plane in placed],
            SPOT_UNITS * chosen.line_width,
            chosen.glow,
            chosen.darken,
        )
    if chosen.guides:
        _draw_page(canvas, planes, page)
        layer("guides")
    if chosen.keep_outs:
        layer("keep_outs")
    if chosen.hidden_lines:
        layer("hidden")
    if chosen.left_out:
        layer("left_out")
    if not chosen.simulate:
        layer("strokes")
    if chosen.blank_moves:
        layer("blank_moves")
    if chosen.points:
        layer("points")
    _draw_labels(canvas, view, chosen, placed)
    if chosen.meter:
        cards.draw_meters(canvas, view.free, shown, _status(view, picture, fresh))
    if picture is not None and picture.message:
        cards.draw_message(canvas, view.free, picture.message)


_PAGES: dict[tuple[float, float], Lines] = {}


def _draw_page(canvas: Canvas, planes: dict[str, Plane], page: tuple[float, float]) -> None:
    plane = planes.get("")
    if plane is None:
        return
    if page not in _PAGES:
        _PAGES.clear()
        _PAGES[page] = Lines.of(guides.page_marks(*page), PAGE_COLOUR, 1.6)
    canvas.lines(_PAGES[page], plane.to_clip, plane.field_px)


def _draw_labels(
    canvas: Canvas, view: View, chosen: Any, placed: Sequence[tuple[ProjectorPicture, Plane]]
) -> None:
    taken: list[tuple[float, float]] = []
    for item, plane in placed:
        for label in item.labels:
            keep_out = label.text.startswith("Keep out")
            if not (chosen.keep_outs if keep_out else chosen.guides):
                continue
            x, y = plane.to_screen(np.array([label.place]))[0]
            if not (np.isfinite(x) and np.isfinite(y)):
                continue
            if keep_out:
                x -= 0.5 * canvas.measure(label.text, LABEL_SIZE)
            else:
                y += 4.0 * view.unit
            while any(
                abs(y - b) < 13.0 * view.unit and abs(x - a) < 150.0 * view.unit for a, b in taken
            ):
                y += 13.0 * view.unit
            taken.append((x, y))
            canvas.text(x, y, label.text, LABEL_SIZE, (*label.colour, 1.0))


def _status(view: View, picture: Picture | None, fresh: bool) -> str:
    """Say which frame is shown where it is not the current one."""
    if picture is None:
        return "Computing…"
    behind = abs(picture.frame - view.frame)
    if behind > (2 if view.playing else 0):
        return f"Frame {picture.frame}, catching up"
    return ""
