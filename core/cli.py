# SPDX-License-Identifier: GPL-3.0-or-later
"""The command line: arguments in, files and an exit code out.

Exit codes: 0 all went well, 1 `check` found errors in a file, 2 it could not be done, 130
cancelled from the keyboard.

Commands that need a scene get it from a host (`SceneHost`); the others work without one.
"""

from __future__ import annotations

import argparse
import io
import json
import re
import sys
import time
from collections.abc import Callable, Sequence
from contextlib import closing
from pathlib import Path
from statistics import median
from typing import Any, Protocol, TextIO, get_args

from . import pipeline
from .errors import BeamwrightError, HostError, OutputError, SettingError
from .output import ilda, stroke_json, svg
from .output.ilda import PaletteChoice
from .output.ilda_layout import FORMAT_CODES
from .output.points_json import PointsWriter
from .output.stroke_json import Page
from .output.trace import trace_strokes
from .output.wav import Encoding, WavWriter
from .output.whole_file import Staging, whole_file
from .report import tables
from .scene import SceneSource
from .sequence import Progress, RenderRequest, RenderResult, StrokeFormat, render_sequence
from .version import version

__all__ = ["SceneHost", "main"]


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


def _frame_range(text: str) -> tuple[int, int]:
    match = re.fullmatch(r"(-?\d+)(?:-(-?\d+))?", text)
    if match is None:
        raise argparse.ArgumentTypeError(f"{text!r} is no frame range; write A-B or one frame")
    first = int(match[1])
    return first, first if match[2] is None else int(match[2])


def _positive(text: str) -> float:
    try:
        value = float(text)
    except ValueError:
        value = float("nan")
    if not 0.0 < value < float("inf"):
        raise argparse.ArgumentTypeError(f"{text!r} is no number above 0")
    return value


def _parser(prog: str) -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        prog=prog, description="Laser graphics for the stage, from Blender scenes."
    )
    parser.add_argument("--version", action="version", version=f"beamwright {version()}")
    commands = parser.add_subparsers(dest="command", required=True, metavar="COMMAND")
    machine = argparse.ArgumentParser(add_help=False)
    machine.add_argument("--json", action="store_true", help="answer in JSON, for machines")
    keep = argparse.ArgumentParser(add_help=False)
    keep.add_argument(
        "--keep", action="store_true", help="fail rather than replace files that exist"
    )
    scene = argparse.ArgumentParser(add_help=False)
    scene.add_argument(
        "file",
        metavar="SCENE.blend",
        type=Path,
        nargs="?",
        help="inside Blender it may be left out: the open file is taken",
    )
    scene.add_argument("--scene", metavar="NAME", help="scene of the file, if not its active one")
    scene.add_argument("--camera", metavar="NAME", help="camera, if not the scene's own")
    wav = argparse.ArgumentParser(add_help=False)
    wav.add_argument(
        "--wav-rate", type=int, metavar="HZ", help="sample rate of WAV files (the point rate)"
    )
    wav.add_argument(
        "--wav-encoding", choices=get_args(Encoding), default="pcm24", help="(%(default)s)"
    )

    render = commands.add_parser(
        "render",
        parents=[scene, wav, keep, machine],
        help="render a frame sequence for each projector, and a point report",
    )
    render.set_defaults(run=_render)
    render.add_argument("--out", metavar="DIR", type=Path, required=True, help="output folder")
    render.add_argument(
        "--frames", metavar="A-B", type=_frame_range, help="both included (the scene's range)"
    )
    render.add_argument("--step", metavar="N", type=int, default=1, help="every how many-th frame")
    render.add_argument(
        "--projector", metavar="NAME", nargs="+", action="extend", default=[], help="these only"
    )
    render.add_argument(
        "--format",
        type=int,
        choices=FORMAT_CODES,
        default=5,
        help="ILDA format: 5 and 4 true colour in 2D and 3D, 1 and 0 indexed (%(default)s)",
    )
    render.add_argument(
        "--palette",
        choices=get_args(PaletteChoice),
        default="own",
        help="of indexed formats: own colours, or the standard's suggested ones (%(default)s)",
    )
    render.add_argument(
        "--also",
        choices=("json", "wav"),
        nargs="+",
        action="extend",
        default=[],
        help="more files of each projector: its samples as JSON, its signal as WAV",
    )
    render.add_argument(
        "--strokes", choices=get_args(StrokeFormat), help="also the strokes of every frame"
    )

    lines = commands.add_parser(
        "lines",
        parents=[scene, keep, machine],
        help="write the visible strokes of one frame as seen by the camera",
    )
    lines.set_defaults(run=_lines)
    lines.add_argument("--frame", metavar="N", type=int, required=True)
    lines.add_argument("--out", metavar="FILE.json|.svg", type=Path, required=True)

    check = commands.add_parser(
        "check", parents=[machine], help="say what breaks the standard in ILDA files, and where"
    )
    check.set_defaults(run=_check)
    check.add_argument("files", metavar="FILE.ild", type=Path, nargs="+")

    report = commands.add_parser(
        "report",
        parents=[machine],
        help="say which frames are over budget and which objects cost the most",
    )
    report.set_defaults(run=_report)
    report.add_argument("file", metavar="REPORT.json", type=Path)
    report.add_argument(
        "--lines", metavar="N", type=int, default=5, help="most ranges told of each kind"
    )

    convert = commands.add_parser(
        "convert",
        parents=[wav, keep, machine],
        help="turn an ILDA file into a WAV file, points as JSON, or a folder of SVG files",
    )
    convert.set_defaults(run=_convert)
    convert.add_argument("file", metavar="FILE.ild", type=Path)
    convert.add_argument("--to", choices=("wav", "json", "svg"), required=True)
    convert.add_argument("--out", metavar="PATH", type=Path, required=True)
    convert.add_argument(
        "--point-rate",
        metavar="HZ",
        type=_positive,
        default=30000.0,
        help="the file does not hold it (%(default)g)",
    )
    convert.add_argument(
        "--fps", type=_positive, default=24.0, help="nor frames a second (%(default)g)"
    )
    return parser


def _open(options: argparse.Namespace, host: SceneHost | None) -> SceneSource:
    if host is None:
        raise HostError("Scenes need Blender, which this program was started without.")
    return host.open(options.file, options.scene, options.camera)


def _say_json(value: object) -> None:
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


def _say_rendered(result: RenderResult, as_json: bool) -> None:
    if as_json:
        _say_json(
            {
                "files": [str(path) for path in result.files],
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
    sys.stdout.write("\n" + tables.summary(result.report))


def _render(options: argparse.Namespace, host: SceneHost | None) -> int:
    source = _open(options, host)
    first, last = options.frames or (None, None)
    request = RenderRequest(
        folder=options.out,
        frame_first=first,
        frame_last=last,
        frame_step=options.step,
        projectors=tuple(options.projector),
        files=("ild", *dict.fromkeys(options.also)),
        format_code=options.format,
        palette=options.palette,
        strokes=options.strokes,
        wav_sample_rate_hz=options.wav_rate,
        wav_encoding=options.wav_encoding,
        overwrite=not options.keep,
    )
    bar = _ProgressBar(sys.stderr)
    result: RenderResult | None = None
    try:
        # Closing takes the unfinished files away, whatever ends the loop.
        with closing(render_sequence(source, request)) as steps:
            for progress in steps:
                bar.show(progress)
                result = progress.result
    finally:
        bar.clear()
    assert result is not None, "the last step carries the result"
    _say_rendered(result, options.json)
    return 0


def _lines(options: argparse.Namespace, host: SceneHost | None) -> int:
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
        _say_json(
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


def _check(options: argparse.Namespace, host: SceneHost | None) -> int:
    del host
    found = {path: ilda.check(path) for path in options.files}
    broken = {
        path: sum(finding.severity is ilda.Severity.ERROR for finding in findings)
        for path, findings in found.items()
    }
    if options.json:
        _say_json(
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


def _report(options: argparse.Namespace, host: SceneHost | None) -> int:
    del host
    report = tables.read(options.file)
    if options.json:
        _say_json(
            {
                "scene": report.scene,
                "fps": report.fps,
                "frame_first": report.frame_first,
                "frame_last": report.frame_last,
                "frame_step": report.frame_step,
                "projectors": [_projector_row(row) for row in report.projectors],
            }
        )
    else:
        sys.stdout.write(tables.summary(report, lines_each=max(0, options.lines)))
    return 0


def _convert(options: argparse.Namespace, host: SceneHost | None) -> int:
    del host
    write = {"wav": _convert_to_wav, "json": _convert_to_json, "svg": _convert_to_svg}[options.to]
    count = write(options)
    if options.json:
        _say_json({"files": [str(options.out)], "frames": count})
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


def main(
    arguments: Sequence[str] | None = None,
    host: SceneHost | None = None,
    prog: str = "beamwright",
) -> int:
    """Run one command and return its exit code.

    Parameters
    ----------
    arguments
        Without the program's name; None takes them from the command line.
    host
        Opens scenes; without one the commands that need a scene end with an error.
    prog
        How the program is called, for its help.

    Raises
    ------
    SystemExit
        From argparse: 2 for arguments it does not know, 0 after ``--help``.
    """
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, io.TextIOWrapper):
            # A terminal that lacks a letter of an object's name must not end the run.
            stream.reconfigure(errors="replace")
    options = _parser(prog).parse_args(arguments)
    run: Callable[[argparse.Namespace, SceneHost | None], int] = options.run
    try:
        return run(options, host)
    except BeamwrightError as error:
        if options.json:
            _say_json({"error": {"kind": type(error).__name__, "message": str(error)}})
        sys.stderr.write(f"{prog}: {error}\n")
        return 2
    except KeyboardInterrupt:
        sys.stderr.write(f"{prog}: cancelled; nothing was written.\n")
        return 130
