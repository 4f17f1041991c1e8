# SPDX-License-Identifier: GPL-3.0-or-later
"""Order strokes so that little time is lost between them, and calmly from frame to frame."""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ..kernels import greedy_tour, improve_tour, is_native, link_costs, neighbour_lists
from ..kernels.numpy_points import COST_UNIT, join_cost, jump_cost
from ..strokes import Strokes
from .placement import JOIN_FIELD, MotionLimits, Tour

__all__ = [
    "StrokeKeys",
    "TourMemory",
    "ends_of",
    "order_strokes",
    "remember",
    "stroke_keys",
    "tour_cost",
]

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int32]
StrokeKeys = list[tuple[int, int]]

NEIGHBOURS = 8 if is_native() else 16
"""Length of neighbour lists; without kicks longer ones pay."""

KICKS_PER_STROKE = 4.0 if is_native() else 0.2

LARGEST_DENSE = 1500
"""Above this many strokes no full cost matrix is made; a space-filling order serves."""

_SEED = 20260101
_LOOP_STARTS = 16
_LOOP_BONUS = COST_UNIT // 2
_LINK_BONUS = 0.05


@dataclass(frozen=True, eq=False)
class TourMemory:
    """A tour by stable names, to start the next frame from. Plain and picklable.

    Attributes
    ----------
    keys
        (identity, rank among equal identities) in the order drawn.
    reverse
        Direction of each.
    entry : (k, 2)
        Where each was entered, for the seams of closed strokes.
    """

    keys: tuple[tuple[int, int], ...]
    reverse: tuple[bool, ...]
    entry: FloatArray


def stroke_keys(strokes: Strokes) -> StrokeKeys:
    """Name strokes by identity and rank among equal ones."""
    seen: dict[int, int] = {}
    keys = []
    for identity in strokes.identity.tolist():
        rank = seen.get(identity, 0)
        seen[identity] = rank + 1
        keys.append((identity, rank))
    return keys


def remember(strokes: Strokes, tour: Tour, keys: StrokeKeys | None = None) -> TourMemory:
    """Return what the next frame needs of this tour."""
    names = stroke_keys(strokes) if keys is None else keys
    counts = strokes.counts[tour.stroke]
    closed = strokes.closed[tour.stroke]
    entry = np.where(closed, tour.start, np.where(tour.reverse, counts - 1, 0))
    return TourMemory(
        keys=tuple(names[row] for row in tour.stroke.tolist()),
        reverse=tuple(tour.reverse.tolist()),
        entry=strokes.points[strokes.offsets[tour.stroke] + entry].copy(),
    )


def ends_of(
    strokes: Strokes, start: IntArray | None = None
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return position, outward tangent and blend room at both ends of each stroke.

    Node ``2i`` is where stroke i begins, node ``2i + 1`` where it ends; a closed stroke has
    both at its vertex ``start[i]``.

    Returns
    -------
    xy, tangent, room : (2k, 2), (2k, 2), (2k,)
    """
    count = len(strokes)
    first, last = strokes.offsets[:-1], strokes.offsets[1:] - 1
    closed = strokes.closed
    ring = np.maximum(last - first, 1)
    at = np.zeros(count, np.int64) if start is None else start.astype(np.int64)
    begin = first + np.where(closed, at % ring, 0)
    end = np.where(closed, begin, last)
    after = np.minimum(begin + 1, last)
    before = np.where(closed & (end == first), last - 1, np.maximum(end - 1, first))
    xy = np.empty((2 * count, 2))
    out = np.empty((2 * count, 2))
    xy[0::2], xy[1::2] = strokes.points[begin], strokes.points[end]
    out[0::2] = strokes.points[begin] - strokes.points[after]
    out[1::2] = strokes.points[end] - strokes.points[before]
    length = np.hypot(out[:, 0], out[:, 1])
    tangent = out / np.where(length > 0.0, length, 1.0)[:, None]
    return xy, tangent, 0.5 * length


def _costs(ends: tuple[FloatArray, FloatArray, FloatArray], limits: MotionLimits) -> IntArray:
    xy, tangent, room = ends
    return link_costs(
        xy,
        tangent,
        room,
        limits.acceleration,
        limits.speed,
        limits.blend,
        limits.jump_acceleration,
        limits.jump_speed,
        limits.settle_before + limits.settle_after,
        JOIN_FIELD,
    )


def _pair_costs(
    leave: tuple[FloatArray, FloatArray, FloatArray],
    enter: tuple[FloatArray, FloatArray, FloatArray],
    limits: MotionLimits,
) -> IntArray:
    """Link costs between broadcast arrays of ends (position, tangent, room)."""
    distance = np.maximum(
        np.abs(leave[0][..., 0] - enter[0][..., 0]), np.abs(leave[0][..., 1] - enter[0][..., 1])
    )
    costs = jump_cost(
        distance,
        limits.acceleration,
        limits.speed,
        limits.jump_acceleration,
        limits.jump_speed,
        limits.settle_before + limits.settle_after,
    )
    near = np.nonzero(distance < JOIN_FIELD)
    if len(near[0]):
        turn = np.broadcast_to(leave[1] + enter[1], (*distance.shape, 2))[near]
        room = np.broadcast_to(np.minimum(leave[2], enter[2]), distance.shape)[near]
        costs[near] = join_cost(turn, room, limits.acceleration, limits.speed, limits.blend)
    return costs


def tour_cost(strokes: Strokes, tour: Tour, limits: MotionLimits) -> float:
    """Return samples lost between the strokes of a cyclic tour, by the cost model."""
    ends = ends_of(strokes, _starts_by_stroke(len(strokes), tour))
    entry = 2 * tour.stroke.astype(np.int64) + tour.reverse
    leave = entry ^ 1
    following = np.roll(entry, -1)
    pairs = _pair_costs(
        (ends[0][leave], ends[1][leave], ends[2][leave]),
        (ends[0][following], ends[1][following], ends[2][following]),
        limits,
    )
    return float(pairs.sum()) / COST_UNIT


def _starts_by_stroke(count: int, tour: Tour) -> IntArray:
    starts = np.zeros(count, np.int32)
    starts[tour.stroke] = tour.start
    return starts


def order_strokes(
    strokes: Strokes,
    limits: MotionLimits,
    previous: TourMemory | None = None,
    *,
    keys: StrokeKeys | None = None,
    kicks_per_stroke: float | None = None,
    seed: int = _SEED,
) -> Tour:
    """Return a short cyclic tour through all strokes, rotated to begin after its longest link.

    Parameters
    ----------
    strokes
        Simplified.
    limits
        Motion that the links are priced by; the same for all frames and stresses, so that
        the tour does not depend on them.
    previous
        Last frame's tour, to start from.
    kicks_per_stroke
        Random perturbations a stroke; by default 4, without the native library 0.2 (two
        rounds of search with noise).
    seed
        The same for every frame.

    Notes
    -----
    Greedy edge matching, 2-opt and Or-opt, iterated local search; then a dynamic programme
    over the fixed order chooses where closed strokes are entered (min-plus products along
    the cycle), and the search runs once more. All work is bounded by counts.
    """
    count = len(strokes)
    if count == 0:
        return Tour(np.empty(0, np.int32), np.empty(0, bool), np.empty(0, np.int32))
    names = stroke_keys(strokes) if keys is None else keys
    remembered = _entries_before(names, previous)
    starts = _nearest_starts(strokes, remembered)
    if count > LARGEST_DENSE:
        return _finished(_space_filling(strokes), starts, ends_of(strokes, starts)[0])
    if kicks_per_stroke is None:
        # Interpreted rounds of search cost more than their share on large frames.
        kicks_per_stroke = KICKS_PER_STROKE if is_native() or count <= 100 else 0.1
    kicks = int(np.ceil(kicks_per_stroke * count))
    # Sweeps cost the square of the number of strokes: fewer of them on large frames.
    sweeps = int(np.clip(60 * (200 / count) ** 2, 4, 60))
    ends = ends_of(strokes, starts)
    costs = _costs(ends, limits)
    tour = _warm(names, previous, costs) if previous is not None else None
    if tour is not None:
        _favour(costs, tour.links)
    neighbours = neighbour_lists(costs, NEIGHBOURS)
    entry = greedy_tour(costs, neighbours) if tour is None else tour.entry
    closed = strokes.closed
    loops = bool(np.any(closed))
    # With loops, kicks are kept for when the loops' entries are chosen: they count for more then.
    entry = _improved(costs, neighbours, entry, 0 if loops else kicks, seed, sweeps)
    if loops:
        starts = _best_entries(strokes, entry, starts, ends, remembered, limits)
        ends = ends_of(strokes, starts)
        costs = _costs(ends, limits)
        if tour is not None:
            _favour(costs, tour.links)
        neighbours = neighbour_lists(costs, NEIGHBOURS)
        better = _improved(costs, neighbours, entry, kicks, seed, sweeps)
        if not np.array_equal(better, entry):
            entry = better
            starts = _best_entries(strokes, better, starts, ends, remembered, limits)
            ends = ends_of(strokes, starts)
    return _finished(entry, starts, ends[0])


def _improved(
    costs: IntArray, neighbours: IntArray, entry: IntArray, kicks: int, seed: int, sweeps: int
) -> IntArray:
    count = len(entry)
    if count > 3:
        return improve_tour(costs, neighbours, entry, kicks, seed, sweeps)
    best, best_cost = entry, None
    for order in itertools.permutations(range(1, count)):
        for flips in itertools.product((0, 1), repeat=count):
            nodes = np.array([2 * s + f for s, f in zip((0, *order), flips, strict=True)])
            cost = int(costs[nodes ^ 1, np.roll(nodes, -1)].sum()) if count > 1 else 0
            if best_cost is None or cost < best_cost:
                best, best_cost = nodes.astype(np.int32), cost
    return best


def _finished(entry: IntArray, starts: IntArray, xy: FloatArray) -> Tour:
    stroke = (entry >> 1).astype(np.int32)
    tour = Tour(stroke, (entry & 1).astype(bool), starts[stroke].astype(np.int32))
    if len(tour) == 1:
        return tour
    gap = np.abs(xy[entry[np.arange(-1, len(entry) - 1)] ^ 1] - xy[entry]).max(axis=1)
    return tour.rotated(int(np.argmax(gap)))


# --- warm start --------------------------------------------------------------------------


@dataclass(frozen=True, eq=False)
class _WarmTour:
    entry: IntArray
    links: NDArray[np.int64]


def _favour(costs: IntArray, links: NDArray[np.int64]) -> None:
    """Make last frame's links a little cheaper, in place."""
    bonus = int(_LINK_BONUS * COST_UNIT)
    if bonus and len(links):
        costs[links[:, 0], links[:, 1]] -= bonus
        costs[links[:, 1], links[:, 0]] -= bonus


def _warm(names: StrokeKeys, previous: TourMemory, costs: IntArray) -> _WarmTour | None:
    """Carry last frame's tour over: drop vanished strokes, insert new ones where cheapest."""
    row_of = {name: row for row, name in enumerate(names)}
    kept: list[int] = []
    old_position: list[int] = []
    for position, (name, reverse) in enumerate(zip(previous.keys, previous.reverse, strict=True)):
        row = row_of.get(name)
        if row is not None:
            kept.append(2 * row + reverse)
            old_position.append(position)
    if 2 * len(kept) < len(names):
        return None
    entry = np.array(kept, np.int64)
    place = np.array(old_position)
    follows = (np.roll(place, -1) - place) % len(previous.keys) == 1
    links = np.stack([entry ^ 1, np.roll(entry, -1)], axis=1)[follows]
    present = set(entry >> 1)
    for row in range(len(names)):
        if row in present:
            continue
        leave, following = entry ^ 1, np.roll(entry, -1)
        base = costs[leave, following].astype(np.int64)
        if len(entry) == 1:
            base = np.zeros(1, np.int64)
        forward = costs[leave, 2 * row] + costs[2 * row + 1, following].astype(np.int64) - base
        backward = costs[leave, 2 * row + 1] + costs[2 * row, following].astype(np.int64) - base
        f, b = int(np.argmin(forward)), int(np.argmin(backward))
        if forward[f] <= backward[b]:
            entry = np.insert(entry, f + 1, 2 * row)
        else:
            entry = np.insert(entry, b + 1, 2 * row + 1)
    return _WarmTour(entry.astype(np.int32), links)


def _entries_before(names: StrokeKeys, previous: TourMemory | None) -> FloatArray:
    """Where each stroke was entered in the last frame, (k, 2); NaN where it was not drawn."""
    result = np.full((len(names), 2), np.nan)
    if previous is not None:
        entry_of = dict(zip(previous.keys, previous.entry, strict=True))
        for row, name in enumerate(names):
            if name in entry_of:
                result[row] = entry_of[name]
    return result


def _nearest_starts(strokes: Strokes, remembered: FloatArray) -> IntArray:
    """Vertex of each closed stroke nearest to where it was entered before."""
    starts = np.zeros(len(strokes), np.int32)
    for row in np.flatnonzero(strokes.closed & ~np.isnan(remembered[:, 0])):
        ring = strokes.polyline(int(row))[:-1]
        starts[row] = int(np.argmin(((ring - remembered[row]) ** 2).sum(axis=1)))
    return starts


# --- closed strokes ----------------------------------------------------------------------


def _loop_candidates(ring: FloatArray, current: int) -> NDArray[np.int64]:
    """Up to 16 vertices at which a loop may be entered: its corners, else evenly spaced."""
    count = len(ring)
    if count <= _LOOP_STARTS:
        return np.arange(count, dtype=np.int64)
    step = np.roll(ring, -1, axis=0) - ring
    before = np.roll(step, 1, axis=0)
    cosine = (step * before).sum(axis=1) / np.maximum(
        np.hypot(*step.T) * np.hypot(*before.T), 1e-300
    )
    even = (np.arange(_LOOP_STARTS - 1) * count) // (_LOOP_STARTS - 1)
    corners = np.flatnonzero(cosine < 0.7)
    if len(corners) >= _LOOP_STARTS - 1:
        pick = (np.arange(_LOOP_STARTS - 1) * len(corners)) // (_LOOP_STARTS - 1)
        even = corners[pick]
    elif len(corners):
        # Slide evenly spaced starts to the nearest corner if there is one close by.
        apart = np.abs(even[:, None] - corners)
        apart = np.minimum(apart, count - apart)
        nearest = corners[np.argmin(apart, axis=1)]
        even = np.where(apart.min(axis=1) * 2 * _LOOP_STARTS <= count, nearest, even)
    result: NDArray[np.int64] = np.unique(np.append(even, current)).astype(np.int64)
    return result


def _in_columns(values: FloatArray, width: int) -> FloatArray:
    """Repeat each row `width` times along a new second axis."""
    wide = np.empty((len(values), width, *values.shape[1:]))
    wide[:] = values[:, None]
    return wide


def _best_entries(
    strokes: Strokes,
    entry: IntArray,
    starts: IntArray,
    ends: tuple[FloatArray, FloatArray, FloatArray],
    remembered: FloatArray,
    limits: MotionLimits,
) -> IntArray:
    """Choose the best start of all closed strokes for a fixed order and direction.

    Shortest paths through one start of each closed stroke (min-plus products along the
    order). The tour is cut at an open stroke; where there is none, all starts of the first
    are carried along.
    """
    closed = strokes.closed
    ring = closed[entry >> 1]
    opened = 0 if ring.all() else int(np.argmin(ring))
    if opened:
        entry = np.concatenate([entry[opened:], entry[:opened]])
        ring = np.concatenate([ring[opened:], ring[:opened]])
    order = (entry >> 1).astype(np.int64)
    count = len(order)
    loops = np.flatnonzero(ring)
    points, offsets = strokes.points, strokes.offsets
    candidates = {
        position: _loop_candidates(points[offsets[row] : offsets[row + 1] - 1], int(starts[row]))
        for position, row in zip(loops.tolist(), order[loops].tolist(), strict=True)
    }
    width = max(len(state) for state in candidates.values())
    enter = [_in_columns(values[entry], width) for values in ends]
    leave = [_in_columns(values[entry ^ 1], width) for values in ends]
    used = np.ones(count, np.int64)
    used[loops] = [len(state) for state in candidates.values()]
    states = used[loops]
    position = loops.repeat(states)
    column = np.arange(len(position)) - (states.cumsum() - states).repeat(states)
    state = np.concatenate(list(candidates.values()))
    base = offsets[order[position]]
    around = offsets[order[position] + 1] - base - 1
    at = points[base + state]
    step = np.where(entry[position] & 1, -1, 1)
    for sides, way in ((enter, step), (leave, -step)):
        vector = at - points[base + (state + way) % around]
        length = np.maximum(np.hypot(vector[:, 0], vector[:, 1]), 1e-300)
        sides[0][position, column] = at
        sides[1][position, column] = vector / length[:, None]
        sides[2][position, column] = 0.5 * length
    # Links into and out of loops only: the others stay as they are.
    touched = np.flatnonzero(ring | ring[np.arange(-1, count - 1)])
    links = _pair_costs(
        (
            leave[0][touched - 1][:, :, None],
            leave[1][touched - 1][:, :, None],
            leave[2][touched - 1][:, :, None],
        ),
        (enter[0][touched][:, None], enter[1][touched][:, None], enter[2][touched][:, None]),
        limits,
    ).astype(np.int64)
    link_into = dict(zip(touched.tolist(), links, strict=True))
    # Stay where a loop was entered in the last frame unless another place gains enough.
    known = loops[~np.isnan(remembered[order[loops], 0])]
    for place in known.tolist():
        away = np.abs(enter[0][place, : used[place]] - remembered[order[place]]).max(axis=1)
        link_into[place][:, int(np.argmin(away))] -= _LOOP_BONUS
    new_starts = starts.copy()
    carried = int(used[0])  # 1 where the tour is cut at an open stroke
    infinite = np.int64(1) << 40
    reach = np.where(np.eye(carried, dtype=bool), 0, infinite)
    came: list[tuple[int, NDArray[np.intp]]] = []
    for place in [*range(1, count), 0]:
        if place not in link_into:
            reach = reach[:, :1]
            continue
        through = reach[:, :, None] + link_into[place][: reach.shape[1], : used[place]]
        came.append((place, np.argmin(through, axis=1)))
        reach = through.min(axis=1)
    choice = int(np.argmin(np.diagonal(reach)))
    taken = choice
    for place, back in reversed(came):
        if ring[place]:
            new_starts[order[place]] = candidates[place][taken]
        taken = int(back[choice, taken])
    return new_starts


# --- very large frames -------------------------------------------------------------------


def _space_filling(strokes: Strokes) -> IntArray:
    """Order by position along a Hilbert curve; each stroke entered at its nearer end."""
    first = strokes.points[strokes.offsets[:-1]]
    last = strokes.points[strokes.offsets[1:] - 1]
    cells = np.clip(((0.5 * (first + last) + 1.0) * 512.0).astype(np.int64), 0, 1023)
    order = np.argsort(_hilbert(cells[:, 0], cells[:, 1]), kind="stable")
    starts: Sequence[list[float]] = first.tolist()
    stops: Sequence[list[float]] = last.tolist()
    at = stops[int(order[-1])]
    entry = []
    for row in order.tolist():
        a, b = starts[row], stops[row]
        near_a = max(abs(a[0] - at[0]), abs(a[1] - at[1]))
        near_b = max(abs(b[0] - at[0]), abs(b[1] - at[1]))
        entry.append(2 * row + (near_b < near_a))
        at = a if near_b < near_a else b
    return np.array(entry, np.int32)


def _hilbert(x: NDArray[np.int64], y: NDArray[np.int64], bits: int = 10) -> NDArray[np.int64]:
    """Distance along the Hilbert curve of a grid of ``2**bits`` cells a side."""
    x, y = x.copy(), y.copy()
    distance = np.zeros_like(x)
    side = 1 << (bits - 1)
    while side > 0:
        right = (x & side) > 0
        top = (y & side) > 0
        distance += side * side * np.where(right, np.where(top, 2, 3), np.where(top, 1, 0))
        flip = right & ~top
        x = np.where(flip, side * 2 - 1 - x, x) & (side * 2 - 1)
        y = np.where(flip, side * 2 - 1 - y, y) & (side * 2 - 1)
        swap = ~top
        x, y = np.where(swap, y, x), np.where(swap, x, y)
        side >>= 1
    return distance
