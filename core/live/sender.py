# SPDX-License-Identifier: GPL-3.0-or-later
"""Live output to one projector: a thread that owns the socket and is dark unless armed.

Nothing reaches the wire but what the guard has passed in this thread, at the level the user
set. Light needs all of these at once: the user armed this projector, a source has spoken
within the stall time, the receiver acknowledges, no frame is over the exposure limit, and
nothing has gone wrong. When one fails the receiver gets a dark frame and the session ends.
"""

from __future__ import annotations

import atexit
import math
import os
import sys
import threading
import time
import weakref
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass, replace
from enum import Enum
from types import TracebackType
from typing import TYPE_CHECKING

import numpy as np

from ..errors import FormatError, HostError, SettingError
from ..frame import Frame
from ..safety.guard import GuardedFrame, guard
from ..safety.limits import SafetyLimits
from .idn import DURATION_MAX_US
from .link import Link, SenderSettings
from .samples import encode_samples
from .timings import Spread, Timings

if TYPE_CHECKING:
    from ..points.projector import ScannerProfile

__all__ = ["DEFAULT_LEVEL", "OutputState", "Sender", "SenderStatus"]

DEFAULT_LEVEL = 0.1
DARK_SAMPLES = 32
DARK_INTERVAL_S = 0.03
SAMPLES_MAX = 65_535
LISTEN_S = 0.02
PREPARE_MIN_S, PREPARE_MAX_S = 0.01, 0.03
"""How long before a frame is due it is guarded and encoded, so that this makes nothing late."""

WAVE_AHEAD_S = 0.04
"""How far a wave is sent ahead of its drawing; light ends that much later after the last chunk."""

_running: weakref.WeakSet[Sender] = weakref.WeakSet()


@atexit.register
def _close_all() -> None:
    """Leave nothing lit behind when the interpreter ends."""
    for sender in list(_running):
        sender.close()


class OutputState(Enum):
    """What the output does."""

    CLOSED = "closed"
    DARK = "dark"
    ARMED = "armed"
    FAULT = "fault"


@dataclass(frozen=True, slots=True)
class SenderStatus:
    """What a panel or a command line shows.

    Attributes
    ----------
    state
        Armed is the only one that can be lit.
    reason
        Why it is dark or at fault; empty while armed.
    level
        Master level.
    lit
        The last frame sent carries light.
    frames, datagrams
        Sent.
    acknowledged, odd_replies
        Replies that were understood, and those that were not.
    darkened
        Samples the guard switched off in the last frame.
    findings
        Why.
    lateness
        Of sending against the schedule.
    """

    state: OutputState
    reason: str
    level: float
    lit: bool
    frames: int
    datagrams: int
    acknowledged: int
    odd_replies: int
    darkened: int
    findings: tuple[str, ...]
    lateness: Spread


@dataclass(frozen=True, eq=False)
class _Prepared:
    """A frame that waits for its time."""

    source: Frame | None
    level: float
    guarded: GuardedFrame
    payload: bytes


def _prefer_this_thread() -> None:
    """Ask the system to wake this thread before others; many let only administrators."""
    if sys.platform == "linux":
        # There, and there only, a thread has a priority of its own.
        with suppress(OSError):
            os.setpriority(os.PRIO_PROCESS, threading.get_native_id(), -15)


class Sender:
    """Output to one projector.

    Use it as a context manager, or call `start` and `close`. No method waits for the
    network, except `close` (at most `wait_s`).

    Parameters
    ----------
    settings
        Where to.
    limits, profile
        Of the projector, for the guard.
    over_limit
        Called in the output thread with each new frame as it would be sent; returns why it
        must not be, or an empty text.

    Raises
    ------
    SettingError
        If a keep-out area cannot be understood.
    """

    def __init__(
        self,
        settings: SenderSettings,
        limits: SafetyLimits,
        profile: ScannerProfile,
        *,
        over_limit: Callable[[Frame], str] | None = None,
    ) -> None:
        limits.check_zones()
        self.settings = settings
        self._limits = limits
        self._profile = profile
        self._over_limit = over_limit
        self._lock = threading.Lock()
        self._wake = threading.Event()
        self._thread: threading.Thread | None = None
        # Shared, under the lock.
        self._source: Frame | None = None
        self._source_s = -math.inf
        self._level = 0.0
        self._armed_s = -math.inf
        self._state = OutputState.CLOSED
        self._reason = "not started"
        self._hold_session = True
        self._stopping = False
        self._limits_changed: SafetyLimits | None = None
        self._guarded: GuardedFrame | None = None
        self._lit = False
        self._frames = 0
        self._lateness = Timings()
        # The thread's own.
        self._link: Link
        self._previous = Frame.dark(profile.point_rate_hz)
        self._sent: tuple[Frame | None, float] | None = None
        self._checked: Frame | None = None
        self._work_s = 0.0
        self._ready: tuple[Frame | None, float, GuardedFrame, bytes] | None = None

    # --- for the caller -------------------------------------------------------------------

    def start(self) -> Sender:
        """Open the socket and the session, dark.

        Raises
        ------
        OutputError
            If the address cannot be used.
        """
        if self._thread is not None:
            raise HostError("This live output was started before; make a new one.")
        self._link = Link(self.settings)
        self._state, self._reason = OutputState.DARK, "not armed"
        self._thread = threading.Thread(target=self._run, name="beamwright live", daemon=True)
        self._thread.start()
        _running.add(self)
        return self

    def submit(self, frame: Frame | GuardedFrame) -> None:
        """Hand over the frame to show from now on; this also counts as a sign of life.

        Raises
        ------
        FormatError
            If the frame is too long for a packet to state.
        """
        plain = frame.frame if isinstance(frame, GuardedFrame) else frame
        if len(plain) > SAMPLES_MAX or len(plain) * 1e6 > DURATION_MAX_US * plain.point_rate_hz:
            raise FormatError(
                f"A frame of {len(plain)} samples at {plain.point_rate_hz:g} a second is too "
                f"long to send; at most {SAMPLES_MAX} samples and 16 seconds. Simplify it."
            )
        with self._lock:
            self._source = plain
            self._source_s = time.monotonic()

    def touch(self) -> None:
        """Say that the source lives and means its last frame still."""
        with self._lock:
            if self._source is not None:
                self._source_s = time.monotonic()

    def set_limits(self, limits: SafetyLimits) -> None:
        """Use other limits from the next frame on.

        Raises
        ------
        SettingError
            If a keep-out area cannot be understood; the limits of before stay in force.
        """
        limits.check_zones()
        with self._lock:
            self._limits_changed = limits

    def arm(self, level: float = DEFAULT_LEVEL) -> None:
        """Let light out at a master level, as long as the source goes on speaking.

        Raises
        ------
        SettingError
            If the level is not above 0 and up to 1.
        HostError
            If the output is not running.
        """
        if not (math.isfinite(level) and 0.0 < level <= 1.0):
            raise SettingError(f"The master level is {level:g}; choose above 0 and up to 1.")
        with self._lock:
            if self._state in (OutputState.CLOSED, OutputState.FAULT) or self._stopping:
                raise HostError(f"Live output cannot be armed: {self._reason}. Start it anew.")
            self._level = level
            self._armed_s = time.monotonic()
            self._state, self._reason = OutputState.ARMED, ""
            self._hold_session = True

    def blackout(self) -> None:
        """Go dark at once; arming again is the only way back. The session stays open."""
        with self._lock:
            self._disarm("blackout", hold_session=True)
            self._darken()
        self._wake.set()

    def close(self, wait_s: float = 1.0) -> None:
        """Go dark, close the session and end the thread."""
        with self._lock:
            self._stopping = True
            if self._state is not OutputState.FAULT:
                self._disarm("closed by the user")
            self._darken()
        self._wake.set()
        thread = self._thread
        if thread is not None and thread is not threading.current_thread():
            thread.join(wait_s)

    def status(self) -> SenderStatus:
        """Return what is going on."""
        with self._lock:
            shown = self._guarded
            return SenderStatus(
                state=self._state,
                reason=self._reason,
                level=self._level if self._state is OutputState.ARMED else 0.0,
                lit=self._lit,
                frames=self._frames,
                datagrams=self._link.datagrams if self._thread else 0,
                acknowledged=self._link.acknowledged if self._thread else 0,
                odd_replies=self._link.odd_replies if self._thread else 0,
                darkened=shown.darkened_count if shown else 0,
                findings=tuple(f.message for f in shown.findings) if shown else (),
                lateness=self._lateness.spread(),
            )

    def __enter__(self) -> Sender:
        return self.start()

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()

    def _darken(self) -> None:
        """Send dark in the caller's own thread: the output's may be examining a frame.

        The lock must be held.
        """
        if self._thread is not None and self._lit and self._link.open:
            dark = self._dark_frame()
            samples = encode_samples(dark.xy, np.zeros_like(dark.rgb))
            once_us = max(1, round(dark.duration_s * 1e6))
            drawn_us = max(once_us, round(DARK_INTERVAL_S * 1e6))
            if self.settings.wave:
                turns = math.ceil(drawn_us / once_us)
                samples, once_us, drawn_us = samples * turns, once_us * turns, once_us * turns
            self._link.send_frame(samples, once_us, drawn_us, time.monotonic())
            self._lit = False

    # --- in the thread --------------------------------------------------------------------

    def _disarm(self, reason: str, *, hold_session: bool = False) -> None:
        """Take the light away and note why; the lock must be held."""
        self._level = 0.0
        if self._state is OutputState.ARMED:
            self._state = OutputState.DARK
            self._hold_session = hold_session
        if self._state is OutputState.DARK:
            self._reason = reason

    def _run(self) -> None:
        try:
            self._loop()
        except BaseException as error:
            # Whatever it is, the receiver must not be left lit; then the thread ends.
            with self._lock:
                self._level = 0.0
                self._state = OutputState.FAULT
                self._reason = f"{type(error).__name__}: {error}"
        finally:
            self._end_session()
            with self._lock:
                if self._state is not OutputState.FAULT:
                    self._state = OutputState.CLOSED
            self._link.close()

    def _loop(self) -> None:
        _prefer_this_thread()
        due = self._begin()
        while True:
            now = time.monotonic()
            with self._lock:
                self._link.listen()
            source, level, hold_session = self._decide(now)
            if self._stopping:
                return
            if not hold_session:
                self._end_session()
                self._wake.wait(LISTEN_S)
                self._wake.clear()
                due = self._begin()
                continue
            prepared = self._prepare(source, level)
            self._work_s = max(time.monotonic() - now, 0.95 * self._work_s)
            if self._interrupted_before(due):
                due = time.monotonic()
                continue
            # What was answered while the frame was examined counts.
            with self._lock:
                self._link.listen()
            now = time.monotonic()
            late = now - due
            first = not self._link.open
            due += self._send(prepared, now)
            if not first:
                with self._lock:
                    self._lateness.add(max(0.0, late))
            if late > 0.25:
                due = self._begin()
            # On a busy machine the work takes longer than it did a moment ago.
            ahead_s = min(max(PREPARE_MIN_S, 2.0 * self._work_s), PREPARE_MAX_S)
            if self._interrupted_before(due - min(ahead_s, 0.75 * (due - now))):
                # The dark frame does not wait for its turn.
                due = time.monotonic()

    def _begin(self) -> float:
        """Return when the next frame is due if it has none to follow."""
        return time.monotonic() - (WAVE_AHEAD_S if self.settings.wave else 0.0)

    def _interrupted_before(self, due: float) -> bool:
        """Sleep to the next frame, listening; True if light has to go before it."""
        while True:
            remaining = due - time.monotonic()
            if remaining <= 0.0:
                return False
            if self._wake.wait(min(remaining, LISTEN_S)):
                self._wake.clear()
                return True
            now = time.monotonic()
            with self._lock:
                self._link.listen()
            if self._lit and self._objection(now):
                return True
            if now - self._link.configured_s > 2.0 * self.settings.configuration_s:
                with self._lock:
                    self._link.keep_alive(now)

    def _objection(self, now: float) -> str:
        """Return why no light may be sent, or an empty text."""
        if self._link.refusal:
            return self._link.refusal
        if self._link.silent(now):
            return "the receiver does not answer"
        # From arming on a source has the stall time to speak up.
        if now - max(self._source_s, self._armed_s) > self.settings.stall_s:
            return "the source stalled"
        return ""

    def _decide(self, now: float) -> tuple[Frame | None, float, bool]:
        """Return the source and level to send, and whether the session stays open."""
        with self._lock:
            if self._limits_changed is not None:
                self._limits, self._limits_changed = self._limits_changed, None
                self._ready = None
            if self._state is OutputState.ARMED:
                reason = self._objection(now)
                if reason:
                    self._disarm(reason)
                    self._link.refusal = ""
                # A session opens dark, and an old frame is no intent: after a stall it has
                # to be spoken for.
                elif self._link.open and now - self._source_s <= self.settings.stall_s:
                    return self._source, self._level, True
            return None, 0.0, self._hold_session

    def _prepare(self, source: Frame | None, level: float) -> _Prepared:
        """Guard and encode what is sent next; dark where it is over the exposure limit."""
        guarded, payload = self._prepared(source, level)
        if self._over_limit is not None and guarded.frame is not self._checked:
            reason = self._over_limit(guarded.frame) if guarded.frame.rgb.any() else ""
            self._checked = None if reason else guarded.frame
            if reason:
                with self._lock:
                    self._disarm(reason)
                source, level = None, 0.0
                guarded, payload = self._prepared(source, level)
        return _Prepared(source, level, guarded, payload)

    def _send(self, prepared: _Prepared, now: float) -> float:
        """Send one frame, and return how long it is drawn."""
        frame, payload = prepared.guarded.frame, prepared.payload
        lit = bool(frame.rgb.any())
        once_us = max(1, round(frame.duration_s * 1e6))
        least_s = self.settings.interval_s if lit else DARK_INTERVAL_S
        turns = max(1, math.ceil(least_s * 1e6 / once_us))
        drawn_us = once_us * turns
        if self.settings.wave:
            # A wave is not repeated by the receiver: all its turns are sent.
            payload, once_us = payload * turns, drawn_us
        with self._lock:
            if self._level < prepared.level or (lit and self._objection(now)):
                # Blackout, or a reason for it, came while the frame was waiting for its time.
                return 0.0
            self._guarded, self._lit = prepared.guarded, lit
            self._frames += 1
            self._link.send_frame(payload, once_us, drawn_us, now)
        self._previous, self._sent = frame, (prepared.source, prepared.level)
        return drawn_us * 1e-6

    def _prepared(self, source: Frame | None, level: float) -> tuple[GuardedFrame, bytes]:
        """Scale, guard and encode. What repeats itself is done for its entry and once more."""
        ready = self._ready
        if ready is not None and ready[0] is source and ready[1] == level:
            return ready[2], ready[3]
        if source is None or level <= 0.0:
            frame = self._dark_frame()
        else:
            frame = replace(source, rgb=np.asarray(source.rgb, np.float64) * level)
        guarded = guard(frame, self._limits, self._profile, previous=self._previous)
        payload = encode_samples(guarded.frame.xy, guarded.frame.rgb)
        follows_itself = (
            self._sent is not None and self._sent[0] is source and self._sent[1] == level
        )
        self._ready = (source, level, guarded, payload) if follows_itself else None
        return guarded, payload

    def _dark_frame(self) -> Frame:
        """Hold still where the beam is, dark."""
        rest = self._previous.xy[-1]
        dark = Frame.dark(self._previous.point_rate_hz, (float(rest[0]), float(rest[1])))
        rows = np.zeros(DARK_SAMPLES, np.int64)
        return replace(
            dark,
            xy=dark.xy[rows],
            rgb=dark.rgb[rows],
            blanked=dark.blanked[rows],
            stroke=dark.stroke[rows],
            object_index=dark.object_index[rows],
        )

    def _end_session(self) -> None:
        """Leave the receiver dark and without a session."""
        # The guard has no say here: these samples are dark by making.
        dark = self._dark_frame()
        samples = encode_samples(dark.xy, np.zeros_like(dark.rgb))
        with self._lock:
            self._link.end_session(samples, max(1, round(dark.duration_s * 1e6)))
            self._lit = False
            self._guarded = None
        self._previous, self._sent, self._ready = dark, None, None
