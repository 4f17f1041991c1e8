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
    """

    frame: Frame
    figures: FrameFigures
    strokes: Strokes
    picture: bytes | None = None


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
    """Turn a block of planned frames, each by projector name, into what `cache.pack` takes."""
    arrays: dict[str, NDArray[Any]] = {}
    listed = []
    tables: dict[tuple[str, ...], int] = {}
    for number, planned in enumerate(rows):
        for name, row in planned.items():
            prefix = f"{number}.{name}."
            frame = row.frame
            colours, places = np.unique(frame.rgb, axis=0, return_inverse=True)
            arrays[f"{prefix}xy"] = frame.xy
            arrays[f"{prefix}palette"] = colours
            kind = np.min_scalar_type(max(len(colours) - 1, 0))
            arrays[f"{prefix}rgb"] = places.reshape(-1).astype(kind)
            arrays[f"{prefix}blanked"] = frame.blanked
            arrays[f"{prefix}stroke"] = frame.stroke
            arrays[f"{prefix}object"] = frame.object_index
            arrays.update(_strokes_arrays(prefix, row.strokes))
            if row.picture is not None:
                arrays[f"{prefix}picture"] = np.frombuffer(row.picture, np.uint8)
            table = tables.setdefault(row.strokes.object_names, len(tables))
            figures = asdict(row.figures)
            listed.append([number, name, frame.point_rate_hz, table, figures])
    return Entry({"count": len(rows), "tables": [list(t) for t in tables], "rows": listed}, arrays)


def block_of(entry: Entry) -> list[dict[str, PlannedRow]]:
    """Turn it back."""
    rows: list[dict[str, PlannedRow]] = [{} for _ in range(entry.head["count"])]
    tables = [tuple(names) for names in entry.head["tables"]]
    arrays = entry.arrays
    for number, name, rate_hz, table, figures in entry.head["rows"]:
        prefix = f"{number}.{name}."
        figures["dropped_objects"] = tuple(figures["dropped_objects"])
        picture = arrays.get(f"{prefix}picture")
        rows[number][name] = PlannedRow(
            frame=Frame(
                xy=arrays[f"{prefix}xy"],
                rgb=arrays[f"{prefix}palette"][arrays[f"{prefix}rgb"]],
                blanked=arrays[f"{prefix}blanked"],
                stroke=arrays[f"{prefix}stroke"],
                object_index=arrays[f"{prefix}object"],
                point_rate_hz=rate_hz,
            ),
            figures=FrameFigures(**figures),
            strokes=_strokes_from(prefix, arrays, tables[table]),
            picture=None if picture is None else picture.tobytes(),
        )
    return rows
