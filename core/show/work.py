# SPDX-License-Identifier: GPL-3.0-or-later
"""The two kinds of work in a show, as plain records any process can take.

`SeeFrames` turns frames of one scene into visible strokes and needs Blender; `PlanBlock` turns
the strokes of a run of frames into samples and needs only what the cache holds. Each result
is a function of the task alone, so it does not matter who does it, when, or how often.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import asdict, dataclass, replace
from typing import Any, BinaryIO, Protocol

import numpy as np

from .. import pipeline
from ..errors import (
    BeamwrightError,
    FormatError,
    HostError,
    OutputError,
    SceneError,
    SettingError,
)
from ..pipeline import PlannedFrame
from ..points.projector import Projector, ScannerProfile
from ..proof import beam_picture
from ..report.figures import FrameFigures
from ..safety.laser import LaserSetup
from ..safety.limits import SafetyLimits
from ..safety.scanned import worst_spot
from ..scene import Assignment, Scene
from ..strokes import Strokes
from .cache import Cache, pack
from .entries import Picture, PlannedRow, block_entry, picture_entry, picture_of
from .mix import Part, mixed
from .timeline import Crop, Layer, Timeline, Wipe

__all__ = [
    "FilmSource",
    "MissingEntry",
    "Placed",
    "PlanBlock",
    "SeeFrames",
    "Task",
    "do",
    "nothing_missing",
    "task_from_json",
    "task_to_json",
]


_KINDS = (SettingError, SceneError, FormatError, HostError, OutputError)


class FilmSource(Protocol):
    """Many scenes on a timeline, or one; whoever can evaluate them."""

    name: str
    fps: float
    frame_start: int
    frame_end: int
    projectors: tuple[Projector, ...]
    limits: Mapping[str, SafetyLimits]

    @property
    def timeline(self) -> Timeline:
        """What is shown when."""
        ...

    def fingerprint(self, scene: str) -> str:
        """Return a hash that changes with whatever may change any frame of a scene."""
        ...

    def run_up(self, scene: str) -> int | None:
        """Return the frame from which a scene must be stepped through, as simulations ask for.

        None where every frame can be evaluated by itself.
        """
        ...

    def scene_at(self, scene: str, frame: int, camera: str | None) -> Scene:
        """Evaluate one frame.

        Raises
        ------
        SceneError
            Where the scene cannot be drawn.
        """
        ...

    def details(self) -> Mapping[str, Any]:
        """Facts for the report's head."""
        ...

    def accompany(self, open_file: Callable[[str], BinaryIO], first: int, last: int) -> None:
        """Write what goes beside the frame files, such as the soundtrack, of a frame range.

        Parameters
        ----------
        open_file
            Opens a file by its name.
        first, last
        """
        ...


class MissingEntry(Exception):  # noqa: N818 - tells the scheduler what to do again, no failure
    """Entries a task needs are gone or damaged."""

    def __init__(self, keys: Sequence[str]) -> None:
        super().__init__(", ".join(keys))
        self.keys = tuple(keys)


@dataclass(frozen=True, slots=True)
class SeeFrames:
    """Evaluate frames of a scene.

    Attributes
    ----------
    scene, camera
        None for the scene's own camera.
    frames, keys
        Frames and where their strokes go.
    run_up
        First frame of the scene's simulation, from which on all frames are stepped through.
    """

    scene: str
    camera: str | None
    frames: tuple[int, ...]
    keys: tuple[str, ...]
    run_up: int | None = None


@dataclass(frozen=True, slots=True)
class Placed:
    """A layer of a picture.

    Attributes
    ----------
    key
        Of its strokes.
    brightness, crops, target
        See `timeline.Layer`.
    """

    key: str
    brightness: float
    crops: tuple[Crop, ...]
    target: str

    @classmethod
    def of(cls, layer: Layer, key: str) -> Placed:
        return cls(key, layer.brightness, layer.crops, layer.target)


@dataclass(frozen=True, slots=True)
class PlanBlock:
    """Plan a run of frames for the projectors of one family.

    Attributes
    ----------
    key
        Where the result goes.
    projectors
        Names.
    frames
        Layers of each frame for each of the projectors.
    warm
        So many frames at the beginning only warm the planner's memory.
    with_scene
        Put the scene's name before those of its objects, as where there are many scenes.
    measure_step
        Compare every how many-th frame of the run with its simulated beam; 0 for none.
    """

    key: str
    projectors: tuple[str, ...]
    frames: tuple[tuple[tuple[Placed, ...], ...], ...]
    warm: int = 0
    with_scene: bool = False
    measure_step: int = 0

    def needs(self) -> dict[str, None]:
        """Keys of the strokes, in the order of use."""
        return {layer.key: None for frame in self.frames for layers in frame for layer in layers}


Task = SeeFrames | PlanBlock


def task_to_json(task: Task) -> dict[str, Any]:
    """Return a task as plain values."""
    return {"kind": type(task).__name__, **asdict(task)}


def task_from_json(content: Mapping[str, Any]) -> Task:
    """Turn it back."""
    if content["kind"] == "SeeFrames":
        return SeeFrames(
            content["scene"],
            content["camera"],
            tuple(content["frames"]),
            tuple(content["keys"]),
            content["run_up"],
        )
    return PlanBlock(
        content["key"],
        tuple(content["projectors"]),
        tuple(
            tuple(
                tuple(
                    Placed(
                        layer["key"],
                        layer["brightness"],
                        tuple(
                            Crop(Wipe(**crop["wipe"]), crop["progress"], crop["coming"])
                            for crop in layer["crops"]
                        ),
                        layer["target"],
                    )
                    for layer in layers
                )
                for layers in frame
            )
            for frame in content["frames"]
        ),
        content["warm"],
        content["with_scene"],
        content["measure_step"],
    )


def do(task: Task, source: FilmSource, cache: Cache) -> Iterator[int]:
    """Do a task, its results into the cache; yields how many frames were finished each time.

    Raises
    ------
    MissingEntry
        Where strokes of a block are not in the cache.
    BeamwrightError
        Where a frame cannot be drawn or the cache not be written.
    """
    if isinstance(task, SeeFrames):
        yield from _see(task, source, cache)
    else:
        yield from _plan(task, source, cache)


@contextmanager
def _naming(scene: str, frame: int) -> Iterator[None]:
    """Name scene and frame in what goes wrong with them."""
    try:
        yield
    except BeamwrightError as error:
        text = str(error)
        where = "" if f"“{scene}”" in text else f"Scene “{scene}”, frame"
        where = where or "Frame"
        if re.search(rf"\bframe {frame}\b", text, re.IGNORECASE):
            raise
        kind = next((kind for kind in _KINDS if isinstance(error, kind)), BeamwrightError)
        raise kind(f"{where} {frame}: {text}") from error


def _see(task: SeeFrames, source: FilmSource, cache: Cache) -> Iterator[int]:
    wanted = dict(zip(task.frames, task.keys, strict=True))
    frames: Sequence[int] = task.frames
    if task.run_up is not None:
        frames = range(min(task.run_up, *task.frames), max(task.frames) + 1)
    for frame in frames:
        with _naming(task.scene, frame):
            scene = source.scene_at(task.scene, frame, task.camera)
            if frame not in wanted:
                continue
            picture = Picture(
                scene=scene.name,
                half_width=scene.camera.half_width,
                half_height=scene.camera.half_height,
                assignments=tuple(surface.assignment for surface in scene.surfaces),
                object_names=tuple(surface.name for surface in scene.surfaces),
                # Which frames came before depends on who does the task; no digit may.
                views=pipeline.seen_strokes(scene, alone=True),
            )
        entry = picture_entry(picture)
        cache.write(wanted[frame], pack(entry.head, entry.arrays))
        yield 1


def _plan(task: PlanBlock, source: FilmSource, cache: Cache) -> Iterator[int]:
    pictures: dict[str, Picture] = {}
    memories: dict[str, Any] = {}
    rows: list[dict[str, PlannedRow]] = []
    before: dict[str, PlannedRow] = {}
    profiles = {projector.name: projector.profile for projector in source.projectors}
    # See `FilmSource`: a source that knows nothing of its light leaves it out.
    lasers: Mapping[str, LaserSetup] = getattr(source, "lasers", {})
    for number, frame in enumerate(task.frames):
        try:
            pictures = _pictures(frame, pictures, cache)
        except MissingEntry:
            # Where one is damaged others may be: find them all, so that one more try is enough.
            raise MissingEntry([key for key in task.needs() if cache.read(key) is None]) from None
        seen, assignments = _picture_of(task.projectors, frame, pictures, task.with_scene)
        planned = pipeline.plan_projectors(
            number - task.warm, seen, assignments, source.projectors, memories, source.limits
        )
        memories = {name: share.memory for name, share in planned.items()}
        if number >= task.warm:
            due = task.measure_step > 0 and (number - task.warm) % task.measure_step == 0
            row = {
                name: _row(
                    share,
                    share.measured(profiles[name]) if due else share.figures,
                    profiles[name],
                    lasers.get(name, LaserSetup()),
                    before.get(name),
                )
                for name, share in planned.items()
            }
            rows.append(row)
            before = row
            yield 1
    entry = block_entry(rows)
    cache.write(task.key, pack(entry.head, entry.arrays))


def _row(
    share: PlannedFrame,
    figures: FrameFigures,
    profile: ScannerProfile,
    laser: LaserSetup,
    before: PlannedRow | None,
) -> PlannedRow:
    """Picture a frame's beam and find its worst spot: those before where nothing moved."""
    frame = share.frame
    if before is not None:
        old = before.frame
        if (
            old.point_rate_hz == frame.point_rate_hz
            and np.array_equal(old.xy, frame.xy)
            and np.array_equal(old.rgb, frame.rgb)
            and np.array_equal(old.blanked, frame.blanked)
        ):
            return replace(before, frame=frame, figures=figures, strokes=share.strokes)
    worst = worst_spot(frame, laser.source, profile, laser.distance_m, edition=laser.edition)
    return PlannedRow(frame, figures, share.strokes, beam_picture(frame, profile), worst)


def _pictures(
    frame: tuple[tuple[Placed, ...], ...], known: Mapping[str, Picture], cache: Cache
) -> dict[str, Picture]:
    found: dict[str, Picture] = {}
    missing = []
    for key in dict.fromkeys(layer.key for layers in frame for layer in layers):
        if key in known:
            found[key] = known[key]
            continue
        entry = cache.read(key)
        if entry is None:
            missing.append(key)
        else:
            found[key] = picture_of(entry)
    if missing:
        raise MissingEntry(missing)
    return found


def _picture_of(
    names: Sequence[str],
    frame: tuple[tuple[Placed, ...], ...],
    pictures: Mapping[str, Picture],
    with_scene: bool,
) -> tuple[dict[str, Strokes], list[Assignment]]:
    """Mix the layers of a frame; return strokes by projector and one table of objects."""
    first: dict[tuple[str, str], int] = {}
    assignments: list[Assignment] = []
    object_names: list[str] = []
    for layers in frame:
        for layer in layers:
            if (layer.key, layer.target) in first:
                continue
            first[layer.key, layer.target] = len(assignments)
            picture = pictures[layer.key]
            scene = f"{picture.scene}: " if with_scene else ""
            object_names += [scene + name for name in picture.object_names]
            for rule in picture.assignments:
                assignments.append(
                    replace(rule, projectors=(layer.target,)) if layer.target else rule
                )
    seen = {}
    for name, layers in zip(names, frame, strict=True):
        parts = []
        for layer in layers:
            picture = pictures[layer.key]
            parts.append(
                Part(
                    scene=picture.scene,
                    strokes=picture.view(name),
                    half_width=picture.half_width,
                    half_height=picture.half_height,
                    brightness=layer.brightness,
                    crops=layer.crops,
                    first_object=first[layer.key, layer.target],
                )
            )
        seen[name] = mixed(parts, object_names)
    return seen, assignments


def nothing_missing(error: MissingEntry) -> OutputError:
    """Return the error for entries that vanish again and again."""
    return OutputError(
        f"{len(error.keys)} entries of the cache vanished or were damaged twice while they were "
        "needed. Check the disk, or choose another folder with --cache."
    )
