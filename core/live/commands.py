# SPDX-License-Identifier: GPL-3.0-or-later
"""The live commands: their arguments, and what they do once frames and a profile are at hand.

Reading a show or a file into frames is for the command line's composer; see `docs/live.md`.
"""

from __future__ import annotations

import argparse
import gc
import math
import signal
import sys
import textwrap
import threading
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, TextIO

from ..errors import SettingError
from ..frame import Frame
from ..safety.limits import SafetyLimits
from ..safety.notice import SAFETY_NOTICE, SAFETY_PAGE
from .discovery import discover
from .idn import PORT
from .link import LOSS_S, SenderSettings
from .picture import page, png, svg
from .receiver import Receiver
from .sender import OutputState, SenderStatus
from .session import Received, play, receive

if TYPE_CHECKING:
    from ..points.projector import ScannerProfile

__all__ = [
    "add_discover_arguments",
    "add_receive_arguments",
    "add_stream_arguments",
    "run_discover",
    "run_receive",
    "run_stream",
]

ARM_WORD = "arm"
INTERRUPTED = 130


def add_stream_arguments(parser: argparse.ArgumentParser) -> None:
    """Arguments of `stream` but what to play."""
    parser.add_argument("--to", metavar="HOST", required=True, help="the projector's address")
    parser.add_argument("--port", type=int, default=PORT, help="its UDP port (%(default)s)")
    parser.add_argument("--channel", type=int, default=0, help="its channel (%(default)s)")
    parser.add_argument(
        "--service", type=int, default=0, help="service of the unit, 0 is its own choice"
    )
    parser.add_argument(
        "--level", metavar="PERCENT", type=float, default=10.0, help="master level (%(default)g)"
    )
    parser.add_argument(
        "--fps", type=float, default=25.0, help="frames a second (the show's own, or 25)"
    )
    parser.add_argument("--loop", action="store_true", help="begin again at the end")
    parser.add_argument(
        "--wave", action="store_true", help="one continuous stream instead of repeated frames"
    )
    parser.add_argument(
        "--no-acknowledge",
        action="store_true",
        help="for units that never answer: go on without hearing from them",
    )
    parser.add_argument(
        "--yes", action="store_true", help="arm without asking; the safety text is shown anyway"
    )


def run_stream(
    options: argparse.Namespace,
    frames: Sequence[Frame],
    limits: SafetyLimits,
    profile: ScannerProfile,
    *,
    over_limit: Callable[[Frame], str] | None = None,
    ask: Callable[[str], str] = input,
    out: TextIO | None = None,
) -> int:
    """Show the safety text, let the user arm, play, and leave the projector dark.

    Returns
    -------
    int
        0 if all was played, 1 if it went dark by itself or was not armed, 130 after Ctrl-C.

    Raises
    ------
    SettingError, OutputError
        If a setting or the address cannot be used.
    """
    out = out or sys.stdout
    settings = SenderSettings(
        options.to,
        options.port,
        channel=options.channel,
        service_id=options.service,
        wave=options.wave,
        loss_s=0.0 if options.no_acknowledge else LOSS_S,
    )
    level = options.level / 100.0
    if not 0.0 < level <= 1.0:
        raise SettingError(
            f"The master level is {options.level:g} %; choose above 0 and up to 100."
        )
    for paragraph in SAFETY_PAGE:
        out.write(textwrap.fill(paragraph, 88) + "\n\n")
    out.write(SAFETY_NOTICE)
    if not options.yes:
        out.flush()
        try:
            answer = ask(f"Type {ARM_WORD!r} to light {options.to} at {options.level:g} %: ")
        except (EOFError, KeyboardInterrupt):
            answer = ""
        if answer.strip().lower() != ARM_WORD:
            out.write("Not armed. Nothing was sent.\n")
            return 1

    def tell(status: SenderStatus) -> None:
        out.write(
            f"\r{status.state.value} {status.level:.0%}  frames {status.frames}  "
            f"darkened {status.darkened}  late p99 {status.lateness.p99_ms:.1f} ms   "
        )
        out.flush()

    with _terminations_as_interrupts(), _without_pauses():
        try:
            status = play(
                frames,
                settings,
                limits,
                profile,
                frames_per_second=options.fps,
                level=level,
                loop=options.loop,
                over_limit=over_limit,
                on_status=tell,
            )
        except KeyboardInterrupt:
            out.write("\nBlackout.\n")
            return INTERRUPTED
    if status.state is not OutputState.ARMED:
        out.write(f"\nDark: {status.reason}.\n")
        return 1
    out.write(f"\nPlayed {status.frames} frames, dark.\n")
    return 0


@contextmanager
def _without_pauses() -> Iterator[None]:
    """Keep what stops all threads at once short: garbage collection, and turns of the lock.

    What is there already, a whole show perhaps, is not looked through for garbage again.
    """
    turn_s = sys.getswitchinterval()
    gc.collect()
    gc.freeze()
    sys.setswitchinterval(0.001)
    try:
        yield
    finally:
        sys.setswitchinterval(turn_s)
        gc.unfreeze()


@contextmanager
def _terminations_as_interrupts() -> Iterator[None]:
    """A request to end the process makes dark first, as Ctrl-C does, and so does a lost terminal.

    Ctrl-C is listened to even where the shell has it ignored, as for jobs in the background.
    """
    if threading.current_thread() is not threading.main_thread():
        yield
        return
    wanted = [signal.SIGINT, signal.SIGTERM]
    if hasattr(signal, "SIGHUP") and signal.getsignal(signal.SIGHUP) is not signal.SIG_IGN:
        wanted.append(signal.SIGHUP)
    before = [(number, signal.signal(number, signal.default_int_handler)) for number in wanted]
    try:
        yield
    finally:
        for number, handler in before:
            signal.signal(number, handler)


def add_receive_arguments(parser: argparse.ArgumentParser) -> None:
    """Arguments of `receive`."""
    parser.add_argument(
        "--host", default="127.0.0.1", help="address to listen on (%(default)s: this machine only)"
    )
    parser.add_argument("--port", type=int, default=PORT, help="UDP port (%(default)s)")
    parser.add_argument(
        "--seconds", type=float, default=math.inf, help="how long; until Ctrl-C if not given"
    )
    parser.add_argument(
        "--picture",
        metavar="FILE.html|.svg|.png",
        type=Path,
        help="keep drawing what is shown; a web page reloads itself",
    )


def run_receive(
    options: argparse.Namespace,
    profile: ScannerProfile,
    write: Callable[[Path, bytes], None],
    *,
    out: TextIO | None = None,
) -> int:
    """Be a virtual projector for a time.

    Parameters
    ----------
    options
        From `add_receive_arguments`.
    profile
        Scanners to draw with.
    write
        Writes a file whole.

    Returns
    -------
    int
        0, or 1 if anything malformed or out of order came.

    Raises
    ------
    SettingError, OutputError
        If the picture's kind is unknown or the address cannot be used.
    """
    out = out or sys.stdout
    kind = options.picture.suffix.lower() if options.picture else ""
    if kind not in ("", ".html", ".svg", ".png"):
        raise SettingError(f"A picture is .html, .svg or .png, not “{kind}”.")

    def draw(shown: Received) -> None:
        if not kind:
            return
        drawn = shown.picture if shown.lit else None
        if kind == ".html":
            data = page(drawn, profile, shown.figures, lit=shown.lit).encode()
        else:
            data = png(drawn, profile) if kind == ".png" else svg(drawn, profile).encode()
        write(options.picture, data)

    def tell(shown: Received) -> None:
        figures = shown.figures
        out.write(
            f"\r{'LIT ' if shown.lit else 'dark'}  frames {figures.frames + figures.waves}  "
            f"refused {figures.fault_count}  jitter p99 {figures.jitter.p99_ms:.1f} ms   "
        )
        out.flush()
        draw(shown)

    receiver = Receiver(options.host, options.port)
    out.write(f"Listening on {options.host} port {options.port}. Ctrl-C ends it.\n")
    try:
        shown = receive(receiver, duration_s=options.seconds, on_status=tell)
    except KeyboardInterrupt:
        shown = Received(receiver.figures(), False, None, ())
    draw(shown)
    figures = shown.figures
    out.write(
        f"\n{figures.frames} frames, {figures.waves} wave chunks, {figures.datagrams} datagrams; "
        f"jitter p50 {figures.jitter.p50_ms:.2f}, p99 {figures.jitter.p99_ms:.2f}, worst "
        f"{figures.jitter.worst_ms:.2f} ms; {figures.gaps} gaps, {figures.losses} sessions lost\n"
    )
    for reason, count in sorted(figures.faults.items()):
        out.write(f"refused {count}: {reason}\n")
    return 1 if figures.faults else 0


def add_discover_arguments(parser: argparse.ArgumentParser) -> None:
    """Arguments of `discover`."""
    parser.add_argument("addresses", metavar="ADDRESS", nargs="+", help="whom to ask")
    parser.add_argument("--port", type=int, default=PORT, help="UDP port (%(default)s)")
    parser.add_argument("--wait", type=float, default=0.5, help="seconds to wait (%(default)g)")
    parser.add_argument(
        "--broadcast", action="store_true", help="the addresses are networks' broadcast addresses"
    )


def run_discover(options: argparse.Namespace, *, out: TextIO | None = None) -> int:
    """List the units that answer; 1 if none does.

    Raises
    ------
    SettingError, OutputError
        If an address cannot be used.
    """
    out = out or sys.stdout
    found = discover(
        options.addresses, port=options.port, wait_s=options.wait, broadcast=options.broadcast
    )
    for unit in found:
        state = ", ".join(
            name
            for name in ("malfunction", "offline", "excluded", "occupied")
            if getattr(unit.unit, name)
        )
        out.write(f"{unit.host}  {unit.unit.name}  {state or 'free'}\n")
        for service in unit.services:
            out.write(f"    service {service.service_id}: {service.name}\n")
    return 0 if found else 1
