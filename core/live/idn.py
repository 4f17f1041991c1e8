# SPDX-License-Identifier: GPL-3.0-or-later
"""Packets of the ILDA Digital Network: encoding, and a decoder that lets nothing pass.

All integers are big-endian. Field positions and codes are those that a public dissector of
a general-purpose network analyser reads; the meaning of some is from memory, as no text of
the standard could be opened: client group, sequence rules, sign of coordinates, *once*,
the unit of time stamps, and when a receiver drops a session. See `docs/live.md`.
"""

from __future__ import annotations

import struct
from dataclasses import dataclass
from enum import IntEnum

from ..errors import FormatError
from .samples import XYRGB, Dictionary

__all__ = [
    "PORT",
    "Acknowledgement",
    "ChannelMessage",
    "Chunk",
    "Command",
    "Configuration",
    "Hello",
    "Result",
    "ScanResponse",
    "Service",
    "ServiceMap",
    "ServiceMode",
]

PORT = 7255
DATAGRAM_MAX = 1472
"""UDP payload of an unfragmented IPv4 packet on a 1500-byte network."""

STAMP_MODULUS = 1 << 32
DURATION_MAX_US = (1 << 24) - 1

HELLO_BYTES = 4
MESSAGE_BYTES = 8
CONFIGURATION_BYTES = 4
CHUNK_BYTES = 4


class Command(IntEnum):
    """First byte of a datagram."""

    VOID = 0x00
    PING_REQUEST = 0x08
    PING_RESPONSE = 0x09
    SCAN_REQUEST = 0x10
    SCAN_RESPONSE = 0x11
    SERVICE_MAP_REQUEST = 0x12
    SERVICE_MAP_RESPONSE = 0x13
    MESSAGE = 0x40
    MESSAGE_ACKNOWLEDGE = 0x41
    CLOSE = 0x44
    CLOSE_ACKNOWLEDGE = 0x45
    ACKNOWLEDGEMENT = 0x47


class Chunk(IntEnum):
    """Chunk types of a channel message that carry laser graphics, or nothing."""

    VOID = 0x00
    WAVE = 0x01
    FRAME = 0x02
    FRAME_FIRST = 0x03
    FRAME_SEQUEL = 0xC0


class ServiceMode(IntEnum):
    """What a channel is configured for."""

    VOID = 0x00
    GRAPHIC_CONTINUOUS = 0x01
    GRAPHIC_DISCRETE = 0x02


class Result(IntEnum):
    """Result code of an acknowledgement."""

    ACCEPTED = 0x00
    NOT_CONNECTED = 0xEB
    OCCUPIED = 0xEC
    EXCLUDED = 0xED
    INVALID_PAYLOAD = 0xEE
    ERROR = 0xEF


def _need(data: bytes, size: int, what: str, *, exact: bool = False) -> None:
    if len(data) < size or (exact and len(data) != size):
        raise FormatError(
            f"{what} has {len(data)} bytes and needs {'exactly' if exact else 'at least'} {size}."
        )


def _zero(bits: int, what: str) -> None:
    if bits:
        raise FormatError(f"Reserved bits of {what} are {bits:#x} and must be 0.")


@dataclass(frozen=True, slots=True)
class Hello:
    """One datagram: a command, its sequence number, and what it carries."""

    command: int
    sequence: int = 0
    payload: bytes = b""
    client_group: int = 0

    def encode(self) -> bytes:
        """Return the datagram."""
        head = struct.pack(">BBH", self.command, self.client_group & 15, self.sequence & 0xFFFF)
        return head + self.payload

    @classmethod
    def decode(cls, data: bytes) -> Hello:
        """Read a datagram.

        Raises
        ------
        FormatError
            If it is truncated, of an unknown command, or its payload cannot belong to it.
        """
        _need(data, HELLO_BYTES, "Datagram")
        command, flags, sequence = struct.unpack_from(">BBH", data)
        _zero(flags & 0xF0, "the datagram's flags")
        if command not in Command.__members__.values():
            raise FormatError(f"Command {command:#04x} is not known.")
        if command in (Command.VOID, Command.SCAN_REQUEST, Command.SERVICE_MAP_REQUEST):
            _need(data, HELLO_BYTES, f"Datagram of command {command:#04x}", exact=True)
        return cls(command, sequence, bytes(data[HELLO_BYTES:]), flags & 15)


@dataclass(frozen=True, slots=True)
class ScanResponse:
    """What a unit says of itself, 40 bytes."""

    unit_id: bytes
    name: str
    version: tuple[int, int] = (1, 0)
    malfunction: bool = False
    offline: bool = False
    excluded: bool = False
    occupied: bool = False
    realtime: bool = False

    def encode(self) -> bytes:
        """Return the payload."""
        status = (
            self.malfunction << 7
            | self.offline << 6
            | self.excluded << 5
            | self.occupied << 4
            | int(self.realtime)
        )
        version = self.version[0] << 4 | self.version[1]
        return struct.pack(
            ">BBBB16s20s", 40, version, status, 0, self.unit_id, self.name.encode("ascii")[:20]
        )

    @classmethod
    def decode(cls, data: bytes) -> ScanResponse:
        """Read the payload.

        Raises
        ------
        FormatError
            If it breaks its layout.
        """
        _need(data, 40, "Scan response", exact=True)
        size, version, status, reserved, unit_id, name = struct.unpack(">BBBB16s20s", data)
        if size != 40:
            raise FormatError(f"Scan response states a size of {size} bytes; it is 40.")
        _zero(reserved, "the scan response")
        _zero(status & 0x0E, "the unit's status")
        if unit_id[0] > 15:
            raise FormatError(f"Unit identifier states a length of {unit_id[0]}; at most 15.")
        return cls(
            unit_id,
            _text(name),
            (version >> 4, version & 15),
            *(bool(status & 1 << bit) for bit in (7, 6, 5, 4, 0)),
        )


def _text(raw: bytes) -> str:
    """Read NUL-padded ASCII; other bytes become replacement characters."""
    return raw.split(b"\0", 1)[0].decode("ascii", "replace")


@dataclass(frozen=True, slots=True)
class Service:
    """One entry of a service map; a relay has service ID 0."""

    service_id: int
    mode: int
    name: str
    flags: int = 0
    relay: int = 0


@dataclass(frozen=True, slots=True)
class ServiceMap:
    """Relays and services of a unit."""

    services: tuple[Service, ...]
    relays: tuple[Service, ...] = ()

    def encode(self) -> bytes:
        """Return the payload."""
        rows = [
            struct.pack(
                ">BBBB20s", row.service_id, row.mode, row.flags, row.relay,
                row.name.encode("ascii")[:20],
            )
            for row in (*self.relays, *self.services)
        ]  # fmt: skip
        head = struct.pack(">BBBB", 4, 24, len(self.relays), len(self.services))
        return head + b"".join(rows)

    @classmethod
    def decode(cls, data: bytes) -> ServiceMap:
        """Read the payload.

        Raises
        ------
        FormatError
            If it breaks its layout.
        """
        _need(data, 4, "Service map")
        size, entry, relays, services = struct.unpack_from(">BBBB", data)
        if (size, entry) != (4, 24):
            raise FormatError(f"Service map states sizes {size} and {entry}; they are 4 and 24.")
        _need(data, 4 + 24 * (relays + services), "Service map", exact=True)
        rows = [
            Service(sid, mode, _text(name), flags, relay)
            for sid, mode, flags, relay, name in struct.iter_unpack(">BBBB20s", data[4:])
        ]
        if any(row.service_id for row in rows[:relays]):
            raise FormatError("A relay of the service map has a service ID; it must be 0.")
        return cls(tuple(rows[relays:]), tuple(rows[:relays]))


@dataclass(frozen=True, slots=True)
class Acknowledgement:
    """Reply to a message that asked for one."""

    result: int = Result.ACCEPTED
    events: int = 0

    def encode(self) -> bytes:
        """Return the payload."""
        return struct.pack(">BBH", 4, self.result, self.events)

    @classmethod
    def decode(cls, data: bytes) -> Acknowledgement:
        """Read the payload.

        Raises
        ------
        FormatError
            If it breaks its layout.
        """
        _need(data, 4, "Acknowledgement", exact=True)
        size, result, events = struct.unpack(">BBH", data)
        if size != 4:
            raise FormatError(f"Acknowledgement states a size of {size} bytes; it is 4.")
        return cls(result, events)


@dataclass(frozen=True, slots=True)
class Configuration:
    """Sets up a channel, or closes it."""

    mode: int = ServiceMode.GRAPHIC_DISCRETE
    dictionary: Dictionary = XYRGB
    service_id: int = 0
    routing: bool = True
    close: bool = False
    data_match: int = 0

    def encode(self) -> bytes:
        """Return the configuration header."""
        tags = self.dictionary.tags
        if len(tags) % 2:
            tags = (*tags, 0)
        flags = self.data_match << 4 | self.close << 1 | int(self.routing)
        head = struct.pack(">BBBB", len(tags) // 2, flags, self.service_id, self.mode)
        return head + struct.pack(f">{len(tags)}H", *tags)


@dataclass(frozen=True, slots=True)
class ChannelMessage:
    """One message on a channel.

    Attributes
    ----------
    chunk
        Its type.
    stamp_us
        Time stamp in microseconds, modulo 2^32.
    channel
        0-63.
    configuration
        None where none is sent.
    duration_us
        Of the chunk; unused for void and sequel.
    once
        The receiver shall draw the frame once only.
    data_match
        The dictionary the chunk was made for.
    last
        A sequel is the frame's last fragment.
    samples
        Octets.
    """

    chunk: int = Chunk.VOID
    stamp_us: int = 0
    channel: int = 0
    configuration: Configuration | None = None
    duration_us: int = 0
    once: bool = False
    data_match: int = 0
    last: bool = False
    samples: bytes = b""

    def encode(self) -> bytes:
        """Return the message.

        Raises
        ------
        FormatError
            If a number does not fit its field.
        """
        body = self.configuration.encode() if self.configuration else b""
        if self.chunk in (Chunk.WAVE, Chunk.FRAME, Chunk.FRAME_FIRST):
            if not 0 < self.duration_us <= DURATION_MAX_US:
                raise FormatError(
                    f"A chunk lasts {self.duration_us} µs; a message can state 1 to "
                    f"{DURATION_MAX_US}. Send a shorter frame."
                )
            flags = self.data_match << 4 | int(self.once)
            body += struct.pack(">I", flags << 24 | self.duration_us)
        body += self.samples
        second = self.last if self.chunk == Chunk.FRAME_SEQUEL else bool(self.configuration)
        size = MESSAGE_BYTES + len(body)
        if size > 0xFFFF:
            raise FormatError(f"A message of {size} bytes does not fit; at most 65535.")
        return (
            struct.pack(
                ">HBBI",
                size,
                0x80 | second << 6 | self.channel,
                self.chunk,
                self.stamp_us % STAMP_MODULUS,
            )
            + body
        )

    @classmethod
    def decode(cls, data: bytes) -> ChannelMessage:
        """Read a message strictly.

        Raises
        ------
        FormatError
            If a size is wrong, a reserved bit is set, or a field has no meaning.
        """
        _need(data, MESSAGE_BYTES, "Channel message")
        size, channel, chunk, stamp = struct.unpack_from(">HBBI", data)
        if size != len(data):
            raise FormatError(f"Channel message states {size} bytes and has {len(data)}.")
        if not channel & 0x80:
            raise FormatError("Bit 7 of the channel number must be set.")
        if chunk not in Chunk.__members__.values():
            raise FormatError(f"Chunk type {chunk:#04x} is not laser graphics.")
        second = bool(channel & 0x40)
        offset = MESSAGE_BYTES
        configuration = None
        if second and chunk < 0xC0:
            configuration, offset = _decode_configuration(data, offset)
        duration, flags = 0, 0
        if chunk in (Chunk.WAVE, Chunk.FRAME, Chunk.FRAME_FIRST):
            _need(data, offset + CHUNK_BYTES, "Channel message with a chunk")
            word = struct.unpack_from(">I", data, offset)[0]
            flags, duration = word >> 24, word & DURATION_MAX_US
            offset += CHUNK_BYTES
            _zero(flags & (0xCF if chunk == Chunk.WAVE else 0xCE), "the chunk's flags")
            if duration == 0:
                raise FormatError("A chunk states a duration of 0 µs.")
        samples = bytes(data[offset:])
        if chunk == Chunk.VOID and samples:
            raise FormatError(f"A void chunk carries {len(samples)} bytes.")
        if chunk != Chunk.VOID and not samples:
            raise FormatError("A chunk carries no samples.")
        return cls(
            chunk=chunk,
            stamp_us=stamp,
            channel=channel & 0x3F,
            configuration=configuration,
            duration_us=duration,
            once=bool(flags & 1),
            data_match=flags >> 4 & 3,
            last=second and chunk == Chunk.FRAME_SEQUEL,
            samples=samples,
        )


def _decode_configuration(data: bytes, offset: int) -> tuple[Configuration, int]:
    _need(data, offset + CONFIGURATION_BYTES, "Channel message with a configuration")
    words, flags, service, mode = struct.unpack_from(">BBBB", data, offset)
    offset += CONFIGURATION_BYTES
    _zero(flags & 0xCC, "the configuration's flags")
    _need(data, offset + 4 * words, "Channel message with a dictionary")
    tags = struct.unpack_from(f">{2 * words}H", data, offset)
    configuration = Configuration(
        mode=mode,
        dictionary=Dictionary(tags),
        service_id=service,
        routing=bool(flags & 1),
        close=bool(flags & 2),
        data_match=flags >> 4 & 3,
    )
    return configuration, offset + 4 * words
