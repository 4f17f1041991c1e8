# SPDX-License-Identifier: GPL-3.0-or-later
"""The wire to one unit: datagrams out, acknowledgements in. Used under the sender's lock."""

from __future__ import annotations

import math
import socket
import time
from dataclasses import dataclass, replace

from ..errors import FormatError, OutputError, SettingError
from .cutting import frame_messages, wave_messages
from .idn import (
    PORT,
    STAMP_MODULUS,
    Acknowledgement,
    ChannelMessage,
    Command,
    Configuration,
    Hello,
    Result,
    ServiceMode,
)

__all__ = ["Link", "SenderSettings"]

REPLIES_A_TURN = 64
DARK_REPEATS = 3
LOSS_S = 0.25


@dataclass(frozen=True, slots=True)
class SenderSettings:
    """How a projector is reached.

    Attributes
    ----------
    host, port
        The only address that is ever sent to.
    channel, service_id, client_group
        Of the unit; service 0 is its default one.
    wave
        Continuous stream instead of repeated frames.
    interval_s
        Least time between two frames; a shorter frame is drawn several times.
    stall_s
        Silence of the source after which the output goes dark and closes.
    loss_s
        Silence of the receiver after which the same happens; 0 for receivers that never
        acknowledge.
    configuration_s
        How often the configuration is repeated and an acknowledgement is asked for.
    """

    host: str
    port: int = PORT
    channel: int = 0
    service_id: int = 0
    client_group: int = 0
    wave: bool = False
    interval_s: float = 0.01
    stall_s: float = 1.0
    loss_s: float = LOSS_S
    configuration_s: float = 0.05

    def __post_init__(self) -> None:
        """Check the numbers.

        Raises
        ------
        SettingError
            If one is out of its range.
        """
        if not self.host:
            raise SettingError("Live output has no address; name the projector's host.")
        for name, value, low, high in (
            ("port", self.port, 1, 65_535),
            ("channel", self.channel, 0, 63),
            ("service", self.service_id, 0, 255),
            ("client group", self.client_group, 0, 15),
            ("interval", self.interval_s, 0.001, 0.1),
            ("stall time", self.stall_s, 0.05, 10.0),
            ("receiver's silence", self.loss_s, 0.0, 10.0),
            ("configuration interval", self.configuration_s, 0.01, 1.0),
        ):
            if not (math.isfinite(value) and low <= value <= high):
                raise SettingError(f"Live output: {name} is {value:g}; choose {low:g} to {high:g}.")
        if 0.0 < self.loss_s < 2.0 * self.configuration_s:
            raise SettingError(
                f"Live output: the receiver's silence is {self.loss_s:g} s; allow at least two "
                f"configuration intervals of {self.configuration_s:g} s."
            )


class Link:
    """Socket, session and sequence of one unit.

    Raises
    ------
    OutputError
        If the address cannot be used.
    """

    def __init__(self, settings: SenderSettings) -> None:
        self.settings = settings
        self.open = False
        self.datagrams = 0
        self.acknowledged = 0
        self.odd_replies = 0
        self.refusal = ""
        self.configured_s = -math.inf
        self._sequence = 0
        self._stamp_us = 0
        self._asked: dict[int, float] = {}
        self._waiting_s: float | None = None
        self._socket = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
        try:
            # A connected socket takes nothing from anybody else.
            self._socket.connect((settings.host, settings.port))
            self._socket.setblocking(False)
        except OSError as error:
            self._socket.close()
            raise OutputError(
                f"Cannot send to {settings.host} port {settings.port}: {error.strerror}. "
                "Check the address and the network."
            ) from error

    def silent(self, now: float) -> bool:
        """Whether the unit has left questions unanswered for too long."""
        if self._waiting_s is None or self.settings.loss_s <= 0.0:
            return False
        return now - self._waiting_s > self.settings.loss_s

    def send_frame(self, samples: bytes, duration_us: int, advance_us: int, now: float) -> None:
        """Send one frame; the next one's stamp is `advance_us` later."""
        configure = not self.open or now - self.configured_s >= self.settings.configuration_s
        for index, message in enumerate(self._cut(samples, duration_us, configure)):
            self._datagram(message, now, ask=configure and index == 0)
        self._stamp_us = (self._stamp_us + advance_us) % STAMP_MODULUS
        self.open = True
        if configure:
            self.configured_s = now

    def keep_alive(self, now: float) -> None:
        """Say between long frames that the session lives, and ask whether it is heard."""
        self._datagram(self._void(self._configuration()), now, ask=True)
        self.configured_s = now

    def end_session(self, dark_samples: bytes, duration_us: int) -> None:
        """Send dark samples and close; more than once, as a datagram may be lost."""
        if not self.open:
            return
        self.open = False
        self._asked.clear()
        self._waiting_s = None
        self.configured_s = -math.inf
        now = time.monotonic()
        for _ in range(DARK_REPEATS):
            for message in self._cut(dark_samples, duration_us, configure=True):
                self._datagram(message, now, ask=False)
            self._stamp_us = (self._stamp_us + duration_us) % STAMP_MODULUS
        closing = replace(self._configuration(), routing=False, close=True)
        self._datagram(self._void(closing), now, ask=False)
        self._datagram(self._void(None), now, ask=False, command=Command.CLOSE)

    def listen(self) -> None:
        """Read what the unit answered; odd replies are counted and let be."""
        for _ in range(REPLIES_A_TURN):
            try:
                data = self._socket.recv(2048)
            except OSError:
                return
            try:
                hello = Hello.decode(data)
                asked = self._asked.get(hello.sequence)
                if hello.command != Command.ACKNOWLEDGEMENT or asked is None:
                    raise FormatError("an answer to nothing that was asked")
                result = Acknowledgement.decode(hello.payload).result
            except FormatError:
                self.odd_replies += 1
                continue
            if result == Result.ACCEPTED:
                # What was asked before it will not be answered any more.
                self._asked = {s: t for s, t in self._asked.items() if t > asked}
                self._waiting_s = min(self._asked.values(), default=None)
                self.acknowledged += 1
            else:
                self.refusal = f"the receiver refuses: result code {result:#04x}"

    def close(self) -> None:
        """Close the socket."""
        self._socket.close()

    def _configuration(self) -> Configuration:
        wave = self.settings.wave
        return Configuration(
            mode=ServiceMode.GRAPHIC_CONTINUOUS if wave else ServiceMode.GRAPHIC_DISCRETE,
            service_id=self.settings.service_id,
        )

    def _cut(self, samples: bytes, duration_us: int, configure: bool) -> list[ChannelMessage]:
        cut = wave_messages if self.settings.wave else frame_messages
        return cut(
            samples,
            duration_us,
            self._stamp_us,
            configuration=self._configuration() if configure else None,
            channel=self.settings.channel,
        )

    def _void(self, configuration: Configuration | None) -> ChannelMessage:
        return ChannelMessage(
            stamp_us=self._stamp_us,
            channel=self.settings.channel,
            configuration=configuration,
        )

    def _datagram(
        self, message: ChannelMessage, now: float, *, ask: bool, command: Command | None = None
    ) -> None:
        self._sequence = (self._sequence + 1) & 0xFFFF
        if ask:
            self._asked[self._sequence] = now
            if self._waiting_s is None:
                self._waiting_s = now
            while len(self._asked) > REPLIES_A_TURN:
                del self._asked[next(iter(self._asked))]
        if command is None:
            command = Command.MESSAGE_ACKNOWLEDGE if ask else Command.MESSAGE
        hello = Hello(command, self._sequence, message.encode(), self.settings.client_group)
        try:
            self._socket.send(hello.encode())
        except OSError:
            # Nobody listens, or the buffer is full: the silence that follows ends it.
            return
        self.datagrams += 1
