# SPDX-License-Identifier: GPL-3.0-or-later
"""A receiving unit without its socket: strict, bounded, and dark unless it has good cause."""

from __future__ import annotations

import math
from collections import Counter, deque
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from ..errors import FormatError
from .idn import (
    STAMP_MODULUS,
    Acknowledgement,
    ChannelMessage,
    Chunk,
    Command,
    Configuration,
    Hello,
    Result,
    ScanResponse,
    Service,
    ServiceMap,
    ServiceMode,
)
from .samples import decode_samples
from .timings import Spread, Timings

__all__ = ["ReceivedFrame", "StreamFigures", "Unit"]

Address = tuple[str, int]

TIMEOUT_S = 0.2
FRAME_BYTES_MAX = 1 << 20
WAVE_KEPT_US = 100_000
FAULT_KINDS_MAX = 64


@dataclass(frozen=True, eq=False)
class ReceivedFrame:
    """A frame as it arrived.

    Attributes
    ----------
    xy : (n, 2) float64
        Field -1…1.
    rgb : (n, 3) float64
        0…1.
    duration_us
        To draw it once.
    stamp_us
        Time stamp of the sender.
    arrived_s
        On the receiver's clock, when its last fragment came.
    once
        It is not repeated.
    """

    xy: NDArray[np.float64]
    rgb: NDArray[np.float64]
    duration_us: int
    stamp_us: int
    arrived_s: float
    once: bool = False

    @property
    def lit(self) -> bool:
        """Whether any sample carries light."""
        return bool(self.rgb.any())

    @property
    def point_rate_hz(self) -> float:
        """Samples a second."""
        return len(self.xy) * 1e6 / self.duration_us


@dataclass(frozen=True, slots=True)
class StreamFigures:
    """What a unit has seen.

    Attributes
    ----------
    datagrams, octets
        Received in all, from anybody.
    frames, waves
        Complete frames and wave chunks accepted.
    faults
        Datagrams or messages refused, by reason.
    jitter
        Difference between the times of arrival and the stamps of successive frames.
    gaps
        Frames that came later than the stamps say by more than one frame, and wave chunks
        before which the wave had run out.
    losses
        Sessions dropped because nothing good came any more.
    """

    datagrams: int
    octets: int
    frames: int
    waves: int
    faults: dict[str, int]
    jitter: Spread
    gaps: int
    losses: int

    @property
    def fault_count(self) -> int:
        """Refused in all."""
        return sum(self.faults.values())


@dataclass(slots=True)
class _Channel:
    configuration: Configuration
    first: ChannelMessage | None = None
    parts: list[bytes] = field(default_factory=list)
    octets: int = 0
    wave_end_us: int | None = None

    def forget_fragments(self) -> None:
        self.first, self.parts, self.octets = None, [], 0


class Unit:
    """State of one receiver.

    Only the first client that sends a good message holds the session; it must go on sending
    good datagrams or the unit goes dark and the session ends. Nothing that arrives can make
    it raise or grow.

    Parameters
    ----------
    name
        Shown to clients that look for units.
    timeout_s
        Silence after which it goes dark.
    record_max
        Frames kept in `recorded`; the newest win.
    """

    def __init__(
        self, name: str = "Virtual projector", timeout_s: float = TIMEOUT_S, record_max: int = 0
    ) -> None:
        self.name = name
        self.timeout_s = timeout_s
        self.recorded: deque[ReceivedFrame] = deque(maxlen=record_max)
        self.client: Address | None = None
        self.frame: ReceivedFrame | None = None
        self.dark_since_s: float | None = None
        self._last_good_s = -math.inf
        self._last_sequence: int | None = None
        self._channels: dict[int, _Channel] = {}
        self._wave: deque[ReceivedFrame] = deque()
        self._wave_us = 0
        self._wave_ends_s = -math.inf
        self._faults: Counter[str] = Counter()
        self._datagrams = self._octets = self._frames = self._waves = 0
        self._gaps = self._losses = 0
        self._jitter = Timings()

    def lit_at(self, now_s: float) -> bool:
        """Whether the unit emits light at a time."""
        self.tick(now_s)
        frame = self.frame
        if frame is None or not frame.lit:
            return False
        return not frame.once or now_s <= frame.arrived_s + frame.duration_us * 1e-6

    def picture(self) -> ReceivedFrame | None:
        """Return what is drawn now: the frame, or the last tenth of a second of a wave."""
        if not self._wave:
            return self.frame
        parts = list(self._wave)
        return ReceivedFrame(
            np.concatenate([part.xy for part in parts]),
            np.concatenate([part.rgb for part in parts]),
            max(1, self._wave_us),
            parts[0].stamp_us,
            parts[-1].arrived_s,
        )

    def figures(self) -> StreamFigures:
        """Return what was seen so far."""
        return StreamFigures(
            datagrams=self._datagrams,
            octets=self._octets,
            frames=self._frames,
            waves=self._waves,
            faults=dict(self._faults),
            jitter=self._jitter.spread(),
            gaps=self._gaps,
            losses=self._losses,
        )

    def tick(self, now_s: float) -> None:
        """Let time pass: go dark and drop the session if nothing good came for too long."""
        if self.client is not None and now_s - self._last_good_s > self.timeout_s:
            self._losses += 1
            self._end_session(now_s)

    def handle(self, data: bytes, sender: Address, now_s: float) -> bytes | None:
        """Take one datagram and return the reply to it, if there is one."""
        self.tick(now_s)
        self._datagrams += 1
        self._octets += len(data)
        try:
            hello = Hello.decode(data)
        except FormatError as error:
            self._blame(str(error))
            return None
        match hello.command:
            case Command.PING_REQUEST:
                return self._reply(hello, Command.PING_RESPONSE, hello.payload)
            case Command.SCAN_REQUEST:
                response = ScanResponse(
                    bytes([7, 1]) + b"virtual".ljust(14, b"\0"),
                    self.name,
                    occupied=self.client is not None,
                )
                return self._reply(hello, Command.SCAN_RESPONSE, response.encode())
            case Command.SERVICE_MAP_REQUEST:
                services = ServiceMap(
                    (Service(1, ServiceMode.GRAPHIC_DISCRETE, "Laser graphics", flags=0),)
                )
                return self._reply(hello, Command.SERVICE_MAP_RESPONSE, services.encode())
            case (
                Command.MESSAGE
                | Command.MESSAGE_ACKNOWLEDGE
                | Command.CLOSE
                | (Command.CLOSE_ACKNOWLEDGE)
            ):
                result = self._session(hello, sender, now_s)
                if hello.command in (Command.MESSAGE_ACKNOWLEDGE, Command.CLOSE_ACKNOWLEDGE):
                    payload = Acknowledgement(result).encode()
                    return self._reply(hello, Command.ACKNOWLEDGEMENT, payload)
                return None
            case Command.VOID:
                return None
            case _:
                self._blame("a reply came though nothing was asked")
                return None

    @staticmethod
    def _reply(request: Hello, command: Command, payload: bytes) -> bytes:
        return Hello(command, request.sequence, payload, request.client_group).encode()

    def _blame(self, reason: str) -> None:
        if reason not in self._faults and len(self._faults) >= FAULT_KINDS_MAX:
            reason = "other faults"
        self._faults[reason] += 1

    def _session(self, hello: Hello, sender: Address, now_s: float) -> Result:
        if self.client is not None and sender != self.client:
            self._blame("a second client spoke while the session was held")
            return Result.OCCUPIED
        closing = hello.command in (Command.CLOSE, Command.CLOSE_ACKNOWLEDGE)
        message = None
        if hello.payload or not closing:
            try:
                message = ChannelMessage.decode(hello.payload)
            except FormatError as error:
                self._blame(str(error))
                return Result.INVALID_PAYLOAD
        if closing:
            if self.client is None:
                return Result.NOT_CONNECTED if message is None else Result.ACCEPTED
            self._end_session(now_s)
            return Result.ACCEPTED
        if message is None:
            return Result.INVALID_PAYLOAD
        if self._last_sequence is not None and self.client is not None:
            expected = (self._last_sequence + 1) & 0xFFFF
            if hello.sequence != expected:
                self._blame("a sequence number was not the next one")
            self._last_sequence = hello.sequence
        try:
            self._message(message, now_s)
        except FormatError as error:
            self._blame(str(error))
            return Result.INVALID_PAYLOAD
        self._last_sequence = hello.sequence
        self.client = sender
        self._last_good_s = now_s
        return Result.ACCEPTED

    def _end_session(self, now_s: float) -> None:
        if self.frame is not None and self.frame.lit:
            self.dark_since_s = now_s
        self.client = None
        self.frame = None
        self._last_sequence = None
        self._channels.clear()
        self._wave.clear()
        self._wave_us = 0

    def _message(self, message: ChannelMessage, now_s: float) -> None:
        channel = self._channels.get(message.channel)
        if message.configuration is not None:
            channel = self._configure(message.channel, message.configuration, channel)
        if message.chunk == Chunk.VOID:
            if message.configuration is not None and message.configuration.close:
                self._channels.pop(message.channel, None)
                self._show_dark(now_s)
            return
        if channel is None:
            raise FormatError("samples came on a channel that is not configured")
        wave = channel.configuration.mode == ServiceMode.GRAPHIC_CONTINUOUS
        if wave != (message.chunk == Chunk.WAVE):
            raise FormatError("a chunk does not fit the channel's service mode")
        if message.chunk == Chunk.FRAME_SEQUEL:
            self._sequel(channel, message, now_s)
            return
        if message.data_match != channel.configuration.data_match:
            raise FormatError("a chunk was made for another dictionary")
        if channel.first is not None:
            channel.forget_fragments()
            raise FormatError("a frame was not finished before the next chunk")
        if message.chunk == Chunk.FRAME_FIRST:
            decode_samples(message.samples, channel.configuration.dictionary)
            channel.first = message
            channel.parts = [message.samples]
            channel.octets = len(message.samples)
        elif message.chunk == Chunk.FRAME:
            self._show(channel, message, message.samples, now_s)
        else:
            self._roll(channel, message, now_s)

    def _configure(
        self, number: int, configuration: Configuration, channel: _Channel | None
    ) -> _Channel:
        if configuration.mode not in (
            ServiceMode.GRAPHIC_CONTINUOUS,
            ServiceMode.GRAPHIC_DISCRETE,
        ):
            raise FormatError("the service mode is not laser graphics")
        fields = {name for name, _, _ in configuration.dictionary.fields}
        if not {"x", "y"} <= fields:
            raise FormatError("the dictionary of a laser graphic has no x and y")
        if channel is None:
            if not configuration.routing:
                raise FormatError("a channel was opened without the routing flag")
            channel = self._channels[number] = _Channel(configuration)
        elif configuration != channel.configuration:
            if (
                configuration.dictionary != channel.configuration.dictionary
                and configuration.data_match == channel.configuration.data_match
            ):
                raise FormatError("the dictionary changed but its match number did not")
            channel.configuration = configuration
            channel.forget_fragments()
        return channel

    def _sequel(self, channel: _Channel, message: ChannelMessage, now_s: float) -> None:
        if channel.first is None:
            raise FormatError("a sequel fragment came without a first one")
        if message.stamp_us != channel.first.stamp_us:
            channel.forget_fragments()
            raise FormatError("fragments of two frames were mixed")
        channel.octets += len(message.samples)
        if channel.octets > FRAME_BYTES_MAX:
            channel.forget_fragments()
            raise FormatError("a frame is larger than a receiver would keep")
        channel.parts.append(message.samples)
        if message.last:
            first, samples = channel.first, b"".join(channel.parts)
            channel.forget_fragments()
            self._show(channel, first, samples, now_s)

    def _show(
        self, channel: _Channel, message: ChannelMessage, samples: bytes, now_s: float
    ) -> None:
        xy, rgb = decode_samples(samples, channel.configuration.dictionary)
        before = self.frame
        frame = ReceivedFrame(xy, rgb, message.duration_us, message.stamp_us, now_s, message.once)
        if before is not None:
            stamped = ((frame.stamp_us - before.stamp_us) % STAMP_MODULUS) * 1e-6
            if stamped > STAMP_MODULUS * 0.5e-6:
                raise FormatError("time stamps run backwards")
            late = (now_s - before.arrived_s) - stamped
            self._jitter.add(abs(late))
            # A short frame is drawn several times before the next one is due.
            if late > max(stamped, before.duration_us * 1e-6):
                self._gaps += 1
        self._frames += 1
        self.frame = frame
        self.recorded.append(frame)

    def _roll(self, channel: _Channel, message: ChannelMessage, now_s: float) -> None:
        xy, rgb = decode_samples(message.samples, channel.configuration.dictionary)
        if channel.wave_end_us not in (None, message.stamp_us):
            self._blame("a wave chunk does not join the one before")
        channel.wave_end_us = (message.stamp_us + message.duration_us) % STAMP_MODULUS
        part = ReceivedFrame(xy, rgb, message.duration_us, message.stamp_us, now_s)
        if self._wave:
            # What came ahead is drawn meanwhile.
            self._gaps += now_s > self._wave_ends_s
        else:
            self._wave_ends_s = now_s
        self._wave_ends_s = max(self._wave_ends_s, now_s) + part.duration_us * 1e-6
        self._wave.append(part)
        self._wave_us += part.duration_us
        while len(self._wave) > 1 and self._wave_us - self._wave[0].duration_us > WAVE_KEPT_US:
            self._wave_us -= self._wave.popleft().duration_us
        self._waves += 1
        self.frame = part
        self.recorded.append(part)

    def _show_dark(self, now_s: float) -> None:
        if self.frame is not None and self.frame.lit:
            self.dark_since_s = now_s
        self.frame = None
        self._wave.clear()
        self._wave_us = 0
