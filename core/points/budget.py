# SPDX-License-Identifier: GPL-3.0-or-later
"""Fit a frame into its points: one stress for all limits, then dropping by priority."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from ..strokes import Strokes
from .order import LARGEST_DENSE, StrokeKeys, TourMemory, order_strokes, remember
from .placement import JOIN_FIELD, MotionLimits, Tour

__all__ = ["BudgetMemory", "Fit", "drop_groups", "fit_frame", "fit_stress"]

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

Duration = Callable[[float], float]
Prepare = Callable[[Tour], Duration]

STRESS_RELEASE = 0.03
"""Stress falls by no more than this a frame; it rises at once."""

_FULL = 0.99  # of the budget: good enough
_DROPPED_BEFORE = 0.5  # weight of a group that was dropped in the last frame
_BAND = 0.05  # of the budget: room needed before dropped strokes come back
_PATIENCE = 12  # frames for which there must be that room
_GROUP_SHARE = 0.125  # of all length: longest drop group


@dataclass(frozen=True, eq=False)
class BudgetMemory:
    """What the next frame needs to stay calm. Plain and picklable.

    Attributes
    ----------
    tour
        Order of all strokes, dropped ones too.
    stress
    dropped
        Keys of the strokes that were left out.
    dropped_groups
        How many groups they formed.
    waited
        Frames for which there has been room for dropped strokes.
    home
        Where the frame starts and ends.
    """

    tour: TourMemory | None = None
    stress: float = 0.0
    dropped: frozenset[tuple[int, int]] = field(default_factory=frozenset)
    dropped_groups: int = 0
    waited: int = 0
    home: tuple[float, float] = (0.0, 0.0)


@dataclass(frozen=True, eq=False)
class Fit:
    """A tour that fits, or the shortest there is.

    Attributes
    ----------
    tour
        Of the strokes that are kept.
    whole_tour
        Of all strokes.
    stress
    kept : (k,) bool
    groups
        Groups dropped.
    waited
        See `BudgetMemory`.
    fits
        False when only locked strokes are left and they are too long.
    """

    tour: Tour
    whole_tour: Tour
    stress: float
    kept: BoolArray
    groups: int
    waited: int
    fits: bool


def fit_stress(duration: Duration, budget: float, start: float = 0.5) -> float | None:
    """Return the least stress found whose duration is within the budget, or None.

    Parameters
    ----------
    duration
        Samples at a stress; must not rise with it.
    budget
        Samples allowed.
    start
        First guess, such as last frame's stress.

    Notes
    -----
    Secant on the logarithm of the duration inside a bracket; at most ten evaluations, three
    or four in practice.
    """
    relaxed = duration(0.0)
    if relaxed <= budget:
        return 0.0
    low, low_value = 0.0, math.log(relaxed)
    high, high_value = math.nan, math.nan
    target = math.log(budget * 0.5 * (1.0 + _FULL)) if budget > 0 else -math.inf
    stress = start if 0.0 < start < 1.0 else 0.5
    for _ in range(8):
        value = duration(stress)
        if value <= budget:
            high, high_value = stress, math.log(max(value, 1e-9))
            if value > _FULL * budget:
                return stress
        elif stress >= 1.0:
            return None
        else:
            low, low_value = stress, math.log(value)
        if math.isnan(high):
            slope = (low_value - math.log(relaxed)) / low if low > 0.0 else -0.7
            slope = min(slope, -0.2)
            stress = min(1.0, max(low + (target - low_value) / slope * 1.1, low + 0.05))
        else:
            share = (low_value - target) / max(low_value - high_value, 1e-12)
            stress = low + min(max(share, 0.05), 0.95) * (high - low)
    if not math.isnan(high):
        return high
    return 1.0 if duration(1.0) <= budget else None


def drop_groups(strokes: Strokes, tour: Tour) -> NDArray[np.int64]:
    """Return the drop group of each stroke, (k,): a run drawn without lifting, of one object.

    A run is cut where it grows beyond an eighth of all length, so that one connected drawing
    is not lost as a whole.
    """
    groups = np.full(len(strokes), -1, np.int64)
    if len(tour) == 0:
        return groups
    counts = strokes.counts[tour.stroke]
    closed = strokes.closed[tour.stroke]
    first = strokes.offsets[tour.stroke]
    begin = first + np.where(closed, tour.start, np.where(tour.reverse, counts - 1, 0))
    end = first + np.where(closed, tour.start, np.where(tour.reverse, 0, counts - 1))
    gap = np.abs(strokes.points[np.roll(end, 1)] - strokes.points[begin]).max(axis=1)
    owner = strokes.object_index[tour.stroke]
    new = (gap >= JOIN_FIELD) | (owner != np.roll(owner, 1))
    new[0] = True
    lengths = strokes.lengths[tour.stroke]
    most = _GROUP_SHARE * float(lengths.sum())
    number, run = -1, 0.0
    for position, (fresh, length) in enumerate(zip(new.tolist(), lengths.tolist(), strict=True)):
        if fresh or run + length > most:
            number, run = number + 1, 0.0
        run += length
        groups[tour.stroke[position]] = number
    return groups


def fit_frame(
    strokes: Strokes,
    prepare: Prepare,
    order_limits: MotionLimits,
    budget: int,
    *,
    keys: StrokeKeys,
    priority: FloatArray,
    locked: BoolArray,
    memory: BudgetMemory | None = None,
) -> Fit:
    """Order the strokes and find the stress, and if need be the drops, that fit the budget.

    Parameters
    ----------
    strokes
        At least one, simplified.
    prepare
        Turns a tour into a function from stress to samples.
    order_limits
        What links are priced by.
    budget
        Most samples.
    keys
        From `stroke_keys`.
    priority : (k,)
        Strokes of lower priority go first.
    locked : (k,) bool
        Never dropped, even if the frame then is over the budget.
    memory
        Of the last frame.
    """
    before = memory or BudgetMemory()
    tour = order_strokes(strokes, order_limits, before.tour, keys=keys)
    duration = prepare(tour)
    was = np.array([key in before.dropped for key in keys])
    stress = None
    if np.any(was) or (stress := fit_stress(duration, budget, before.stress)) is None:
        kept, groups, waited = _dropped(
            strokes, tour, prepare, budget, was, priority, locked, before
        )
    else:
        kept, groups, waited = np.ones(len(strokes), bool), 0, 0
    if np.all(kept):
        if stress is None:
            stress = fit_stress(duration, budget, before.stress)
        fits = stress is not None
        stress = 1.0 if stress is None else _released(stress, before)
        return Fit(tour, tour, stress, kept, 0, 0, fits)
    short = tour.keep(kept)
    if len(short) == 0:
        return Fit(short, tour, 1.0, kept, groups, waited, True)
    short = _reordered(strokes, short, kept, order_limits, keys, prepare)
    duration = prepare(short)
    if duration(1.0) > budget:
        return Fit(short, tour, 1.0, kept, groups, waited, False)
    stress = fit_stress(duration, budget, 0.9)
    stress = 1.0 if stress is None else _released(stress, before)
    return Fit(short, tour, stress, kept, groups, waited, True)


def _released(stress: float, before: BudgetMemory) -> float:
    return min(1.0, max(stress, before.stress - STRESS_RELEASE))


def _reordered(
    strokes: Strokes,
    short: Tour,
    kept: BoolArray,
    limits: MotionLimits,
    keys: StrokeKeys,
    prepare: Prepare,
) -> Tour:
    """Close the holes that dropping left in the tour, if that makes it shorter."""
    if len(short) > LARGEST_DENSE:
        return short
    rows = np.flatnonzero(kept)
    part = strokes.take(rows)
    names = [keys[row] for row in rows.tolist()]
    number = np.full(len(strokes), -1, np.int64)
    number[rows] = np.arange(len(rows))
    local = Tour(number[short.stroke].astype(np.int32), short.reverse, short.start)
    better = order_strokes(part, limits, remember(part, local, names), keys=names)
    better = Tour(rows[better.stroke].astype(np.int32), better.reverse, better.start)
    return better if prepare(better)(1.0) <= prepare(short)(1.0) else short


def _dropped(
    strokes: Strokes,
    tour: Tour,
    prepare: Prepare,
    budget: int,
    was: BoolArray,
    priority: FloatArray,
    locked: BoolArray,
    before: BudgetMemory,
) -> tuple[BoolArray, int, int]:
    """Choose the strokes to keep so that they fit at stress 1; also groups and frames waited.

    The fewest groups go that leave some room, least important first. What was dropped stays
    dropped until there has been room for it for some time, so that nothing blinks.
    """
    groups = drop_groups(strokes, tour)
    count = int(groups.max()) + 1
    lengths = np.maximum(strokes.lengths, 1e-6)
    total = np.bincount(groups, weights=lengths, minlength=count)
    dropped_length = np.bincount(groups, weights=lengths * was, minlength=count)
    weight = total * np.where(dropped_length > 0.5 * total, _DROPPED_BEFORE, 1.0)
    most_important = np.full(count, -np.inf)
    np.maximum.at(most_important, groups, priority)
    fixed = np.bincount(groups, weights=locked, minlength=count) > 0
    order = np.lexsort((np.arange(count), weight, most_important))
    order = order[~fixed[order]]
    rank = np.full(count, len(order))
    rank[order] = np.arange(len(order))
    rank_of_stroke = rank[groups]

    def samples(kept: BoolArray) -> float:
        short = tour.keep(kept)
        return prepare(short)(1.0) if len(short) else 0.0

    def fewest(limit: float, held: BoolArray | None = None) -> int:
        """Groups to drop, but not what is held; N(k) is not quite monotone, but it was tried."""
        low, high = -1, len(order)
        while high - low > 1:
            middle = (low + high) // 2
            kept = rank_of_stroke >= middle
            if samples(kept if held is None else kept | held) <= limit:
                high = middle
            else:
                low = middle
        return high

    roomy = (1.0 - _BAND) * budget
    held = ~was | locked
    if np.any(was & ~locked):
        needed = samples(held)
        if needed <= budget:
            back = held | (rank_of_stroke >= fewest(roomy, held)) if needed <= roomy else held
            gain = float(lengths[back].sum() - lengths[held].sum())
            waited = before.waited + 1 if gain > 0.0 else 0
            if waited < _PATIENCE:
                number = len(np.unique(groups[~held]))
                return held, number, waited
            return back, len(np.unique(groups[~back])), 0
    if samples(np.ones(len(strokes), bool)) <= budget:
        return np.ones(len(strokes), bool), 0, 0
    # Room is left at once, so that the next frames need not drop more; less stress fills it.
    drops = fewest(roomy)
    return rank_of_stroke >= drops, drops, 0
