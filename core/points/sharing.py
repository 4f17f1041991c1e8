# SPDX-License-Identifier: GPL-3.0-or-later
"""Which projector draws which strokes: by assignment, or shared out within a group."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ..scene import Assignment
from ..strokes import Strokes
from .order import TourMemory, order_strokes, remember, stroke_keys
from .placement import Tour, build_route, limits_at, run_clock
from .plan import ORDER_STRESS
from .projector import Projector
from .simplify import drawable, simplified

__all__ = ["ShareMemory", "group_of", "share_out", "shared_strokes", "strokes_of"]

FloatArray = NDArray[np.float64]

BAND = 0.08
"""Last frame's cuts stay while the fullest projector is no more than this above its even share."""


@dataclass(frozen=True, eq=False)
class ShareMemory:
    """How a group shared its strokes in the last frame. Plain and picklable.

    Attributes
    ----------
    tour
        Through all shared strokes.
    owner
        Member that drew each stroke, by key.
    """

    tour: TourMemory
    owner: dict[tuple[int, int], int]


def group_of(projector: Projector, projectors: Sequence[Projector]) -> list[Projector]:
    """Return the projectors that share strokes with this one, itself among them."""
    if not projector.group:
        return [projector]
    return [entry for entry in projectors if entry.group == projector.group]


def _targets(assignment: Assignment, projectors: Sequence[Projector]) -> tuple[str, ...]:
    """Names of projectors or groups that an object goes to."""
    if assignment.projectors or not projectors:
        return assignment.projectors
    return (projectors[0].group or projectors[0].name,)


def strokes_of(
    strokes: Strokes,
    assignments: Sequence[Assignment],
    projector: Projector,
    projectors: Sequence[Projector],
) -> Strokes:
    """Return the strokes that a projector draws alone, by assignment.

    Parameters
    ----------
    strokes
        Of the whole scene.
    assignments
        One for each object.
    projector
        The one asked for.
    projectors
        Of the show. Objects without assignment go to the first of them, or to its group.

    See Also
    --------
    shared_strokes : those that its group shares.
    """
    names = {projector.name}
    if len(group_of(projector, projectors)) == 1 and projector.group:
        names.add(projector.group)  # a group of one shares with nobody
    return _selected(strokes, assignments, names, projectors)


def shared_strokes(
    strokes: Strokes,
    assignments: Sequence[Assignment],
    group: str,
    projectors: Sequence[Projector],
) -> Strokes:
    """Return the strokes assigned to a group as a whole."""
    return _selected(strokes, assignments, {group}, projectors)


def _selected(
    strokes: Strokes,
    assignments: Sequence[Assignment],
    names: set[str],
    projectors: Sequence[Projector],
) -> Strokes:
    if len(strokes) == 0:
        return strokes
    # Strokes of no object (index -1, the page's border) find the default at the end.
    rules = [*assignments, Assignment()]
    chosen = np.array([not names.isdisjoint(_targets(rule, projectors)) for rule in rules], bool)
    return strokes.take(chosen[strokes.object_index])


def share_out(
    strokes: Strokes,
    members: Sequence[Projector],
    fixed: Sequence[Strokes],
    memory: ShareMemory | None = None,
) -> tuple[list[Strokes], ShareMemory | None]:
    """Split strokes among the projectors of a group so that each is as full as the others.

    Parameters
    ----------
    strokes
        To be shared, in field coordinates.
    members
        At least two.
    fixed
        What each member draws anyway.
    memory
        Of the last frame; strokes stay with their projector as long as the split is even.

    Returns
    -------
    shares
        One for each member, together all strokes, each once.
    memory
        None where there was nothing to share.

    Notes
    -----
    One tour through all strokes is cut into runs, one for each member: whole stretches stay
    together, so hardly any blank move is added. The position of the first cut is chosen among
    the longest links; the fill that all members can have is found by bisection.
    """
    clean, _ = drawable(strokes)
    tolerance = 0.25 * min(member.profile.tolerance_field for member in members)
    ready = simplified(clean, tolerance)
    if len(ready) == 0:
        return [clean] * len(members), None
    keys = stroke_keys(ready)
    lead = members[0].profile
    tour = order_strokes(
        ready, limits_at(lead, ORDER_STRESS), memory.tour if memory else None, keys=keys
    )
    times = [_stroke_times(ready, tour, member) for member in members]
    base = [_load(part, member) for part, member in zip(fixed, members, strict=True)]
    owner = _kept_owners(keys, tour, times, base, members, memory)
    if owner is None:
        owner = _cut(times, base, members)
    by_stroke = np.empty(len(ready), np.int64)
    by_stroke[tour.stroke] = owner
    shares = [clean.take(by_stroke == number) for number in range(len(members))]
    named = dict(zip(keys, by_stroke.tolist(), strict=True))
    return shares, ShareMemory(remember(ready, tour, keys), named)


def _stroke_times(strokes: Strokes, tour: Tour, projector: Projector) -> FloatArray:
    """Share of the budget that each stroke of the tour takes, with half its blank moves, (k,)."""
    profile = projector.profile
    route = build_route(strokes, tour)
    clock = run_clock(route, limits_at(profile, ORDER_STRESS), profile.sampled.light_lag)
    entries = np.flatnonzero(route.entry)
    begin = clock.starts[4 * entries]
    spans = np.append(np.diff(begin), clock.total - begin[-1])
    spans[0] += begin[0]
    result: FloatArray = spans / projector.budget
    return result


def _load(strokes: Strokes, projector: Projector) -> float:
    clean, _ = drawable(strokes)
    if len(clean) == 0:
        return 0.0
    ready = simplified(clean, 0.25 * projector.profile.tolerance_field)
    tour = order_strokes(ready, limits_at(projector.profile, ORDER_STRESS))
    return float(_stroke_times(ready, tour, projector).sum())


def _fills(
    owner: NDArray[np.int64], times: Sequence[FloatArray], base: Sequence[float]
) -> list[float]:
    return [
        base[number] + float(times[number][owner == number].sum()) for number in range(len(base))
    ]


def _even_share(times: Sequence[FloatArray], base: Sequence[float]) -> float:
    """Fill of all members if strokes could be split at will: level the water."""
    rates = np.array([1.0 / max(float(time.sum()), 1e-12) for time in times])
    order = np.argsort(base)
    for count in range(1, len(base) + 1):
        rows = order[:count]
        level = (1.0 + float((np.array(base)[rows] * rates[rows]).sum())) / rates[rows].sum()
        if count == len(base) or level <= base[int(order[count])]:
            return float(level)
    raise AssertionError("unreachable")


def _kept_owners(
    keys: Sequence[tuple[int, int]],
    tour: Tour,
    times: Sequence[FloatArray],
    base: Sequence[float],
    members: Sequence[Projector],
    memory: ShareMemory | None,
) -> NDArray[np.int64] | None:
    """Last frame's owners, new strokes given to their neighbour's, if still even enough."""
    if memory is None or len(set(memory.owner.values()) - set(range(len(members)))):
        return None
    known = [memory.owner.get(keys[row], -1) for row in tour.stroke.tolist()]
    owner = np.array(known, np.int64)
    if np.count_nonzero(owner >= 0) < 0.5 * len(owner):
        return None
    last = int(owner[owner >= 0][-1])
    for position in range(len(owner)):
        if owner[position] < 0:
            owner[position] = last
        last = int(owner[position])
    fullest = max(_fills(owner, times, base))
    return owner if fullest <= (1.0 + BAND) * _even_share(times, base) else None


def _cut(
    times: Sequence[FloatArray], base: Sequence[float], members: Sequence[Projector]
) -> NDArray[np.int64]:
    """Cut the cyclic tour into one run for each member; the fullest is as empty as can be."""
    count = len(times[0])
    longest = np.argsort(-times[0], kind="stable")[:8]
    best: tuple[float, NDArray[np.int64]] | None = None
    for first in {0, *longest.tolist()}:
        turned = [np.roll(time, -first) for time in times]
        sums = [np.concatenate([[0.0], np.cumsum(time)]) for time in turned]
        place = _runs(sums, base, count)
        low, high = max(base), max(base) + float(max(time.sum() for time in times))
        for _ in range(24):
            middle = 0.5 * (low + high)
            found = place(middle)
            if found is None:
                low = middle
            else:
                high = middle
        ends = place(high)
        if ends is None:
            continue
        owner = np.empty(count, np.int64)
        begin = 0
        for number, end in enumerate(ends):
            owner[begin:end] = number
            begin = end
        owner = np.roll(owner, first)
        fullest = max(_fills(owner, times, base))
        if best is None or fullest < best[0] - 1e-9:
            best = (fullest, owner)
    if best is None:
        return np.arange(count) * len(members) // count
    return best[1]


def _runs(
    sums: Sequence[FloatArray], base: Sequence[float], count: int
) -> Callable[[float], list[int] | None]:
    def place(limit: float) -> list[int] | None:
        """Give each member in turn as many strokes as its limit takes."""
        ends: list[int] = []
        begin = 0
        for number, cumulative in enumerate(sums):
            room = cumulative[begin] + max(limit - base[number], 0.0)
            begin = max(begin, int(np.searchsorted(cumulative, room + 1e-12, side="right")) - 1)
            ends.append(min(begin, count))
        return ends if begin >= count else None

    return place
