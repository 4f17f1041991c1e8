# SPDX-License-Identifier: GPL-3.0-or-later
"""A projector's samples as JSON, for scripts and displays that take neither ILDA nor WAV.

::

    {"schema": "beamwright-points-1", "projector": "Graphics", "point_rate_hz": 30000.0,
     "fps": 24.0, "frames": [
    {"frame": 1, "x": [...], "y": [...], "r": [...], "g": [...], "b": [...],
     "blanked": [0, 1, ...], "stroke": [...], "object": [...]}
    ]}

x and y are field units (-1…1, y up), rounded to 1e-6; colours 0…1, rounded to 1e-4.
`stroke` and `object` are numbers, -1 for none.
"""

from __future__ import annotations

import json
from dataclasses import dataclass
from pathlib import Path
from typing import Any, BinaryIO

import numpy as np

from ..documents import read_document
from ..errors import FormatError
from ..frame import Frame

__all__ = ["SCHEMA", "PointSequence", "PointsWriter", "loads", "read"]

SCHEMA = "beamwright-points-1"


@dataclass(frozen=True, eq=False)
class PointSequence:
    """What a file holds.

    Attributes
    ----------
    projector
        Its name.
    fps
        Frames a second of the scene.
    numbers
        Scene frame number of each frame.
    frames
        The samples.
    """

    projector: str
    fps: float
    numbers: tuple[int, ...]
    frames: tuple[Frame, ...]


class PointsWriter:
    """Write frames one after the other to a binary stream."""

    def __init__(
        self, stream: BinaryIO, *, projector: str, point_rate_hz: float, fps: float
    ) -> None:
        head = json.dumps(
            {
                "schema": SCHEMA,
                "projector": projector,
                "point_rate_hz": float(point_rate_hz),
                "fps": float(fps),
            },
            ensure_ascii=False,
            allow_nan=False,
        )
        self.count = 0
        self._stream = stream
        self._stream.write(f'{head[:-1]}, "frames": ['.encode())

    def append(self, number: int, frame: Frame) -> None:
        """Write the frame that shows scene frame `number`.

        Raises
        ------
        FormatError
            Where a coordinate or colour is no number.
        """
        x, y = np.round(frame.xy, 6).T.tolist() if len(frame) else ([], [])
        red, green, blue = np.round(frame.rgb, 4).T.tolist() if len(frame) else ([], [], [])
        row = {
            "frame": number,
            "x": x,
            "y": y,
            "r": red,
            "g": green,
            "b": blue,
            "blanked": frame.blanked.astype(int).tolist(),
            "stroke": frame.stroke.tolist(),
            "object": frame.object_index.tolist(),
        }
        try:
            text = json.dumps(row, allow_nan=False, separators=(",", ":"))
        except ValueError as error:
            raise FormatError(
                f"Frame {number} holds coordinates or colours that are no numbers."
            ) from error
        self._stream.write(f"{',' if self.count else ''}\n{text}".encode())
        self.count += 1

    def finish(self) -> None:
        """Close the document; the stream stays open."""
        self._stream.write(b"\n]}\n")


def _frame(row: dict[str, Any], point_rate_hz: float) -> Frame:
    columns = [np.array(row[key], np.float64) for key in "xyrgb"]
    blanked = np.array(row["blanked"], np.int64) != 0
    stroke = np.array(row["stroke"], np.int32)
    owner = np.array(row["object"], np.int32)
    if len({column.shape for column in (*columns, blanked, stroke, owner)}) != 1 or (
        blanked.ndim != 1
    ):
        raise FormatError(f"Frame {row['frame']} has columns of different lengths.")
    if not all(np.isfinite(column).all() for column in columns):
        raise FormatError(f"Frame {row['frame']} holds values that are no numbers.")
    return Frame(
        xy=np.column_stack(columns[:2]),
        rgb=np.column_stack(columns[2:]),
        blanked=blanked,
        stroke=stroke,
        object_index=owner,
        point_rate_hz=point_rate_hz,
    )


def loads(text: str) -> PointSequence:
    """Return the frames of a document.

    Raises
    ------
    FormatError
        Where the text is no such document.
    """
    try:
        document = json.loads(text)
        if document["schema"] != SCHEMA:
            raise FormatError(
                f"The schema is {document['schema']!r}; this version reads {SCHEMA!r} only."
            )
        rate = float(document["point_rate_hz"])
        if not (np.isfinite(rate) and rate > 0.0):
            raise FormatError(f"The point rate is {rate}; it must be above 0.")
        return PointSequence(
            projector=str(document["projector"]),
            fps=float(document["fps"]),
            numbers=tuple(int(row["frame"]) for row in document["frames"]),
            frames=tuple(_frame(row, rate) for row in document["frames"]),
        )
    except FormatError:
        raise
    except (ValueError, KeyError, TypeError, OverflowError, RecursionError) as error:
        raise FormatError(f"This is no {SCHEMA} document: {error!r}.") from error


def read(path: Path | str) -> PointSequence:
    """Read a file of points.

    Raises
    ------
    FormatError, OutputError
        Where it is no such file, or cannot be read.
    """
    return read_document(path, loads)
