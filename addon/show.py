# SPDX-License-Identifier: GPL-3.0-or-later
"""A show, or a single scene, as a source of frames for the show renderer."""

from __future__ import annotations

import os
import shutil
import tempfile
from collections.abc import Callable, Iterator, Mapping
from contextlib import ExitStack, contextmanager
from pathlib import Path
from typing import Any, BinaryIO

import bpy

from ..core.errors import OutputError, SceneError
from ..core.points.projector import Projector
from ..core.safety.laser import LaserSetup
from ..core.safety.limits import SafetyLimits
from ..core.scene import Scene
from ..core.show.timeline import SceneStrip, Timeline
from .extract.camera import page_half_size
from .extract.fingerprint import file_digest, scene_fingerprint
from .extract.sequencer import find_show, has_sound, is_show, problems, read_timeline
from .extract.visibility import apply_render_state, restore_state
from .properties import PROPERTY
from .session import BlenderSource, open_file, open_source

SOUNDTRACK = "soundtrack.wav"
"""File of the mixed-down sound, beside the frame files."""

__all__ = ["BlenderFilm", "ShowSource", "SingleScene", "open_film"]

SIMULATIONS = {"CLOTH", "SOFT_BODY", "FLUID", "DYNAMIC_PAINT", "PARTICLE_SYSTEM"}
SIMULATING_NODES = {"GeometryNodeSimulationOutput"}


class BlenderFilm:
    """What shows and single scenes of the open file have in common.

    Implements `core.show.work.FilmSource`. Only names are kept between two calls.
    """

    name: str
    fps: float
    frame_start: int
    frame_end: int
    projectors: tuple[Projector, ...]
    limits: Mapping[str, SafetyLimits]
    lasers: Mapping[str, LaserSetup]
    half_size: tuple[float, float]

    def __init__(self) -> None:
        self._sources: dict[tuple[str, str | None], BlenderSource] = {}
        self._file_digests: dict[str, str] = {}
        self._fingerprints: dict[str, str] = {}

    @property
    def timeline(self) -> Timeline:
        """What is shown when."""
        raise NotImplementedError

    def scene_names(self) -> list[str]:
        """Names of the scenes that are shown, each once."""
        return list(dict.fromkeys(strip.scene for strip in self.timeline.strips))

    def _source(self, scene: str, camera: str | None) -> BlenderSource:
        source = self._sources.get((scene, camera))
        if source is None:
            source = BlenderSource(_named(scene), camera, self.projectors)
            self._sources[scene, camera] = source
        return source

    def prepare(self) -> list[Any]:
        """Put all scenes into the state of their renders; return what was changed."""
        changes: list[Any] = []
        for name in self.scene_names():
            scene = _named(name)
            layer = next((layer for layer in scene.view_layers if layer.use), scene.view_layers[0])
            changes += apply_render_state(scene, layer)
        return changes

    @contextmanager
    def reading(self) -> Iterator[None]:
        """Put all scenes into the state of their renders, and back in the end."""
        with ExitStack() as stack:
            for name in self.scene_names():
                scene = _named(name)
                stack.callback(_frame_back, name, scene.frame_current, scene.frame_subframe)
            changes = self.prepare()
            stack.callback(restore_state, changes)
            yield

    def check(self) -> None:
        """Refuse scenes that can't be drawn before any frame is rendered.

        Raises
        ------
        SceneError
            Where a scene has no camera, or nothing to draw.
        """
        for strip in self.timeline.strips:
            self._source(strip.scene, strip.camera)

    def fingerprint(self, scene: str) -> str:
        """See `core.show.work.FilmSource`."""
        known = self._fingerprints.get(scene)
        if known is None:
            known = scene_fingerprint(_named(scene), self._digest_of_file)
            self._fingerprints[scene] = known
        return known

    def _digest_of_file(self, path: str) -> str:
        known = self._file_digests.get(path)
        if known is None:
            known = self._file_digests[path] = file_digest(path)
        return known

    def run_up(self, scene: str) -> int | None:
        """See `core.show.work.FilmSource`: first frame of what is simulated."""
        found = _named(scene)
        if not _simulates(found):
            return None
        first = found.frame_start
        if found.rigidbody_world is not None and found.rigidbody_world.point_cache is not None:
            first = min(first, found.rigidbody_world.point_cache.frame_start)
        for item in found.objects:
            for modifier in item.modifiers:
                cache = getattr(modifier, "point_cache", None)
                if cache is not None:
                    first = min(first, cache.frame_start)
        return first

    def scene_at(self, scene: str, frame: int, camera: str | None) -> Scene:
        """See `core.show.work.FilmSource`; goes through the scene's own evaluated graph."""
        return self._source(scene, camera).scene_at(frame)

    def details(self) -> dict[str, Any]:
        """Facts for the report's head."""
        return {
            "file": os.path.basename(bpy.data.filepath),
            "blender": bpy.app.version_string,
        }

    def accompany(self, open_file: Callable[[str], BinaryIO], first: int, last: int) -> None:
        """Write what goes beside the frame files of a range of frames; nothing here."""


class SingleScene(BlenderFilm):
    """One scene by itself, its frames one after the other.

    Parameters
    ----------
    source
    """

    def __init__(self, source: BlenderSource, camera_name: str | None = None) -> None:
        super().__init__()
        self._single = source
        self.name = source.name
        self.fps = source.fps
        self.frame_start, self.frame_end = source.frame_start, source.frame_end
        self.frame_step = source.frame_step
        self.projectors = source.projectors
        self.limits, self.lasers = source.limits, source.lasers
        self.half_size = page_half_size(source.scene)
        self._camera_name = camera_name
        self._sources[source.name, camera_name] = source

    @property
    def timeline(self) -> Timeline:
        """One strip that shows every frame of the scene, however far one looks."""
        far = 1 << 30
        strip = SceneStrip(
            name=self.name,
            channel=1,
            first=-far,
            end=far,
            scene=self.name,
            scene_frame_start=-far,
            content_start=-far,
            content_length=2 * far,
            camera=self._camera_name,
        )
        return Timeline(self.name, self.frame_start, self.frame_end, (strip,))

    def details(self) -> dict[str, Any]:
        """Facts for the report's head."""
        facts = dict(self._single.details())
        if has_sound(_named(self.name)):
            facts["soundtrack"] = SOUNDTRACK
        return facts

    def accompany(self, open_file: Callable[[str], BinaryIO], first: int, last: int) -> None:
        """Mix the sound strips of the scene down, where it has some; see `ShowSource`."""
        if has_sound(_named(self.name)):
            _write_soundtrack(self.name, open_file, first, last)


class ShowSource(BlenderFilm):
    """The strips of a scene's sequencer.

    Parameters
    ----------
    scene
        A show.

    Raises
    ------
    SceneError
        Where a strip can't be honoured, or a scene not be drawn.
    """

    def __init__(self, scene: bpy.types.Scene) -> None:
        super().__init__()
        settings = getattr(scene, PROPERTY)
        self.name = scene.name_full
        self.fps = scene.render.fps / scene.render.fps_base
        self.projectors = settings.projectors_to_core()
        self.limits, self.lasers = settings.limits_to_core(), settings.lasers_to_core()
        self.half_size = page_half_size(scene)
        self._timeline = read_timeline(scene)
        self.frame_start = self._timeline.frame_start
        self.frame_end = self._timeline.frame_end
        self._warnings = [finding.message for finding in problems(scene) if not finding.refused]
        self.check()

    @property
    def timeline(self) -> Timeline:
        """See `core.show.work.FilmSource`."""
        return self._timeline

    def details(self) -> dict[str, Any]:
        """Facts for the report's head: strips, cue points, soundtrack."""
        timeline = self._timeline
        strips = sorted(timeline.strips, key=lambda strip: (strip.first, strip.name))
        facts: dict[str, Any] = {
            **super().details(),
            "scenes": [[strip.name, strip.first, strip.end - 1] for strip in strips],
            "cues": [[cue.name, cue.frame] for cue in timeline.cues],
            "channels": {str(key): name for key, name in sorted(timeline.targets.items())},
            "warnings": self._warnings,
        }
        if timeline.sounds:
            facts["soundtrack"] = SOUNDTRACK
        return facts

    def accompany(self, open_file: Callable[[str], BinaryIO], first: int, last: int) -> None:
        """Mix the soundtrack of a range of frames down to a WAV file beside the frame files.

        Raises
        ------
        OutputError
            Where Blender can't write it.
        """
        if self._timeline.sounds:
            _write_soundtrack(self.name, open_file, first, last)


def _write_soundtrack(
    scene: str, open_file: Callable[[str], BinaryIO], first: int, last: int
) -> None:
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / SOUNDTRACK
        _mix_down(_named(scene), path, first, last)
        with open(path, "rb") as mixed:
            shutil.copyfileobj(mixed, open_file(SOUNDTRACK))


def _mix_down(scene: bpy.types.Scene, path: Path, first: int, last: int) -> None:
    window = bpy.context.window
    old_range = scene.frame_start, scene.frame_end
    old_scene = window.scene if window is not None else None
    reason = "Blender wrote no file"
    try:
        scene.frame_start, scene.frame_end = first, last
        if window is not None:
            window.scene = scene
        with bpy.context.temp_override(scene=scene):
            bpy.ops.sound.mixdown(
                filepath=str(path), container="WAV", codec="PCM", format="S16",
                check_existing=False,
            )  # fmt: skip
    except RuntimeError as error:
        reason = str(error).strip().removeprefix("Error: ").rstrip(".")
    finally:
        scene.frame_start, scene.frame_end = old_range
        if window is not None and old_scene is not None:
            window.scene = old_scene
    if not path.is_file():
        raise OutputError(
            f"The soundtrack can't be mixed down: {reason}. Make room on the disk, or mute the "
            "sound strips."
        )


def _named(name: str) -> bpy.types.Scene:
    for scene in bpy.data.scenes:
        if scene.name_full == name:
            return scene
    raise SceneError(f"Scene “{name}” was deleted or renamed while it was being read.")


def _frame_back(name: str, frame: int, subframe: float) -> None:
    _named(name).frame_set(frame, subframe=subframe)


def _simulates(scene: bpy.types.Scene) -> bool:
    """Whether a frame of the scene depends on those before it."""
    world = scene.rigidbody_world
    if world is not None and world.enabled and world.collection is not None:
        return True
    trees: set[Any] = set()
    for item in scene.objects:
        for modifier in item.modifiers:
            if modifier.type in SIMULATIONS:
                return True
            if modifier.type == "NODES" and modifier.node_group is not None:
                trees.add(modifier.node_group)
        if item.soft_body is not None:
            return True
        collection = item.instance_collection
        if collection is not None and any(
            modifier.type in SIMULATIONS or modifier.type == "NODES"
            for inner in collection.all_objects
            for modifier in inner.modifiers
        ):
            for inner in collection.all_objects:
                for modifier in inner.modifiers:
                    if modifier.type in SIMULATIONS:
                        return True
                    if modifier.type == "NODES" and modifier.node_group is not None:
                        trees.add(modifier.node_group)
    pending, seen = list(trees), set(trees)
    while pending:
        for node in pending.pop().nodes:
            if node.bl_idname in SIMULATING_NODES:
                return True
            inner_tree = getattr(node, "node_tree", None)
            if inner_tree is not None and inner_tree not in seen:
                seen.add(inner_tree)
                pending.append(inner_tree)
    return False


def open_film(
    path: str | Path | None = None,
    scene_name: str | None = None,
    camera_name: str | None = None,
) -> BlenderFilm:
    """Return the show of a file, or one of its scenes.

    Parameters
    ----------
    path
        Opened in place of the current file and set to the state of its renders; None reads
        the open file as it is.
    scene_name
        A show or a scene; None takes the show, or the active scene where there is none.
    camera_name
        Camera of a single scene.

    Raises
    ------
    SceneError
        If it can't be opened or drawn.
    """
    if path is not None:
        open_file(Path(path))
    show = bpy.data.scenes.get(scene_name) if scene_name is not None else find_show()
    film: BlenderFilm
    if show is not None and is_show(show):
        film = ShowSource(show)
    else:
        film = SingleScene(open_source(None, scene_name, camera_name), camera_name)
    if path is not None:
        film.prepare()
    return film
