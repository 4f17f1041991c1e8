# SPDX-License-Identifier: GPL-3.0-or-later
"""A film of a render to send around: the light on the stage, frame by frame, with its sound.

Each picture is what a camera before the stage would take: the simulated beam of every
projector, put back to where its aim came from, so that all projectors lie in one picture.
Light adds up along the beam's way in time, so slow corners are brighter and a full frame is
dimmer, as on the stage. Pictures go to numbered PNG files; whoever has an encoder, which is
Blender, makes the film of them in a process of its own.
"""

from __future__ import annotations

import json
import queue
import shutil
import struct
import subprocess
import tempfile
import threading
import zlib
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import suppress
from dataclasses import asdict, dataclass
from fractions import Fraction
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from .errors import HostError, OutputError, SettingError
from .frame import Frame
from .points.aim import aim_matrix
from .points.projector import Projector
from .proof import beam_path

__all__ = [
    "ENDINGS",
    "LONGER_SIDE",
    "EncodeRequest",
    "Encoder",
    "FilmMaker",
    "StagePainter",
    "Video",
    "encode",
    "png",
]

ENDINGS = (".mp4", ".mkv", ".mov")
"""Of the film's file name; each holds H.264 pictures and AAC sound."""

LONGER_SIDE = 960
"""Pixels, unless something else is asked for."""

Encoder = Callable[[str], Sequence[str]]
"""Given an `EncodeRequest` as JSON, returns program and arguments of the process that does it.

It prints ``{"frames": n}`` as it goes on, ``{"done": true}`` in the end, or
``{"error": text}``, one a line.
"""

# Speed of the beam, field units a sample, at which a line of a frame that fills its budget has
# the reference brightness: what the planner draws long lines with at common settings.
_LINE_SPEED = 0.03
_LINE_LEVEL = 1.6  # exposures of such a line: 1 - exp(-1.6) is four fifths of white
_SPREAD = np.array([1.0, 2.0, 1.0]) / 4.0  # the beam's spot, pixels; applied once per axis
_STEP_PIXELS = 0.7
_MARGIN = 1.02


@dataclass(frozen=True, slots=True)
class EncodeRequest:
    """What film to make.

    Attributes
    ----------
    folder
        Holds ``000000.png`` and so on.
    count
        Pictures.
    width, height
        Pixels, even.
    rate, base
        Frames a second as a fraction, ``rate / base``.
    sound
        WAV file that begins with the first picture; empty for none.
    target
        File to write; its ending says the container.
    """

    folder: str
    count: int
    width: int
    height: int
    rate: int
    base: int
    sound: str
    target: str

    def to_json(self) -> str:
        """Return the request as text."""
        return json.dumps(asdict(self))

    @classmethod
    def from_json(cls, text: str) -> EncodeRequest:
        """Turn it back."""
        return cls(**json.loads(text))


@dataclass(frozen=True, slots=True)
class Video:
    """The film that is asked for.

    Attributes
    ----------
    name
        File name in the output folder; its ending says the container.
    encoder
        Makes it.
    longer_side
        Pixels.

    Raises
    ------
    SettingError
        Where the name is that of a folder or has another ending, or the size is out of range.
    """

    name: str
    encoder: Encoder
    longer_side: int = LONGER_SIDE

    def __post_init__(self) -> None:
        """Refuse what can't be made."""
        if Path(self.name).name != self.name:
            raise SettingError(
                f"The film {self.name!r} goes into the output folder: give its file name alone."
            )
        if Path(self.name).suffix.lower() not in ENDINGS:
            raise SettingError(f"The film {self.name!r} must end in {', '.join(ENDINGS)}.")
        if not 64 <= self.longer_side <= 4096:
            raise SettingError(
                f"The film's longer side is {self.longer_side} pixels; set it to 64 to 4096."
            )


class StagePainter:
    """Paints what is seen on the stage.

    Parameters
    ----------
    projectors
        All that may be in the picture.
    half_size
        Half width and half height of the picture in the camera's field; the larger is 1.
    longer_side
        Of the picture, pixels.

    Attributes
    ----------
    width, height
        Pixels, even, as most films ask for.
    """

    def __init__(
        self,
        projectors: Sequence[Projector],
        half_size: tuple[float, float] = (1.0, 1.0),
        longer_side: int = LONGER_SIDE,
    ) -> None:
        self._scale = longer_side / 2.0 / _MARGIN
        self.width, self.height = (max(2, 2 * round(longer_side * half / 2)) for half in half_size)
        self._projectors = {projector.name: projector for projector in projectors}
        self._back = {
            projector.name: np.linalg.inv(aim_matrix(projector.aim)) for projector in projectors
        }

    def to_pixels(self, projector: str, xy: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return where points of a projector's field lie in the picture.

        Parameters
        ----------
        projector
            Its name.
        xy : (n, 2)
            Projector field.

        Returns
        -------
        (n, 2)
            Pixels to the right and down; the first pixel's centre is (0, 0).
        """
        back = self._back[projector]
        place = xy @ back[:, :2].T + back[:, 2]
        with np.errstate(divide="ignore", invalid="ignore"):
            stage = place[:, :2] / np.where(place[:, 2:] > 1e-9, place[:, 2:], np.nan)
        return stage * (self._scale, -self._scale) + (
            (self.width - 1) / 2.0,
            (self.height - 1) / 2.0,
        )

    def paint(self, frames: Mapping[str, Frame]) -> NDArray[np.uint8]:
        """Return the picture of one moment: (height, width, 3), sRGB.

        Parameters
        ----------
        frames
            By projector name.
        """
        places, lights = [], []
        for name, frame in frames.items():
            if frame.blanked.all():
                continue
            place, light = self._exposed(name, frame)
            places.append(place)
            lights.append(light)
        if not places:
            return np.zeros((self.height, self.width, 3), np.uint8)
        return self._developed(np.concatenate(places), np.concatenate(lights))

    def _exposed(self, name: str, frame: Frame) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Return where light falls, (m, 2) pixels, and how much, (m, 3)."""
        projector = self._projectors[name]
        xy, rgb, lit = beam_path(frame, projector.profile)
        place = self.to_pixels(name, xy)
        before = np.roll(place, 1, axis=0)
        ends_seen = np.isfinite(place).all(axis=1) & np.isfinite(before).all(axis=1)
        lit = lit & ends_seen
        place, before, rgb = place[lit], before[lit], rgb[lit]
        parts = 1 + (np.abs(place - before).max(axis=1, initial=0.0) / _STEP_PIXELS).astype(int)
        rank = np.arange(parts.sum()) - np.repeat(np.cumsum(parts) - parts, parts)
        share = ((rank + 0.5) / np.repeat(parts, parts))[:, None]
        start = np.repeat(before, parts, axis=0)
        points = start + share * (np.repeat(place, parts, axis=0) - start)
        # The frame is repeated without pause: each row has its equal share of the time.
        row_share = projector.budget / len(xy)
        line = _LINE_SPEED * self._scale  # pixels a sample
        level = _LINE_LEVEL * row_share * line / parts
        return points, np.repeat(rgb * level[:, None], parts, axis=0)

    def _developed(
        self, place: NDArray[np.float64], light: NDArray[np.float64]
    ) -> NDArray[np.uint8]:
        whole = np.floor(place).astype(np.int64)
        inside = (
            (whole >= 0).all(axis=1)
            & (whole[:, 0] < self.width - 1)
            & (whole[:, 1] < self.height - 1)
        )
        whole, light = whole[inside], light[inside]
        if not len(whole):
            return np.zeros((self.height, self.width, 3), np.uint8)
        part = place[inside] - whole
        # Only the rows and columns that light falls on, and the spot's reach.
        low = np.maximum(whole.min(axis=0) - 2, 0)
        high = np.minimum(whole.max(axis=0) + 4, (self.width, self.height))
        wide, tall = (high - low).tolist()
        film = np.zeros((3, tall * wide))
        for dx in (0, 1):
            for dy in (0, 1):
                weight = np.abs(1 - dx - part[:, 0]) * np.abs(1 - dy - part[:, 1])
                at = (whole[:, 1] + dy - low[1]) * wide + whole[:, 0] + dx - low[0]
                for channel in range(3):
                    film[channel] += np.bincount(at, weight * light[:, channel], tall * wide)
        exposed = np.moveaxis(film.reshape(3, tall, wide).astype(np.float32), 0, 2)
        exposed = _spread(_spread(exposed, 0), 1)
        picture = np.zeros((self.height, self.width, 3), np.uint8)
        window = picture[low[1] : high[1], low[0] : high[0]]
        rows, columns = np.nonzero(exposed.max(axis=2) > 1e-4)
        window[rows, columns] = _toned(exposed[rows, columns])
        return picture


def _spread(film: NDArray[np.float32], axis: int) -> NDArray[np.float32]:
    """Widen the light by the spot of the beam along an axis."""
    side, middle, _ = (np.float32(weight) for weight in _SPREAD)
    wide = film * middle
    ahead = [slice(None)] * 3
    behind = [slice(None)] * 3
    ahead[axis], behind[axis] = slice(1, None), slice(None, -1)
    wide[tuple(ahead)] += film[tuple(behind)] * side
    wide[tuple(behind)] += film[tuple(ahead)] * side
    result: NDArray[np.float32] = wide
    return result


def _toned(light: NDArray[np.float32]) -> NDArray[np.uint8]:
    """Return sRGB values (IEC 61966-2-1) of light; too much of it keeps its hue."""
    most = light.max(axis=1, keepdims=True)
    linear = light / most * -np.expm1(-most)
    low = linear <= 0.0031308
    encoded = np.where(low, 12.92 * linear, 1.055 * np.maximum(linear, 1e-9) ** (1 / 2.4) - 0.055)
    result: NDArray[np.uint8] = np.rint(255.0 * encoded).astype(np.uint8)
    return result


def png(picture: NDArray[np.uint8]) -> bytes:
    """Return a picture (height, width, 3) as a PNG file (ISO/IEC 15948), 8 bits, no filter."""
    height, width, _ = picture.shape
    rows = np.zeros((height, 1 + 3 * width), np.uint8)
    rows[:, 1:] = picture.reshape(height, 3 * width)

    def chunk(kind: bytes, content: bytes) -> bytes:
        check = zlib.crc32(kind + content)
        return struct.pack(">I", len(content)) + kind + content + struct.pack(">I", check)

    head = struct.pack(">IIBBBBB", width, height, 8, 2, 0, 0, 0)
    return (
        b"\x89PNG\r\n\x1a\n"
        + chunk(b"IHDR", head)
        + chunk(b"IDAT", zlib.compress(rows.tobytes(), 1))
        + chunk(b"IEND", b"")
    )


class FilmMaker:
    """Collects the pictures of a render and makes a film of them in the end.

    Parameters
    ----------
    painter
    fps
        Pictures a second.
    video
        What film.

    Attributes
    ----------
    count
        Pictures so far.
    file
        The film, once it is finished.

    As a context manager it takes its pictures away in the end.
    """

    def __init__(self, painter: StagePainter, fps: float, video: Video) -> None:
        self._ending = Path(video.name).suffix.lower()
        self._painter = painter
        self._fps = Fraction(fps).limit_denominator(1001)
        self._encoder = video.encoder
        self._folder = Path(tempfile.mkdtemp(prefix="beamwright-film-"))
        self.count = 0
        self.file = self._folder / f"film{self._ending}"

    def __enter__(self) -> FilmMaker:
        return self

    def __exit__(self, *_: object) -> None:
        shutil.rmtree(self._folder, ignore_errors=True)

    def append(self, frames: Mapping[str, Frame]) -> None:
        """Paint the next picture.

        Raises
        ------
        OutputError
            Where there is no room for it.
        """
        path = self._folder / f"{self.count:06d}.png"
        try:
            path.write_bytes(png(self._painter.paint(frames)))
        except OSError as error:
            raise OutputError(
                f"The film's pictures can't be written to {self._folder.parent}: "
                f"{error.strerror}. Make room there, or render without --video."
            ) from error
        self.count += 1

    def finish(self, sound: Path | None) -> Iterator[int]:
        """Make the film, `file`, which is gone with the rest; yields pictures done.

        Parameters
        ----------
        sound
            WAV file that begins with the first picture.
        """
        request = EncodeRequest(
            folder=str(self._folder),
            count=self.count,
            width=self._painter.width,
            height=self._painter.height,
            rate=self._fps.numerator,
            base=self._fps.denominator,
            sound="" if sound is None else str(sound.resolve()),
            target=str(self.file),
        )
        yield from encode(request, self._encoder)


def encode(request: EncodeRequest, encoder: Encoder) -> Iterator[int]:
    """Let a process make the film; yields how many pictures are done.

    Closing the iterator ends the process.

    Raises
    ------
    HostError
        Where it can't be started, or ends by itself.
    OutputError
        Where the film can't be written.
    """
    arguments = list(encoder(request.to_json()))
    try:
        process = subprocess.Popen(
            arguments,
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
        )
    except OSError as error:
        raise HostError(f"The film's encoder can't be started: {error}.") from error
    lines: queue.Queue[bytes | None] = queue.Queue()
    last_words: list[str] = []

    def listen() -> None:
        assert process.stdout is not None
        for line in process.stdout:
            lines.put(line)
        lines.put(None)

    def overhear() -> None:
        assert process.stderr is not None
        for line in process.stderr:
            last_words.append(line.decode("utf-8", "replace").strip())
            del last_words[:-3]

    threads = [threading.Thread(target=work, daemon=True) for work in (listen, overhear)]
    for thread in threads:
        thread.start()
    try:
        while (line := lines.get()) is not None:
            message: object = None
            with suppress(ValueError):
                message = json.loads(line)
            if not isinstance(message, dict):
                continue  # a remark of Blender's own
            if "error" in message:
                raise OutputError(f"The film can't be made: {message['error']}")
            if "done" in message:
                return
            if "frames" in message:
                yield int(message["frames"])
        process.wait()
        said = " ".join(last_words).strip()
        raise HostError(f"The film's encoder ended by itself ({process.returncode}). {said}")
    finally:
        process.kill()
        process.wait()
        for thread in threads:
            thread.join()
        for stream in (process.stdout, process.stderr):
            if stream is not None:
                stream.close()
