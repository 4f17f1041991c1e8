# SPDX-License-Identifier: GPL-3.0-or-later
"""Keep-out areas drawn as objects.

An area belongs to the projector's field, not to the story: it must not move. So it is seen
through the camera it is parented to, or else the projector's own, or else the scene's; and
where that view could change in the course of the scene the areas are refused.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import bpy
import numpy as np

from ..core.errors import SceneError
from ..core.points.aim import aim_matrix
from ..core.safety.limits import SafetyLimits
from ..core.safety.outlines import object_areas
from ..core.safety.zones import KeepOut
from .extract.camera import extract_camera, scene_camera

__all__ = ["keep_out_areas", "limits_of"]

SHAPES = {"MESH", "CURVE", "FONT", "SURFACE"}


def keep_out_areas(
    scene: bpy.types.Scene, projector: Any, camera: bpy.types.Object | None = None
) -> tuple[KeepOut, ...]:
    """Return the keep-out areas of a projector in its field.

    Parameters
    ----------
    scene
    projector
        Settings of the projector (`BEAMWRIGHT_PG_projector`).
    camera
        Whose page the objects lie over, where they are not parented to one; the projector's
        own camera or the scene's if None.

    Raises
    ------
    SceneError
        If an object of the collection is no shape, cannot be evaluated, or could move over
        the page.
    SettingError
        If the projector's aim is impossible.
    """
    collection = projector.safety.keep_outs
    if collection is None:
        return ()
    placement = aim_matrix(projector.aim.to_core())
    layer = next((item for item in scene.view_layers if item.use), scene.view_layers[0])
    if layer.depsgraph is None:
        layer.update()
    depsgraph = layer.depsgraph
    areas: list[KeepOut] = []
    for item in sorted(collection.all_objects, key=lambda item: item.name_full):
        if item.type in {"EMPTY", "CAMERA"}:
            continue
        if item.type not in SHAPES:
            raise SceneError(
                f"“{item.name}” is no keep-out area: take it out of collection "
                f"“{collection.name}”, or draw the area as a mesh or a curve."
            )
        viewer = _camera_above(item) or camera or projector.camera
        if viewer is None:
            viewer = scene_camera(scene, scene.frame_current)
        _check_still(item, viewer)
        areas += object_areas(
            item.name,
            *_shape(item, layer),
            camera=extract_camera(viewer, scene, depsgraph),
            placement=placement,
        )
    return tuple(areas)


def limits_of(scene: bpy.types.Scene, settings: Any) -> Mapping[str, SafetyLimits]:
    """Return the limits of all projectors in a scene's settings, by name.

    Raises
    ------
    SceneError, SettingError
        See `keep_out_areas`.
    """
    return {
        projector.name: projector.safety.to_core(keep_out_areas(scene, projector))
        for projector in settings.projectors
    }


def _camera_above(item: bpy.types.Object) -> bpy.types.Object | None:
    parent = item.parent
    while parent is not None and parent.type != "CAMERA":
        parent = parent.parent
    return parent


def _check_still(item: bpy.types.Object, camera: bpy.types.Object) -> None:
    """Refuse what could make an area move over the page."""
    moving: list[Any] = [item.data, getattr(item.data, "shape_keys", None), camera.data]
    parented = _camera_above(item) is camera
    for end, whole in ((item, True), (camera, not parented)):
        link: bpy.types.Object | None = end if whole else None
        while link is not None and not (parented and link is camera):
            moving.append(link)
            link = link.parent
    for owner in moving:
        if owner is not None and _moves(owner):
            remedy = (
                f"remove the animation of “{owner.name}”"
                if parented
                else f"parent “{item.name}” to “{camera.name}” (Ctrl P), or remove the animation"
            )
            raise SceneError(
                f"Keep-out area “{item.name}” could move over the page, because “{owner.name}” "
                f"is animated or constrained: {remedy}."
            )


def _moves(owner: Any) -> bool:
    animation = owner.animation_data
    if animation is not None and (
        animation.action is not None or len(animation.drivers) or len(animation.nla_tracks)
    ):
        return True
    return isinstance(owner, bpy.types.Object) and (
        len(owner.constraints) > 0 or owner.rigid_body is not None
    )


def _shape(item: bpy.types.Object, layer: bpy.types.ViewLayer) -> tuple[Any, list[Any], Any]:
    """Return world positions, faces and loose edges."""
    evaluated = item
    if item.name in layer.objects and item.visible_get(view_layer=layer):
        evaluated = item.evaluated_get(layer.depsgraph)
    elif len(item.modifiers):
        # What is hidden Blender does not compute; it counts all the same.
        raise SceneError(
            f"Keep-out area “{item.name}” is hidden and has modifiers, which Blender then does "
            "not compute: show it in the viewport, or apply its modifiers."
        )
    mesh = evaluated.to_mesh()
    try:
        local = np.empty(3 * len(mesh.vertices), np.float32)
        mesh.vertices.foreach_get("co", local)
        corners = np.empty(len(mesh.loops), np.int32)
        mesh.loops.foreach_get("vertex_index", corners)
        starts = np.empty(len(mesh.polygons), np.int32)
        mesh.polygons.foreach_get("loop_start", starts)
        edges = np.empty(2 * len(mesh.edges), np.int32)
        mesh.edges.foreach_get("vertices", edges)
    finally:
        evaluated.to_mesh_clear()
    matrix = np.array(evaluated.matrix_world, np.float64)
    positions = local.reshape(-1, 3).astype(np.float64) @ matrix[:3, :3].T + matrix[:3, 3]
    faces = np.split(corners.astype(np.int64), starts[1:]) if len(starts) else []
    pairs = edges.reshape(-1, 2).astype(np.int64)
    sides = np.zeros(len(positions), bool)
    sides[corners] = True
    return positions, faces, pairs[~sides[pairs].all(axis=1)]
