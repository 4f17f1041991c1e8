# SPDX-License-Identifier: GPL-3.0-or-later
"""Many frames: render a scene's range into one set of files for each projector.

Files in the output folder, all moved into place together at the end::

    NAME.ild                      frame sequence of the projector NAME
    NAME.json                     its samples, on request
    NAME.wav                      its signal, on request
    strokes/NAME/0001.svg|.json   its strokes, one file a frame, on request
    report.json, report.csv       figures of all frames
    report.html                   the page that plays them, on request
    NAME.mp4                      a film of the light on the stage, on request
"""

from __future__ import annotations

import re
import shutil
from collections.abc import Callable, Generator, Iterable, Iterator, Mapping, Sequence
from contextlib import ExitStack, contextmanager, suppress
from dataclasses import asdict, dataclass, field, replace
from pathlib import Path
from types import MappingProxyType
from typing import Any, BinaryIO, Literal, Protocol, get_args

from . import pipeline, proof
from .ahead import Stage, through
from .errors import (
    BeamwrightError,
    FormatError,
    HostError,
    OutputError,
    SceneError,
    SettingError,
)
from .frame import Frame
from .output import stroke_json, svg
from .output.ilda import PaletteChoice, SequenceWriter
from .output.ilda_layout import FORMAT_CODES, SEQUENCE_LENGTH_MAX
from .output.points_json import PointsWriter
from .output.stroke_json import Page
from .output.wav import Encoding, WavWriter
from .output.whole_file import Staging, file_stem, naming_the_file
from .points.projector import Projector
from .proof_video import FilmMaker, StagePainter, Video
from .report import tables
from .report.figures import FrameFigures
from .report.page import PageWriter
from .safety.hazard import PLANNING_NOTE, planning_figures
from .safety.laser import LaserSetup
from .safety.limits import SafetyLimits
from .safety.scanned import WorstSpot, worst_spot
from .scene import Scene, SceneSource
from .strokes import Strokes
from .version import version

__all__ = [
    "DrawnFrame",
    "FileKind",
    "Progress",
    "RenderRequest",
    "RenderResult",
    "SequenceHead",
    "StrokeFormat",
    "checked",
    "render_drawn",
    "render_sequence",
]

FileKind = Literal["ild", "json", "wav"]
StrokeFormat = Literal["svg", "json"]

_NO_FIGURES: Mapping[str, FrameFigures] = MappingProxyType({})


@dataclass(frozen=True, slots=True)
class RenderRequest:
    """What to render and where to.

    Attributes
    ----------
    folder
        For the files; made when missing.
    frame_first, frame_last
        Both included; None takes the scene's.
    frame_step
        Every how many-th frame.
    projectors
        Names of the projectors to write; empty means all of the scene.
    files
        Kinds of sequence files.
    format_code
        Of ILDA files: 5 (2D) or 4 (3D) in true colour, 1 (2D) or 0 (3D) by index.
    palette
        Of indexed formats: ``"own"`` colours in palette sections, or the ``"standard"`` one.
    strokes
        Also write the strokes of each frame.
    wav_sample_rate_hz
        None takes the projector's point rate.
    wav_encoding
        See `output.wav`.
    overwrite
        Replace files of an earlier render; otherwise they are an error.
    page
        Also write `report.html`.
    measure_step
        Simulate every how many-th frame and compare the beam with the drawing; 0 does without.
        In a show they are counted from the beginning of each run of the same strips.
    video
        Also make a film of the light on the stage.
    """

    folder: Path
    frame_first: int | None = None
    frame_last: int | None = None
    frame_step: int = 1
    projectors: tuple[str, ...] = ()
    files: tuple[FileKind, ...] = ("ild",)
    format_code: int = 5
    palette: PaletteChoice = "own"
    strokes: StrokeFormat | None = None
    wav_sample_rate_hz: int | None = None
    wav_encoding: Encoding = "pcm24"
    overwrite: bool = True
    page: bool = False
    measure_step: int = 12
    video: Video | None = None


@dataclass(frozen=True, eq=False)
class RenderResult:
    """What came out.

    Attributes
    ----------
    files
        Final paths, the reports last.
    report
        The figures.
    """

    files: tuple[Path, ...]
    report: tables.Report


@dataclass(frozen=True, eq=False)
class Progress:
    """State after one frame.

    Attributes
    ----------
    done, total
        Frames.
    frame
        Number of the frame just finished.
    figures
        Its figures by projector name.
    result
        On the last step only: everything is in place.
    """

    done: int
    total: int
    frame: int
    figures: Mapping[str, FrameFigures] = field(default_factory=lambda: _NO_FIGURES)
    result: RenderResult | None = None


@dataclass(frozen=True, eq=False)
class DrawnFrame:
    """One frame on its way into the files.

    Attributes
    ----------
    number
    scene
        Name of what is shown.
    planned
        By projector name.
    pictures
        Pictures for the page by projector name, from `proof.beam_picture`, where they are
        there already; the others are made.
    spots
        Where an eye would be exposed most, by projector name, where that is known already;
        the others are looked for.
    measured
        The figures hold those of the simulated beam already, where they are wanted.
    """

    number: int
    scene: str
    planned: Mapping[str, pipeline.PlannedFrame]
    pictures: Mapping[str, bytes] = field(default_factory=dict)
    spots: Mapping[str, WorstSpot] = field(default_factory=dict)
    measured: bool = False


class SequenceHead(Protocol):
    """What a sequence must know of its source."""

    name: str
    fps: float
    frame_start: int
    frame_end: int
    projectors: tuple[Projector, ...]

    def details(self) -> Mapping[str, Any]:
        """Facts for the report's head."""
        ...


OpenFile = Callable[[str], BinaryIO]


def _frame_numbers(source: SequenceHead, request: RenderRequest) -> range:
    first = source.frame_start if request.frame_first is None else request.frame_first
    last = source.frame_end if request.frame_last is None else request.frame_last
    if request.frame_step < 1:
        raise SettingError(f"The frame step is {request.frame_step}; it must be 1 or more.")
    if last < first:
        raise SettingError(
            f"The frame range {first}-{last} is empty; the last frame must not come before the "
            "first."
        )
    numbers = range(first, last + 1, request.frame_step)
    if "ild" in request.files and len(numbers) > SEQUENCE_LENGTH_MAX:
        raise SettingError(
            f"The frame range {first}-{last} has {len(numbers)} frames; an ILDA file holds at most "
            f"{SEQUENCE_LENGTH_MAX}. Render it in parts."
        )
    return numbers


def _chosen_projectors(source: SequenceHead, request: RenderRequest) -> tuple[Projector, ...]:
    known = {projector.name: projector for projector in source.projectors}
    if not known:
        raise SettingError(f"The scene {source.name} has no projector; add one.")
    listed = ", ".join(known)
    if len(known) < len(source.projectors):
        raise SettingError(f"Two projectors share a name; give each its own. They are: {listed}.")
    for name in request.projectors:
        if name not in known:
            raise SettingError(f"There is no projector named {name!r}. The scene has: {listed}.")
    if len(set(request.projectors)) < len(request.projectors):
        raise SettingError("A projector is named twice; name each once.")
    chosen = tuple(
        projector
        for projector in source.projectors
        if not request.projectors or projector.name in request.projectors
    )
    stems: dict[str, str] = {}
    # The report's own name is taken: report.json would meet the samples of a projector "Report".
    stems["report"] = "the report"
    for projector in chosen:
        stem = file_stem(projector.name).casefold()
        if stem in stems:
            raise SettingError(
                f"The files of projector {projector.name!r} would have the name of "
                f"{stems[stem]}; rename it."
            )
        stems[stem] = repr(projector.name)
    return chosen


def _check_request(request: RenderRequest) -> None:
    unknown = set(request.files) - set(get_args(FileKind))
    if unknown or not request.files:
        raise SettingError(f"Files are ild, json or wav, at least one, not {request.files}.")
    if request.strokes not in (None, *get_args(StrokeFormat)):
        raise SettingError(f"Strokes are written as svg or json, not {request.strokes!r}.")
    if request.measure_step < 0:
        raise SettingError(f"The measuring step is {request.measure_step}; it must be 0 or more.")
    if request.format_code not in FORMAT_CODES:
        raise SettingError(f"ILDA frames have format 0, 1, 4 or 5, not {request.format_code}.")


@contextmanager
def _at_frame(number: int) -> Iterator[None]:
    """Name the frame in what goes wrong with it."""
    try:
        yield
    except OutputError:
        raise
    except BeamwrightError as error:
        if re.search(rf"\bframe {number}\b", str(error), re.IGNORECASE):
            raise
        kinds = (SettingError, SceneError, FormatError, HostError)
        kind = next((kind for kind in kinds if isinstance(error, kind)), BeamwrightError)
        raise kind(f"Frame {number}: {error}") from error


class _ProjectorFiles:
    """The growing files of one projector."""

    def __init__(
        self,
        staging: Staging,
        projector: Projector,
        request: RenderRequest,
        fps: float,
        laser: LaserSetup | None = None,
    ) -> None:
        self.projector = projector
        self._laser = laser
        self._worst: tuple[int, WorstSpot] | None = None
        self.figures: list[FrameFigures] = []
        self.names: list[str] = []
        self._staging = staging
        self._request = request
        self._stem = file_stem(projector.name)
        self._ilda: SequenceWriter | None = None
        self._points: PointsWriter | None = None
        self._wav: WavWriter | None = None
        rate_hz = projector.profile.point_rate_hz
        for kind in dict.fromkeys(request.files):
            name = f"{self._stem}.{kind}"
            stream = staging.open(name)
            self.names.append(name)
            with naming_the_file(staging.folder / name):
                if kind == "ild":
                    self._ilda = SequenceWriter(
                        stream,
                        format_code=request.format_code,
                        name=projector.name,
                        projector=projector.number,
                        palette=request.palette,
                    )
                elif kind == "json":
                    self._points = PointsWriter(
                        stream, projector=projector.name, point_rate_hz=rate_hz, fps=fps
                    )
                else:
                    self._wav = WavWriter(
                        stream,
                        fps=fps / request.frame_step,
                        sample_rate_hz=request.wav_sample_rate_hz or round(rate_hz),
                        encoding=request.wav_encoding,
                    )

    def append(
        self, number: int, frame: Frame, figures: FrameFigures, spot: WorstSpot | None = None
    ) -> None:
        with naming_the_file(self._staging.folder / self._stem):
            if self._ilda is not None:
                self._ilda.append(frame)
            if self._points is not None:
                self._points.append(number, frame)
            if self._wav is not None:
                self._wav.append(frame)
        self.figures.append(figures)
        if self._laser is not None:
            if spot is None:
                spot = worst_spot(
                    frame,
                    self._laser.source,
                    self.projector.profile,
                    self._laser.distance_m,
                    edition=self._laser.edition,
                )
            if spot is not None and (self._worst is None or spot.ratio > self._worst[1].ratio):
                self._worst = number, spot

    def append_strokes(self, scene: str, number: int, strokes: Strokes) -> None:
        kind = self._request.strokes
        # These are the planned strokes: in the projector's field, which is square.
        page = Page(scene, number, 1.0, 1.0)
        writer = svg if kind == "svg" else stroke_json
        name = f"strokes/{self._stem}/{number:04d}.{kind}"
        with naming_the_file(self._staging.folder / name), self._staging.open(name) as stream:
            stream.write(writer.dumps(strokes, page).encode())
        self.names.append(name)

    def finish(self) -> None:
        with naming_the_file(self._staging.folder / self._stem):
            for writer in (self._ilda, self._points, self._wav):
                if writer is not None:
                    writer.finish()

    def report(self) -> tables.ProjectorReport:
        return tables.ProjectorReport(
            name=self.projector.name,
            point_rate_hz=self.projector.profile.point_rate_hz,
            target_refresh_hz=self.projector.target_refresh_hz,
            budget=self.projector.budget,
            figures=tuple(self.figures),
            files=tuple(self.names),
            profile=self.projector.profile,
            safety=None if self._laser is None else _hazards(self._laser, self._worst),
        )

    def remove_stale_strokes(self, numbers: range) -> None:
        """Remove the stroke files of an earlier, longer render; a player would show them."""
        folder = self._staging.folder / "strokes" / self._stem
        for path in folder.iterdir():
            match = re.fullmatch(rf"(-?\d{{3,}})\.{self._request.strokes}", path.name)
            if match and int(match[1]) not in numbers:
                with suppress(OSError):
                    path.unlink()


def _film(
    source: SequenceHead, request: RenderRequest, projectors: Sequence[Projector]
) -> FilmMaker | None:
    if request.video is None:
        return None
    # A source that knows nothing of its page has a square one.
    half_size: tuple[float, float] = getattr(source, "half_size", (1.0, 1.0))
    painter = StagePainter(projectors, half_size, request.video.longer_side)
    return FilmMaker(painter, source.fps / request.frame_step, request.video)


def _hazards(laser: LaserSetup, worst: tuple[int, WorstSpot] | None) -> dict[str, Any]:
    """Return a projector's hazard figures as the report writes them."""
    spot = worst[1] if worst is not None else None
    figures = planning_figures(laser.source, laser.distance_m, edition=laser.edition, worst=spot)
    return {
        "note": PLANNING_NOTE,
        "edition": laser.edition.value,
        "distance_m": laser.distance_m,
        "worst": None if worst is None else {"frame": worst[0], **asdict(worst[1])},
        "figures": [asdict(figure) for figure in figures],
    }


def render_sequence(source: SceneSource, request: RenderRequest) -> Generator[Progress, None, None]:
    """Render frame after frame; every step of the iterator is one frame.

    Settings are checked at once, before the first step. Closing the iterator early, or an
    error, removes everything that was written; the files of an earlier render then stay as
    they were.

    Parameters
    ----------
    source
        The scene.
    request
        What to render and where to.

    Yields
    ------
    Progress
        After each frame; the last carries the result.

    Raises
    ------
    SettingError
        Where the request does not fit the scene.
    SceneError
        Where a frame cannot be drawn.
    FormatError
        Where a frame cannot be expressed in the format.
    OutputError
        Where a file cannot be written.
    """
    numbers, projectors = checked(source, request)
    return _render(source, request, numbers, projectors, _drawn(source, numbers))


def render_drawn(
    source: SequenceHead,
    request: RenderRequest,
    draw: Callable[[range, tuple[Projector, ...]], Iterable[Progress | DrawnFrame]],
    accompany: Callable[[OpenFile], None] | None = None,
) -> Generator[Progress, None, None]:
    """Write frames that somebody else draws; otherwise like `render_sequence`.

    Parameters
    ----------
    source, request
    draw
        Given the frame numbers and the projectors, returns all frames in order; steps of
        `Progress` in between are handed on.
    accompany
        Writes more files into the folder, through the function it is given.
    """
    numbers, projectors = checked(source, request)
    return _render(source, request, numbers, projectors, draw(numbers, projectors), accompany)


def checked(source: SequenceHead, request: RenderRequest) -> tuple[range, tuple[Projector, ...]]:
    """Return the frame numbers and projectors of a request.

    Raises
    ------
    SettingError
        Where the request does not fit the source.
    """
    _check_request(request)
    return _frame_numbers(source, request), _chosen_projectors(source, request)


def _drawn(source: SceneSource, numbers: range) -> Iterator[DrawnFrame]:
    """Evaluate frame after frame; draw and plan what is there while the next is evaluated."""
    memories: dict[str, Any] = {}
    # See `SceneSource`: a source without limits of its own gets the default ones.
    limits: Mapping[str, SafetyLimits] | None = getattr(source, "limits", None)

    def evaluated() -> Iterator[tuple[int, Scene]]:
        for number in numbers:
            with _at_frame(number):
                scene = source.scene_at(number)
            yield number, scene

    def gather(item: tuple[int, Scene]) -> tuple[int, Scene]:
        with _at_frame(item[0]):
            pipeline.gather(item[1])
        return item

    def see(item: tuple[int, Scene]) -> tuple[int, Scene, dict[str, Strokes]]:
        with _at_frame(item[0]):
            return *item, pipeline.seen_strokes(item[1])

    def plan(item: tuple[int, Scene, dict[str, Strokes]]) -> DrawnFrame:
        number, scene, views = item
        with _at_frame(number):
            # All projectors of the scene: who draws what depends on which there are.
            planned = pipeline.plan_scene(scene, views, source.projectors, memories, limits)
        memories.clear()
        memories.update((name, share.memory) for name, share in planned.items())
        return DrawnFrame(number, scene.name, planned)

    yield from through(
        evaluated(),
        [Stage(gather, in_order=True), Stage(see), Stage(plan, in_order=True)],
        pipeline.default_threads(),
    )


def _render(
    source: SequenceHead,
    request: RenderRequest,
    numbers: range,
    projectors: tuple[Projector, ...],
    drawn: Iterable[Progress | DrawnFrame],
    accompany: Callable[[OpenFile], None] | None = None,
) -> Generator[Progress, None, None]:
    chosen = [projector.name for projector in projectors]
    figures: dict[str, FrameFigures] = {}
    # See `SceneSource`: a source that knows nothing of its light leaves it out.
    lasers: Mapping[str, LaserSetup] = getattr(source, "lasers", {})
    done = ahead = 0
    with ExitStack() as stack:
        staging = stack.enter_context(Staging(request.folder, overwrite=request.overwrite))
        if isinstance(drawn, Generator):
            # Whoever works for it must stop when we do, whatever the reason.
            stack.callback(drawn.close)
        files = {
            projector.name: _ProjectorFiles(
                staging, projector, request, source.fps, lasers.get(projector.name)
            )
            for projector in projectors
        }
        reports = ("report.json", "report.csv", *(("report.html",) if request.page else ()))
        report_streams = {name: staging.open(name) for name in reports}
        page = PageWriter() if request.page else None
        film = _film(source, request, projectors)
        after = 0
        if film is not None:
            stack.enter_context(film)
            after = len(numbers)
        for item in drawn:
            if isinstance(item, Progress):
                ahead = item.total - len(numbers)
                yield replace(item, total=item.total + after)
                continue
            done += 1
            with _at_frame(item.number):
                due = request.measure_step > 0 and (done - 1) % request.measure_step == 0
                for name in chosen:
                    share = item.planned[name]
                    told = share.figures
                    if due and not item.measured:
                        told = share.measured(files[name].projector.profile)
                    files[name].append(item.number, share.frame, told, item.spots.get(name))
                    if page is not None:
                        picture = item.pictures.get(name)
                        if picture is None:
                            profile = files[name].projector.profile
                            picture = proof.beam_picture(share.frame, profile)
                        page.append(name, item.number, picture)
                    if request.strokes is not None:
                        files[name].append_strokes(item.scene, item.number, share.strokes)
                if film is not None:
                    film.append({name: item.planned[name].frame for name in chosen})
            figures = {name: item.planned[name].figures for name in chosen}
            if done < len(numbers) or film is not None:
                yield Progress(ahead + done, ahead + len(numbers) + after, item.number, figures)
        beside: dict[str, BinaryIO] = {}

        def open_beside(name: str) -> BinaryIO:
            beside[name] = staging.open(name)
            return beside[name]

        if accompany is not None:
            accompany(open_beside)
        if film is not None and request.video is not None:
            stream = beside.get(str(source.details().get("soundtrack")))
            if stream is not None:
                stream.flush()
            for step in film.finish(None if stream is None else Path(stream.name)):
                yield Progress(
                    ahead + len(numbers) + step, ahead + len(numbers) + after, numbers[-1], figures
                )
            name = request.video.name
            with naming_the_file(request.folder / name), film.file.open("rb") as made:
                shutil.copyfileobj(made, staging.open(name))
        for growing in files.values():
            growing.finish()
        report = tables.Report(
            scene=source.name,
            fps=source.fps,
            frame_first=numbers[0],
            frame_last=numbers[-1],
            frame_step=request.frame_step,
            projectors=tuple(growing.report() for growing in files.values()),
            version=version(),
            details=source.details(),
        )
        texts = {"report.json": tables.json_text(report), "report.csv": tables.csv_text(report)}
        for name, stream in report_streams.items():
            with naming_the_file(request.folder / name):
                if name in texts:
                    stream.write(texts[name].encode())
                elif page is not None:
                    page.finish(stream, report)
        placed = staging.commit()
        if request.strokes is not None and request.overwrite:
            for growing in files.values():
                growing.remove_stale_strokes(numbers)
        reported = [path for path in placed if path.name in report_streams]
        others = [path for path in placed if path.name not in report_streams]
        yield Progress(
            ahead + len(numbers) + after,
            ahead + len(numbers) + after,
            numbers[-1],
            figures,
            RenderResult((*others, *reported), report),
        )
