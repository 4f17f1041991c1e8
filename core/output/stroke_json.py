# SPDX-License-Identifier: GPL-3.0-or-later
"""Strokes of one frame as JSON, for scripts and other programs.

::

    {"schema": "beamwright-strokes-1", "scene": "Harbour", "frame": 12,
     "half_width": 1.0, "half_height": 0.5625,
     "strokes": [{"object": "Gull", "kind": "silhouette", "kinds": 1,
                  "colour": [1.0, 1.0, 1.0], "identity": 4711, "closed": false,
                  "points": [[-0.5, 0.25], [-0.25, 0.5]]}]}

Coordinates are field units: centre 0, 0; the longer side of the page spans -1…1; y up.
`object` is empty for what belongs to none, as the page's border; `kind` is the most telling of
the `kinds` bits. Numbers are rounded to 1e-9 of the field.
"""

from __future__ import annotations

import json
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from ..documents import read_document
from ..errors import FormatError
from ..scene import LineKind
from ..strokes import Strokes
from .whole_file import whole_file

__all__ = ["SCHEMA", "Page", "dumps", "loads", "object_names", "read", "write"]

SCHEMA = "beamwright-strokes-1"


@dataclass(frozen=True, slots=True)
class Page:
    """Where strokes come from.

    Attributes
    ----------
    scene, frame
        Name and frame number.
    half_width, half_height
        The page in field units; the larger is 1.
    """

    scene: str = ""
    frame: int = 0
    half_width: float = 1.0
    half_height: float = 1.0


def object_names(strokes: Strokes) -> list[str]:
    """Return the name of each stroke's object; "" where it belongs to none (index -1)."""
    return [
        strokes.object_names[index] if 0 <= index < len(strokes.object_names) else ""
        for index in strokes.object_index.tolist()
    ]


def _document(strokes: Strokes, page: Page) -> dict[str, Any]:
    points = np.round(strokes.points, 9)
    closed = strokes.closed
    names = object_names(strokes)
    return {
        "schema": SCHEMA,
        "scene": page.scene,
        "frame": page.frame,
        "half_width": page.half_width,
        "half_height": page.half_height,
        "strokes": [
            {
                "object": names[row],
                "kind": LineKind(int(strokes.kind[row])).label,
                "kinds": int(strokes.kind[row]),
                "colour": strokes.colour[row].tolist(),
                "identity": int(strokes.identity[row]),
                "closed": bool(closed[row]),
                "points": points[strokes.offsets[row] : strokes.offsets[row + 1]].tolist(),
            }
            for row in range(len(strokes))
        ],
    }


def dumps(strokes: Strokes, page: Page) -> str:
    """Return the document as text, one stroke a line.

    Raises
    ------
    FormatError
        Where a coordinate or colour is no number, which JSON cannot hold.
    """
    document = _document(strokes, page)
    rows = document.pop("strokes")
    try:
        head = json.dumps(document, ensure_ascii=False, allow_nan=False)
        lines = [json.dumps(row, ensure_ascii=False, allow_nan=False) for row in rows]
    except ValueError as error:
        raise FormatError(
            f"Frame {page.frame} holds coordinates or colours that are no numbers."
        ) from error
    body = ",\n".join(lines)
    return (
        f'{head[:-1]}, "strokes": [\n{body}\n]}}\n' if lines else f'{head[:-1]}, "strokes": []}}\n'
    )


def loads(text: str) -> tuple[Strokes, Page]:
    """Return the strokes and the page of a document.

    Objects that share a name become one.

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
        page = Page(
            str(document["scene"]),
            int(document["frame"]),
            float(document["half_width"]),
            float(document["half_height"]),
        )
        rows = document["strokes"]
        names = tuple(dict.fromkeys(str(row["object"]) for row in rows))
        place = {name: index for index, name in enumerate(names)}
        polylines = [np.array(row["points"], np.float64) for row in rows]
        if any(line.ndim != 2 or line.shape[1] != 2 or len(line) == 0 for line in polylines):
            raise FormatError("A stroke's points must be a list of [x, y] pairs, at least one.")
        colour = np.array([row["colour"] for row in rows], np.float64).reshape(len(rows), 3)
        strokes = Strokes.from_polylines(
            polylines,
            colour=colour,
            kind=np.array([row["kinds"] for row in rows], np.uint16),
            object_index=np.array([place[row["object"]] for row in rows], np.int32),
            identity=np.array([row["identity"] for row in rows], np.int64),
            object_names=names,
        )
    except FormatError:
        raise
    except (ValueError, KeyError, TypeError, OverflowError, RecursionError) as error:
        raise FormatError(f"This is no {SCHEMA} document: {error!r}.") from error
    return strokes, page


def write(path: Path | str, strokes: Strokes, page: Page, *, overwrite: bool = True) -> None:
    """Write one frame's strokes.

    Raises
    ------
    FormatError, OutputError
        As `dumps` and `whole_file`.
    """
    text = dumps(strokes, page)
    with whole_file(path, overwrite=overwrite) as stream:
        stream.write(text.encode())


def read(path: Path | str) -> tuple[Strokes, Page]:
    """Read what `write` wrote.

    Raises
    ------
    FormatError, OutputError
        Where it is no such file, or cannot be read.
    """
    return read_document(path, loads)
