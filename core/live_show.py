# SPDX-License-Identifier: GPL-3.0-or-later
"""The live commands: frames of a file, a scene or a show, and the projector they are meant for.

Composes what `core/live/commands.py` plays and receives.
"""

from __future__ import annotations

import argparse
import hashlib
import sys
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import AbstractContextManager, contextmanager
from dataclasses import dataclass, field, replace
from pathlib import Path

from . import pipeline
from .documents import read_document
from .errors import FormatError, HostError, SettingError
from .frame import Frame
from .live import commands as live
from .live.kept_frames import KeptFrames
from .output import ilda
from .output.whole_file import whole_file
from .points.projector import Projector, ScannerProfile, profile_from_json, profile_from_rating
from .safety.guard import guard
from .safety.laser import LaserSetup
from .safety.limits import SafetyLimits
from .safety.scanned import exposure_check
from .scene import SceneSource
from .sequence import DrawnFrame
from .show.cache import Cache
from .show.jobs import Runner
from .show.render import drawn_film
from .show.work import FilmSource

__all__ = [
    "Programme",
    "add_parsers",
    "examined",
    "exposure_guard",
    "programme_of_file",
    "programme_of_film",
    "programme_of_scene",
    "run",
]

Opener = Callable[[Path, str | None], SceneSource]
FilmOpener = Callable[[Path, str | None], AbstractContextManager[tuple[FilmSource, Cache, Runner]]]
Told = Callable[[int, int], None]


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
    first
        Number of the first frame.
    """

    frames: Sequence[Frame]
    limits: SafetyLimits = field(default_factory=SafetyLimits)
    profile: ScannerProfile = field(default_factory=ScannerProfile)
    laser: LaserSetup = field(default_factory=LaserSetup)
    fps: float | None = None
    first: int = 1


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


def examined(
    programme: Programme, level: float, progress: Told | None = None
) -> tuple[Callable[[Frame], str] | None, str]:
    """Examine the exposure of all frames before any is played; it takes too long meanwhile.

    Parameters
    ----------
    programme
    level
        Master level.
    progress
        Called with the frames done and all of them.

    Returns
    -------
    check, reason
        The check for the sender, which knows these frames already (None where none is asked
        for), and why the first frame that must not be shown must not, or an empty text.
    """
    check = exposure_guard(programme.laser, programme.profile)
    if check is None:
        return None, ""
    known: dict[bytes, str] = {}

    def remembered(frame: Frame) -> str:
        state = hashlib.blake2b(frame.xy.tobytes(), digest_size=20)
        state.update(frame.rgb.tobytes())
        key = state.digest()
        if key not in known:
            known[key] = check(frame)
        return known[key]

    previous = None
    for place, frame in enumerate(programme.frames):
        # As the sender will have it: dimmed, then guarded after the frame before it.
        dim = replace(frame, rgb=frame.rgb * level)
        safe = guard(dim, programme.limits, programme.profile, previous=previous).frame
        reason = remembered(safe) if safe.rgb.any() else ""
        if reason:
            return remembered, f"frame {programme.first + place}: {reason}"
        previous = safe
        if progress is not None:
            progress(place + 1, len(programme.frames))
    return remembered, ""


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
    progress: Told | None = None,
) -> Programme:
    """Draw a scene's range for one projector, without a cache.

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
    numbers = _numbers(source, frames)
    first, last = numbers[0], numbers[-1]
    limits = getattr(source, "limits", {})
    lasers = getattr(source, "lasers", {})
    drawn: list[Frame] = []
    memories: dict[str, pipeline.FrameMemory] = {}
    for number in numbers:
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
        first=first,
    )


def programme_of_film(
    film: FilmSource,
    cache: Cache,
    runner: Runner,
    projector_name: str = "",
    frames: tuple[int, int] | None = None,
    progress: Told | None = None,
) -> Programme:
    """Draw a show's range, or a scene's, for one projector, through the cache.

    All of it is drawn before anything is played, so that no frame can be late: what the
    cache has is only read.

    Parameters
    ----------
    film
    cache, runner
        As for a render: finished frames, and who does the others.
    projector_name
        Of those of the show; the only one if empty.
    frames
        First and last frame of the show, both included; all if None.
    progress
        Called with the frames done and all of them.

    Returns
    -------
    Programme
        Its frames are those of the file that a render would write.

    Raises
    ------
    BeamwrightError
        Where there is no such projector, or a frame cannot be drawn.
    """
    projector = _chosen(film, projector_name)
    numbers = _numbers(film, frames)
    kept = KeptFrames()
    for step in drawn_film(film, numbers, (projector,), cache, runner):
        if isinstance(step, DrawnFrame):
            kept.append(step.planned[projector.name].frame)
        elif progress is not None:
            progress(step.done, step.total)
    return Programme(
        kept,
        limits=film.limits.get(projector.name, SafetyLimits()),
        profile=projector.profile,
        laser=getattr(film, "lasers", {}).get(projector.name, LaserSetup()),
        fps=film.fps,
        first=numbers[0],
    )


def _numbers(source: SceneSource | FilmSource, frames: tuple[int, int] | None) -> range:
    first, last = frames or (source.frame_start, source.frame_end)
    if last < first:
        raise SettingError(
            f"The frame range {first}-{last} is empty; the last frame must not come before the "
            "first."
        )
    return range(first, last + 1)


def _chosen(source: SceneSource | FilmSource, name: str) -> Projector:
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


def stream(
    options: argparse.Namespace, open_scene: Opener | None, open_film: FilmOpener | None
) -> int:
    """Play a file, a scene or a show to one projector."""
    if options.file.suffix.lower() == ".ild":
        if options.projector or options.scene or options.frames:
            raise SettingError(
                "--projector, --scene and --frames choose from a scene; an ILDA file is played "
                "as it is."
            )
        programme = programme_of_file(options.file, _profile(options))
    elif open_film is not None:
        with open_film(options.file, options.scene) as (film, cache, runner), _telling() as tell:
            programme = programme_of_film(
                film, cache, runner, options.projector, options.frames, tell
            )
    elif open_scene is not None:
        with _telling() as tell:
            programme = programme_of_scene(
                open_scene(options.file, options.scene), options.projector, options.frames, tell
            )
    else:
        raise HostError("Scenes need Blender, which this program was started without.")
    if options.fps is None:
        options.fps = programme.fps or 25.0
    level = min(max(options.level / 100.0, 0.0), 1.0)
    with _telling("Examining") as tell:
        check, reason = examined(programme, level, tell)
    if reason:
        sys.stdout.write(f"Nothing was sent. {reason[0].upper()}{reason[1:]}.\n")
        return 1
    return live.run_stream(
        options, programme.frames, programme.limits, programme.profile, over_limit=check
    )


@contextmanager
def _telling(what: str = "Drawing") -> Iterator[Told]:
    """Say on a terminal how far the work is."""
    shown = sys.stderr.isatty()

    def tell(done: int, total: int) -> None:
        if shown:
            sys.stderr.write(f"\r\x1b[K{what}, {done} of {total}")
            sys.stderr.flush()

    try:
        yield tell
    finally:
        if shown:
            sys.stderr.write("\r\x1b[K")


def receive(options: argparse.Namespace, *_: object) -> int:
    """Be a virtual projector."""

    def write(path: Path, content: bytes) -> None:
        with whole_file(path) as file:
            file.write(content)

    return live.run_receive(options, _profile(options), write)


def discover(options: argparse.Namespace, *_: object) -> int:
    """List the units that answer."""
    return live.run_discover(options)


def add_parsers(
    add: Callable[..., argparse.ArgumentParser],
    frame_range: Callable[[str], tuple[int, int]],
    positive: Callable[[str], float],
    work: Iterable[argparse.ArgumentParser] = (),
) -> None:
    """Add the live commands to the command line.

    Parameters
    ----------
    add
        Of argparse's subparsers.
    frame_range, positive
        Types of arguments.
    work
        Arguments that say who draws a show and where finished frames are kept.
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
        parents=[scanners, *work],
        help="play a file, a scene or a whole show to a projector over the network, after arming",
    )
    parser.set_defaults(run_live=stream, json=False, camera=None)
    parser.add_argument("file", metavar="FILE.ild|SHOW.blend", type=Path)
    live.add_stream_arguments(parser)
    parser.set_defaults(fps=None)
    parser.add_argument(
        "--scene", metavar="NAME", help="scene of the file (its show, or the active one)"
    )
    parser.add_argument("--projector", metavar="NAME", default="", help="whose pictures to play")
    parser.add_argument(
        "--frames", metavar="A-B", type=frame_range, help="both included (all of it)"
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


def run(
    options: argparse.Namespace,
    open_scene: Opener | None,
    open_film: FilmOpener | None = None,
) -> int:
    """Run the live command that was chosen.

    Parameters
    ----------
    options
    open_scene
        Opens a scene by itself, for hosts that know no shows.
    open_film
        Opens a show, or a scene, with its cache and whoever draws it.

    Raises
    ------
    BeamwrightError
        Where it cannot be done.
    """
    code = options.run_live(options, open_scene, open_film)
    assert isinstance(code, int)
    return code
