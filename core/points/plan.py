# SPDX-License-Identifier: GPL-3.0-or-later
"""From one projector's strokes to its samples: aim, simplify, order, fit, place."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ..frame import Frame
from ..scene import Assignment
from ..strokes import Strokes
from .aim import clipped_to_field, projected
from .budget import BudgetMemory, Duration, Fit, fit_frame
from .order import TourMemory, remember, stroke_keys
from .placement import (
    Clock,
    Route,
    Tour,
    build_route,
    effective_tolerance,
    limits_at,
    run_clock,
    sample_clock,
)
from .projector import Projector, ScannerProfile
from .simplify import drawable, simplified
from .spacing import count_points, place_points, spacing_at

__all__ = ["MOST_POINTS", "SHORTEST_FRAME_S", "Plan", "plan_strokes"]

MOST_POINTS = 65535
"""Record counts in frame files are 16-bit numbers."""

SHORTEST_FRAME_S = 0.01
"""A frame that needs less is stretched: few strokes must not be redrawn at hundreds of hertz."""

LARGEST_STRETCH = 2.0
"""Short frames are drawn up to this much slower; the rest of the time is dark rest."""

ORDER_STRESS = 0.5
"""Links are priced by the limits at this stress, so that a tour does not depend on the stress."""


@dataclass(frozen=True, eq=False)
class Plan:
    """Samples of one projector for one frame, before the safety stage.

    Attributes
    ----------
    frame
    strokes
        Aimed, clipped and simplified; `Frame.stroke` counts them.
    dropped : (k,) bool
        Left out for the budget.
    groups
        Drop groups left out.
    stress, tolerance_field
    broken
        Strokes left out because a number in them is not finite.
    clipped_length
        Length outside the projector's field.
    memory
    """

    frame: Frame
    strokes: Strokes
    dropped: NDArray[np.bool_]
    groups: int
    stress: float
    tolerance_field: float
    broken: int
    clipped_length: float
    memory: BudgetMemory


def plan_strokes(
    strokes: Strokes,
    assignments: Sequence[Assignment],
    projector: Projector,
    memory: BudgetMemory | None = None,
    *,
    stream: bool = False,
) -> Plan:
    """Plan a projector's samples.

    Parameters
    ----------
    strokes
        Those the projector draws, in field coordinates of the camera.
    assignments
        One for each object; objects beyond the end have the default priority.
    projector
    memory
        Of the last frame.
    stream
        The frame goes straight to the scanners that the profile was tuned on, not into a
        file: `Projector.feed_forward` is heeded.

    Raises
    ------
    SettingError
        Where the aim is impossible.
    """
    profile = projector.profile
    simple = projector.placement == "simple"
    before = memory or BudgetMemory()
    whole, broken = drawable(strokes)
    free = projected(whole, projector.aim)
    placed = clipped_to_field(free)
    clipped = 0.0 if placed is free else max(0.0, float(free.lengths.sum() - placed.lengths.sum()))
    ready = simplified(placed, 0.25 * profile.tolerance_field)
    budget = min(projector.budget, MOST_POINTS)
    if len(ready) == 0:
        return Plan(
            frame=Frame.dark(profile.point_rate_hz, before.home),
            strokes=ready,
            dropped=np.zeros(0, bool),
            groups=0,
            stress=0.0,
            tolerance_field=effective_tolerance(profile, 0.0),
            broken=len(broken),
            clipped_length=clipped,
            memory=BudgetMemory(home=before.home),
        )
    keys = stroke_keys(ready)
    # Strokes of no object (index -1, the page's border) find the default at the end.
    rules = [*assignments, *_missing(ready, assignments), Assignment()]
    priority = np.array([rule.priority for rule in rules])[ready.object_index]
    locked = np.array([rule.locked for rule in rules])[ready.object_index]

    placing = (
        _SimplePlacing(ready, profile)
        if simple
        else _PlannedPlacing(ready, profile, stream and projector.feed_forward)
    )
    prepare = placing.prepare

    def fit(locked: NDArray[np.bool_], budget: int) -> Fit:
        return fit_frame(
            ready,
            prepare,
            limits_at(profile, ORDER_STRESS),
            budget,
            keys=keys,
            priority=priority,
            locked=locked,
            memory=before,
        )

    result = fit(locked, budget)
    if not result.fits and prepare(result.tour)(1.0) > MOST_POINTS:
        # Locked strokes may exceed the budget, but no frame the format's limit.
        result = fit(np.zeros(len(ready), bool), MOST_POINTS)
    tolerance = effective_tolerance(profile, result.stress)
    if len(result.tour) == 0:
        frame = Frame.dark(profile.point_rate_hz, before.home)
    else:
        least = min(math.ceil(SHORTEST_FRAME_S * profile.point_rate_hz), budget)
        frame = _rested(placing.place(result.tour, result.stress, least), least)
    home = (float(frame.xy[0, 0]), float(frame.xy[0, 1]))
    dropped = ~result.kept
    return Plan(
        frame=frame,
        strokes=ready,
        dropped=dropped,
        groups=result.groups,
        stress=result.stress,
        tolerance_field=tolerance,
        broken=len(broken),
        clipped_length=clipped,
        memory=BudgetMemory(
            tour=_memorised(ready, result.whole_tour, result.tour, keys),
            stress=result.stress,
            dropped=frozenset(keys[row] for row in np.flatnonzero(dropped).tolist()),
            dropped_groups=result.groups,
            waited=result.waited,
            home=home,
        ),
    )


class _PlannedPlacing:
    def __init__(self, strokes: Strokes, profile: ScannerProfile, feed_forward: bool) -> None:
        self._strokes = strokes
        self._profile = profile
        self._feed_forward = feed_forward
        self._lag = profile.sampled.light_lag
        self._mirror_lag = profile.sampled.mirror_lag if feed_forward else None
        # What was timed last is mostly what is placed.
        self._last: tuple[Tour, Route] | None = None
        self._timed: tuple[Route, float, Clock] | None = None

    def prepare(self, tour: Tour) -> Duration:
        route = self._route(tour)
        return lambda stress: self._clock(route, stress).total

    def _route(self, tour: Tour) -> Route:
        if self._last is None or self._last[0] is not tour:
            self._last = (tour, build_route(self._strokes, tour))
        return self._last[1]

    def _clock(self, route: Route, stress: float) -> Clock:
        timed = self._timed
        if timed is None or timed[0] is not route or timed[1] != stress:
            limits = limits_at(self._profile, stress, self._feed_forward)
            clock = run_clock(route, limits, self._lag, self._mirror_lag)
            self._timed = timed = (route, stress, clock)
        return timed[2]

    def place(self, tour: Tour, stress: float, least: int) -> Frame:
        clock = self._clock(self._route(tour), stress)
        count = math.ceil(clock.total - 1e-9)
        slowed = max(count, min(least, math.floor(LARGEST_STRETCH * count)))
        return sample_clock(
            clock, self._strokes, self._profile, slowed, feed_forward=self._feed_forward
        )


class _SimplePlacing:
    def __init__(self, strokes: Strokes, profile: ScannerProfile) -> None:
        self._strokes = strokes
        self._profile = profile
        self._lag = profile.sampled.light_lag

    def prepare(self, tour: Tour) -> Duration:
        route = build_route(self._strokes, tour)
        return lambda stress: float(
            count_points(route, spacing_at(self._profile, stress), self._lag)
        )

    def place(self, tour: Tour, stress: float, least: int) -> Frame:
        del least  # evenly spaced points are not stretched: a short frame rests longer
        route = build_route(self._strokes, tour)
        return place_points(route, self._strokes, self._profile, spacing_at(self._profile, stress))


def _memorised(
    strokes: Strokes, whole: Tour, drawn: Tour, keys: list[tuple[int, int]]
) -> TourMemory:
    """Remember the tour of all strokes; where strokes were dropped, the drawn order leads."""
    if len(drawn) == len(whole):
        return remember(strokes, whole, keys)
    # Dropped strokes stay behind their predecessor in the whole tour.
    after: dict[int, list[int]] = {}
    kept = np.zeros(len(strokes), bool)
    kept[drawn.stroke] = True
    leader = -1
    for position, row in enumerate(whole.stroke.tolist()):
        if kept[row]:
            leader = row
        else:
            after.setdefault(leader, []).append(position)
    position_drawn = {row: position for position, row in enumerate(drawn.stroke.tolist())}
    stroke, reverse, start = [], [], []

    def take(tour: Tour, position: int) -> None:
        stroke.append(int(tour.stroke[position]))
        reverse.append(bool(tour.reverse[position]))
        start.append(int(tour.start[position]))

    for row, position in position_drawn.items():
        take(drawn, position)
        for other in after.get(row, ()):
            take(whole, other)
    for other in after.get(-1, ()):
        take(whole, other)
    merged = Tour(np.array(stroke, np.int32), np.array(reverse, bool), np.array(start, np.int32))
    return remember(strokes, merged, keys)


def _missing(strokes: Strokes, assignments: Sequence[Assignment]) -> list[Assignment]:
    most = int(strokes.object_index.max()) + 1
    return [Assignment()] * max(0, most - len(assignments))


def _rested(frame: Frame, count: int) -> Frame:
    """Return the frame with dark rest at its end, up to `count` samples."""
    more = count - len(frame)
    if more <= 0:
        return frame
    return Frame(
        xy=np.concatenate([frame.xy, np.repeat(frame.xy[-1:], more, axis=0)]),
        rgb=np.concatenate([frame.rgb, np.zeros((more, 3))]),
        blanked=np.concatenate([frame.blanked, np.ones(more, bool)]),
        stroke=np.concatenate([frame.stroke, np.full(more, -1, np.int32)]),
        object_index=np.concatenate([frame.object_index, np.full(more, -1, np.int32)]),
        point_rate_hz=frame.point_rate_hz,
    )
