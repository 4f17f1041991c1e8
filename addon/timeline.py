# SPDX-License-Identifier: GPL-3.0-or-later
"""The point report in the timeline: stepped F-curves, markers and the list of worst frames.

Every run replaces what an earlier one left. Curves are recognised by the prefix of the
scene property they belong to, markers by the prefix of their name.
"""

from __future__ import annotations

from collections.abc import Callable, Container, Iterator, Mapping, Sequence
from itertools import groupby

import bpy
import numpy as np

from ..core.report.figures import FrameFigures
from . import compat
from .properties import PROPERTY

__all__ = [
    "clear_report",
    "has_report",
    "next_trouble",
    "over_ranges",
    "property_name",
    "report_action",
    "troubled_ranges",
    "write_report",
]

PREFIX = "Beamwright "
MARKER_PREFIX = "Over budget: "
MARKER_END_PREFIX = "Over budget ends: "
LOST_PREFIX = "Strokes left out: "
LOST_END_PREFIX = "Strokes left out ends: "
STARTS = (MARKER_PREFIX, LOST_PREFIX)
MARKERS = (MARKER_PREFIX, MARKER_END_PREFIX, LOST_PREFIX, LOST_END_PREFIX)
ACTION_NAME = "Beamwright Report"
NAME_BYTES_MAX = 63  # of a custom property
WORST_MAX = 50
"""Longest list of worst frames."""
BLAMED_MAX = 3

COLOURS = {
    "Points": (1.0, 0.62, 0.25),
    "Refresh": (0.35, 0.8, 1.0),
    "Stress": (0.85, 0.55, 1.0),
    "Left Out": (1.0, 0.4, 0.35),
}
"""Of the curves in the Graph Editor."""

MEASURES: tuple[tuple[str, Callable[[FrameFigures], float]], ...] = (
    ("Points", lambda figures: figures.points),
    ("Refresh", lambda figures: figures.refresh_hz),
    ("Stress", lambda figures: figures.stress),
    ("Left Out", lambda figures: figures.dropped_strokes),
)
"""Name and value of each curve of a projector."""


def property_name(measure: str, projector: str) -> str:
    """Return the name of the scene property that carries a projector's curve."""
    name = f"{PREFIX}{measure}: {projector}"
    return name.encode()[:NAME_BYTES_MAX].decode(errors="ignore")


def _free_name(wanted: str, taken: Container[str]) -> str:
    """Number a name that long projector names, cut to the same beginning, have in common."""
    name, number = wanted, 1
    while name in taken:
        number += 1
        mark = f" {number}"
        name = wanted.encode()[: NAME_BYTES_MAX - len(mark)].decode(errors="ignore") + mark
    return name


def over_ranges(figures: Sequence[FrameFigures]) -> Iterator[tuple[int, int]]:
    """Yield first and last frame of every run of frames over budget."""
    for over, run in troubled_ranges(figures):
        if over:
            yield run[0].frame, run[-1].frame


def troubled_ranges(
    figures: Sequence[FrameFigures],
) -> Iterator[tuple[bool, list[FrameFigures]]]:
    """Yield the runs of frames that do not fit: True for over budget, False for strokes lost."""
    for (over, lost), run in groupby(
        figures, lambda item: (item.over_budget, item.over_budget or item.dropped_strokes > 0)
    ):
        if lost:
            yield over, list(run)


def severity(figures: FrameFigures) -> tuple[float, ...]:
    """Return what frames are ranked by: over budget, then length lost, then fullness."""
    fullness = figures.points / max(figures.budget, 1)
    return (
        fullness if figures.over_budget else 0.0,
        figures.dropped_length,
        figures.dropped_strokes,
        figures.stress,
        fullness,
    )


def worst_frames(
    figures: Mapping[str, Sequence[FrameFigures]],
) -> list[tuple[str, tuple[int, int], FrameFigures]]:
    """Return projector, range and figures of the worst frame of each range, worst first.

    Where everything fits, the fullest frame of each projector is what to look at.
    """
    found = [
        (name, (run[0].frame, run[-1].frame), max(run, key=severity))
        for name, items in figures.items()
        for _over, run in troubled_ranges(items)
    ]
    if not found:
        for name, items in figures.items():
            drawn = [item for item in items if item.strokes]
            if drawn:
                fullest = max(drawn, key=severity)
                found.append((name, (fullest.frame, fullest.frame), fullest))
    found.sort(key=lambda entry: severity(entry[2]), reverse=True)
    return found[:WORST_MAX]


def _list_worst(scene: bpy.types.Scene, figures: Mapping[str, Sequence[FrameFigures]]) -> None:
    settings = getattr(scene, PROPERTY)
    for name, (first, last), item in worst_frames(figures):
        row = settings.worst_frames.add()
        row.frame, row.first, row.last = item.frame, first, last
        row.projector = name
        row.points, row.budget, row.refresh_hz = item.points, item.budget, item.refresh_hz
        row.over_budget, row.left_out = item.over_budget, item.dropped_strokes
        shares = sorted(((-cost, owner) for owner, cost in item.cost.items() if owner))
        row.blame = ", ".join(
            f"{owner} {-100.0 * cost / max(item.points, 1):.0f} %"
            for cost, owner in shares[:BLAMED_MAX]
        )
        more = len(item.dropped_objects) - BLAMED_MAX
        row.lost = ", ".join(item.dropped_objects[:BLAMED_MAX]) + (f" and {more} more" * (more > 0))


def next_trouble(scene: bpy.types.Scene, frame: int, backwards: bool = False) -> int | None:
    """Return the nearest frame after (or before) `frame` where a range that does not fit begins."""
    starts = [item.frame for item in scene.timeline_markers if item.name.startswith(STARTS)]
    if backwards:
        return max((start for start in starts if start < frame), default=None)
    return min((start for start in starts if start > frame), default=None)


def write_report(scene: bpy.types.Scene, figures: Mapping[str, Sequence[FrameFigures]]) -> int:
    """Replace the scene's report by these figures, by projector; return the number of ranges.

    The curves go into the scene's action, the artist's own one where there is one.
    """
    clear_report(scene)
    ranges = 0
    taken: set[str] = set()
    for projector, items in figures.items():
        if not items:
            continue
        frames = np.array([item.frame for item in items], np.float32)
        for measure, value in MEASURES:
            values = np.array([value(item) for item in items], np.float32)
            name = _free_name(property_name(measure, projector), taken)
            taken.add(name)
            scene[name] = float(values[0])
            curve = compat.write_curve(
                scene,
                _data_path(name),
                frames,
                values,
                action_name=ACTION_NAME,
                group=PREFIX + projector,
                interpolation="CONSTANT",
            )
            curve.lock = True
            curve.color_mode, curve.color = "CUSTOM", COLOURS[measure]
        for over, run in troubled_ranges(items):
            ranges += 1
            start, end = MARKERS[:2] if over else MARKERS[2:]
            scene.timeline_markers.new(f"{start}{projector}"[:63], frame=run[0].frame)
            if len(run) > 1:
                scene.timeline_markers.new(f"{end}{projector}"[:63], frame=run[-1].frame)
    _list_worst(scene, figures)
    return ranges


def _data_path(name: str) -> str:
    return f'["{bpy.utils.escape_identifier(name)}"]'


def _ours(marker: bpy.types.TimelineMarker) -> bool:
    """Whether a marker is the report's: not where the artist bound a camera to it."""
    return marker.name.startswith(MARKERS) and marker.camera is None


def report_action(scene: bpy.types.Scene) -> bpy.types.Action | None:
    """Return the scene's action where it was made for the report and holds nothing else."""
    animation = scene.animation_data
    action = None if animation is None else animation.action
    if action is None or not action.name.startswith(ACTION_NAME) or len(action.slots) > 1:
        return None
    path = f'["{PREFIX}'
    curves = list(compat.animation_curves(scene))
    return action if curves and all(c.data_path.startswith(path) for c in curves) else None


def has_report(scene: bpy.types.Scene) -> bool:
    """Whether the scene carries a report."""
    return (
        len(getattr(scene, PROPERTY).worst_frames) > 0
        or any(key.startswith(PREFIX) for key in scene.keys())  # noqa: SIM118 - an ID
        or any(_ours(marker) for marker in scene.timeline_markers)
    )


def clear_report(scene: bpy.types.Scene) -> None:
    """Remove curves, properties, markers and list of the report, and nothing else."""
    settings = getattr(scene, PROPERTY)
    settings.active_worst_frame = -1
    settings.worst_frames.clear()
    animation = scene.animation_data
    action = None if animation is None else animation.action
    if action is not None and action.name.startswith(ACTION_NAME) and action.users > 1:
        # A copy of the scene shares the report with its original, which keeps it.
        animation.action = None
    path = f'["{PREFIX}'
    compat.remove_curves(scene, lambda curve: curve.data_path.startswith(path), PREFIX)
    compat.drop_empty_action(scene, ACTION_NAME)
    for key in [key for key in scene.keys() if key.startswith(PREFIX)]:  # noqa: SIM118 - an ID
        del scene[key]
    for marker in list(scene.timeline_markers):
        if _ours(marker):
            scene.timeline_markers.remove(marker)
