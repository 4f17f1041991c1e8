# SPDX-License-Identifier: GPL-3.0-or-later
"""Figures of one frame on one projector."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

__all__ = ["FrameFigures"]


@dataclass(frozen=True, slots=True)
class FrameFigures:
    """What one frame costs and what it lost.

    Attributes
    ----------
    frame
        Frame number of the scene.
    points, lit, blanked
        Samples in all, with light, without; ``lit + blanked == points``.
    strokes
        Strokes drawn.
    refresh_hz
        Point rate over points.
    budget
        Most points allowed at the target refresh.
    over_budget
        ``points > budget``.
    stress
        0 (relaxed) to 1 (as coarse as allowed).
    tolerance_field
        Effective tolerance at that stress, field units.
    dropped_strokes, dropped_length
        Strokes left out for the budget, and their length in field units.
    lit_length
        Length of the strokes drawn, field units.
    darkened
        Samples the safety stage switched off.
    cost
        Points charged to each object by name; sums to `points` with the key "" for none.
    dropped_objects
        Names of objects that lost strokes.
    dropped_groups
        Pieces dropped as a whole: what is drawn of one object without lifting.
    broken_strokes
        Strokes left out because a coordinate or colour is not a finite number.
    clipped_length
        Length that lies outside the projector's field, in field units after aiming.
    error_field, error_worst_field
        How far the simulated beam is from the strokes drawn, field units: 99th percentile and
        largest. None, like all that follows, where it was not measured.
    corner_rounding_field
        Mean distance from the corners of the strokes to the simulated beam.
    brightness_evenness
        Light per length along the strokes, 10th percentile over median; 1 is even.
    acceleration_share
        Root mean square of the mirrors' acceleration over their greatest, of the busier axis:
        what heats the motors.
    """

    frame: int
    points: int
    lit: int
    blanked: int
    strokes: int
    refresh_hz: float
    budget: int
    over_budget: bool
    stress: float = 0.0
    tolerance_field: float = 0.0
    dropped_strokes: int = 0
    dropped_length: float = 0.0
    lit_length: float = 0.0
    darkened: int = 0
    cost: Mapping[str, float] = field(default_factory=dict)
    dropped_objects: tuple[str, ...] = ()
    dropped_groups: int = 0
    broken_strokes: int = 0
    clipped_length: float = 0.0
    error_field: float | None = None
    error_worst_field: float | None = None
    corner_rounding_field: float | None = None
    brightness_evenness: float | None = None
    acceleration_share: float | None = None
