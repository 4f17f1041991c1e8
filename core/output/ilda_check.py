# SPDX-License-Identifier: GPL-3.0-or-later
"""Strict check of an ILDA file: what breaks the standard, and where.

Errors break the standard (IDTF rev 011; the field rules are from memory, see the docs).
Warnings break common practice: another program will most likely read the file, but the
picture may smear or show stray light.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from enum import StrEnum
from pathlib import Path
from typing import BinaryIO

import numpy as np
from numpy.typing import NDArray

from ..errors import FormatError, OutputError
from .ilda_layout import (
    BLANKED,
    HEADER_SIZE,
    INDEXED_FORMATS,
    LAST_POINT,
    PALETTE_FORMAT,
    UNADOPTED_FORMAT,
    Header,
    Section,
    StructureError,
    read_section,
)
from .palette import DEFAULT_PALETTE, PALETTE_SIZE_MAX

__all__ = ["FINDINGS_PER_RULE", "Finding", "Severity", "check", "check_stream", "require_valid"]

#: Findings of one rule that are listed; the rest are counted.
FINDINGS_PER_RULE = 20

# A jump of more than this from a frame's end to its start is worth a warning (5 % of the field).
_GAP = 3277


class Severity(StrEnum):
    """How bad a finding is."""

    ERROR = "error"
    WARNING = "warning"


@dataclass(frozen=True, slots=True)
class Finding:
    """One thing that is wrong.

    Attributes
    ----------
    severity
        Error: against the standard. Warning: against common practice.
    rule
        Short name of the rule, the same from version to version.
    offset
        Byte of the file where it shows.
    section
        Sections before it, palettes counted; -1 where it concerns the whole file.
    message
        One sentence.
    """

    severity: Severity
    rule: str
    offset: int
    section: int
    message: str

    def __str__(self) -> str:
        return f"{self.severity.value} at byte {self.offset}: {self.message}"


class _Checker:
    def __init__(self) -> None:
        self.findings: list[Finding] = []
        self._seen: Counter[tuple[Severity, str]] = Counter()
        self._section = -1
        self._next_number: dict[int, int] = {}
        self._first: dict[int, tuple[Header, int]] = {}
        self._palette_size = len(DEFAULT_PALETTE)
        self._unused_palette: int | None = None

    def add(self, severity: Severity, rule: str, offset: int, message: str) -> None:
        self._seen[severity, rule] += 1
        if self._seen[severity, rule] <= FINDINGS_PER_RULE:
            self.findings.append(Finding(severity, rule, offset, self._section, message))

    def error(self, rule: str, offset: int, message: str) -> None:
        self.add(Severity.ERROR, rule, offset, message)

    def warn(self, rule: str, offset: int, message: str) -> None:
        self.add(Severity.WARNING, rule, offset, message)

    def run(self, stream: BinaryIO) -> list[Finding]:
        offset = 0
        while True:
            try:
                section = read_section(stream, offset)
            except StructureError as broken:
                self._section += 1
                self.error(broken.rule, broken.offset, f"{_upper(broken.reason)}.")
                break
            if section is None:
                self._section = -1
                if offset == 0:
                    self.error("empty", 0, "The file is empty.")
                else:
                    self.error(
                        "end-header",
                        offset,
                        "The header without records that ends a file is missing.",
                    )
                break
            self._section += 1
            self._header(section)
            if section.header.records == 0:
                self._after(stream, offset + HEADER_SIZE)
                break
            if section.header.format_code == PALETTE_FORMAT:
                self._palette(section)
            elif section.header.format_code == UNADOPTED_FORMAT:
                self.error(
                    "format-code", offset + 7, "Format code 3 was never part of the standard."
                )
            else:
                self._numbers(section)
                self._points(section)
            offset = section.offset_of(len(section.records))
        self._whole_file(offset)
        for (severity, rule), count in self._seen.items():
            if count > FINDINGS_PER_RULE:
                self.findings.append(
                    Finding(
                        severity,
                        rule,
                        0,
                        -1,
                        f"{count - FINDINGS_PER_RULE} more findings of the rule {rule!r}.",
                    )
                )
        return self.findings

    def _header(self, section: Section) -> None:
        header, offset = section.header, section.offset
        for place, value in zip((4, 5, 6, 31), header.reserved, strict=True):
            if value:
                self.error(
                    "reserved-byte", offset + place, f"A reserved byte is {value}; it must be 0."
                )
        for field, place, raw in (("name", 8, header.name), ("company", 16, header.company)):
            text, _, rest = raw.partition(b"\0")
            if any(not 32 <= letter < 127 for letter in text):
                self.error("text", offset + place, f"The {field} {text!r} is not plain ASCII.")
            elif text != text.rstrip(b" "):
                self.warn(
                    "text-padding", offset + place, f"The {field} is padded with spaces, not NUL."
                )
            if rest.strip(b"\0"):
                self.warn("text-padding", offset + place, f"Bytes follow the end of the {field}.")

    def _after(self, stream: BinaryIO, offset: int) -> None:
        trailing = 0
        while chunk := stream.read(1 << 16):
            trailing += len(chunk)
        if trailing:
            self.error(
                "trailing-bytes", offset, f"{trailing} bytes follow the header that ends the file."
            )

    def _palette(self, section: Section) -> None:
        header, offset = section.header, section.offset
        if not 2 <= header.records <= PALETTE_SIZE_MAX:
            self.error(
                "palette-size",
                offset + 24,
                f"A palette has 2 to 256 colours, this one {header.records}.",
            )
        if header.total:
            self.error(
                "palette-total", offset + 28, f"A palette's total must be 0, not {header.total}."
            )
        self._warn_of_unused_palette()
        self._palette_size = header.records
        self._unused_palette = offset

    def _warn_of_unused_palette(self) -> None:
        if self._unused_palette is not None:
            self.warn(
                "palette-unused", self._unused_palette, "No indexed frame follows the palette."
            )

    def _numbers(self, section: Section) -> None:
        header, offset = section.header, section.offset
        projector = header.projector
        first, _ = self._first.setdefault(projector, (header, offset))
        expected = self._next_number.get(projector, 0)
        if header.number != expected:
            self.error(
                "frame-number",
                offset + 26,
                f"The frame's number is {header.number}; frames count from 0, so it should be "
                f"{expected}.",
            )
        self._next_number[projector] = expected + 1
        if header.total == 0:
            self.error("total", offset + 28, "The total of frames is 0; it must be 1 to 65535.")
        elif header.total != first.total:
            self.error(
                "total",
                offset + 28,
                f"The total of frames is {header.total} here and {first.total} in the first frame.",
            )
        if (header.name, header.company) != (first.name, first.company):
            self.warn(
                "names-vary", offset + 8, "The name or company differs from the first frame's."
            )

    def _points(self, section: Section) -> None:
        records = section.records
        status = records["status"]
        count = len(records)
        # Coordinates come first in every format: two bytes each.
        status_offset = 2 * sum(axis in (records.dtype.names or ()) for axis in "xyz")

        def place(record: int) -> int:
            return section.offset_of(record) + status_offset

        last = np.flatnonzero(status & LAST_POINT)
        if not status[-1] & LAST_POINT:
            self.error(
                "last-point",
                place(count - 1),
                "The last point of the frame lacks the last-point bit.",
            )
        early = last[last < count - 1]
        if len(early):
            self.error(
                "last-point",
                place(int(early[0])),
                f"Point {int(early[0])} of {count} has the last-point bit, but the frame goes on"
                f"{_and_more(len(early))}.",
            )
        reserved = np.flatnonzero(status & 0x3F)
        if len(reserved):
            self.error(
                "reserved-bits",
                place(int(reserved[0])),
                f"Point {int(reserved[0])} has reserved status bits{_and_more(len(reserved))}.",
            )
        blanked = (status & BLANKED) != 0
        if section.header.format_code in INDEXED_FORMATS:
            self._indices(section)
            dark = blanked
        else:
            level = np.maximum(np.maximum(records["r"], records["g"]), records["b"])
            lit = np.flatnonzero(blanked & (level > 0))
            if len(lit):
                self.warn(
                    "blanked-colour",
                    place(int(lit[0])),
                    f"Blanked point {int(lit[0])} has a colour{_and_more(len(lit))}; programs that "
                    "look at the colour only would show it.",
                )
            dark = blanked | (level == 0)
        self._ends(section, dark)

    def _indices(self, section: Section) -> None:
        index = section.records["index"]
        beyond = np.flatnonzero(index >= self._palette_size)
        if len(beyond):
            first = int(beyond[0])
            self.error(
                "palette-index",
                section.offset_of(first + 1) - 1,
                f"Point {first} has colour index {int(index[first])}, but the palette in force has "
                f"{self._palette_size} colours{_and_more(len(beyond))}.",
            )
        self._unused_palette = None

    def _ends(self, section: Section, dark: NDArray[np.bool_]) -> None:
        records = section.records
        if not dark[0]:
            self.warn(
                "start-lit",
                section.offset_of(0),
                "The frame starts with a lit point; when it repeats, the way to it may show.",
            )
        if not dark[-1]:
            self.warn("end-lit", section.offset_of(len(records) - 1), "The frame ends lit.")
        gap = max(abs(int(records[axis][-1]) - int(records[axis][0])) for axis in "xy")
        if gap > _GAP:
            self.warn(
                "open-frame",
                section.offset_of(len(records) - 1),
                f"The frame ends {gap / 65535:.0%} of the field away from where it starts; when it "
                "repeats, the scanner jumps.",
            )

    def _whole_file(self, offset: int) -> None:
        section, self._section = self._section, -1
        self._warn_of_unused_palette()
        structure = ("truncated", "signature", "empty", "format-code")
        structure_broken = any(finding.rule in structure for finding in self.findings)
        if not self._next_number and not structure_broken:
            self.error("no-frames", offset, "The file holds no frame.")
        for projector, count in self._next_number.items():
            first, where = self._first[projector]
            if first.total not in (0, count) and not structure_broken:
                self.error(
                    "total",
                    where + 28,
                    f"The total of frames is {first.total}, but the file holds {count}.",
                )
        self._section = section


def _upper(text: str) -> str:
    return text[:1].upper() + text[1:]


def _and_more(count: int) -> str:
    return f" (and {count - 1} more)" if count > 1 else ""


def check_stream(stream: BinaryIO) -> list[Finding]:
    """Check the bytes of a stream from where it stands; see `check`."""
    return _Checker().run(stream)


def check(path: Path | str) -> list[Finding]:
    """Return everything that is wrong with an ILDA file, in the order of the file.

    At most one section is in memory at a time, and at most `FINDINGS_PER_RULE` findings of a
    rule are listed one by one.

    Raises
    ------
    OutputError
        Where the file cannot be read.
    """
    try:
        with open(path, "rb") as stream:
            return check_stream(stream)
    except OSError as error:
        raise OutputError(f"{path} can't be read: {error.strerror or error}.") from error


def require_valid(path: Path | str) -> None:
    """Raise `FormatError` with the first error that `check` finds, if any."""
    errors = [finding for finding in check(path) if finding.severity is Severity.ERROR]
    if errors:
        more = f" There are {len(errors) - 1} more errors." if len(errors) > 1 else ""
        raise FormatError(f"{path} breaks the ILDA format: {errors[0]}{more}")
