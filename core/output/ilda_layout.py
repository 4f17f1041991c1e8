# SPDX-License-Identifier: GPL-3.0-or-later
"""Byte layout of the ILDA Image Data Transfer Format (IDTF), revision 011, 2014.

A file is a chain of sections: a header of 32 bytes and as many records as it says, all
integers big-endian. A header of no records ends the file. The format carries neither point
rate nor frame rate.
"""

from __future__ import annotations

import struct
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any, BinaryIO

import numpy as np
from numpy.typing import NDArray

from ..errors import FormatError

__all__ = [
    "BLANKED",
    "COORDINATE_MAX",
    "FORMAT_CODES",
    "HEADER_SIZE",
    "INDEXED_FORMATS",
    "LAST_POINT",
    "PALETTE_FORMAT",
    "POINT_COUNT_MAX",
    "RECORDS",
    "SEQUENCE_LENGTH_MAX",
    "Header",
    "Section",
    "StructureError",
    "decode_text",
    "encode_text",
    "read_section",
    "sections",
]

HEADER_SIZE = 32
LAST_POINT = 0x80
BLANKED = 0x40
COORDINATE_MAX = 32767
POINT_COUNT_MAX = 65535
SEQUENCE_LENGTH_MAX = 65535

PALETTE_FORMAT = 2
INDEXED_FORMATS = (0, 1)
FORMAT_CODES = (0, 1, 4, 5)

_X, _Y, _Z = ("x", ">i2"), ("y", ">i2"), ("z", ">i2")
_STATUS, _INDEX = ("status", "u1"), ("index", "u1")
_R, _G, _B = ("r", "u1"), ("g", "u1"), ("b", "u1")

# Palettes store red, green, blue; true-colour points blue, green, red.
RECORDS: dict[int, np.dtype[Any]] = {
    0: np.dtype([_X, _Y, _Z, _STATUS, _INDEX]),
    1: np.dtype([_X, _Y, _STATUS, _INDEX]),
    2: np.dtype([_R, _G, _B]),
    4: np.dtype([_X, _Y, _Z, _STATUS, _B, _G, _R]),
    5: np.dtype([_X, _Y, _STATUS, _B, _G, _R]),
}

# Code 3 was proposed once and never adopted; its length is known, so it can be skipped.
UNADOPTED_FORMAT = 3
_UNADOPTED_RECORD = np.dtype([_R, _G, _B])

_HEADER = struct.Struct(">4s3sB8s8sHHHBB")
SIGNATURE = b"ILDA"


class StructureError(FormatError):
    """The chain of sections is broken: nothing after this place can be read.

    Attributes
    ----------
    rule
        Short name of the broken rule.
    offset
        Byte of the file where it shows.
    reason
        The message without the place.
    """

    def __init__(self, rule: str, offset: int, reason: str) -> None:
        super().__init__(f"At byte {offset}: {reason}.")
        self.rule = rule
        self.offset = offset
        self.reason = reason


@dataclass(frozen=True, slots=True)
class Header:
    """The 32 bytes before the records, names still as bytes."""

    format_code: int
    name: bytes
    company: bytes
    records: int
    number: int
    total: int
    projector: int
    reserved: bytes = b"\0\0\0\0"

    def pack(self) -> bytes:
        return _HEADER.pack(
            SIGNATURE,
            self.reserved[:3],
            self.format_code,
            self.name,
            self.company,
            self.records,
            self.number,
            self.total,
            self.projector,
            self.reserved[3],
        )

    @classmethod
    def unpack(cls, raw: bytes) -> Header:
        _, reserved, code, name, company, records, number, total, projector, tail = _HEADER.unpack(
            raw
        )
        return cls(code, name, company, records, number, total, projector, reserved + bytes([tail]))


@dataclass(frozen=True, eq=False, slots=True)
class Section:
    """A header with its records.

    Attributes
    ----------
    offset
        Byte of the file where the header starts.
    records : (n,) structured
        Fields as in `RECORDS`; a view of big-endian bytes.
    """

    offset: int
    header: Header
    records: NDArray[Any]

    def offset_of(self, record: int) -> int:
        """Byte of the file where a record starts."""
        return self.offset + HEADER_SIZE + record * self.records.dtype.itemsize


def encode_text(text: str) -> bytes:
    """Return the eight bytes of a name field: ASCII, cut, padded with NUL."""
    plain = "".join(letter if " " <= letter <= "~" else "_" for letter in text)
    return plain.encode("ascii")[:8].ljust(8, b"\0")


def decode_text(raw: bytes) -> str:
    """Return the name in a field: up to the first NUL, padding of spaces removed."""
    return raw.split(b"\0")[0].decode("ascii", "replace").rstrip()


def read_section(stream: BinaryIO, offset: int) -> Section | None:
    """Read the section that starts at `offset`, where the stream stands.

    Returns None at the end of the stream. Takes at most one section into memory (some 660
    KB), whatever the bytes say.

    Raises
    ------
    StructureError
        Where the bytes are no section, or too few.
    """
    raw = stream.read(HEADER_SIZE)
    if not raw:
        return None
    if not SIGNATURE.startswith(raw[:4]):
        raise StructureError(
            "signature", offset, f"a section must start with ILDA, not {raw[:4]!r}"
        )
    if len(raw) < HEADER_SIZE:
        raise StructureError(
            "truncated", offset, f"the file ends inside a header ({len(raw)} of 32 bytes)"
        )
    header = Header.unpack(raw)
    record = (
        _UNADOPTED_RECORD
        if header.format_code == UNADOPTED_FORMAT
        else RECORDS.get(header.format_code)
    )
    if record is None:
        raise StructureError(
            "format-code",
            offset + 7,
            f"format code {header.format_code} is unknown (0, 1, 2, 4 and 5 are defined), so the "
            "length of the section is unknown too",
        )
    body = stream.read(header.records * record.itemsize)
    if len(body) < header.records * record.itemsize:
        raise StructureError(
            "truncated",
            offset + HEADER_SIZE + len(body),
            f"the file ends after {len(body) // record.itemsize} of {header.records} records",
        )
    return Section(offset, header, np.frombuffer(body, record))


def sections(stream: BinaryIO) -> Iterator[Section]:
    """Yield the sections up to and including the end header, or the end of the stream.

    Raises
    ------
    StructureError
        Where the chain breaks.
    """
    offset = 0
    while (section := read_section(stream, offset)) is not None:
        yield section
        if section.header.records == 0:
            return
        offset = section.offset_of(len(section.records))
