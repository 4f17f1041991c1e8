# SPDX-License-Identifier: GPL-3.0-or-later
"""What the cache holds of a show: visible strokes of scene frames, planned blocks of frames."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ..frame import Frame
from ..report.figures import FrameFigures
from ..safety.scanned import WorstSpot
from ..scene import Assignment
from ..strokes import Strokes
from .cache import Entry

__all__ = [
    "Picture",
    "PlannedRow",
    "block_entry",
    "block_of",
    "picture_entry",
    "picture_of",
]

STROKE_COLUMNS = ("points", "offsets", "colour", "kind", "object_index", "identity")


@dataclass(frozen=True, eq=False)
class Picture:
    """What is seen of one scene frame.

    Attributes
    ----------
    scene
        Its name.
    half_width, half_height
        The page in field units.
    assignments, object_names
        One for each object.
    views
        Visible strokes by projector name for those with a camera of their own; the key ""
        is the scene's camera.
    """

    scene: str
    half_width: float
    half_height: float
    assignments: tuple[Assignment, ...]
    object_names: tuple[str, ...]
    views: Mapping[str, Strokes]

    def view(self, projector: str) -> Strokes:
        """Strokes as a projector sees them."""
        return self.views.get(projector, self.views[""])


@dataclass(frozen=True, eq=False)
class PlannedRow:
    """One projector's frame as it comes out of the planner.

    Attributes
    ----------
    frame, figures, strokes
        See `pipeline.PlannedFrame`.
    picture
        Of its beam, for the report's page; None where the frame was changed since.
    worst
        Where an eye would be exposed most; None where the light is not known, or the frame
        was changed since.
    """

    frame: Frame
    figures: FrameFigures
    strokes: Strokes
    picture: bytes | None = None
    worst: WorstSpot | None = None


def _strokes_arrays(prefix: str, strokes: Strokes) -> dict[str, NDArray[Any]]:
    return {f"{prefix}{name}": getattr(strokes, name) for name in STROKE_COLUMNS}


def _strokes_from(prefix: str, arrays: Mapping[str, Any], names: tuple[str, ...]) -> Strokes:
    columns = {name: arrays[f"{prefix}{name}"] for name in STROKE_COLUMNS}
    return Strokes(**columns, object_names=names)


def picture_entry(picture: Picture) -> Entry:
    """Turn a picture into what `cache.pack` takes."""
    arrays: dict[str, NDArray[Any]] = {}
    for place, strokes in enumerate(picture.views.values()):
        arrays.update(_strokes_arrays(f"{place}.", strokes))
    head = {
        "scene": picture.scene,
        "page": [picture.half_width, picture.half_height],
        "objects": list(picture.object_names),
        "assignments": [asdict(rule) for rule in picture.assignments],
        "views": list(picture.views),
    }
    return Entry(head, arrays)


def picture_of(entry: Entry) -> Picture:
    """Turn it back."""
    head = entry.head
    names = tuple(head["objects"])
    return Picture(
        scene=head["scene"],
        half_width=head["page"][0],
        half_height=head["page"][1],
        assignments=tuple(
            Assignment(**{**rule, "projectors": tuple(rule["projectors"])})
            for rule in head["assignments"]
        ),
        object_names=names,
        views={
            name: _strokes_from(f"{place}.", entry.arrays, names)
            for place, name in enumerate(head["views"])
        },
    )


def block_entry(rows: Sequence[Mapping[str, PlannedRow]]) -> Entry:
    """Turn a block of planned frames, each by projector name, into what `cache.pack` takes.

    All frames of a projector lie in one array behind the other.
    """
    arrays: dict[str, NDArray[Any]] = {}
    projectors = []
    for place, name in enumerate(rows[0] if rows else ()):
        own = [planned[name] for planned in rows]
        frames = [row.frame for row in own]
        prefix = f"{place}."
        colours, index = np.unique(
            np.concatenate([frame.rgb for frame in frames]), axis=0, return_inverse=True
        )
        arrays[f"{prefix}palette"] = colours
        kind = np.min_scalar_type(max(len(colours) - 1, 0))
        arrays[f"{prefix}colour"] = index.reshape(-1).astype(kind)
        arrays[f"{prefix}xy"] = np.concatenate([frame.xy for frame in frames])
        arrays[f"{prefix}blanked"] = np.concatenate([frame.blanked for frame in frames])
        arrays[f"{prefix}stroke"] = np.concatenate([frame.stroke for frame in frames])
        arrays[f"{prefix}object"] = np.concatenate([frame.object_index for frame in frames])
        arrays[f"{prefix}starts"] = _starts([len(frame) for frame in frames])
        strokes = [row.strokes for row in own]
        for column in STROKE_COLUMNS:
            parts = [getattr(part, column) for part in strokes]
            arrays[f"{prefix}strokes.{column}"] = np.concatenate(parts)
        arrays[f"{prefix}strokes.rows"] = _starts([len(part) for part in strokes])
        arrays[f"{prefix}strokes.starts"] = _starts([len(part.points) for part in strokes])
        pictures = [row.picture or b"" for row in own]
        arrays[f"{prefix}pictures"] = np.frombuffer(b"".join(pictures), np.uint8)
        arrays[f"{prefix}pictures.starts"] = _starts([len(picture) for picture in pictures])
        tables = list(dict.fromkeys(part.object_names for part in strokes))
        projectors.append(
            {
                "name": name,
                "rates": [frame.point_rate_hz for frame in frames],
                "tables": [list(table) for table in tables],
                "table": [tables.index(part.object_names) for part in strokes],
                "figures": [asdict(row.figures) for row in own],
                "worst": [None if row.worst is None else asdict(row.worst) for row in own],
            }
        )
    return Entry({"count": len(rows), "projectors": projectors}, arrays)


def _starts(counts: Sequence[int]) -> NDArray[np.int64]:
    return np.concatenate([[0], np.cumsum(counts)]).astype(np.int64)


def block_of(entry: Entry) -> list[dict[str, PlannedRow]]:
    """Turn it back."""
    rows: list[dict[str, PlannedRow]] = [{} for _ in range(entry.head["count"])]
    for place, projector in enumerate(entry.head["projectors"]):
        prefix = f"{place}."
        arrays = {
            name.removeprefix(prefix): array
            for name, array in entry.arrays.items()
            if name.startswith(prefix)
        }
        rgb = arrays["palette"][arrays["colour"]]
        tables = [tuple(names) for names in projector["tables"]]
        starts = arrays["starts"].tolist()
        stroke_rows = arrays["strokes.rows"].tolist()
        stroke_starts = arrays["strokes.starts"].tolist()
        picture_starts = arrays["pictures.starts"].tolist()
        pictures = arrays["pictures"].tobytes()
        for number, row in enumerate(rows):
            figures = projector["figures"][number]
            figures["dropped_objects"] = tuple(figures["dropped_objects"])
            of = slice(starts[number], starts[number + 1])
            own = slice(stroke_rows[number], stroke_rows[number + 1])
            # Each frame has one offset more than it has strokes.
            offsets = slice(own.start + number, own.stop + number + 1)
            points = slice(stroke_starts[number], stroke_starts[number + 1])
            picture = pictures[picture_starts[number] : picture_starts[number + 1]]
            worst = projector["worst"][number]
            row[projector["name"]] = PlannedRow(
                frame=Frame(
                    xy=arrays["xy"][of],
                    rgb=rgb[of],
                    blanked=arrays["blanked"][of],
                    stroke=arrays["stroke"][of],
                    object_index=arrays["object"][of],
                    point_rate_hz=projector["rates"][number],
                ),
                figures=FrameFigures(**figures),
                strokes=Strokes(
                    points=arrays["strokes.points"][points],
                    offsets=arrays["strokes.offsets"][offsets],
                    **{column: arrays[f"strokes.{column}"][own] for column in STROKE_COLUMNS[2:]},
                    object_names=tables[projector["table"][number]],
                ),
                picture=picture or None,
                worst=None if worst is None else WorstSpot(**worst),
            )
    return rows
