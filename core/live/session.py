# SPDX-License-Identifier: GPL-3.0-or-later
"""Play a sequence live, and receive one: what the commands do, without their arguments."""

from __future__ import annotations

import math
import threading
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from ..errors import SettingError
from ..frame import Frame
from ..safety.limits import SafetyLimits
from .link import SenderSettings
from .receiver import Receiver
from .sender import DEFAULT_LEVEL, OutputState, Sender, SenderStatus
from .unit import ReceivedFrame, StreamFigures

if TYPE_CHECKING:
    from ..points.projector import ScannerProfile

__all__ = ["Received", "play", "receive"]

STATUS_S = 0.5


def play(
    frames: Sequence[Frame],
    settings: SenderSettings,
    limits: SafetyLimits,
    profile: ScannerProfile,
    *,
    frames_per_second: float = 25.0,
    level: float = DEFAULT_LEVEL,
    loop: bool = False,
    stop: threading.Event | None = None,
    over_limit: Callable[[Frame], str] | None = None,
    on_status: Callable[[SenderStatus], None] | None = None,
) -> SenderStatus:
    """Arm one projector, play a sequence on it, and leave it dark.

    Calling it is the user's act of arming: print the safety text and ask before. It returns
    when the sequence is over, when `stop` is set, or when the output went dark by itself.
    An exception in the caller's thread (Ctrl-C) leaves the projector dark too.

    Parameters
    ----------
    frames
        In order, of one projector.
    settings, limits, profile
        Where to, and what the guard enforces.
    frames_per_second
        Of the sequence.
    level
        Master level.
    loop
        Begin again at the end.
    stop
        Set it from another thread to end.
    over_limit
        See `Sender`.
    on_status
        Called about twice a second.

    Returns
    -------
    SenderStatus
        Taken just before closing; its reason says why an output went dark by itself.

    Raises
    ------
    SettingError, OutputError
        If a setting or the address cannot be used.
    """
    if not frames:
        raise SettingError("There are no frames to play.")
    if not (math.isfinite(frames_per_second) and 0.1 <= frames_per_second <= 240.0):
        raise SettingError(f"The frame rate is {frames_per_second:g} a second; choose 0.1 to 240.")
    stop = stop or threading.Event()
    # A slow sequence is no stall: the thread that plays it speaks for it while it waits.
    nap_s = min(settings.stall_s / 4.0, 1.0 / frames_per_second)
    with Sender(settings, limits, profile, over_limit=over_limit) as sender:
        sender.submit(frames[0])
        sender.arm(level)
        begin = told = time.monotonic()
        while True:
            now = time.monotonic()
            number = int((now - begin) * frames_per_second)
            status = sender.status()
            if status.state is not OutputState.ARMED or stop.is_set():
                return status
            if not loop and number >= len(frames):
                return status
            sender.submit(frames[number % len(frames)])
            if on_status is not None and now - told >= STATUS_S:
                on_status(status)
                told = now
            until_next = begin + (number + 1) / frames_per_second - time.monotonic()
            stop.wait(max(0.0, min(nap_s, until_next)))


@dataclass(frozen=True, eq=False)
class Received:
    """What a receiver has to show.

    Attributes
    ----------
    figures
        Of the stream.
    lit
        The unit emits light.
    picture
        What is drawn now.
    recorded
        Frames kept, oldest first.
    """

    figures: StreamFigures
    lit: bool
    picture: ReceivedFrame | None
    recorded: tuple[ReceivedFrame, ...]


def receive(
    receiver: Receiver,
    *,
    duration_s: float = math.inf,
    stop: threading.Event | None = None,
    on_status: Callable[[Received], None] | None = None,
    status_s: float = STATUS_S,
) -> Received:
    """Run a receiver for a time, or until `stop` is set.

    Raises
    ------
    OutputError
        If its address cannot be listened on.
    """
    stop = stop or threading.Event()
    until = time.monotonic() + duration_s
    with receiver:
        while not stop.is_set() and (remaining := until - time.monotonic()) > 0.0:
            stop.wait(min(status_s, remaining))
            if on_status is not None:
                on_status(_shown(receiver, ()))
        return _shown(receiver, tuple(receiver.recorded()))


def _shown(receiver: Receiver, recorded: tuple[ReceivedFrame, ...]) -> Received:
    return Received(receiver.figures(), receiver.lit, receiver.picture(), recorded)
