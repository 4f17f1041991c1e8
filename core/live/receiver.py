# SPDX-License-Identifier: GPL-3.0-or-later
"""A receiver on a socket, for rehearsal without hardware and for tests."""

from __future__ import annotations

import socket
import struct
import sys
import threading
import time
from contextlib import suppress
from types import TracebackType

from ..errors import OutputError
from .idn import PORT
from .unit import ReceivedFrame, StreamFigures, Unit

__all__ = ["Receiver"]

LOOPBACK = "127.0.0.1"
POLL_S = 0.01
DATAGRAM_BYTES_MAX = 65_535
STAMP = 35
"""SO_TIMESTAMPNS of Linux: the system notes when a datagram came, however late we look."""

STAMP_FORMAT = "@qq"


class Receiver:
    """Listen on an address, answer, and keep what arrived.

    Use it as a context manager, or call `start` and `close`. All methods may be called from
    any thread.

    Parameters
    ----------
    host
        Address to listen on; loopback unless somebody asks for more.
    port
        0 picks a free one, see `port`.
    timeout_s
        Silence after which the unit is dark.
    record_max
        Frames kept.
    """

    def __init__(
        self,
        host: str = LOOPBACK,
        port: int = PORT,
        *,
        name: str = "Virtual projector",
        timeout_s: float = 0.2,
        record_max: int = 0,
    ) -> None:
        self.host = host
        self.port = port
        self._unit = Unit(name, timeout_s, record_max)
        self._lock = threading.Lock()
        self._stop = threading.Event()
        self._socket: socket.socket | None = None
        self._thread: threading.Thread | None = None
        self._stamped = False

    def start(self) -> Receiver:
        """Open the socket and listen in the background.

        Raises
        ------
        OutputError
            If the address cannot be listened on.
        """
        opened = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
        try:
            opened.bind((self.host, self.port))
        except OSError as error:
            opened.close()
            raise OutputError(
                f"Cannot listen on {self.host} port {self.port}: {error.strerror}. "
                "Close what uses the port, or choose another."
            ) from error
        opened.settimeout(POLL_S)
        self._stamped = False
        if sys.platform == "linux" and struct.calcsize("@l") == 8:
            with suppress(OSError):
                opened.setsockopt(socket.SOL_SOCKET, STAMP, 1)
                self._stamped = True
        self.port = opened.getsockname()[1]
        self._socket = opened
        self._thread = threading.Thread(target=self._run, name="beamwright receiver", daemon=True)
        self._thread.start()
        return self

    def close(self) -> None:
        """Stop listening."""
        self._stop.set()
        if self._thread is not None:
            self._thread.join(2.0)
        if self._socket is not None:
            self._socket.close()

    def __enter__(self) -> Receiver:
        return self.start()

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()

    def _run(self) -> None:
        listening = self._socket
        assert listening is not None
        while not self._stop.is_set():
            try:
                data, sender, arrived_s = self._datagram(listening)
            except TimeoutError:
                with self._lock:
                    self._unit.tick(time.monotonic())
                continue
            except OSError:
                # A client that has gone makes the system report its port as closed.
                continue
            with self._lock:
                reply = self._unit.handle(data, sender, arrived_s)
            if reply is not None:
                try:
                    listening.sendto(reply, sender)
                except OSError:
                    continue

    def _datagram(self, listening: socket.socket) -> tuple[bytes, tuple[str, int], float]:
        """Return a datagram, its sender, and when it came (monotonic clock)."""
        if not self._stamped:
            data, sender = listening.recvfrom(DATAGRAM_BYTES_MAX)
            return data, sender, time.monotonic()
        room = socket.CMSG_SPACE(struct.calcsize(STAMP_FORMAT))
        data, notes, _, sender = listening.recvmsg(DATAGRAM_BYTES_MAX, room)
        now = time.monotonic()
        for level, kind, content in notes:
            if (level, kind) == (socket.SOL_SOCKET, STAMP):
                seconds, nanoseconds = struct.unpack(STAMP_FORMAT, content)
                # Of the clock on the wall, which may be set: no wait is longer than a time-out.
                waited = time.time() - (seconds + nanoseconds * 1e-9)
                return data, sender, now - min(max(waited, 0.0), self._unit.timeout_s)
        return data, sender, now

    @property
    def lit(self) -> bool:
        """Whether the unit emits light now."""
        with self._lock:
            return self._unit.lit_at(time.monotonic())

    @property
    def connected(self) -> bool:
        """Whether a client holds the session."""
        with self._lock:
            self._unit.tick(time.monotonic())
            return self._unit.client is not None

    @property
    def dark_since_s(self) -> float | None:
        """Time (monotonic clock) at which it last went from lit to dark by itself."""
        with self._lock:
            return self._unit.dark_since_s

    def picture(self) -> ReceivedFrame | None:
        """Return what is drawn now, None if nothing is."""
        with self._lock:
            self._unit.tick(time.monotonic())
            return self._unit.picture()

    def recorded(self) -> list[ReceivedFrame]:
        """Return the frames kept so far, oldest first."""
        with self._lock:
            return list(self._unit.recorded)

    def figures(self) -> StreamFigures:
        """Return what was seen so far."""
        with self._lock:
            return self._unit.figures()
