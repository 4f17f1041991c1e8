# SPDX-License-Identifier: GPL-3.0-or-later
"""Reads scenes on the main thread, has them drawn by the worker, keeps the pictures.

Handlers only mark scenes; `Engine.tick` does the reading, from a timer, so that nothing of
it happens inside Blender's own evaluation. No Blender data is kept between two calls.
"""

from __future__ import annotations

import time
import traceback
from collections.abc import Callable, Hashable
from dataclasses import dataclass, fields, is_dataclass, replace
from typing import Any

import bpy
import numpy as np

from ...core import pipeline
from ...core.errors import BeamwrightError
from ...core.pipeline import FrameMemory
from ...core.points.budget import BudgetMemory
from ...core.points.projector import Projector
from ...core.safety.limits import FULL_WINDOW, SafetyLimits
from ...core.scene import Scene, Topology
from .. import results, session
from ..extract.camera import bound_camera
from ..properties import PROPERTY
from . import guides, layers
from .cache import PictureCache
from .layers import Lines, Pattern, Picture, ProjectorPicture
from .meter import read_meter
from .worker import Worker

__all__ = ["Engine", "draw_picture"]

WANTED_S = 2.0
"""A scene that no view has asked for so long is not computed."""
BUSY_TICK_S = 0.01
WAITING_TICK_S = 0.25

RELEVANT = (
    "Action",
    "Armature",
    "Camera",
    "Collection",
    "Curve",
    "Curves",
    "GeometryNodeTree",
    "GreasePencil",
    "GreasePencilv3",
    "Key",
    "Lattice",
    "Material",
    "Mesh",
    "MetaBall",
    "Object",
    "ParticleSettings",
    "PointCloud",
    "SurfaceCurve",
    "TextCurve",
    "Texture",
    "Volume",
)
"""A change of one of these may change any frame. Whatever else changes, the scene is read
again and compared."""


@dataclass
class _SceneState:
    """What is known of one scene; `read` is the scene and its limits as read last."""

    dirty: bool = True
    wanted: float = 0.0
    shown: Picture | None = None
    key: Hashable = None
    read: tuple[Scene, Any] | None = None
    name: str = ""
    alike: int = -1  # the count of changes at which viewport and render looked the same


@dataclass(frozen=True)
class _Job:
    owner: int
    key: Hashable
    revision: int
    started: float


class Engine:
    """Pictures of the scenes that are looked at.

    Parameters
    ----------
    redraw
        Called with a scene's session number when there is a new picture of it.
    schedule
        Called when `tick` should run soon.
    """

    def __init__(self, redraw: Callable[[int], None], schedule: Callable[[], None]) -> None:
        self._redraw = redraw
        self._schedule = schedule
        self._worker = Worker()
        self._scenes: dict[int, _SceneState] = {}
        self._cache: PictureCache[Picture] = PictureCache(128 << 20)
        self._job: _Job | None = None
        self._revision = 0
        self._touched = 0
        self.hidden_lines = False
        self.as_rendered = True
        self.latency_s = 0.0

    @property
    def cache(self) -> PictureCache[Picture]:
        """Pictures of frames that were computed already."""
        return self._cache

    @property
    def busy(self) -> bool:
        """Whether the worker is at a picture."""
        return self._job is not None

    @property
    def worker_alive(self) -> bool:
        """Whether the worker's thread runs."""
        return self._worker.alive

    def stop(self) -> None:
        """End the worker and forget everything."""
        self._worker.stop()
        self._job = None
        self._scenes.clear()
        self._cache.clear()

    def mark(self, changed: bool, touched: bool = True) -> None:
        """Note that scenes may look different; `changed` where any frame may.

        `touched` is false where only the frame is another one: no setting changed then.
        """
        if touched:
            self._touched += 1
        if changed:
            self._revision += 1
            self._cache.clear()
        for state in self._scenes.values():
            state.dirty = True
        if self._scenes:
            self._schedule()

    def forget(self, pictures: bool = False) -> None:
        """Forget what was computed, as after an undo; with `pictures` also what is shown."""
        if pictures:
            self._scenes.clear()
        self.mark(changed=True)
        for state in self._scenes.values():
            state.key = state.read = None

    def picture_of(self, scene: bpy.types.Scene) -> tuple[Picture | None, bool]:
        """Return the newest picture of a scene and whether it is up to date; for draw handlers.

        A picture that is not gets computed soon.
        """
        state = self._scenes.setdefault(scene.session_uid, _SceneState())
        state.name = scene.name
        now = time.monotonic()
        slept = now - state.wanted > WANTED_S
        state.wanted = now
        current = state.key is not None and state.key == self._key(scene)
        if not current:
            state.dirty = True
        if state.dirty or slept:
            self._schedule()
        return state.shown, current

    def tick(self) -> float | None:
        """Take what is done and begin what is next; return seconds to the next call, if any."""
        self._collect()
        if session.is_reading() or bpy.app.is_job_running("RENDER"):
            return WAITING_TICK_S
        if self._job is None:
            self._begin_next()
        return BUSY_TICK_S if self._job is not None else None

    def finish(self, timeout_s: float = 30.0) -> None:
        """Wait until everything asked for is computed; for tests and pictures."""
        until = time.monotonic() + timeout_s
        while self.tick() is not None and time.monotonic() < until:
            time.sleep(0.002)

    # -- the main thread's work ------------------------------------------------------------

    def _key(self, scene: bpy.types.Scene) -> Hashable:
        """Return all that decides a picture besides the scene's objects."""
        settings = getattr(scene, PROPERTY)
        render = scene.render
        camera = bound_camera(scene, scene.frame_current) or scene.camera
        try:
            projectors: Hashable = (
                settings.projectors_to_core(),
                # Objects in the keep-outs' collection tell of themselves when they change.
                *(
                    (item.safety.to_core(), getattr(item.safety.keep_outs, "name_full", ""))
                    for item in settings.projectors
                ),
            )
        except BeamwrightError as error:
            projectors = str(error)
        return (
            scene.frame_current,
            scene.frame_subframe,
            projectors,
            settings.drawing.to_core(),
            tuple(item.camera.name for item in settings.projectors if item.camera is not None),
            render.resolution_x * render.pixel_aspect_x,
            render.resolution_y * render.pixel_aspect_y,
            camera.name if camera is not None else "",
            tuple(layer.use for layer in scene.view_layers),
            self.hidden_lines,
            self.as_rendered,
        )

    def _begin_next(self) -> None:
        oldest = time.monotonic() - WANTED_S
        known = {scene.session_uid: scene for scene in bpy.data.scenes}
        for owner in [owner for owner in self._scenes if owner not in known]:
            del self._scenes[owner]
        for owner, state in self._scenes.items():
            if state.dirty and state.wanted >= oldest:
                self._begin(owner, state, known[owner])
                if self._job is not None:
                    return

    def _begin(self, owner: int, state: _SceneState, scene: bpy.types.Scene) -> None:
        state.dirty = False
        key = self._key(scene)
        kept = self._cache.find(owner, key)
        if kept is not None:
            self._show(owner, state, key, kept)
            return
        try:
            source = session.BlenderSource(scene)
            read = self._read(source, state, scene.frame_current)
        except BeamwrightError as error:
            self._show(owner, state, key, Picture(scene.frame_current, message=str(error)))
            state.read = None
            return
        except ReferenceError:
            return  # deleted in this moment; whatever follows marks the scene again
        limits = getattr(source, "limits", None)
        if state.key == key and state.read is not None and _same(state.read, (read, limits)):
            if state.shown is not None and not state.shown.message:
                self._cache.keep(owner, key, state.shown)
            return
        previous = state.key is not None and self._previous(owner, key, source.frame_step)
        memories = previous.memories if previous else {}
        if not memories and state.shown is not None:
            # The same beam order as before keeps the picture calm while something is moved.
            memories = {
                name: _calm(memory) for name, memory in state.shown.memories.items() if memory
            }
        state.read = (read, limits)
        self._job = _Job(owner, key, self._revision, time.perf_counter())
        hidden = self.hidden_lines
        projectors = source.projectors
        self._worker.submit(lambda: draw_picture(read, projectors, memories, limits, hidden))

    def _read(self, source: session.BlenderSource, state: _SceneState, frame: int) -> Scene:
        """Read the frame as an export would, whatever the viewport shows.

        What viewport and render differ in is looked for once after each change.
        """
        if not self.as_rendered or state.alike == self._touched:
            return source.current(frame)
        with source.as_rendered() as changed:
            read = source.current(frame)
        if not changed:
            state.alike = self._touched
        return read

    def _previous(self, owner: int, key: Any, step: int) -> Picture | None:
        return self._cache.find(owner, (key[0] - step, *key[1:]))

    def _collect(self) -> None:
        done = self._worker.take()
        job = self._job
        if done is None or job is None:
            return
        self._job = None
        self.latency_s = time.perf_counter() - job.started
        picture, error = done
        state = self._scenes.get(job.owner)
        if state is None:
            return
        if error is not None:
            if not isinstance(error, BeamwrightError):
                traceback.print_exception(error)
            picture = Picture(job.key[0], message=str(error) or type(error).__name__)  # type: ignore[index]
        elif job.revision == self._revision:
            self._cache.keep(job.owner, job.key, picture)
        self._show(job.owner, state, job.key, picture)

    def _show(self, owner: int, state: _SceneState, key: Hashable, picture: Picture) -> None:
        state.shown, state.key = picture, key
        figures = {item.name: item.figures for item in picture.projectors if item.figures}
        if figures:
            results.remember(state.name, results.FrameResult(picture.frame, figures))
        self._redraw(owner)


def _calm(memory: FrameMemory) -> FrameMemory:
    """Keep the order of a picture, but nothing that makes drops and stress last."""
    plan = BudgetMemory(tour=memory.plan.tour, home=memory.plan.home)
    return replace(memory, plan=plan, share=None)


def _same(a: Any, b: Any) -> bool:
    """Whether two records hold the same; topologies are told apart by their identity."""
    if a is b:
        return True
    if type(a) is not type(b) or isinstance(a, Topology):
        return False
    if isinstance(a, np.ndarray):
        return np.array_equal(a, b)
    if is_dataclass(a):
        return all(_same(getattr(a, item.name), getattr(b, item.name)) for item in fields(a))
    if isinstance(a, list | tuple):
        return len(a) == len(b) and all(map(_same, a, b))
    if isinstance(a, dict):
        return a.keys() == b.keys() and all(_same(a[name], b[name]) for name in a)
    return bool(a == b)


# -- the worker's work ---------------------------------------------------------------------


def draw_picture(
    scene: Scene,
    projectors: tuple[Projector, ...],
    memories: Any,
    limits: Any,
    hidden_lines: bool,
) -> Picture:
    """Run a scene through all stages and lay out what to draw; touches no Blender data.

    Raises
    ------
    BeamwrightError
        Where the scene or a setting is impossible.
    """
    planned = pipeline.draw_frame(scene, projectors, memories, limits)
    hidden: dict[int, Lines] = {}
    if hidden_lines:
        bare = replace(
            scene,
            surfaces=[
                replace(item, lines=replace(item.lines, occludes=False)) for item in scene.surfaces
            ],
        )
        for projector in projectors:
            camera = scene.projector_cameras.get(projector.name, scene.camera)
            if id(camera) not in hidden:
                behind = pipeline.visible_strokes(bare, camera)
                hidden[id(camera)] = layers.hidden_lines(behind)
    none = Lines.joined([])
    pictures = []
    for place, projector in enumerate(projectors):
        camera = scene.projector_cameras.get(projector.name, scene.camera)
        share = planned[projector.name]
        strokes, moves, points, left_out, light = layers.projector_layers(share, projector)
        lines, areas, labels = projector_guides(
            projector, (limits or {}).get(projector.name), place
        )
        pictures.append(
            ProjectorPicture(
                name=projector.name,
                own_camera=projector.name in scene.projector_cameras,
                strokes=strokes,
                blank_moves=moves,
                points=points,
                left_out=left_out,
                # One camera's hidden lines are drawn once, with its first projector.
                hidden=hidden.pop(id(camera), none),
                light=light,
                guides=lines,
                keep_outs=areas,
                labels=labels,
                figures=share.figures,
                reading=read_meter(share.figures, projector.target_refresh_hz),
            )
        )
    memory = {name: share.memory for name, share in planned.items()}
    return Picture(scene.frame, tuple(pictures), memories=memory)


def projector_guides(
    projector: Projector, limits: SafetyLimits | None, place: int
) -> tuple[Lines, Lines, tuple[guides.Label, ...]]:
    """Return field and safe area, keep-outs and labels of the `place`-th projector."""
    hue = guides.HUES[place % len(guides.HUES)]
    pattern = (Pattern.DASHED, Pattern.DASH_DOT, Pattern.DOTTED)[place % 3]
    aim = projector.aim
    outline = layers.from_projector(guides.rectangle(-1, -1, 1, 1, 16), aim)
    along = layers.run_length(outline)[:-1]
    lines = [Lines.of(guides.edge_pieces(outline), (*hue, 0.8), 1.2, pattern, along)]
    labels = []
    corner = outline[48]  # top left
    if np.isfinite(corner).all():
        labels.append(guides.Label(f"{projector.name}: field", (corner[0], corner[1]), hue))
    areas: list[Lines] = []
    if limits is not None:
        if limits.window != FULL_WINDOW:
            window = layers.from_projector(guides.rectangle(*limits.window, 16), aim)
            pieces = guides.edge_pieces(window)
            lines.append(Lines.of(pieces, (*hue, 0.95), 1.6, Pattern.SOLID))
            if np.isfinite(window[48]).all():
                labels.append(
                    guides.Label(
                        f"{projector.name}: safe area", (window[48][0], window[48][1]), hue
                    )
                )
        warning = (1.0, 0.42, 0.32)
        for zone in limits.zones:
            corners = np.asarray(zone.outline, np.float64).reshape(-1, 2)
            closed = layers.from_projector(np.concatenate([corners, corners[:1]]), aim)
            areas.append(Lines.of(guides.edge_pieces(closed), (*warning, 0.95), 1.8))
            areas.append(Lines.of(guides.hatching(closed), (*warning, 0.6), 1.0))
            middle = np.nanmean(closed, axis=0)
            if np.isfinite(middle).all():
                labels.append(
                    guides.Label(f"Keep out: {zone.name}", (middle[0], middle[1]), warning)
                )
    return Lines.joined(lines), Lines.joined(areas), tuple(labels)
