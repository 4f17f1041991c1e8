# SPDX-License-Identifier: GPL-3.0-or-later
"""A projector's signal as a five-channel WAV file: X, Y, red, green, blue.

For vector displays and sound-card scanners. RIFF/WAVE with the extensible format header
(Microsoft, "Multiple Channel Audio Data and WAVE Files", 2001) and channel mask 0, so that no
program takes the channels for loudspeakers and mixes them. Positions span the full scale
(-1…1), colours its upper half (0…1).

Each frame is repeated until the next is due and is never cut, so the light never jumps in
the middle of a picture; a frame longer than its slot makes the following ones late, and
those that would be later than a whole slot are left out.
"""

from __future__ import annotations

import math
import struct
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any, BinaryIO, Literal

import numpy as np
from numpy.typing import NDArray

from ..errors import FormatError, OutputError, SettingError
from ..frame import Frame

__all__ = ["CHANNELS", "Encoding", "Signal", "WavWriter", "read", "read_stream"]

#: Order of the channels.
CHANNELS = ("x", "y", "red", "green", "blue")

Encoding = Literal["pcm16", "pcm24", "float32"]

_BITS: dict[str, int] = {"pcm16": 16, "pcm24": 24, "float32": 32}
_PCM, _FLOAT, _EXTENSIBLE = 1, 3, 0xFFFE
_SUBFORMAT_TAIL = bytes.fromhex("000000001000800000aa00389b71")
_HEADER_SIZE = 12 + 8 + 40 + 8
_RIFF_MAX = 0xFFFFFFFF
_BLOCK = 1 << 18


@dataclass(frozen=True, eq=False)
class Signal:
    """What a file holds.

    Attributes
    ----------
    channels : (n, c) float64
        -1…1.
    sample_rate_hz
    encoding
    """

    channels: NDArray[np.float64]
    sample_rate_hz: int
    encoding: Encoding


def _encode(channels: NDArray[np.float64], encoding: Encoding) -> bytes:
    clipped = np.clip(channels, -1.0, 1.0)
    if encoding == "float32":
        return clipped.astype("<f4").tobytes()
    if encoding == "pcm16":
        narrow: NDArray[np.int16] = np.rint(clipped * 32767.0).astype("<i2")
        return narrow.tobytes()
    wide = np.rint(clipped * 8388607.0).astype("<i4")
    octets: NDArray[np.uint8] = np.ascontiguousarray(wide).view(np.uint8).reshape(-1, 4)[:, :3]
    return octets.tobytes()


def _decode(raw: bytes, encoding: Encoding) -> NDArray[np.float64]:
    if encoding == "float32":
        return np.frombuffer(raw, "<f4").astype(np.float64)
    if encoding == "pcm16":
        return np.frombuffer(raw, "<i2") / 32767.0
    wide = np.zeros((len(raw) // 3, 4), np.uint8)
    wide[:, 1:] = np.frombuffer(raw, np.uint8).reshape(-1, 3)
    values: NDArray[np.float64] = (wide.view("<i4")[:, 0] >> 8) / 8388607.0
    return values


class WavWriter:
    """Write frames one after the other to a seekable binary stream.

    Parameters
    ----------
    stream
        Empty, seekable; see `whole_file`. It is not closed.
    fps
        Frames a second of the scene.
    sample_rate_hz
        Of the file. Where it differs from the frames' point rate, positions are
        interpolated linearly and colours hold, each for the move to its sample.
    encoding
        ``"pcm16"``, ``"pcm24"`` or ``"float32"``.

    Raises
    ------
    SettingError
        Where a parameter is out of range.
    """

    def __init__(
        self,
        stream: BinaryIO,
        *,
        fps: float,
        sample_rate_hz: int,
        encoding: Encoding = "pcm24",
    ) -> None:
        if encoding not in _BITS:
            raise SettingError(f"The WAV encoding is {encoding!r}; choose pcm16, pcm24 or float32.")
        if not 1000 <= sample_rate_hz <= 1_000_000:
            raise SettingError(
                f"The sample rate is {sample_rate_hz} Hz; it must be 1000 to 1000000."
            )
        if not (math.isfinite(fps) and fps > 0.0):
            raise SettingError(f"The frame rate is {fps}; it must be above 0.")
        self.count = 0
        self.samples = 0
        self._stream = stream
        self._fps = fps
        self._rate = sample_rate_hz
        self._encoding: Encoding = encoding
        self._elapsed_s = 0.0
        self._carry: tuple[NDArray[np.float64], NDArray[np.float64]] | None = None
        self._stream.write(self._header())

    @property
    def _block_align(self) -> int:
        return len(CHANNELS) * _BITS[self._encoding] // 8

    def _header(self) -> bytes:
        bits = _BITS[self._encoding]
        tag = _FLOAT if self._encoding == "float32" else _PCM
        size = self.samples * self._block_align
        return (
            struct.pack("<4sI4s", b"RIFF", _HEADER_SIZE - 8 + size + size % 2, b"WAVE")
            + struct.pack("<4sI", b"fmt ", 40)
            + struct.pack(
                "<HHIIHH",
                _EXTENSIBLE,
                len(CHANNELS),
                self._rate,
                self._rate * self._block_align,
                self._block_align,
                bits,
            )
            + struct.pack("<HHIH", 22, bits, 0, tag)
            + _SUBFORMAT_TAIL
            + struct.pack("<4sI", b"data", size)
        )

    def append(self, frame: Frame) -> None:
        """Repeat one frame until the next is due.

        Raises
        ------
        FormatError
            Where the file would pass 4 GiB, or a value is no number.
        """
        if len(frame) == 0:
            frame = Frame.dark(frame.point_rate_hz)
        if not (np.isfinite(frame.xy).all() and np.isfinite(frame.rgb).all()):
            raise FormatError("The frame holds coordinates or colours that are no numbers.")
        self.count += 1
        left_s = self.count / self._fps - self._elapsed_s
        # The first frame is drawn at least once, however long: the file must not be empty.
        repeats = max(1 if self.samples == 0 else 0, round(left_s / frame.duration_s))
        if repeats == 0:
            return
        lit = np.where(frame.blanked[:, None], 0.0, frame.rgb)
        chunk = max(1, _BLOCK // len(frame))
        while repeats:
            now = min(repeats, chunk)
            self._resample(np.tile(frame.xy, (now, 1)), np.tile(lit, (now, 1)), frame.point_rate_hz)
            repeats -= now

    def _resample(
        self, xy: NDArray[np.float64], rgb: NDArray[np.float64], point_rate_hz: float
    ) -> None:
        """Write the moves from the last sample of before to each of `xy`."""
        start_s = self._elapsed_s
        self._elapsed_s += len(xy) / point_rate_hz
        first = self.samples
        # File sample k lies at (k + 1) / rate, the end of its move, as point k does.
        stop = math.floor(self._elapsed_s * self._rate + 1e-6)
        if stop <= first:
            self._carry = (xy[-1], rgb[-1])
            return
        path = np.concatenate([xy[:1] if self._carry is None else self._carry[0][None], xy])
        self._carry = (xy[-1], rgb[-1])
        times = np.arange(first + 1, stop + 1) / self._rate
        # Position in units of points: the move to point i is (i, i + 1].
        place = np.clip((times - start_s) * point_rate_hz, 0.0, len(xy))
        whole = np.rint(place)
        place = np.where(np.abs(place - whole) < 1e-6, whole, place)
        move = np.clip(np.ceil(place).astype(np.int64) - 1, 0, len(xy) - 1)
        part = (place - move)[:, None]
        channels = np.empty((len(times), len(CHANNELS)))
        channels[:, :2] = path[move] * (1.0 - part) + path[move + 1] * part
        channels[:, 2:] = rgb[move]
        self.samples = stop
        if _HEADER_SIZE + self.samples * self._block_align > _RIFF_MAX:
            raise FormatError(
                "A WAV file holds at most 4 GiB; render the range in parts or use a lower rate."
            )
        self._stream.write(_encode(channels, self._encoding))

    def finish(self) -> None:
        """Write the padding and the sizes.

        Raises
        ------
        FormatError
            Where no frame was written.
        """
        if self.samples == 0:
            raise FormatError("A WAV file needs at least one frame.")
        if self.samples * self._block_align % 2:
            self._stream.write(b"\0")
        size = self._stream.tell()
        self._stream.seek(0)
        self._stream.write(self._header())
        self._stream.seek(size)


def _chunks(stream: BinaryIO) -> Iterator[tuple[bytes, bytes]]:
    while len(head := stream.read(8)) == 8:
        name, size = struct.unpack("<4sI", head)
        # In steps: a broken size must not claim gigabytes of memory.
        body = bytearray()
        while len(body) < size and (step := stream.read(min(size - len(body), 1 << 20))):
            body += step
        if len(body) < size:
            raise FormatError(f"The chunk {name!r} ends after {len(body)} of {size} bytes.")
        stream.read(size % 2)
        yield name, bytes(body)


def read_stream(stream: BinaryIO) -> Signal:
    """Read a WAV file of 16- or 24-bit integers or 32-bit floats, any number of channels.

    Raises
    ------
    FormatError
        Where it is something else, or broken.
    """
    head = stream.read(12)
    if len(head) < 12 or head[:4] != b"RIFF" or head[8:] != b"WAVE":
        raise FormatError("This is no WAV file.")
    layout: tuple[Any, ...] | None = None
    tag = 0
    for name, body in _chunks(stream):
        if name == b"fmt ":
            if len(body) < 16:
                raise FormatError("The format chunk is too short.")
            layout = struct.unpack("<HHIIHH", body[:16])
            tag = layout[0]
            if tag == _EXTENSIBLE and len(body) >= 26:
                (tag,) = struct.unpack("<H", body[24:26])
        elif name == b"data":
            if layout is None:
                raise FormatError("The data come before their format.")
            _, count, rate, _, align, bits = layout
            encoding: Encoding
            if (tag, bits) == (_PCM, 16):
                encoding = "pcm16"
            elif (tag, bits) == (_PCM, 24):
                encoding = "pcm24"
            elif (tag, bits) == (_FLOAT, 32):
                encoding = "float32"
            else:
                raise FormatError(f"WAV format {tag} with {bits} bits is not supported.")
            if count == 0 or align != count * bits // 8 or len(body) % align:
                raise FormatError("The size of the samples does not fit their number.")
            return Signal(_decode(body, encoding).reshape(-1, count), int(rate), encoding)
    raise FormatError("The file holds no samples.")


def read(path: Path | str) -> Signal:
    """Read a file; see `read_stream`.

    Raises
    ------
    FormatError, OutputError
        Where it is no such file, or cannot be read.
    """
    try:
        with open(path, "rb") as stream:
            return read_stream(stream)
    except OSError as error:
        raise OutputError(f"{path} can't be read: {error.strerror or error}.") from error
    except FormatError as error:
        raise FormatError(f"{path}: {error}") from error
