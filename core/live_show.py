# SPDX-License-Identifier: GPL-3.0-or-later
"""The live commands: frames of a file or a scene, and the projector they are meant for.

Composes what `core/live/commands.py` plays and receives.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from pathlib import Path

from . import pipeline
from .documents import read_document
from .errors import FormatError, HostError, SettingError
from .frame import Frame
from .live import commands as live
from .output import ilda
from .output.whole_file import whole_file
from .points.projector import Projector, ScannerProfile, profile_from_json, profile_from_rating
from .safety.laser import LaserSetup
from .safety.limits import SafetyLimits
from .safety.scanned import exposure_check
from .scene import SceneSource

__all__ = [
    "Programme",
    "add_parsers",
    "exposure_guard",
    "programme_of_file",
    "programme_of_scene",
    "run",
]

Opener = Callable[[Path, str | None], SceneSource]


@dataclass(frozen=True, eq=False)
class Programme:
    """What one projector plays.

    Attributes
    ----------
    frames
    limits, profile, laser
        Of the projector.
    fps
        Of the sequence; None where the file does not say.
    """

    frames: Sequence[Frame]
    limits: SafetyLimits = field(default_factory=SafetyLimits)
    profile: ScannerProfile = field(default_factory=ScannerProfile)
    laser: LaserSetup = field(default_factory=LaserSetup)
    fps: float | None = None


def exposure_guard(laser: LaserSetup, profile: ScannerProfile) -> Callable[[Frame], str] | None:
    """Return the exposure check of a projector for its sender, or None where none is asked for.

    A limit that is asked for and cannot be computed keeps the projector dark.
    """
    if laser.ratio_max is None:
        return None
    distance = laser.distance_m if laser.distance_m is not None else 0.0
    return exposure_check(
        laser.source, profile, distance, ratio_max=laser.ratio_max, edition=laser.edition
    )


def programme_of_file(path: Path, profile: ScannerProfile) -> Programme:
    """Return the frames of an ILDA file, at the profile's point rate.

    Raises
    ------
    FormatError, OutputError
        If it is no such file, or cannot be read.
    """
    frames = [frame.samples(profile.point_rate_hz) for frame in ilda.read(path)]
    if not frames:
        raise FormatError(f"{path} has no frames to play.")
    return Programme(frames, profile=profile)


def programme_of_scene(
    source: SceneSource,
    projector_name: str = "",
    frames: tuple[int, int] | None = None,
    progress: Callable[[int, int], None] | None = None,
) -> Programme:
    """Draw a scene's range for one projector.

    Parameters
    ----------
    source
    projector_name
        Of those of the scene; the only one if empty.
    frames
        First and last, both included; the scene's if None.
    progress
        Called with the frames done and all of them.

    Raises
    ------
    BeamwrightError
        Where there is no such projector, or a frame cannot be drawn.
    """
    projector = _chosen(source, projector_name)
    first, last = frames or (source.frame_start, source.frame_end)
    if last < first:
        raise SettingError(
            f"The frame range {first}-{last} is empty; the last frame must not come before the "
            "first."
        )
    limits = getattr(source, "limits", {})
    lasers = getattr(source, "lasers", {})
    drawn: list[Frame] = []
    memories: dict[str, pipeline.FrameMemory] = {}
    for number in range(first, last + 1):
        planned = pipeline.draw_frame(
            source.scene_at(number), source.projectors, memories, limits, stream=True
        )
        memories = {name: share.memory for name, share in planned.items()}
        drawn.append(planned[projector.name].frame)
        if progress is not None:
            progress(number - first + 1, last - first + 1)
    return Programme(
        drawn,
        limits=limits.get(projector.name, SafetyLimits()),
        profile=projector.profile,
        laser=lasers.get(projector.name, LaserSetup()),
        fps=source.fps,
    )


def _chosen(source: SceneSource, name: str) -> Projector:
    listed = ", ".join(f"“{projector.name}”" for projector in source.projectors)
    for projector in source.projectors:
        if projector.name == name or (not name and len(source.projectors) == 1):
            return projector
    if not name:
        raise SettingError(f"Say with --projector for whom to play; the scene has {listed}.")
    raise SettingError(f"There is no projector “{name}”; the scene has {listed}.")


def _profile(options: argparse.Namespace) -> ScannerProfile:
    if options.profile is None:
        return profile_from_rating(options.point_rate)
    return read_document(options.profile, profile_from_json)


def stream(options: argparse.Namespace, open_scene: Opener | None) -> int:
    """Play a file or a scene to one projector."""
    if options.file.suffix.lower() == ".ild":
        if options.projector or options.scene or options.frames:
            raise SettingError(
                "--projector, --scene and --frames choose from a scene; an ILDA file is played "
                "as it is."
            )
        programme = programme_of_file(options.file, _profile(options))
    else:
        if open_scene is None:
            raise HostError("Scenes need Blender, which this program was started without.")
        source = open_scene(options.file, options.scene)
        _chosen(source, options.projector)
        shown = sys.stderr.isatty()

        def tell(done: int, total: int) -> None:
            if shown:
                sys.stderr.write(f"\r\x1b[KDrawing frame {done} of {total}")
                sys.stderr.flush()

        programme = programme_of_scene(source, options.projector, options.frames, tell)
        if shown:
            sys.stderr.write("\r\x1b[K")
    if options.fps is None:
        options.fps = programme.fps or 25.0
    return live.run_stream(
        options,
        programme.frames,
        programme.limits,
        programme.profile,
        over_limit=exposure_guard(programme.laser, programme.profile),
    )


def receive(options: argparse.Namespace, open_scene: Opener | None) -> int:
    """Be a virtual projector."""
    del open_scene

    def write(path: Path, content: bytes) -> None:
        with whole_file(path) as file:
            file.write(content)

    return live.run_receive(options, _profile(options), write)


def discover(options: argparse.Namespace, open_scene: Opener | None) -> int:
    """List the units that answer."""
    del open_scene
    return live.run_discover(options)


def add_parsers(
    add: Callable[..., argparse.ArgumentParser],
    frame_range: Callable[[str], tuple[int, int]],
    positive: Callable[[str], float],
) -> None:
    """Add the live commands to the command line.

    Parameters
    ----------
    add
        Of argparse's subparsers.
    frame_range, positive
        Types of arguments.
    """
    scanners = argparse.ArgumentParser(add_help=False)
    scanners.add_argument(
        "--profile", metavar="FILE.json", type=Path, help="scanner profile instead of a rating"
    )
    scanners.add_argument(
        "--point-rate",
        metavar="HZ",
        type=positive,
        default=30000.0,
        help="points a second of an ILDA file, which does not hold it (%(default)g)",
    )
    parser = add(
        "stream",
        parents=[scanners],
        help="play a file or a scene to a projector over the network, after arming it",
    )
    parser.set_defaults(run_live=stream, json=False)
    parser.add_argument("file", metavar="FILE.ild|SCENE.blend", type=Path)
    live.add_stream_arguments(parser)
    parser.set_defaults(fps=None)
    parser.add_argument("--scene", metavar="NAME", help="scene of the file, if not its active one")
    parser.add_argument("--projector", metavar="NAME", default="", help="whose pictures to play")
    parser.add_argument(
        "--frames", metavar="A-B", type=frame_range, help="both included (the scene's range)"
    )
    parser = add(
        "receive",
        parents=[scanners],
        help="be a virtual projector on this machine, for rehearsing without hardware",
    )
    parser.set_defaults(run_live=receive, json=False)
    live.add_receive_arguments(parser)
    parser = add("discover", help="ask addresses that you name which projectors are there")
    parser.set_defaults(run_live=discover, json=False)
    live.add_discover_arguments(parser)


def run(options: argparse.Namespace, open_scene: Opener | None) -> int:
    """Run the live command that was chosen.

    Raises
    ------
    BeamwrightError
        Where it cannot be done.
    """
    code = options.run_live(options, open_scene)
    assert isinstance(code, int)
    return code
