# SPDX-License-Identifier: GPL-3.0-or-later
"""What each command of the command line does; `cli` reads the arguments.

A command takes its options and the host that opens scenes, writes its answer to standard
output, and returns the exit code.
"""

from __future__ import annotations

import argparse
import json
import sys
import time
from collections.abc import Generator, Iterator, Sequence
from contextlib import closing, contextmanager
from dataclasses import replace
from functools import partial
from pathlib import Path
from statistics import median
from typing import Any, Literal, Protocol, TextIO, cast

from . import live_show, pipeline
from .documents import read_document
from .errors import FormatError, HostError, OutputError, SceneError, SettingError
from .output import ilda, stroke_json, svg
from .output.points_json import PointsWriter
from .output.stroke_json import Page
from .output.trace import trace_strokes
from .output.wav import WavWriter
from .output.whole_file import Staging, whole_file
from .points.patterns import PATTERNS, pattern_frames
from .points.projector import ScannerProfile, profile_from_json, profile_from_rating
from .proof import beam_picture
from .proof_video import Video
from .report import tables
from .report.page import PageWriter
from .safety.guard import guard
from .scene import SceneSource
from .sequence import Progress, RenderRequest, RenderResult, render_sequence
from .show.cache import Cache, default_folder
from .show.cluster import ClusterRunner
from .show.jobs import (
    AutomaticRunner,
    ProcessRunner,
    Runner,
    SerialRunner,
    WorkerCommand,
    WorkerRequest,
    digest_of_file,
    processors,
)
from .show.render import render_film, render_part, strip_films
from .show.work import FilmSource

__all__ = [
    "FilmHost",
    "ProgressStyle",
    "SceneHost",
    "check",
    "convert",
    "import_artwork",
    "lines",
    "live",
    "pattern",
    "render",
    "report",
    "say_json",
]


ProgressStyle = Literal["bar", "lines"]


JOBS_MOST = 8
"""Processes that are started unasked, for the sake of memory."""


class SceneHost(Protocol):
    """Whoever can open a scene: Blender, or a test."""

    def open(
        self, path: Path | None, scene_name: str | None, camera_name: str | None
    ) -> SceneSource:
        """Open a scene of a file, or of the file that is open already (None).

        Raises
        ------
        HostError
            Where there is no Blender; the message says how to get it.
        SceneError
            Where the file, scene or camera does not exist or cannot be read.
        """
        ...


class FilmHost(SceneHost, Protocol):
    """A host that also opens shows and can start processes of its own kind."""

    def open_film(
        self, path: Path | None, scene_name: str | None, camera_name: str | None
    ) -> FilmSource:
        """Open a show, or a scene by itself; otherwise like `open`."""
        ...

    def open_file(self) -> Path:
        """Return the file that is open.

        Raises
        ------
        SceneError
            Where it differs from what is on the disk.
        """
        ...

    def worker(self, request: WorkerRequest) -> WorkerCommand:
        """Return how a worker process is started."""
        ...

    def video_encoder(self, request_json: str) -> Sequence[str]:
        """Return program and arguments that make a film; see `proof_video.Encoder`."""
        ...


class ArtworkHost(SceneHost, Protocol):
    """Whoever can also bring drawings into a scene."""

    def import_artwork(self, options: argparse.Namespace) -> dict[str, Any]:
        """Read the drawings, put them into the scene and save its file.

        Returns
        -------
        ``file``, ``object``, ``drawings``, ``layers`` and ``warnings``.
        """
        ...


class _ProgressBar:
    """A bar with the time left, on a terminal only."""

    WIDTH = 30

    def __init__(self, stream: TextIO) -> None:
        self._stream = stream
        self._shown = stream.isatty()
        self._start = time.monotonic()

    def show(self, progress: Progress) -> None:
        if not self._shown:
            return
        filled = self.WIDTH * progress.done // progress.total
        spent = time.monotonic() - self._start
        left = round(spent / progress.done * (progress.total - progress.done))
        bar = "#" * filled + "." * (self.WIDTH - filled)
        self._write(f"[{bar}] {progress.done}/{progress.total}  {left // 60}:{left % 60:02d} left")

    def clear(self) -> None:
        if self._shown:
            self._write("")

    def _write(self, text: str) -> None:
        # Carriage return, then erase to the end of the line (ECMA-48).
        self._stream.write(f"\r\x1b[K{text}")
        self._stream.flush()


class _ProgressLines:
    """One line of JSON for each step."""

    def __init__(self, stream: TextIO) -> None:
        self._stream = stream

    def show(self, progress: Progress) -> None:
        told = {"done": progress.done, "total": progress.total, "frame": progress.frame}
        self._stream.write(json.dumps(told) + "\n")
        self._stream.flush()

    def clear(self) -> None:
        """Lines stay."""


def _open(options: argparse.Namespace, host: SceneHost | None) -> SceneSource:
    if host is None:
        raise HostError("Scenes need Blender, which this program was started without.")
    return host.open(options.file, options.scene, options.camera)


def say_json(value: object) -> None:
    """Write a value to standard output."""
    sys.stdout.write(json.dumps(value, ensure_ascii=False, indent=1) + "\n")


def _projector_row(projector: tables.ProjectorReport) -> dict[str, Any]:
    points = [row.points for row in projector.figures]
    return {
        "name": projector.name,
        "frames": len(points),
        "points_min": min(points, default=0),
        "points_median": median(points) if points else 0,
        "points_max": max(points, default=0),
        "budget": projector.budget,
        "refresh_hz_min": min((row.refresh_hz for row in projector.figures), default=0.0),
        "over_budget_frames": sum(row.over_budget for row in projector.figures),
        "over_budget": [
            {"first": frames.first, "last": frames.last}
            for frames in tables.over_budget_ranges(projector.figures)
        ],
        "share_by_object": {
            name: round(share, 4)
            for name, share in tables.cost_shares(projector.figures).items()
            if name
        },
        "costs": [
            {
                "object": cost.name,
                "first": cost.frames.first,
                "last": cost.frames.last,
                "share": round(cost.share, 4),
                "points": round(cost.points, 1),
            }
            for cost in tables.cost_ranges(projector.figures)
        ],
    }


def _say_rendered(result: RenderResult, as_json: bool, strips: Sequence[RenderResult] = ()) -> None:
    if as_json:
        say_json(
            {
                "files": [str(path) for part in (result, *strips) for path in part.files],
                "projectors": [_projector_row(row) for row in result.report.projectors],
            }
        )
        return
    strokes = [path for path in result.files if path.parent.parent.name == "strokes"]
    sys.stdout.write("Files:\n")
    for path in result.files:
        if path not in strokes:
            sys.stdout.write(f"  {path}\n")
    for folder in dict.fromkeys(path.parent for path in strokes):
        count = sum(path.parent == folder for path in strokes)
        sys.stdout.write(f"  {folder}  ({count} files)\n")
    for part in strips:
        files = f"{len(part.files)} files"
        sys.stdout.write(f"  {part.files[-1].parent}  ({files} of strip {part.report.scene})\n")
    sys.stdout.write("\n" + tables.summary(result.report))


def _run(steps: Generator[Progress, None, None], style: ProgressStyle) -> RenderResult:
    """Go through a render and tell its progress."""
    result = _go_through(steps, style)
    assert result is not None, "the last step carries the result"
    return result


def _go_through(
    steps: Generator[Progress, None, None], style: ProgressStyle
) -> RenderResult | None:
    """Go through some work and tell its progress; return what the last step carries."""
    bar = _ProgressBar(sys.stderr) if style == "bar" else _ProgressLines(sys.stderr)
    result: RenderResult | None = None
    try:
        # Closing takes the unfinished files away, whatever ends the loop.
        with closing(steps):
            for progress in steps:
                bar.show(progress)
                result = progress.result
    finally:
        bar.clear()
    return result


def render(options: argparse.Namespace, host: SceneHost | None) -> int:
    """Render a sequence."""
    first, last = options.frames or (None, None)
    request = RenderRequest(
        folder=options.out,
        frame_first=first,
        frame_last=last,
        frame_step=1 if options.step is None else options.step,
        projectors=tuple(options.projector),
        files=("ild", *dict.fromkeys(options.also)),
        format_code=options.format,
        palette=options.palette,
        strokes=options.strokes,
        wav_sample_rate_hz=options.wav_rate,
        wav_encoding=options.wav_encoding,
        overwrite=not options.keep,
        page=options.page,
        measure_step=options.measure,
    )
    if options.video is not None:
        if not hasattr(host, "video_encoder"):
            raise HostError("A film needs Blender, which this program was started without.")
        encoder = cast(FilmHost, host).video_encoder
        request = replace(request, video=Video(options.video, encoder, options.video_size))
    if host is None or not hasattr(host, "open_film"):
        source = _open(options, host)
        results = [
            _run(render_sequence(source, _stepped(options, request, source)), options.progress)
        ]
    else:
        results = _render_film(options, cast(FilmHost, host), request)
    if results:
        _say_rendered(results[0], options.json, results[1:])
    elif options.json:
        say_json({"files": [], "part": list(options.part)})
    else:
        sys.stdout.write("This part is in the cache. Render without --part to write the files.\n")
    return 0


def _stepped(options: argparse.Namespace, request: RenderRequest, source: Any) -> RenderRequest:
    """Take the step of a scene that has one, as Blender's renders and its panel do."""
    if options.step is not None:
        return request
    return replace(request, frame_step=getattr(source, "frame_step", 1))


def _render_film(
    options: argparse.Namespace, host: FilmHost, request: RenderRequest
) -> list[RenderResult]:
    """Render through the cache, by whoever shall work; one result for each sequence."""
    film = host.open_film(options.file, options.scene, options.camera)
    request = _stepped(options, request, film)
    cache = Cache(options.cache or default_folder(), fresh=options.fresh)
    with _told_of_cache(), _runner(options, host, film, cache) as runner:
        if options.part is not None:
            number, count = options.part
            _go_through(render_part(film, request, cache, runner, number, count), options.progress)
            return []
        results = [_run(render_film(film, request, cache, runner), options.progress)]
        if options.per_strip:
            for part, folder in strip_films(film):
                inner = replace(
                    request,
                    folder=request.folder / folder,
                    frame_first=None,
                    frame_last=None,
                    video=None,
                )
                results.append(_run(render_film(part, inner, cache, runner), options.progress))
        return results


@contextmanager
def _told_of_cache() -> Iterator[None]:
    """Say of a cancelled render that it goes on where it stopped."""
    try:
        yield
    except KeyboardInterrupt:
        raise KeyboardInterrupt(
            "cancelled; finished frames are kept, and the same command goes on from there."
        ) from None


@contextmanager
def _runner(
    options: argparse.Namespace, host: FilmHost, film: FilmSource, cache: Cache
) -> Iterator[Runner]:
    """Choose who works: this process, several, or a cluster."""
    if options.jobs == 1 and options.scheduler is None:
        yield SerialRunner(film)
        return
    automatic = options.jobs is None and options.scheduler is None
    try:
        file = (options.file or host.open_file()).resolve()
    except SceneError:
        if not automatic:
            raise
        # What is not saved no other process can open.
        yield SerialRunner(film)
        return
    worker = WorkerRequest(
        file=str(file),
        digest=digest_of_file(file),
        scene=options.scene,
        camera=options.camera,
        cache=str(cache.folder.resolve()),
        unsure=options.file is None,
    )
    if automatic:
        count = min(processors(), JOBS_MOST)
        several = partial(ProcessRunner, host.worker(worker), count) if count > 1 else None
        yield AutomaticRunner(film, several)
        return
    if options.scheduler is None:
        yield ProcessRunner(host.worker(worker), options.jobs)
        return
    with ClusterRunner(options.scheduler, worker, host.worker(worker)) as runner:
        yield runner


def lines(options: argparse.Namespace, host: SceneHost | None) -> int:
    """Write the visible strokes of one frame."""
    suffix = options.out.suffix.lower()
    if suffix not in (".json", ".svg"):
        raise SettingError(f"{options.out} must end in .json or .svg.")
    source = _open(options, host)
    scene = source.scene_at(options.frame)
    strokes = pipeline.visible_strokes(scene)
    page = Page(scene.name, scene.frame, scene.camera.half_width, scene.camera.half_height)
    writer = svg if suffix == ".svg" else stroke_json
    writer.write(options.out, strokes, page, overwrite=not options.keep)
    if options.json:
        say_json(
            {
                "files": [str(options.out)],
                "strokes": len(strokes),
                "length": float(strokes.lengths.sum()),
            }
        )
    else:
        sys.stdout.write(
            f"{options.out}: {len(strokes)} strokes, {strokes.lengths.sum():.3f} field units\n"
        )
    return 0


def check(options: argparse.Namespace, host: SceneHost | None) -> int:
    """Check ILDA files; 1 where one breaks the standard."""
    del host
    found = {path: ilda.check(path) for path in options.files}
    broken = {
        path: sum(finding.severity is ilda.Severity.ERROR for finding in findings)
        for path, findings in found.items()
    }
    if options.json:
        say_json(
            {
                "files": [
                    {
                        "file": str(path),
                        "ok": not broken[path],
                        "findings": [
                            {
                                "severity": finding.severity.value,
                                "rule": finding.rule,
                                "offset": finding.offset,
                                "section": finding.section,
                                "message": finding.message,
                            }
                            for finding in findings
                        ],
                    }
                    for path, findings in found.items()
                ]
            }
        )
    else:
        for path, findings in found.items():
            for finding in findings:
                sys.stdout.write(f"{path}: {finding}\n")
            warnings = len(findings) - broken[path]
            verdict = "breaks the standard" if broken[path] else "keeps the standard"
            counts = f"{_count(broken[path], 'error')}, {_count(warnings, 'warning')}"
            sys.stdout.write(f"{path} {verdict}: {counts}\n")
    return 1 if any(broken.values()) else 0


def _count(number: int, thing: str) -> str:
    return f"{number} {thing}" if number == 1 else f"{number} {thing}s"


def report(options: argparse.Namespace, host: SceneHost | None) -> int:
    """Tell what a render cost."""
    del host
    figures = tables.read(options.file)
    files = [_remake_page(options.file, figures)] if options.page else []
    if options.json:
        say_json(
            {
                **({"files": [str(path) for path in files]} if files else {}),
                "scene": figures.scene,
                "fps": figures.fps,
                "frame_first": figures.frame_first,
                "frame_last": figures.frame_last,
                "frame_step": figures.frame_step,
                "projectors": [_projector_row(row) for row in figures.projectors],
            }
        )
    else:
        sys.stdout.write(tables.summary(figures, lines_each=max(0, options.lines)))
        for path in files:
            sys.stdout.write(f"\n{path}\n")
    return 0


def _remake_page(path: Path, figures: tables.Report) -> Path:
    """Write `report.html` from a report and the ILDA or JSON files beside it."""
    page = PageWriter()
    for projector in figures.projectors:
        name = next((name for name in projector.files if name.endswith(".ild")), None)
        if name is None:
            raise FormatError(
                f"{path} names no ILDA file of {projector.name}, and the page needs its frames. "
                "Render again."
            )
        count = 0
        for row, frame in zip(projector.figures, ilda.frames(path.parent / name), strict=False):
            samples = frame.samples(projector.point_rate_hz)
            page.append(projector.name, row.frame, beam_picture(samples, projector.profile))
            count += 1
        if count < len(projector.figures):
            raise FormatError(
                f"{path.parent / name} has {count} frames, the report {len(projector.figures)}: "
                "they are of different renders. Render again."
            )
    target = path.with_name("report.html")
    with whole_file(target) as stream:
        page.finish(stream, figures)
    return target


def convert(options: argparse.Namespace, host: SceneHost | None) -> int:
    """Turn an ILDA file into another format."""
    del host
    write = {"wav": _convert_to_wav, "json": _convert_to_json, "svg": _convert_to_svg}[options.to]
    count = write(options)
    if options.json:
        say_json({"files": [str(options.out)], "frames": count})
    else:
        sys.stdout.write(f"{options.out}: {_count(count, 'frame')}\n")
    return 0


def _convert_to_wav(options: argparse.Namespace) -> int:
    with whole_file(options.out, overwrite=not options.keep) as stream:
        writer = WavWriter(
            stream,
            fps=options.fps,
            sample_rate_hz=options.wav_rate or round(options.point_rate),
            encoding=options.wav_encoding,
        )
        for frame in ilda.frames(options.file):
            writer.append(frame.samples(options.point_rate))
        writer.finish()
    return writer.count


def _convert_to_json(options: argparse.Namespace) -> int:
    with whole_file(options.out, overwrite=not options.keep) as stream:
        writer = PointsWriter(
            stream,
            projector=options.file.stem,
            point_rate_hz=options.point_rate,
            fps=options.fps,
        )
        for number, frame in enumerate(ilda.frames(options.file)):
            writer.append(number, frame.samples(options.point_rate))
        writer.finish()
    return writer.count


def _convert_to_svg(options: argparse.Namespace) -> int:
    if options.out.is_file():
        raise OutputError(f"{options.out} is a file; SVG files go into a folder.")
    count = 0
    with Staging(options.out, overwrite=not options.keep) as staging:
        for frame in ilda.frames(options.file):
            strokes = trace_strokes(frame.samples(options.point_rate))
            with staging.open(f"{count:04d}.svg") as stream:
                stream.write(svg.dumps(strokes, Page(options.file.stem, count)).encode())
            count += 1
        staging.commit()
    return count


def _profile(options: argparse.Namespace) -> ScannerProfile:
    if options.profile is None:
        return profile_from_rating(options.rating, field_deg=options.field)
    return read_document(options.profile, profile_from_json)


def pattern(options: argparse.Namespace, host: SceneHost | None) -> int:
    """List the tuning pictures, or write some."""
    del host
    if not options.names:
        return _list_patterns(options)
    if options.out is None:
        raise SettingError("Say with --out into which folder the tuning pictures go.")
    names = list(PATTERNS) if options.names == ["all"] else list(dict.fromkeys(options.names))
    profile = _profile(options)
    written = {}
    with Staging(options.out, overwrite=not options.keep) as staging:
        for name in names:
            writer = None
            for frame in pattern_frames(name, profile):
                # Whatever is drawn has passed the safety stage.
                safe = guard(frame, profile=profile)
                if writer is None:
                    writer = ilda.SequenceWriter(
                        staging.open(f"pattern-{name}.ild"), format_code=options.format, name=name
                    )
                writer.append(safe.frame)
            assert writer is not None, "every picture has a frame"
            writer.finish()
            written[name] = writer.count
        paths = staging.commit()
    if options.json:
        say_json(
            {
                "files": [str(path) for path in paths],
                "point_rate_hz": profile.point_rate_hz,
                "frames": written,
            }
        )
        return 0
    for name, path in zip(names, paths, strict=True):
        sys.stdout.write(f"{path}\n  {PATTERNS[name].title}: {PATTERNS[name].look_at}\n")
    sys.stdout.write(f"Play them at {profile.point_rate_hz:g} points a second.\n")
    return 0


def live(options: argparse.Namespace, host: SceneHost | None) -> int:
    """Stream to a projector, be one, or look for some."""

    def open_scene(path: Path, scene_name: str | None) -> SceneSource:
        assert host is not None
        return host.open(path, scene_name, None)

    @contextmanager
    def open_film(path: Path, scene_name: str | None) -> Iterator[tuple[FilmSource, Cache, Runner]]:
        film_host = cast(FilmHost, host)
        film = film_host.open_film(path, scene_name, None)
        cache = Cache(options.cache or default_folder(), fresh=options.fresh)
        with _told_of_cache(), _runner(options, film_host, film, cache) as runner:
            yield film, cache, runner

    return live_show.run(
        options,
        open_scene if host is not None else None,
        open_film if hasattr(host, "open_film") else None,
    )


def _list_patterns(options: argparse.Namespace) -> int:
    if options.json:
        say_json(
            {
                "patterns": [
                    {
                        "name": entry.name,
                        "title": entry.title,
                        "look_at": entry.look_at,
                        "change": entry.change,
                    }
                    for entry in PATTERNS.values()
                ]
            }
        )
        return 0
    for entry in PATTERNS.values():
        sys.stdout.write(
            f"{entry.name}: {entry.title}\n  look at  {entry.look_at}\n  change   {entry.change}\n"
        )
    return 0


def import_artwork(options: argparse.Namespace, host: SceneHost | None) -> int:
    """Bring drawings into a scene."""
    if host is None or not hasattr(host, "import_artwork"):
        raise HostError("Scenes need Blender, which this program was started without.")
    result = cast(ArtworkHost, host).import_artwork(options)
    if options.json:
        say_json(result)
        return 0
    sys.stdout.write(
        f"{result['object']}: {result['drawings']} drawings, layers "
        f"{', '.join(result['layers'])}\n{result['file']}\n"
    )
    for text in result["warnings"]:
        sys.stderr.write(f"{text}\n")
    return 0
