# SPDX-License-Identifier: GPL-3.0-or-later
"""Frame sequences in the ILDA Image Data Transfer Format (IDTF), revision 011, 2014.

Coordinates: field -1…1 becomes -32767…32767, rounded to the nearest integer and held at
±32767, so that the centre is exactly 0 and both sides are alike; -32768 is never written.
Reading divides by 32767 and holds at -1. Colours 0…1 become 0…255. z is 0.

The layout is in `ilda_layout`, the strict check in `ilda_check`.
"""

from __future__ import annotations

import struct
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any, BinaryIO, Literal

import numpy as np
from numpy.typing import NDArray

from ..errors import FormatError, OutputError, SettingError
from ..frame import Frame
from .ilda_check import Finding, Severity, check, require_valid
from .ilda_layout import (
    BLANKED,
    COORDINATE_MAX,
    FORMAT_CODES,
    INDEXED_FORMATS,
    LAST_POINT,
    PALETTE_FORMAT,
    POINT_COUNT_MAX,
    RECORDS,
    SEQUENCE_LENGTH_MAX,
    UNADOPTED_FORMAT,
    Header,
    Section,
    decode_text,
    encode_text,
    sections,
)
from .palette import DEFAULT_PALETTE, OwnPalette, nearest_hue
from .whole_file import whole_file

__all__ = [
    "COMPANY",
    "Finding",
    "IldaFrame",
    "PaletteChoice",
    "SequenceWriter",
    "Severity",
    "check",
    "frames",
    "frames_of",
    "read",
    "write",
]

#: Eight letters for the header's company field.
COMPANY = "BEAMWRGT"

PaletteChoice = Literal["own", "standard"]

_TOTAL_OFFSET = 28


@dataclass(frozen=True, eq=False)
class IldaFrame:
    """One frame as the file holds it.

    Attributes
    ----------
    xyz : (n, 3) int16
        z is 0 in the two-dimensional formats.
    rgb : (n, 3) uint8
        True colours, or those of the palette in force. An index beyond the palette is white.
    blanked : (n,) bool
        Dark: the blanking bit is set, or the true colour is black.
    index : (n,) uint8 or None
        Palette index, in the indexed formats.
    number, total, projector, name, company, format_code
        Header fields.
    """

    xyz: NDArray[np.int16]
    rgb: NDArray[np.uint8]
    blanked: NDArray[np.bool_]
    index: NDArray[np.uint8] | None
    number: int
    total: int
    projector: int
    name: str
    company: str
    format_code: int

    def __len__(self) -> int:
        return len(self.xyz)

    def samples(self, point_rate_hz: float) -> Frame:
        """Return the frame in field coordinates; the file does not know its point rate."""
        rgb = self.rgb / 255.0
        rgb[self.blanked] = 0.0
        none = np.full(len(self), -1, np.int32)
        return Frame(
            xy=np.maximum(self.xyz[:, :2] / float(COORDINATE_MAX), -1.0),
            rgb=rgb,
            blanked=self.blanked,
            stroke=none,
            object_index=none,
            point_rate_hz=float(point_rate_hz),
        )


class SequenceWriter:
    """Write frames one after the other to a seekable binary stream.

    Parameters
    ----------
    stream
        Empty, seekable; see `whole_file`. It is not closed.
    format_code
        5 (2D) and 4 (3D) in true colour, 1 (2D) and 0 (3D) with colours by index.
    name
        Name of the frames; eight letters are kept.
    projector
        Projector number, 0…255.
    palette
        For indexed formats: ``"own"`` writes palette sections with the frames' colours,
        ``"standard"`` takes the nearest hue of the standard's suggested palette.

    Raises
    ------
    SettingError
        Where a parameter is out of range.
    """

    def __init__(
        self,
        stream: BinaryIO,
        *,
        format_code: int = 5,
        name: str = "",
        company: str = COMPANY,
        projector: int = 0,
        palette: PaletteChoice = "own",
    ) -> None:
        if format_code not in FORMAT_CODES:
            raise SettingError(f"ILDA frames have format 0, 1, 4 or 5, not {format_code}.")
        if not 0 <= projector <= 255:
            raise SettingError(f"The projector number is {projector}; it must be 0 to 255.")
        if palette not in ("own", "standard"):
            raise SettingError(f"The palette is 'own' or 'standard', not {palette!r}.")
        self.count = 0
        self._stream = stream
        self._start = stream.tell()
        self._format_code = format_code
        self._name = encode_text(name)
        self._company = encode_text(company)
        self._projector = projector
        self._own = OwnPalette() if palette == "own" and format_code in INDEXED_FORMATS else None
        self._palette_number = 0
        self._header_offsets: list[int] = []

    def append(self, frame: Frame) -> None:
        """Write one frame; a frame without samples becomes one blanked point.

        Raises
        ------
        FormatError
            Where the frame cannot be expressed: over 65535 points or over 65535 frames,
            a coordinate or colour that is no number.
        """
        if len(frame) == 0:
            frame = Frame.dark(frame.point_rate_hz)
        if len(frame) > POINT_COUNT_MAX:
            raise FormatError(
                f"The frame has {len(frame)} points; a frame of an ILDA file holds at most "
                f"{POINT_COUNT_MAX}. Lower the point rate or thin the picture out."
            )
        if self.count >= SEQUENCE_LENGTH_MAX:
            raise FormatError(
                f"A sequence holds at most {SEQUENCE_LENGTH_MAX} frames; render the range in parts."
            )
        if not (np.isfinite(frame.xy).all() and np.isfinite(frame.rgb).all()):
            raise FormatError("The frame holds coordinates or colours that are no numbers.")
        records = np.zeros(len(frame), RECORDS[self._format_code])
        fixed = np.clip(np.rint(frame.xy * COORDINATE_MAX), -COORDINATE_MAX, COORDINATE_MAX)
        records["x"], records["y"] = fixed[:, 0], fixed[:, 1]
        records["status"] = np.where(frame.blanked, BLANKED, 0)
        records["status"][-1] |= LAST_POINT
        colours = np.rint(np.clip(frame.rgb, 0.0, 1.0) * 255.0).astype(np.uint8)
        colours[frame.blanked] = 0
        if self._format_code not in INDEXED_FORMATS:
            for channel, letter in enumerate("rgb"):
                records[letter] = colours[:, channel]
        elif self._own is None:
            # The suggested palette has no black: a black point can only be a blanked one.
            records["status"][colours.max(axis=1) == 0] |= BLANKED
            records["index"] = nearest_hue(colours)
        else:
            records["index"], changed = self._own.indices(colours)
            if changed:
                self._write_palette(self._own.colours)
        self._header_offsets.append(self._stream.tell())
        self._write_section(self._format_code, records, self.count, 0)
        self.count += 1

    def finish(self) -> None:
        """Write the end header and the total into every frame's header.

        Raises
        ------
        FormatError
            Where no frame was written: a sequence has at least one.
        """
        if self.count == 0:
            raise FormatError("A sequence needs at least one frame.")
        end = Header(self._format_code, bytes(8), bytes(8), 0, 0, 0, 0)
        self._stream.write(end.pack())
        size = self._stream.tell()
        total = struct.pack(">H", self.count)
        for offset in self._header_offsets:
            self._stream.seek(offset + _TOTAL_OFFSET)
            self._stream.write(total)
        self._stream.seek(size)

    def _write_palette(self, colours: NDArray[np.uint8]) -> None:
        records = np.zeros(len(colours), RECORDS[PALETTE_FORMAT])
        for channel, letter in enumerate("rgb"):
            records[letter] = colours[:, channel]
        self._write_section(PALETTE_FORMAT, records, self._palette_number, 0)
        self._palette_number = (self._palette_number + 1) % POINT_COUNT_MAX

    def _write_section(
        self, format_code: int, records: NDArray[Any], number: int, total: int
    ) -> None:
        header = Header(
            format_code, self._name, self._company, len(records), number, total, self._projector
        )
        self._stream.write(header.pack())
        self._stream.write(records.tobytes())


def write(
    path: Path | str,
    pictures: Iterable[Frame],
    *,
    format_code: int = 5,
    name: str = "",
    projector: int = 0,
    palette: PaletteChoice = "own",
    overwrite: bool = True,
) -> int:
    """Write a whole sequence file and return the number of frames.

    Raises
    ------
    FormatError, OutputError, SettingError
        As `SequenceWriter` and `whole_file`.
    """
    with whole_file(path, overwrite=overwrite) as stream:
        writer = SequenceWriter(
            stream, format_code=format_code, name=name, projector=projector, palette=palette
        )
        for picture in pictures:
            writer.append(picture)
        writer.finish()
    return writer.count


def _frame(section: Section, palette: NDArray[np.uint8]) -> IldaFrame:
    header, records = section.header, section.records
    xyz = np.zeros((len(records), 3), np.int16)
    for axis, letter in enumerate("xyz"):
        if letter in (records.dtype.names or ()):
            xyz[:, axis] = records[letter]
    blanked = (records["status"] & BLANKED) != 0
    index = None
    if header.format_code in INDEXED_FORMATS:
        index = records["index"].copy()
        known = np.minimum(index, len(palette) - 1)
        rgb = np.where((index < len(palette))[:, None], palette[known], np.uint8(255))
    else:
        rgb = np.column_stack([records[letter] for letter in "rgb"])
    return IldaFrame(
        xyz=xyz,
        rgb=rgb,
        blanked=blanked | (rgb.max(axis=1) == 0),
        index=index,
        number=header.number,
        total=header.total,
        projector=header.projector,
        name=decode_text(header.name),
        company=decode_text(header.company),
        format_code=header.format_code,
    )


def frames_of(stream: BinaryIO) -> Iterator[IldaFrame]:
    """Yield the frames of a stream, one in memory at a time.

    Lenient: it trusts record counts and accepts a missing end header, bytes after it, names
    padded with spaces, numbers from 1, totals of 0, reserved bits, and sections of the code 3
    that was never adopted (skipped).

    Raises
    ------
    FormatError
        Where the chain of sections breaks; the frames before were yielded.
    """
    palette: NDArray[np.uint8] = DEFAULT_PALETTE
    for section in sections(stream):
        if section.header.records == 0:
            return
        if section.header.format_code == PALETTE_FORMAT:
            palette = np.column_stack([section.records[letter] for letter in "rgb"])
        elif section.header.format_code != UNADOPTED_FORMAT:
            yield _frame(section, palette)


def frames(path: Path | str, *, strict: bool = False) -> Iterator[IldaFrame]:
    """Yield the frames of a file, one in memory at a time; see `frames_of`.

    With `strict` the file must have no error in the sense of `check`.

    Raises
    ------
    FormatError
        Where the file breaks the format.
    OutputError
        Where it cannot be read.
    """
    if strict:
        require_valid(path)
    try:
        stream = open(path, "rb")  # noqa: SIM115 - closed by the block below
    except OSError as error:
        raise OutputError(f"{path} can't be read: {error.strerror or error}.") from error
    with stream:
        try:
            yield from frames_of(stream)
        except FormatError as error:
            raise FormatError(f"{path} is no sound ILDA file. {error}") from error
        except OSError as error:
            raise OutputError(f"{path} can't be read: {error.strerror or error}.") from error


def read(path: Path | str, *, strict: bool = False) -> list[IldaFrame]:
    """Return all frames of a file; see `frames`.

    Raises
    ------
    FormatError, OutputError
        As `frames`; also where the file holds no frame.
    """
    result = list(frames(path, strict=strict))
    if not result:
        raise FormatError(f"{path} holds no frame.")
    return result
