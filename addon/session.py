# SPDX-License-Identifier: GPL-3.0-or-later
"""One open Blender scene as a source of frames."""

from __future__ import annotations

import os
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import bpy

from ..core.errors import SceneError
from ..core.points.projector import Projector
from ..core.safety.laser import LaserSetup
from ..core.safety.limits import SafetyLimits
from ..core.scene import DrawingSettings, Scene
from . import properties
from .extract.artwork import ArtworkReader
from .extract.camera import extract_camera, page_half_size, scene_camera
from .extract.effects import read_effects
from .extract.meshes import MeshReader
from .extract.visibility import (
    apply_render_state,
    follow_keyed_modifiers,
    keyed_modifiers,
    restore_state,
)

__all__ = ["BlenderSource", "forget", "open_file", "open_source"]

_READERS: dict[str, MeshReader] = {}
"""Readers of the open file's scenes by name: their topologies serve all operators."""

_readings = 0
_peeking = 0

_ARTWORK: dict[str, ArtworkReader] = {}
"""The same for flat artwork."""

DRAWABLE = {"MESH", "CURVE", "CURVES", "FONT", "SURFACE", "META", "GREASEPENCIL"}


class BlenderSource:
    """A scene of the open file, read frame by frame.

    Implements `core.scene.SceneSource`. No reference to Blender's data is kept between two
    calls, only names; whatever was deleted meanwhile is reported when it is looked up.

    Attributes
    ----------
    name, fps, frame_start, frame_end, frame_step
        Of the scene, as found when the source was opened.
    projectors
        Frozen settings of the scene's projectors, or of those of the show it is part of.
    limits, lasers
        Safety limits and known light by projector name; see `core.scene.SceneSource`.
    """

    def __init__(
        self,
        scene: bpy.types.Scene,
        camera_name: str | None = None,
        projectors: tuple[Projector, ...] | None = None,
    ) -> None:
        render = scene.render
        settings = getattr(scene, properties.PROPERTY)
        self.name: str = scene.name_full
        self.fps: float = render.fps / render.fps_base
        self.frame_start: int = scene.frame_start
        self.frame_end: int = scene.frame_end
        self.frame_step: int = scene.frame_step
        self.projectors: tuple[Projector, ...] = (
            settings.projectors_to_core() if projectors is None else projectors
        )
        # The limits of a show are those of the scene that holds its projectors.
        self.limits: Mapping[str, SafetyLimits] = (
            settings.limits_to_core() if projectors is None else {}
        )
        self.lasers: Mapping[str, LaserSetup] = (
            settings.lasers_to_core() if projectors is None else {}
        )
        self._camera_name = camera_name
        self._keyed: list[tuple[int, str]] | None = None
        self._reader = _READERS.setdefault(self.name, MeshReader())
        self._artwork = _ARTWORK.setdefault(self.name, ArtworkReader())
        self._check(scene)

    def _check(self, scene: bpy.types.Scene) -> None:
        """Refuse what no frame of the scene can get over."""
        page_half_size(scene)
        scene_camera(scene, scene.frame_current, self._camera_name)
        names = [projector.name for projector in self.projectors]
        if not all(names) or len(set(names)) != len(names):
            raise SceneError(
                f"Two projectors of scene “{self.name}” share a name, or one has none: "
                "give each its own name in the sidebar tab Beamwright."
            )
        if not any(_may_draw(item) for item in scene.objects):
            raise SceneError(
                f"Scene “{self.name}” is empty: add a mesh, curve or text object to be drawn, "
                "or name another scene."
            )

    @property
    def scene(self) -> bpy.types.Scene:
        """The scene, looked up by its name.

        Raises
        ------
        SceneError
            If it is gone.
        """
        for scene in bpy.data.scenes:
            if scene.name_full == self.name:
                return scene
        raise SceneError(f"Scene “{self.name}” was deleted or renamed while it was being read.")

    @property
    def view_layer(self) -> bpy.types.ViewLayer:
        """The first view layer that renders."""
        layers = self.scene.view_layers
        return next((layer for layer in layers if layer.use), layers[0])

    @contextmanager
    def reading(self) -> Iterator[None]:
        """Put the scene into the state of its renders while frames are read, then back.

        The current frame comes back too.
        """
        global _readings
        scene = self.scene
        frame, subframe = scene.frame_current, scene.frame_subframe
        camera = scene.camera.name_full if scene.camera is not None else ""
        changes = apply_render_state(scene, self.view_layer)
        _readings += 1
        try:
            yield
        finally:
            _readings -= 1
            restore_state(changes)
            self._bring_back(frame, subframe, camera)

    def _bring_back(self, frame: int, subframe: float, camera: str) -> None:
        """Show again what was shown before reading, as far as it is still there."""
        scene = next((item for item in bpy.data.scenes if item.name_full == self.name), None)
        if scene is None:
            return
        scene.frame_set(frame, subframe=subframe)
        now = scene.camera.name_full if scene.camera is not None else ""
        if now != camera:
            found = (item for item in bpy.data.objects if item.name_full == camera)
            scene.camera = next(found, None)

    @contextmanager
    def as_rendered(self) -> Iterator[bool]:
        """Put the scene into the state of its renders for one reading of the frame shown.

        Gives whether anything had to be changed. All windows are up to date again
        afterwards, and `is_peeking` tells handlers that nothing really changed.
        """
        global _peeking
        _peeking += 1
        try:
            changes = apply_render_state(self.scene, self.view_layer, frames=False)
            changed = bool(changes)
            try:
                yield changed
            finally:
                restore_state(changes)
                if changed:
                    self.view_layer.update()
                    for manager in bpy.data.window_managers:
                        for window in manager.windows:
                            window.view_layer.update()
        finally:
            _peeking -= 1

    def scene_at(self, frame: int) -> Scene:
        """Evaluate one frame; the scene is in the state of its renders.

        Raises
        ------
        SceneError
            Where the scene has no usable camera.
        """
        scene = self.scene
        scene.frame_set(frame)
        if self._keyed is None:
            self._keyed = keyed_modifiers()
        follow_keyed_modifiers(self._keyed)
        return self.current(frame)

    def current(self, frame: int | None = None) -> Scene:
        """Read the scene as it stands, without setting the frame."""
        scene, view_layer = self.scene, self.view_layer
        if frame is None:
            frame = scene.frame_current
        depsgraph: Any = view_layer.depsgraph
        if depsgraph is None:
            view_layer.update()
            depsgraph = view_layer.depsgraph
        else:
            depsgraph.update()
        camera = scene_camera(scene, frame, self._camera_name)
        settings = getattr(scene, properties.PROPERTY)
        known = {projector.name for projector in self.projectors}
        own = {
            projector.name: extract_camera(projector.camera, scene, depsgraph)
            for projector in settings.projectors
            if projector.camera is not None and projector.name in known
        }
        names = [projector.name for projector in self.projectors]
        groups = [projector.group for projector in self.projectors if projector.group]
        view = extract_camera(camera, scene, depsgraph)
        drawing = settings.drawing.to_core()
        meshes = self._reader.read(
            scene, view_layer, depsgraph, (*names, *groups), self._artwork, frame
        )
        cameras = (view, *own.values())
        tolerance = drawing.tolerance_field or DrawingSettings().tolerance_field
        surfaces = self._artwork.surfaces(meshes, cameras, tolerance)
        owners = self._reader.owners
        owners.update((of, owners[found]) for of, found in self._artwork.read_from.items())
        return Scene(
            name=self.name,
            frame=frame,
            surfaces=surfaces,
            camera=view,
            drawing=drawing,
            projector_cameras=own,
            effects=read_effects(scene, view_layer, depsgraph, surfaces, owners),
        )

    def details(self) -> Mapping[str, Any]:
        """Facts for the report's head."""
        return {
            "file": os.path.basename(bpy.data.filepath),
            "blender": bpy.app.version_string,
            "view_layer": self.view_layer.name,
            "resolution": [self.scene.render.resolution_x, self.scene.render.resolution_y],
        }


def is_reading() -> bool:
    """Whether a scene is in the state of its renders, frames running through it."""
    return _readings > 0


def is_peeking() -> bool:
    """Whether what Blender tells of changes comes from our reading alone."""
    return _peeking > 0


def forget() -> None:
    """Drop all that was kept of scenes, as after an undo or when another file is loaded."""
    _READERS.clear()
    _ARTWORK.clear()


def _may_draw(item: bpy.types.Object) -> bool:
    """Whether an object can put lines into some frame."""
    if item.type in DRAWABLE:
        return not getattr(item, properties.PROPERTY).baked
    return item.instance_type == "COLLECTION" and item.instance_collection is not None


def open_source(
    path: str | Path | None = None,
    scene_name: str | None = None,
    camera_name: str | None = None,
) -> BlenderSource:
    """Return a scene as a source of frames.

    Parameters
    ----------
    path
        A .blend file, opened in place of the current one and set to the state of its
        renders; None reads the file that is open, as it is.
    scene_name
        Scene of the file; None takes the one that was active when it was saved.
    camera_name
        Camera to look through instead of the scene's and its markers'.

    Raises
    ------
    SceneError
        If the file is missing or unreadable, has no such scene or camera, or nothing to
        draw. The message names the remedy.
    """
    if path is not None:
        open_file(Path(path))
    scene = find_scene(scene_name)
    source = BlenderSource(scene, camera_name)
    if path is not None:
        apply_render_state(scene, source.view_layer)
    return source


def open_file(path: Path) -> None:
    """Open a .blend file in place of the current one.

    Raises
    ------
    SceneError
        If it is missing or unreadable.
    """
    if not path.exists():
        raise SceneError(f"There is no file “{path}”: check the path.")
    if not path.is_file():
        raise SceneError(f"“{path}” is a folder: name a .blend file in it.")
    if not os.access(path, os.R_OK):
        raise SceneError(f"“{path}” cannot be read: check its permissions.")
    forget()
    try:
        bpy.ops.wm.open_mainfile(filepath=str(path.resolve()), load_ui=False)
    except RuntimeError as error:
        reason = str(error).strip().removeprefix("Error: ").splitlines()
        raise SceneError(
            f"“{path}” cannot be opened as a Blender file"
            f"{': ' + reason[0].rstrip('.') if reason else ''}. Save it with Blender "
            f"{bpy.app.version[0]}.{bpy.app.version[1]} or older."
        ) from None
    _refuse_missing_links(path)


def _refuse_missing_links(path: Path) -> None:
    """Refuse a file whose linked objects are gone: what they hide would show through."""
    for items in (bpy.data.objects, bpy.data.collections, bpy.data.meshes, bpy.data.scenes):
        for item in items:
            library = item.library
            if library is not None and item.is_missing:
                raise SceneError(
                    f"“{path}” links “{item.name}” from “{library.filepath}”, where it is not: "
                    "put that file back, or open the scene and relocate or remove the link."
                )


def find_scene(name: str | None) -> bpy.types.Scene:
    if name is None:
        window = bpy.context.window
        current: Any = window.scene if window is not None else bpy.context.scene
        return current
    scene = bpy.data.scenes.get(name)
    if scene is None:
        listed = ", ".join(f"“{item.name}”" for item in bpy.data.scenes)
        raise SceneError(f"The file has no scene “{name}”; its scenes: {listed}.")
    return scene
