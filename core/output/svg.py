# SPDX-License-Identifier: GPL-3.0-or-later
"""Strokes of one frame as SVG 1.1, to look at, to print, or to draw on.

The view box is the page. One group flips y, so the numbers in the paths are field
coordinates (y up) as in `scene`. Within it each object has a group with its name as title,
and each path its line kind in ``data-kind``. A beam dot is a line of no length with a round
cap. Coordinates are rounded to 1e-6 of the field, colours to 8 bits.

`read` takes files of this layout only; drawings of other programs are artwork.
"""

from __future__ import annotations

import re
from pathlib import Path
from xml.etree import ElementTree
from xml.sax.saxutils import escape, quoteattr

import numpy as np
from numpy.typing import NDArray

from ..errors import FormatError, OutputError
from ..scene import LineKind
from ..strokes import Strokes
from .stroke_json import Page, object_names
from .whole_file import whole_file

__all__ = ["dumps", "loads", "read", "write"]

_NAMESPACE = "{http://www.w3.org/2000/svg}"
_NUMBER = re.compile(r"-?\d+(?:\.\d+)?")
# XML 1.0 allows no control characters but tab and line ends.
_NOT_XML = re.compile("[^\t\n\r\x20-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")


def _number(value: float) -> str:
    text = f"{value:.6f}".rstrip("0").rstrip(".")
    return "0" if text == "-0" else text


def _path(points: NDArray[np.float64], closed: bool) -> str:
    rows = points[:-1] if closed else points
    if len(rows) == 1:
        rows = np.repeat(rows, 2, axis=0)
    pairs = [f"{_number(x)} {_number(y)}" for x, y in rows.tolist()]
    return f"M{pairs[0]}L{' '.join(pairs[1:])}{'Z' if closed else ''}"


def _colour(rgb: NDArray[np.float64]) -> str:
    red, green, blue = np.rint(np.clip(rgb, 0.0, 1.0) * 255.0).astype(int).tolist()
    return f"#{red:02x}{green:02x}{blue:02x}"


def _text(name: str) -> str:
    return _NOT_XML.sub("\ufffd", name)


def dumps(strokes: Strokes, page: Page, *, stroke_width: float = 0.004) -> str:
    """Return the drawing as text.

    Parameters
    ----------
    stroke_width
        Width of the lines in field units.

    Raises
    ------
    FormatError
        Where a coordinate or colour is no number.
    """
    if not (np.isfinite(strokes.points).all() and np.isfinite(strokes.colour).all()):
        raise FormatError(f"Frame {page.frame} holds coordinates or colours that are no numbers.")
    width, height = page.half_width, page.half_height
    box = f"{_number(-width)} {_number(-height)} {_number(2 * width)} {_number(2 * height)}"
    title = escape(_text(f"{page.scene}, frame {page.frame}"))
    lines = [
        '<?xml version="1.0" encoding="UTF-8"?>',
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="{box}" width="{_number(600 * width)}" '
        f'height="{_number(600 * height)}" data-scene={quoteattr(_text(page.scene))} '
        f'data-frame="{page.frame}">',
        f"<title>{title}</title>",
        f'<rect x="{_number(-width)}" y="{_number(-height)}" width="{_number(2 * width)}" '
        f'height="{_number(2 * height)}" fill="black"/>',
        f'<g transform="scale(1 -1)" fill="none" stroke-width="{_number(stroke_width)}" '
        'stroke-linecap="round" stroke-linejoin="round">',
    ]
    closed = strokes.closed
    # Instances of one object share its name and so its group; groups keep the first one's place.
    rows_of: dict[str, list[int]] = {}
    for row, name in enumerate(object_names(strokes)):
        rows_of.setdefault(name, []).append(row)
    for name, rows in rows_of.items():
        lines.append(
            f"<g data-object={quoteattr(_text(name))}><title>{escape(_text(name))}</title>"
        )
        for row in rows:
            kind = LineKind(int(strokes.kind[row])).label
            lines.append(
                f'<path data-kind="{kind}" stroke="{_colour(strokes.colour[row])}" '
                f'd="{_path(strokes.polyline(row), bool(closed[row]))}"/>'
            )
        lines.append("</g>")
    lines += ["</g>", "</svg>", ""]
    return "\n".join(lines)


def loads(text: str | bytes) -> tuple[Strokes, Page]:
    """Return the strokes and the page of a drawing that `dumps` made.

    Strokes come back grouped by object; of the line kinds the most telling bit is kept.

    Raises
    ------
    FormatError
        Where the text has another layout.
    """
    try:
        root = ElementTree.fromstring(text)
        if root.tag != f"{_NAMESPACE}svg" or "data-frame" not in root.attrib:
            raise FormatError("This SVG was not written by Beamwright; import it as artwork.")
        box = [float(number) for number in root.attrib["viewBox"].split()]
        page = Page(
            root.attrib["data-scene"], int(root.attrib["data-frame"]), box[2] / 2.0, box[3] / 2.0
        )
        names: list[str] = []
        polylines, colours, kinds, owners = [], [], [], []
        for group in root.iter(f"{_NAMESPACE}g"):
            if "data-object" not in group.attrib:
                continue
            names.append(group.attrib["data-object"])
            for path in group.iter(f"{_NAMESPACE}path"):
                d = path.attrib["d"]
                points = np.array([float(text) for text in _NUMBER.findall(d)]).reshape(-1, 2)
                if d.endswith("Z"):
                    points = np.concatenate([points, points[:1]])
                elif len(points) == 2 and np.array_equal(points[0], points[1]):
                    points = points[:1]
                if len(points) == 0:
                    raise FormatError("A path has no points.")
                stroke = path.attrib["stroke"]
                polylines.append(points)
                colours.append([int(stroke[place : place + 2], 16) / 255.0 for place in (1, 3, 5)])
                label = path.attrib["data-kind"]
                kinds.append(0 if label == "none" else int(LineKind[label.upper()]))
                owners.append(len(names) - 1)
    except FormatError:
        raise
    except (ElementTree.ParseError, ValueError, KeyError, IndexError) as error:
        raise FormatError(f"This is no SVG of strokes: {error!r}.") from error
    strokes = Strokes.from_polylines(
        polylines,
        colour=np.array(colours, np.float64).reshape(len(polylines), 3),
        kind=np.array(kinds, np.uint16),
        object_index=np.array(owners, np.int32),
        object_names=tuple(names),
    )
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
    try:
        text = Path(path).read_bytes()
    except OSError as error:
        raise OutputError(f"{path} can't be read: {error.strerror or error}.") from error
    try:
        return loads(text)
    except FormatError as error:
        raise FormatError(f"{path}: {error}") from error
