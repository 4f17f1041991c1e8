# SPDX-License-Identifier: GPL-3.0-or-later
"""The point report in the timeline: stepped F-curves and markers.

Every run replaces what an earlier one left. Curves are recognised by the prefix of the
scene property they belong to, markers by the prefix of their name.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from typing import Any

import bpy
import numpy as np

from ..core.report.figures import FrameFigures
from . import compat

__all__ = ["clear_report", "has_report", "over_ranges", "property_name", "write_report"]

PREFIX = "Beamwright "
MARKER_PREFIX = "Over budget: "
MARKER_END_PREFIX = "Over budget ends: "
ACTION_NAME = "Beamwright Report"
NAME_BYTES_MAX = 63  # of a custom property

MEASURES: tuple[tuple[str, Callable[[FrameFigures], float]], ...] = (
    ("Points", lambda figures: figures.points),
    ("Refresh", lambda figures: figures.refresh_hz),
    ("Stress", lambda figures: figures.stress),
)
"""Name and value of each curve of a projector."""


def property_name(measure: str, projector: str) -> str:
    """Return the name of the scene property that carries a projector's curve."""
    name = f"{PREFIX}{measure}: {projector}"
    return name.encode()[:NAME_BYTES_MAX].decode(errors="ignore")


def over_ranges(figures: Sequence[FrameFigures]) -> Iterator[tuple[int, int]]:
    """Yield first and last frame of every run of frames over budget."""
    first = last = None
    for item in figures:
        if item.over_budget:
            first = item.frame if first is None else first
            last = item.frame
        elif first is not None and last is not None:
            yield first, last
            first = last = None
    if first is not None and last is not None:
        yield first, last


def write_report(scene: bpy.types.Scene, figures: Mapping[str, Sequence[FrameFigures]]) -> int:
    """Replace the scene's report by these figures, by projector; return the number of ranges.

    The curves go into the scene's action, the artist's own one where there is one.
    """
    clear_report(scene)
    ranges = 0
    for projector, items in figures.items():
        if not items:
            continue
        frames = np.array([item.frame for item in items], np.float32)
        for measure, value in MEASURES:
            values = np.array([value(item) for item in items], np.float32)
            _write_curve(scene, property_name(measure, projector), projector, frames, values)
        for first, last in over_ranges(items):
            ranges += 1
            scene.timeline_markers.new(f"{MARKER_PREFIX}{projector}"[:63], frame=first)
            if last != first:
                scene.timeline_markers.new(f"{MARKER_END_PREFIX}{projector}"[:63], frame=last)
    return ranges


def _write_curve(
    scene: bpy.types.Scene,
    name: str,
    group: str,
    frames: np.ndarray,
    values: np.ndarray,
) -> None:
    scene[name] = float(values[0])
    animation = scene.animation_data_create()
    action = animation.action
    if action is None:
        action = animation.action = bpy.data.actions.new(ACTION_NAME)
    slot = animation.action_slot
    if slot is None:
        slot = animation.action_slot = compat.new_action_slot(action, scene)
    layer = action.layers[0] if action.layers else action.layers.new("Report")
    strip: Any = layer.strips[0] if layer.strips else layer.strips.new(type="KEYFRAME")
    bag = strip.channelbag(slot, ensure=True)
    curve = bag.fcurves.new(_data_path(name))
    curve.group = bag.groups.get(PREFIX + group) or bag.groups.new(PREFIX + group)
    curve.keyframe_points.add(len(frames))
    pairs = np.column_stack([frames, values]).astype(np.float32).ravel()
    curve.keyframe_points.foreach_set("co", pairs)
    constant = np.zeros(len(frames), np.int32)
    curve.keyframe_points.foreach_set("interpolation", constant)
    curve.update()
    curve.lock = True


def _data_path(name: str) -> str:
    return f'["{bpy.utils.escape_identifier(name)}"]'


def _bags(scene: bpy.types.Scene) -> Iterator[bpy.types.ActionChannelbag]:
    animation = scene.animation_data
    if animation is None or animation.action is None or animation.action_slot is None:
        return
    strip: Any
    for layer in animation.action.layers:
        for strip in layer.strips:
            bag = strip.channelbag(animation.action_slot)
            if bag is not None:
                yield bag


def has_report(scene: bpy.types.Scene) -> bool:
    """Whether the scene carries a report."""
    return any(key.startswith(PREFIX) for key in scene.keys()) or any(  # noqa: SIM118 - an ID
        marker.name.startswith((MARKER_PREFIX, MARKER_END_PREFIX))
        for marker in scene.timeline_markers
    )


def clear_report(scene: bpy.types.Scene) -> None:
    """Remove curves, properties and markers of the report, and nothing else."""
    for bag in _bags(scene):
        for curve in list(bag.fcurves):
            if curve.data_path.startswith(f'["{PREFIX}'):
                bag.fcurves.remove(curve)
        for group in list(bag.groups):
            if group.name.startswith(PREFIX) and not len(group.channels):
                bag.groups.remove(group)
    animation = scene.animation_data
    if animation is not None and animation.action is not None:
        action = animation.action
        empty = not any(len(bag.fcurves) for bag in _bags(scene))
        if empty and action.name.startswith(ACTION_NAME) and action.users <= 1:
            animation.action = None
            bpy.data.actions.remove(action)
    for key in [key for key in scene.keys() if key.startswith(PREFIX)]:  # noqa: SIM118 - an ID
        del scene[key]
    for marker in list(scene.timeline_markers):
        if marker.name.startswith((MARKER_PREFIX, MARKER_END_PREFIX)):
            scene.timeline_markers.remove(marker)
