# SPDX-License-Identifier: GPL-3.0-or-later
"""The command line: arguments in, files and an exit code out.

Exit codes: 0 all went well, 1 `check` found errors in a file or a live command ended by itself
or heard what it should not, 2 it could not be done, 130 cancelled from the keyboard.

Commands that need a scene get it from a host (`SceneHost`); the others work without one.
"""

from __future__ import annotations

import argparse
import io
import re
import sys
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any, get_args

from . import commands, live_show
from .commands import ProgressStyle, SceneHost
from .errors import BeamwrightError
from .output.ilda import PaletteChoice
from .output.ilda_layout import FORMAT_CODES
from .output.wav import Encoding
from .proof_video import LONGER_SIDE
from .sequence import StrokeFormat
from .version import version

__all__ = ["SceneHost", "main"]


_CANCELLED = "cancelled; nothing was written."


def _frame_range(text: str) -> tuple[int, int]:
    match = re.fullmatch(r"(-?\d+)(?:-(-?\d+))?", text)
    if match is None:
        raise argparse.ArgumentTypeError(f"{text!r} is no frame range; write A-B or one frame")
    first = int(match[1])
    return first, first if match[2] is None else int(match[2])


def _joined(arguments: Sequence[str]) -> list[str]:
    """Tie ranges that begin below zero to their option; argparse takes them for options."""
    joined: list[str] = []
    for text in arguments:
        if joined and joined[-1] == "--frames" and re.fullmatch(r"-\d+--?\d+", text):
            joined[-1] += "=" + text
        else:
            joined.append(text)
    return joined


def _positive(text: str) -> float:
    try:
        value = float(text)
    except ValueError:
        value = float("nan")
    if not 0.0 < value < float("inf"):
        raise argparse.ArgumentTypeError(f"{text!r} is no number above 0")
    return value


def _count(text: str) -> int:
    if not re.fullmatch(r"\d{1,4}", text) or int(text) < 1:
        raise argparse.ArgumentTypeError(f"{text!r} is no whole number from 1 on")
    return int(text)


def _part(text: str) -> tuple[int, int]:
    match = re.fullmatch(r"(\d{1,4})/(\d{1,4})", text)
    if match is None or not 1 <= int(match[1]) <= int(match[2]):
        raise argparse.ArgumentTypeError(f"{text!r} is no part; write 1/8 to 8/8 for eight parts")
    return int(match[1]), int(match[2])


def _parser(prog: str) -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        prog=prog, description="Laser graphics for the stage, from Blender scenes."
    )
    parser.add_argument("--version", action="version", version=f"beamwright {version()}")
    subparsers = parser.add_subparsers(dest="command", required=True, metavar="COMMAND")
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

    workers = argparse.ArgumentParser(add_help=False)
    work = workers.add_argument_group("work")
    work.add_argument(
        "--jobs",
        metavar="N",
        type=_count,
        help="processes to use (one for each processor where there is much to do)",
    )
    work.add_argument(
        "--scheduler",
        metavar="ADDRESS",
        help="let the workers of a Dask cluster do it, such as tcp://stage:8786",
    )
    work.add_argument(
        "--cache",
        metavar="DIR",
        type=Path,
        help="folder of finished frames, which later renders take from (one for all files)",
    )
    work.add_argument(
        "--fresh", action="store_true", help="render every frame anew, whatever the cache has"
    )

    render = subparsers.add_parser(
        "render",
        parents=[scene, wav, keep, machine, workers],
        help="render a frame sequence for each projector, and a point report",
    )
    render.set_defaults(run=commands.render)
    render.add_argument("--out", metavar="DIR", type=Path, required=True, help="output folder")
    render.add_argument(
        "--frames", metavar="A-B", type=_frame_range, help="both included (the scene's range)"
    )
    render.add_argument(
        "--step", metavar="N", type=int, help="every how many-th frame (the scene's frame step)"
    )
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
    render.add_argument(
        "--page",
        action=argparse.BooleanOptionalAction,
        default=True,
        help="write report.html, which plays the pictures in any browser (yes)",
    )
    render.add_argument(
        "--video",
        metavar="FILE.mp4",
        help="also a film of the light on the stage, with the show's sound; it goes into the "
        "output folder (.mp4, .mkv or .mov)",
    )
    render.add_argument(
        "--video-size",
        metavar="PIXELS",
        type=int,
        default=LONGER_SIDE,
        help="longer side of the film's picture (%(default)s)",
    )
    render.add_argument(
        "--measure",
        metavar="N",
        type=int,
        default=12,
        help="simulate every N-th frame and report how near the beam is to the drawing; 0 does "
        "without (%(default)s)",
    )

    render.add_argument(
        "--progress",
        choices=get_args(ProgressStyle),
        default="bar",
        help="a bar, on a terminal only, or lines of JSON on standard error, for programs "
        "(%(default)s)",
    )
    render.add_argument(
        "--per-strip",
        action="store_true",
        help="of a show, also a sequence for each strip, without transitions, in strips/NAME",
    )
    render.add_argument(
        "--part",
        metavar="I/N",
        type=_part,
        help="do only the I-th of N parts of the work into the cache and write no files, "
        "for render farms; render without it when all parts are done",
    )

    lines = subparsers.add_parser(
        "lines",
        parents=[scene, keep, machine],
        help="write the visible strokes of one frame as seen by the camera",
    )
    lines.set_defaults(run=commands.lines)
    lines.add_argument("--frame", metavar="N", type=int, required=True)
    lines.add_argument("--out", metavar="FILE.json|.svg", type=Path, required=True)

    artwork = subparsers.add_parser(
        "import",
        parents=[machine],
        help="bring SVG drawings into a scene: one, several, or a numbered sequence",
    )
    artwork.set_defaults(run=commands.import_artwork)
    artwork.add_argument("files", metavar="FILE.svg", type=Path, nargs="+")
    artwork.add_argument(
        "--into", metavar="SCENE.blend", type=Path, required=True, help="file with the scene"
    )
    artwork.add_argument(
        "--out", metavar="FILE.blend", type=Path, help="save there instead of into the same file"
    )
    artwork.add_argument("--scene", metavar="NAME", help="scene of the file, if not its active one")
    artwork.add_argument("--name", default="", help="name of the new object (the file's)")
    artwork.add_argument(
        "--sequence", action="store_true", help="also the numbered files beside a single one"
    )
    artwork.add_argument(
        "--text",
        choices=("strokes", "lettering", "none"),
        default="strokes",
        help="what becomes of text: pen strokes, text objects, nothing (%(default)s)",
    )
    artwork.add_argument(
        "--frame", metavar="N", type=int, default=1, help="frame of the first drawing (%(default)s)"
    )
    artwork.add_argument(
        "--step", metavar="N", type=int, default=1, help="frames for each drawing (%(default)s)"
    )
    artwork.add_argument(
        "--place",
        choices=("camera", "origin", "cursor"),
        default="camera",
        help="fill the camera's frame, or stand upright (%(default)s)",
    )
    artwork.add_argument(
        "--size",
        metavar="UNITS",
        type=_positive,
        default=4.0,
        help="longer side where the camera does not decide it (%(default)g)",
    )

    check = subparsers.add_parser(
        "check", parents=[machine], help="say what breaks the standard in ILDA files, and where"
    )
    check.set_defaults(run=commands.check)
    check.add_argument("files", metavar="FILE.ild", type=Path, nargs="+")

    report = subparsers.add_parser(
        "report",
        parents=[machine],
        help="say which frames are over budget and which objects cost the most",
    )
    report.set_defaults(run=commands.report)
    report.add_argument("file", metavar="REPORT.json", type=Path)
    report.add_argument(
        "--page",
        action="store_true",
        help="make report.html anew, from the frame files beside the report",
    )
    report.add_argument(
        "--lines", metavar="N", type=int, default=5, help="most ranges told of each kind"
    )

    pattern = subparsers.add_parser(
        "pattern",
        parents=[keep, machine],
        help="list the pictures for tuning a projector, or write them",
    )
    pattern.set_defaults(run=commands.pattern)
    pattern.add_argument(
        "names", metavar="NAME", nargs="*", help="of the pictures, or all; none lists them"
    )
    pattern.add_argument("--out", metavar="DIR", type=Path, help="output folder")
    pattern.add_argument(
        "--rating",
        metavar="PPS",
        type=_positive,
        default=30000.0,
        help="points a second the scanners are rated for at 8 degrees (%(default)g)",
    )
    pattern.add_argument(
        "--field",
        metavar="DEG",
        type=_positive,
        default=20.0,
        help="full optical angle of the field (%(default)g)",
    )
    pattern.add_argument(
        "--profile", metavar="FILE.json", type=Path, help="scanner profile instead of these"
    )
    pattern.add_argument("--format", type=int, choices=FORMAT_CODES, default=5)

    convert = subparsers.add_parser(
        "convert",
        parents=[wav, keep, machine],
        help="turn an ILDA file into a WAV file, points as JSON, or a folder of SVG files",
    )
    convert.set_defaults(run=commands.convert)
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

    def add_live(name: str, **keywords: Any) -> argparse.ArgumentParser:
        live = subparsers.add_parser(name, **keywords)
        live.set_defaults(run=commands.live)
        return live

    live_show.add_parsers(add_live, _frame_range, _positive, (workers,))
    return parser


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
    given = sys.argv[1:] if arguments is None else arguments
    options = _parser(prog).parse_args(_joined(given))
    run: Callable[[argparse.Namespace, SceneHost | None], int] = options.run
    try:
        return run(options, host)
    except BeamwrightError as error:
        if options.json:
            commands.say_json({"error": {"kind": type(error).__name__, "message": str(error)}})
        sys.stderr.write(f"{prog}: {error}\n")
        return 2
    except KeyboardInterrupt as interrupt:
        sys.stderr.write(f"{prog}: {str(interrupt) or _CANCELLED}\n")
        return 130
