# SPDX-License-Identifier: GPL-3.0-or-later
"""A whole show: which work its frames need, who does it, and one sequence for each projector.

Frames of scenes become visible strokes, each by itself. Runs of show frames with the same
strips become blocks that are planned in order, so that the picture stays calm; a long run
is cut, and each block then begins some frames early to warm the planner's memory. What a
task depends on is in its key and the cut does not depend on who works, so the files are the
same for any number of processes, and a second render does only what changed.
"""

from __future__ import annotations

import hashlib
from collections.abc import Generator, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cache as remembered
from pathlib import Path
from typing import Any

import numpy as np

from .. import kernels
from ..errors import OutputError, SettingError
from ..frame import Frame
from ..output.whole_file import file_stem
from ..pipeline import PlannedFrame
from ..points.projector import Projector
from ..safety.guard import guard
from ..safety.laser import LaserSetup
from ..safety.limits import SafetyLimits
from ..scene import Scene
from ..sequence import DrawnFrame, OpenFile, Progress, RenderRequest, checked, render_drawn
from .cache import CACHE_VERSION, Cache, digest_of
from .entries import PlannedRow, block_of
from .jobs import Graph, Runner
from .timeline import Layer, SceneStrip, Timeline, Timetable, alone, families
from .work import FilmSource, Placed, PlanBlock, SeeFrames, Task

__all__ = [
    "BLOCK_FRAMES",
    "WARM_FRAMES",
    "code_digest",
    "drawn_film",
    "render_film",
    "render_part",
    "strip_films",
    "strokes_key",
]

BLOCK_FRAMES = 240
"""Longest run of frames that is planned in one go."""

WARM_FRAMES = 24
"""Frames before a block that warm the planner's memory: stress falls from 0.7 to nothing."""

CHUNK_FRAMES = 24
"""Frames of a scene that one worker evaluates in a row."""

_NO_PART_IN_RESULTS = {"live", "report", "output", "panels", "operators", "overlay"}


@remembered
def code_digest() -> str:
    """Return a hash of the code that decides what a frame looks like, and of its libraries."""
    state = hashlib.blake2b(digest_size=20)
    core = Path(__file__).resolve().parent.parent
    for folder in (core, core.parent / "addon"):
        for path in sorted(folder.rglob("*")):
            inner = path.relative_to(folder)
            if path.suffix in (".py", ".c", ".h") and inner.parts[0] not in _NO_PART_IN_RESULTS:
                state.update(f"{folder.name}/{inner.as_posix()}".encode())
                state.update(path.read_bytes())
    state.update(f"{CACHE_VERSION} {np.__version__} {kernels.is_native()}".encode())
    return state.hexdigest()


def strokes_key(fingerprint: str, camera: str | None, frame: int) -> str:
    """Return the key of what is seen of a scene frame.

    Parameters
    ----------
    fingerprint
        `FilmSource.fingerprint` of the scene.
    camera, frame
    """
    return digest_of("strokes", code_digest(), fingerprint, repr(camera), frame)


@dataclass(frozen=True, slots=True)
class _Span:
    """A block of the sequence: places `first` to `end` in the list of frame numbers."""

    task: PlanBlock
    first: int
    end: int


class _Makers(Mapping[str, SeeFrames]):
    """How the strokes of a key are made, one frame at a time."""

    def __init__(self, source: FilmSource) -> None:
        self._source = source
        self._wanted: dict[str, tuple[str, str | None, int]] = {}

    def note(self, key: str, layer: Layer) -> None:
        self._wanted[key] = (layer.scene, layer.camera, layer.frame)

    def __getitem__(self, key: str) -> SeeFrames:
        scene, camera, frame = self._wanted[key]
        return SeeFrames(scene, camera, (frame,), (key,), self._source.run_up(scene))

    def __iter__(self) -> Iterator[str]:
        return iter(self._wanted)

    def __len__(self) -> int:
        return len(self._wanted)

    def together(self, keys: Sequence[str]) -> list[SeeFrames]:
        """Return tasks for many keys: frames of a scene in a row, in chunks."""
        groups: dict[tuple[str, str | None], list[tuple[int, str]]] = {}
        for key in keys:
            scene, camera, frame = self._wanted[key]
            groups.setdefault((scene, camera), []).append((frame, key))
        tasks = []
        for (scene, camera), found in groups.items():
            found.sort()
            run_up = self._source.run_up(scene)
            size = len(found) if run_up is not None else CHUNK_FRAMES
            for begin in range(0, len(found), size):
                frames, names = zip(*found[begin : begin + size], strict=True)
                tasks.append(SeeFrames(scene, camera, frames, names, run_up))
        return tasks


class _Programme:
    """The work of a render."""

    def __init__(
        self,
        source: FilmSource,
        numbers: range,
        projectors: Sequence[Projector],
        measure_step: int = 0,
    ) -> None:
        self._measure_step = measure_step
        self.makers = _Makers(source)
        self.spans: dict[tuple[str, ...], list[_Span]] = {}
        self._source = source
        self._table = Timetable(source.timeline)
        self._fingerprints: dict[str, str] = {}
        self._keys: dict[tuple[str, str | None, int], str] = {}
        self._with_scene = len({strip.scene for strip in source.timeline.strips}) > 1
        chosen = {projector.name for projector in projectors}
        for family in families(source.projectors):
            names = tuple(projector.name for projector in family)
            if chosen.intersection(names):
                self.spans[names] = self._blocks(family, names, numbers)

    def _key(self, layer: Layer) -> str:
        what = (layer.scene, layer.camera, layer.frame)
        key = self._keys.get(what)
        if key is None:
            scene = self._fingerprints.get(layer.scene)
            if scene is None:
                scene = self._fingerprints[layer.scene] = self._source.fingerprint(layer.scene)
            key = strokes_key(scene, layer.camera, layer.frame)
            self._keys[what] = key
            self.makers.note(key, layer)
        return key

    def _blocks(
        self, family: Sequence[Projector], names: tuple[str, ...], numbers: range
    ) -> list[_Span]:
        lasers: Mapping[str, LaserSetup] = getattr(self._source, "lasers", {})
        settings = digest_of(
            "block",
            code_digest(),
            list(names),
            list(self._source.projectors),
            {name: limits for name, limits in self._source.limits.items() if name in names},
            {name: laser for name, laser in lasers.items() if name in names},
            self._with_scene,
            self._measure_step,
        )
        frames = []
        cast = []
        for number in numbers:
            layers = [self._table.layers_at(number, projector) for projector in family]
            cast.append([[layer.strip for layer in shown] for shown in layers])
            frames.append(
                tuple(
                    tuple(Placed.of(layer, self._key(layer)) for layer in shown) for shown in layers
                )
            )
        spans = []
        begin = 0
        for place in range(1, len(frames) + 1):
            if place < len(frames) and cast[place] == cast[begin]:
                continue
            for first, end in _cuts(begin, place):
                warm = first - _warm_from(cast, first)
                part = tuple(frames[first - warm : end])
                # As text: layers are plain values, and this runs for every frame of a show.
                key = digest_of(settings, warm, repr(part))
                block = PlanBlock(key, names, part, warm, self._with_scene, self._measure_step)
                spans.append(_Span(block, first, end))
            begin = place
        return spans

    def tasks(self, cache: Cache, spans: Sequence[_Span] | None = None) -> list[Task]:
        """Return what is not in the cache yet, in the order of the show."""
        if spans is None:
            spans = sorted(
                (span for found in self.spans.values() for span in found),
                key=lambda span: span.first,
            )
        blocks = [span.task for span in spans if not cache.has(span.task.key)]
        blocks = list({block.key: block for block in blocks}.values())
        wanted = dict.fromkeys(key for block in blocks for key in block.needs())
        missing = [key for key in wanted if not cache.has(key)]
        return [*self.makers.together(missing), *blocks]

    def keys(self) -> frozenset[str]:
        """All keys of the render."""
        blocks = {span.task.key for found in self.spans.values() for span in found}
        return frozenset(blocks.union(self.makers))


def _warm_from(cast: Sequence[list[list[str]]], first: int) -> int:
    """Return where the warming of a block begins: not before the last hard cut."""
    place = first
    while place > max(0, first - WARM_FRAMES):
        here = {name for names in cast[place] for name in names}
        before = {name for names in cast[place - 1] for name in names}
        if here.isdisjoint(before):
            break
        place -= 1
    return place


def _cuts(begin: int, end: int) -> Iterator[tuple[int, int]]:
    """Cut a run into blocks; a short rest joins the last one."""
    while end - begin >= BLOCK_FRAMES + BLOCK_FRAMES // 2:
        yield begin, begin + BLOCK_FRAMES
        begin += BLOCK_FRAMES
    yield begin, end


class _Seams:
    """Runs the guard again where a block does not know the frame that was drawn before it."""

    def __init__(self, source: FilmSource) -> None:
        self._profiles = {entry.name: entry.profile for entry in source.projectors}
        self._limits = source.limits
        self._last: dict[str, Frame] = {}
        self._changed: dict[str, bool] = {}

    def __call__(self, name: str, row: PlannedRow, first_of_block: bool) -> PlannedRow:
        previous = self._last.get(name)
        if previous is not None and (first_of_block or self._changed[name]):
            limits = self._limits.get(name, SafetyLimits())
            safe = guard(row.frame, limits, self._profiles[name], previous=previous).frame
            self._changed[name] = not np.array_equal(safe.rgb, row.frame.rgb)
            if self._changed[name]:
                blanked = int(np.count_nonzero(safe.blanked))
                figures = replace(
                    row.figures,
                    blanked=blanked,
                    lit=len(safe) - blanked,
                    darkened=row.figures.darkened + blanked - row.figures.blanked,
                )
                if figures.error_field is not None:
                    planned = PlannedFrame(safe, figures, row.strokes, None)
                    figures = planned.measured(self._profiles[name])
                row = replace(row, frame=safe, figures=figures, picture=None, worst=None)
        else:
            self._changed[name] = False
        self._last[name] = row.frame
        return row


def drawn_film(
    source: FilmSource,
    numbers: range,
    projectors: Sequence[Projector],
    cache: Cache,
    runner: Runner,
    measure_step: int = 0,
) -> Generator[Progress | DrawnFrame, None, None]:
    """Draw frames of a show, or of one scene, through the cache.

    Parameters
    ----------
    source
    numbers
        Frames of the show.
    projectors
        Of the source; the families they belong to are drawn.
    cache
    runner
        Does what the cache does not have.
    measure_step
        See `work.PlanBlock`.

    Yields
    ------
    Progress or DrawnFrame
        First the steps of the work, then all frames in order, from the cache.

    Raises
    ------
    BeamwrightError
        As `sequence.render_sequence` does; `HostError` where workers keep dying.
    """

    def _work(
        programme: _Programme, tasks: Sequence[Task], numbers: range
    ) -> Generator[Progress, None, None]:
        graph = Graph(tasks)
        done = 0
        for finished in runner.run(graph, cache, programme.makers) if tasks else ():
            done += finished
            yield Progress(done, max(graph.total, done) + len(numbers), numbers[0])

    def _assembled(
        programme: _Programme, numbers: range
    ) -> Generator[Progress | DrawnFrame, None, None]:
        seams = _Seams(source)
        readers = {
            names: _rows(programme, names, spans, numbers)
            for names, spans in programme.spans.items()
        }
        for number in numbers:
            planned = {}
            pictures = {}
            spots = {}
            for names, reader in readers.items():
                for item in reader:
                    if isinstance(item, Progress):
                        yield item
                        continue
                    rows, first = item
                    break
                for name in names:
                    row = seams(name, rows[name], first)
                    figures = replace(row.figures, frame=number)
                    planned[name] = PlannedFrame(row.frame, figures, row.strokes, None)
                    if row.picture is not None:
                        pictures[name] = row.picture
                    if row.worst is not None:
                        spots[name] = row.worst
            yield DrawnFrame(number, source.name, planned, pictures, spots, measured=True)

    def _rows(
        programme: _Programme, names: tuple[str, ...], spans: Sequence[_Span], numbers: range
    ) -> Iterator[tuple[dict[str, PlannedRow], bool] | Progress]:
        """Rows of a family in order, and whether each is the first of its block."""
        for span in spans:
            entry = cache.read(span.task.key)
            if entry is None:
                # Damaged, or gone since: once more.
                yield from _work(programme, programme.tasks(cache, [span]), numbers)
                entry = cache.read(span.task.key)
            if entry is None:
                raise OutputError(
                    f"Planned frames of {', '.join(names)} vanish from the cache folder "
                    f"{cache.folder} as soon as they are written. Check the disk, or choose "
                    "another folder with --cache."
                )
            rows = block_of(entry)
            for place in range(span.end - span.first):
                yield rows[place], place == 0

    programme = _Programme(source, numbers, projectors, measure_step)
    yield from _work(programme, programme.tasks(cache), numbers)
    yield from _assembled(programme, numbers)
    cache.prune(programme.keys())


def render_film(
    source: FilmSource,
    request: RenderRequest,
    cache: Cache,
    runner: Runner,
) -> Generator[Progress, None, None]:
    """Render a show, or one scene, through the cache.

    Every step of the iterator is some frames of work. Closing it early, or an error, leaves
    the files of an earlier render as they were; what was finished stays in the cache, and
    the next render goes on from there.

    Parameters
    ----------
    source
    request
        Frames are those of the show.
    cache, runner
        See `drawn_film`.

    Raises
    ------
    BeamwrightError
        See `drawn_film`.
    """
    rendered: list[range] = []

    def draw(
        numbers: range, projectors: tuple[Projector, ...]
    ) -> Generator[Progress | DrawnFrame, None, None]:
        rendered.append(numbers)
        return drawn_film(source, numbers, projectors, cache, runner, request.measure_step)

    def accompany(open_file: OpenFile) -> None:
        source.accompany(open_file, rendered[0][0], rendered[0][-1])

    return render_drawn(source, request, draw, accompany)


def render_part(
    source: FilmSource,
    request: RenderRequest,
    cache: Cache,
    runner: Runner,
    number: int,
    count: int,
) -> Generator[Progress, None, None]:
    """Do one part of a render's work into the cache; nothing else is written.

    The parts of a render are the same for whoever asks, whatever the cache has, so machines
    that know nothing of one another can each do one. Only scene frames are evaluated: that
    is what needs Blender and most of the time.

    Parameters
    ----------
    source, request, cache, runner
        See `render_film`.
    number, count
        Which part, from 1 on, and of how many.
    """
    numbers, projectors = checked(source, request)
    programme = _Programme(source, numbers, projectors)
    mine = programme.makers.together(list(programme.makers))[number - 1 :: count]
    missing = [task for task in mine if not all(cache.has(key) for key in task.keys)]
    graph = Graph(missing)
    done = 0
    for finished in runner.run(graph, cache, programme.makers) if missing else ():
        done += finished
        yield Progress(done, max(graph.total, done), numbers[0])


class _StripFilm:
    """One strip of a show by itself; all else is the show's.

    Implements `work.FilmSource`.
    """

    def __init__(self, film: FilmSource, strip: SceneStrip) -> None:
        self._film = film
        self._timeline = alone(film.timeline, strip)
        self.name = strip.name
        self.fps = film.fps
        self.frame_start, self.frame_end = self._timeline.frame_start, self._timeline.frame_end
        self.projectors = film.projectors
        self.limits = film.limits

    @property
    def timeline(self) -> Timeline:
        return self._timeline

    def fingerprint(self, scene: str) -> str:
        return self._film.fingerprint(scene)

    def run_up(self, scene: str) -> int | None:
        return self._film.run_up(scene)

    def scene_at(self, scene: str, frame: int, camera: str | None) -> Scene:
        return self._film.scene_at(scene, frame, camera)

    def details(self) -> Mapping[str, Any]:
        facts = ("file", "blender")
        return {key: value for key, value in self._film.details().items() if key in facts}

    def accompany(self, open_file: OpenFile, first: int, last: int) -> None:
        """The soundtrack belongs to the whole show."""


def strip_films(film: FilmSource) -> list[tuple[FilmSource, str]]:
    """Return each strip of a show as a film, and the folder for its files.

    Raises
    ------
    SettingError
        Where two strips would have the same folder.
    """
    found: dict[str, SceneStrip] = {}
    films: list[tuple[FilmSource, str]] = []
    for strip in film.timeline.strips:
        folder = f"strips/{file_stem(strip.name)}"
        if folder.casefold() in found:
            raise SettingError(
                f"The files of strips “{strip.name}” and “{found[folder.casefold()].name}” would "
                "have the same folder; rename one of them."
            )
        found[folder.casefold()] = strip
        films.append((_StripFilm(film, strip), folder))
    return films
