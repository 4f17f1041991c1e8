# SPDX-License-Identifier: GPL-3.0-or-later
"""The point report of a render: as JSON, as CSV, and as text that names the objects to thin out.

`report.json`::

    {"schema": "beamwright-report-1", "beamwright": "0.1.0", "scene": "Harbour", "fps": 24.0,
     "frame_first": 1, "frame_last": 240, "frame_step": 1, "details": {...},
     "projectors": [
       {"name": "Graphics", "files": ["Graphics.ild"], "point_rate_hz": 30000.0,
        "target_refresh_hz": 30.0, "budget": 1000,
        "frames": [
          {"frame": 1, "points": 612, "lit": 400, "blanked": 212, "strokes": 31,
           "refresh_hz": 49.02, "budget": 1000, "over_budget": false, "stress": 0.0,
           "tolerance_field": 0.004, "dropped_strokes": 0, "dropped_length": 0.0,
           "dropped_objects": [], "lit_length": 7.1, "darkened": 0,
           "cost": {"Gull": 233.0, "": 12.0}}]}]}

A projector may have a "profile", its scanners as `points.projector.profile_to_json` writes them,
and where its laser is known a "safety"::

    {"note": "These are planning figures. …", "edition": "…", "distance_m": 12.0,
     "worst": {"frame": 31, "x": 0.1, "y": 0.2, "ratio": 3.1, "rule": "train of passes",
               "passes_per_frame": 2, "energy_j": 1e-5, "pass_s": 1e-4},
     "figures": [{"name": "…", "value": 223.6, "unit": "m", "formula": "…", "edition": "…",
                  "certainty": "…", "remark": ""}]}

A figure whose inputs are unknown or doubtful has the value null and a remark that says why;
"worst" is null where no frame could be examined.
Measured frames also have "error_field", "error_worst_field", "corner_rounding_field",
"brightness_evenness" and "acceleration_share", see `FrameFigures`.
A frame's `cost` sums to its points; the key "" is what belongs to no object.
`report.csv` has one row for each projector and frame, without the cost but for the heaviest
object.
"""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, fields
from pathlib import Path
from statistics import median
from typing import Any

from ..documents import read_document
from ..errors import FormatError
from ..points.projector import ScannerProfile, profile_from_json, profile_to_json
from .figures import FrameFigures

__all__ = [
    "SCHEMA",
    "CostRange",
    "FrameRange",
    "ProjectorReport",
    "Report",
    "cost_ranges",
    "cost_shares",
    "csv_text",
    "json_text",
    "loads",
    "over_budget_ranges",
    "read",
    "summary",
]

SCHEMA = "beamwright-report-1"

# An object below this share of a frame is not worth a line in the summary.
_SHARE_WORTH_TELLING = 0.05


@dataclass(frozen=True, eq=False)
class ProjectorReport:
    """One projector's frames.

    Attributes
    ----------
    name, point_rate_hz, target_refresh_hz, budget
        Of the projector.
    files
        Names of its files, relative to the report.
    figures
        In the order of the frames.
    profile
        The scanners that were planned for, where they are known.
    safety
        Hazard figures as they are written, where the laser is known; see `sequence`.
    """

    name: str
    point_rate_hz: float
    target_refresh_hz: float
    budget: int
    figures: tuple[FrameFigures, ...]
    files: tuple[str, ...] = ()
    profile: ScannerProfile | None = None
    safety: Mapping[str, Any] | None = None


@dataclass(frozen=True, eq=False)
class Report:
    """Figures of a whole render.

    Attributes
    ----------
    scene, fps
        Of the scene.
    frame_first, frame_last, frame_step
        What was rendered.
    version
        Of Beamwright.
    details
        Facts from the host (file name, Blender version).
    """

    scene: str
    fps: float
    frame_first: int
    frame_last: int
    frame_step: int
    projectors: tuple[ProjectorReport, ...]
    version: str = ""
    details: Mapping[str, Any] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class FrameRange:
    """Consecutive rendered frames, both ends included, and how many they are."""

    first: int
    last: int
    count: int

    def __str__(self) -> str:
        return f"frame {self.first}" if self.count == 1 else f"frames {self.first}-{self.last}"


@dataclass(frozen=True, slots=True)
class CostRange:
    """Frames in which an object is heavy.

    Attributes
    ----------
    name
        The object.
    frames
        Where.
    share
        Its part of all points there, 0…1.
    points
        Its points a frame there, on average.
    """

    name: str
    frames: FrameRange
    share: float
    points: float


def _runs(figures: Sequence[FrameFigures], wanted: Sequence[bool]) -> list[tuple[int, int]]:
    """Positions [start, stop) of the runs of True."""
    runs = []
    start = None
    for place, yes in enumerate([*wanted, False]):
        if yes and start is None:
            start = place
        elif not yes and start is not None:
            runs.append((start, place))
            start = None
    return runs


def _stretches(places: Sequence[int]) -> list[tuple[int, int]]:
    """Positions [start, stop) of the runs of consecutive numbers among rising ones."""
    runs: list[tuple[int, int]] = []
    for place in places:
        if runs and runs[-1][1] == place:
            runs[-1] = (runs[-1][0], place + 1)
        else:
            runs.append((place, place + 1))
    return runs


def _range(figures: Sequence[FrameFigures], start: int, stop: int) -> FrameRange:
    return FrameRange(figures[start].frame, figures[stop - 1].frame, stop - start)


def over_budget_ranges(figures: Sequence[FrameFigures]) -> list[FrameRange]:
    """Return the runs of frames that have more points than allowed."""
    runs = _runs(figures, [row.over_budget for row in figures])
    return [_range(figures, start, stop) for start, stop in runs]


def cost_shares(figures: Sequence[FrameFigures]) -> dict[str, float]:
    """Return each object's part of all points of these frames, the heaviest first.

    The key "" is what belongs to no object; the parts sum to 1.
    """
    total = sum(row.points for row in figures)
    cost: dict[str, float] = {}
    for row in figures:
        for name, points in row.cost.items():
            cost[name] = cost.get(name, 0.0) + points
    ranked = sorted(cost.items(), key=lambda item: (-item[1], item[0]))
    return {name: points / total for name, points in ranked} if total else {}


def cost_ranges(
    figures: Sequence[FrameFigures], *, share_min: float = _SHARE_WORTH_TELLING
) -> list[CostRange]:
    """Return where each object is heavy, the costliest first.

    An object's range is a run of frames in which its share stays at or above half of its
    highest share, and above `share_min`: so a quiet presence before and after does not blur
    the figure.
    """
    # Only where an object takes part: in a long show that is a small part of the frames.
    shares: dict[str, dict[int, float]] = {}
    for place, row in enumerate(figures):
        for name, points in row.cost.items():
            if name:
                share = points / row.points if row.points else 0.0
                shares.setdefault(name, {})[place] = share
    found = []
    for name in sorted(shares):
        level = max(share_min, 0.5 * max(shares[name].values()))
        heavy = [place for place, share in shares[name].items() if share >= level]
        for start, stop in _stretches(heavy):
            rows = figures[start:stop]
            points = sum(row.cost[name] for row in rows)
            found.append(
                CostRange(
                    name,
                    _range(figures, start, stop),
                    points / sum(row.points for row in rows),
                    points / len(rows),
                )
            )
    return sorted(found, key=lambda row: (-row.points * row.frames.count, row.name))


_MEASURED = (
    "error_field",
    "error_worst_field",
    "corner_rounding_field",
    "brightness_evenness",
    "acceleration_share",
)


_COLUMNS = tuple(column.name for column in fields(FrameFigures))


def _frame_row(figures: FrameFigures) -> dict[str, Any]:
    row = {name: getattr(figures, name) for name in _COLUMNS}
    row["cost"] = {name: round(points, 3) for name, points in figures.cost.items()}
    row["dropped_objects"] = list(figures.dropped_objects)
    for key in ("refresh_hz", "stress", "tolerance_field", "dropped_length", "lit_length"):
        row[key] = round(row[key], 6)
    for key in _MEASURED:
        if row[key] is not None:
            row[key] = round(row[key], 6)
    return row


def json_text(report: Report) -> str:
    """Return `report.json`, one line a frame.

    Raises
    ------
    FormatError
        Where a figure is no number, which JSON cannot hold.
    """
    head = {
        "schema": SCHEMA,
        "beamwright": report.version,
        "scene": report.scene,
        "fps": report.fps,
        "frame_first": report.frame_first,
        "frame_last": report.frame_last,
        "frame_step": report.frame_step,
        "details": dict(report.details),
    }

    def dump(value: object) -> str:
        return json.dumps(value, ensure_ascii=False, allow_nan=False)

    try:
        parts = []
        for projector in report.projectors:
            about = {
                "name": projector.name,
                "files": list(projector.files),
                "point_rate_hz": projector.point_rate_hz,
                "target_refresh_hz": projector.target_refresh_hz,
                "budget": projector.budget,
            }
            if projector.profile is not None:
                about["profile"] = json.loads(profile_to_json(projector.profile))
            if projector.safety is not None:
                about["safety"] = dict(projector.safety)
            rows = ",\n".join(dump(_told(_frame_row(figures))) for figures in projector.figures)
            parts.append(f'{dump(about)[:-1]}, "frames": [\n{rows}\n]}}')
        body = ",\n".join(parts)
        return f'{dump(head)[:-1]}, "projectors": [\n{body}\n]}}\n'
    except ValueError as error:
        raise FormatError(f"The report holds a figure that is no number: {error}.") from error


def _told(row: Mapping[str, Any]) -> dict[str, Any]:
    """Leave out what was not measured."""
    return {key: value for key, value in row.items() if value is not None}


_CSV_COLUMNS = tuple(
    column.name for column in fields(FrameFigures) if column.name not in ("cost", "dropped_objects")
)


def csv_text(report: Report) -> str:
    """Return `report.csv` (RFC 4180, with a head row)."""
    text = io.StringIO()
    table = csv.writer(text)
    table.writerow(["projector", *_CSV_COLUMNS, "heaviest_object", "heaviest_object_points"])
    for projector in report.projectors:
        for figures in projector.figures:
            row = _frame_row(figures)
            named = {name: points for name, points in row["cost"].items() if name}
            heaviest = min(named, key=lambda name: (-named[name], name), default="")
            table.writerow(
                [
                    projector.name,
                    *(_plain(row[column]) for column in _CSV_COLUMNS),
                    heaviest,
                    named.get(heaviest, 0),
                ]
            )
    return text.getvalue()


def _plain(value: object) -> object:
    if value is None:
        return ""
    return int(value) if isinstance(value, bool) else value


def loads(text: str) -> Report:
    """Return the report in the text of a `report.json`.

    Raises
    ------
    FormatError
        Where the text is no such report.
    """
    try:
        document = json.loads(text)
        if document["schema"] != SCHEMA:
            raise FormatError(
                f"The schema is {document['schema']!r}; this version reads {SCHEMA!r} only."
            )
        return Report(
            scene=str(document["scene"]),
            fps=float(document["fps"]),
            frame_first=int(document["frame_first"]),
            frame_last=int(document["frame_last"]),
            frame_step=int(document["frame_step"]),
            version=str(document["beamwright"]),
            details=dict(document["details"]),
            projectors=tuple(_projector(row) for row in document["projectors"]),
        )
    except FormatError:
        raise
    except (ValueError, KeyError, TypeError, AttributeError, RecursionError) as error:
        raise FormatError(f"This is no {SCHEMA} document: {error!r}.") from error


def _projector(row: Mapping[str, Any]) -> ProjectorReport:
    return ProjectorReport(
        name=str(row["name"]),
        files=tuple(str(name) for name in row["files"]),
        point_rate_hz=float(row["point_rate_hz"]),
        target_refresh_hz=float(row["target_refresh_hz"]),
        budget=int(row["budget"]),
        figures=tuple(_figures(frame) for frame in row["frames"]),
        profile=profile_from_json(json.dumps(row["profile"])) if "profile" in row else None,
        safety=dict(row["safety"]) if "safety" in row else None,
    )


def _figures(row: Mapping[str, Any]) -> FrameFigures:
    known = {column.name for column in fields(FrameFigures)}
    values = {key: value for key, value in row.items() if key in known}
    values["cost"] = {str(name): float(points) for name, points in row["cost"].items()}
    values["dropped_objects"] = tuple(str(name) for name in row["dropped_objects"])
    for key in ("frame", "points", "lit", "blanked", "strokes", "budget"):
        values[key] = int(row[key])
    return FrameFigures(**values)


def read(path: Path | str) -> Report:
    """Read a `report.json`.

    Raises
    ------
    FormatError, OutputError
        Where it is no such file, or cannot be read.
    """
    return read_document(path, loads)


def _percent(share: float) -> str:
    return f"{100.0 * share:.0f} %"


def _count(number: int, thing: str) -> str:
    return f"{number} {thing}" if number == 1 else f"{number} {thing}s"


def _named_shares(figures: Sequence[FrameFigures], count: int) -> str:
    shares = [(name, share) for name, share in cost_shares(figures).items() if name]
    return ", ".join(f"{name} {_percent(share)}" for name, share in shares[:count])


def _align(rows: Sequence[Sequence[str]]) -> list[str]:
    widths = [max(len(row[column]) for row in rows) for column in range(len(rows[0]))]
    lines = []
    for row in rows:
        # Names to the left, numbers to the right, the last column as it comes.
        cells = [row[0].ljust(widths[0])]
        cells += [cell.rjust(width) for cell, width in zip(row[1:-1], widths[1:-1], strict=True)]
        lines.append("  ".join([*cells, row[-1]]).rstrip())
    return lines


def _table(report: Report) -> list[str]:
    rows = [
        (
            "projector",
            "frames",
            "points min",
            "median",
            "max",
            "budget",
            "refresh from",
            "over budget",
            "heaviest objects",
        )
    ]
    for projector in report.projectors:
        figures = projector.figures
        if not figures:
            continue
        points = [row.points for row in figures]
        rows.append(
            (
                projector.name,
                str(len(figures)),
                str(min(points)),
                f"{median(points):.0f}",
                str(max(points)),
                str(projector.budget),
                f"{min(row.refresh_hz for row in figures):.1f} Hz",
                str(sum(row.over_budget for row in figures)),
                _named_shares(figures, 3) or "-",
            )
        )
    return _align(rows)


def _remarks(projector: ProjectorReport, limit: int) -> list[str]:
    figures = projector.figures
    by_frame = {row.frame: row for row in figures}
    place = {row.frame: index for index, row in enumerate(figures)}
    lines = []
    over = over_budget_ranges(figures)
    for frames in over[:limit]:
        rows = figures[place[frames.first] : place[frames.last] + 1]
        worst = max(rows, key=lambda row: row.points)
        lines.append(
            f"over budget at {frames}, most at frame {worst.frame} "
            f"({worst.points} of {worst.budget} points, {worst.refresh_hz:.1f} Hz): "
            f"{_named_shares(rows, 3) or 'no object'}"
        )
    if len(over) > limit:
        lines.append(f"over budget in {len(over) - limit} more ranges")
    heavy = sorted(figures, key=lambda row: (-row.points, row.frame))[:3]
    lines.append(
        "heaviest frames: " + ", ".join(f"{row.frame} ({row.points} points)" for row in heavy)
    )
    for cost in cost_ranges(figures)[:limit]:
        lines.append(
            f"{cost.name} costs {_percent(cost.share)} of {projector.name} at {cost.frames} "
            f"({cost.points:.0f} points a frame)"
        )
    stressed = [row for row in figures if row.stress > 0.0]
    if stressed:
        worst = max(stressed, key=lambda row: row.stress)
        lines.append(
            f"drawn coarser to fit in {len(stressed)} of {len(by_frame)} frames, most at frame "
            f"{worst.frame} (stress {worst.stress:.2f}, tolerance {worst.tolerance_field:.4f})"
        )
    dropped = [row for row in figures if row.dropped_strokes]
    if dropped:
        worst = max(dropped, key=lambda row: row.dropped_length)
        names = sorted({name for row in dropped for name in row.dropped_objects})
        of = f" of {', '.join(names[:5])}" if names else ""
        lines.append(
            f"strokes{of} left out in {len(dropped)} of {len(by_frame)} frames, most at frame "
            f"{worst.frame} ({_count(worst.dropped_strokes, 'stroke')}, length "
            f"{worst.dropped_length:.2f})"
        )
    broken = [row for row in figures if row.broken_strokes]
    if broken:
        lines.append(
            f"strokes whose coordinates or colours are no numbers left out in "
            f"{_count(len(broken), 'frame')}, first at frame {broken[0].frame}"
        )
    clipped = [row for row in figures if row.clipped_length > 0.0]
    if clipped:
        worst = max(clipped, key=lambda row: row.clipped_length)
        lines.append(
            f"parts outside the projector's field cut off in {_count(len(clipped), 'frame')}, most "
            f"at frame {worst.frame} (length {worst.clipped_length:.2f})"
        )
    lines += _beam_remarks(figures)
    darkened = sum(row.darkened for row in figures)
    if darkened:
        count = sum(row.darkened > 0 for row in figures)
        lines.append(
            f"the safety stage switched {_count(darkened, 'point')} off in {_count(count, 'frame')}"
        )
    return lines


def _hazards(safety: Mapping[str, Any]) -> list[str]:
    """Tell the hazard figures, each with its formula and edition, and what they are for."""
    lines = ["hazard figures:"]
    for figure in safety["figures"]:
        value = (
            "no figure" if figure["value"] is None else f"{figure['value']:.4g} {figure['unit']}"
        )
        origin = "; ".join(filter(None, (figure["formula"], figure["edition"])))
        lines.append(f"  {figure['name']}: {value} ({figure['remark'] or origin})")
    worst = safety["worst"]
    if worst is not None:
        lines.append(
            f"  worst spot at frame {worst['frame']}, ({worst['x']:.2f}, {worst['y']:.2f}) of the "
            f"field: {worst['ratio']:.3g} times its limit ({worst['rule']})"
        )
    lines.append(f"  {safety['note']}")
    return lines


def _beam_remarks(figures: Sequence[FrameFigures]) -> list[str]:
    """Say how near the simulated beam is to the drawing."""
    errors = [(row.error_field, row) for row in figures if row.error_field is not None]
    if not errors:
        return []
    most, worst = max(errors, key=lambda pair: pair[0])
    usual = median(error for error, _ in errors)
    even = min(row.brightness_evenness or 0.0 for _, row in errors)
    busy = max(row.acceleration_share or 0.0 for _, row in errors)
    return [
        f"simulated in {_count(len(errors), 'frame')}: 99 % of beam and drawing are within "
        f"{usual:.4f}, or {most:.4f} at frame {worst.frame} "
        f"(there {worst.error_worst_field or 0.0:.4f} at worst, "
        f"{worst.corner_rounding_field or 0.0:.4f} at corners)",
        f"  brightness evenness {even:.2f} or better, mirrors at up to {_percent(busy)} of their "
        "acceleration (rms)",
    ]


def summary(report: Report, *, lines_each: int = 5) -> str:
    """Return the report as text for one screen.

    Parameters
    ----------
    lines_each
        Most over-budget ranges, and most costly objects, told of one projector.
    """
    count = max((len(projector.figures) for projector in report.projectors), default=0)
    step = f" in steps of {report.frame_step}" if report.frame_step > 1 else ""
    text = [
        f"{report.scene}: frames {report.frame_first}-{report.frame_last}{step}, {count} frames "
        f"at {report.fps / report.frame_step:g} a second",
        "",
        *_table(report),
    ]
    for projector in report.projectors:
        if projector.figures:
            text += ["", f"{projector.name}:"]
            text += [f"  {line}" for line in _remarks(projector, lines_each)]
        if projector.safety is not None:
            text += [f"  {line}" for line in _hazards(projector.safety)]
    return "\n".join(text) + "\n"
