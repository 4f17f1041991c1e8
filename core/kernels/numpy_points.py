# SPDX-License-Identifier: GPL-3.0-or-later
"""Inner loops of the points stage, in numpy: the reference for a compiled twin.

All functions are stateless, arrays in and arrays out. Units are field units and samples.
Node ``2i`` is the start of stroke ``i``, node ``2i + 1`` its end, and a tour lists the node
at which each stroke is entered.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

__all__ = [
    "BLEND_ROUNDS",
    "COST_UNIT",
    "FORBIDDEN",
    "clock_durations",
    "greedy_tour",
    "improve_tour",
    "join_cost",
    "jump_cost",
    "link_costs",
    "neighbour_lists",
    "response_step",
    "saturating_response",
]

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int32]
BoolArray = NDArray[np.bool_]

BLEND_ROUNDS = 3
COST_UNIT = 1024
"""Link costs are integers in 1/1024 sample: gains are exact, and implementations agree."""
FORBIDDEN = 1 << 28
"""Cost of a link that cannot be: above every tour that can."""
_TINY = 1e-12


# --- clock -------------------------------------------------------------------------------


def clock_durations(
    length: FloatArray,
    blend_room: FloatArray,
    half_turn: FloatArray,
    arriving: FloatArray,
    leaving: FloatArray,
    inner: BoolArray,
    acceleration: FloatArray,
    segment_acceleration: FloatArray,
    segment_speed: FloatArray,
    blend: float,
    hold: FloatArray,
) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray, FloatArray]:
    """Time the fastest motion along a route of n vertices.

    Parameters
    ----------
    length : (n,)
        Of the segment that leaves each vertex; 0 at the last vertex of a piece.
    blend_room : (n,)
        Largest half-length of a corner blend: half the shorter adjacent segment.
    half_turn : (n,)
        sin(turn / 2).
    arriving, leaving : (n, 2)
        Unit directions before and after each vertex.
    inner : (n,) bool
        False at the first and last vertex of a piece: the beam rests there.
    acceleration : (n,)
        Limit per axis inside the blend.
    segment_acceleration, segment_speed : (n,)
        Limits along the segment that leaves each vertex.
    blend
        Largest distance between a corner and its blend.
    hold : (n,)
        Time spent resting at a vertex (where `inner` is False).

    Returns
    -------
    durations : (n, 4)
        Of blend or hold, acceleration, cruise and braking.
    half_blend : (n,)
        Half-length of the blend.
    speed_in, speed_out : (n,)
        At the begin and the end of the blend.
    peak : (n,)
        Of the speed on the segment that leaves the vertex.

    Notes
    -----
    Parabolic blends as in Kunz and Stilman 2012; the forward and backward passes of
    time-optimal path parameterisation (Bobrow, Dubowsky and Gibson 1985) are cumulative
    minima, as the squared speed obeys difference constraints on a line. Limits form a box
    per axis; what a blend may accelerate along the path depends on the speeds at its ends, so
    `BLEND_ROUNDS` fixed-point rounds are run and one more that only takes acceleration away:
    it keeps the limit exactly, for 0.3 % of time at most on smooth curves. Every twin must run
    the same rounds.
    """
    count = len(length)
    half_blend = np.where(
        inner, np.minimum(2.0 * blend / np.maximum(half_turn, _TINY), blend_room), 0.0
    )
    turn = leaving - arriving
    turn_most = np.maximum(np.abs(turn).max(axis=1), _TINY)
    arriving_speed = np.zeros(count)
    arriving_speed[1:] = segment_speed[:-1]
    limit = np.where(
        inner,
        np.minimum(
            np.minimum(segment_speed, arriving_speed) ** 2,
            2.0 * half_blend * acceleration / turn_most,
        ),
        0.0,
    )
    straight = length - half_blend
    straight[:-1] -= half_blend[1:]
    np.maximum(straight, 0.0, out=straight)
    nodes = np.repeat(limit, 2)
    rise = np.empty(2 * count)
    rise[1::2] = 2.0 * segment_acceleration * straight
    curvature = turn / np.maximum(2.0 * half_blend, _TINY)[:, None]
    bend_begin = np.sign(arriving) * curvature
    bend_end = np.sign(leaving) * curvature
    along_begin = 1.0 / np.maximum(np.abs(arriving), _TINY)
    along_end = 1.0 / np.maximum(np.abs(leaving), _TINY)
    begin = end = 0.6 * limit
    squared = nodes
    tangential = np.full(count, np.inf)
    for number in range(BLEND_ROUNDS + 1):
        # Acceleration is bend × speed² ± tangential, linear between the blend's two ends.
        sign = np.where(end >= begin, 1.0, -1.0)[:, None]
        at_begin = (acceleration[:, None] - sign * bend_begin * begin[:, None]) * along_begin
        at_end = (acceleration[:, None] - sign * bend_end * end[:, None]) * along_end
        possible = np.maximum(np.minimum(at_begin, at_end).min(axis=1), 0.0)
        # The rounds may swing about the fixed point: the last one only takes away.
        tangential = np.minimum(tangential, possible) if number == BLEND_ROUNDS else possible
        rise[0::2] = np.where(inner, 4.0 * tangential * half_blend, 0.0)
        squared = _fastest(nodes, rise)
        if number < BLEND_ROUNDS - 1:
            begin = 0.5 * (begin + squared[0::2])
            end = 0.5 * (end + squared[1::2])
        else:
            begin, end = squared[0::2], squared[1::2]
    begin, end = squared[0::2], squared[1::2]
    speed_in, speed_out = np.sqrt(begin), np.sqrt(end)
    next_begin = np.zeros(count)
    next_begin[:-1] = begin[1:]
    peak_squared = np.minimum(
        segment_speed**2, 0.5 * (end + next_begin) + segment_acceleration * straight
    )
    peak_squared = np.maximum(peak_squared, np.maximum(end, next_begin))
    peak_squared[length <= 0.0] = 0.0
    peak = np.sqrt(peak_squared)
    durations = np.zeros((count, 4))
    moving = length > 0.0
    rate = np.where(moving, segment_acceleration, 1.0)
    next_in = np.sqrt(next_begin)
    durations[:, 0] = np.where(
        half_blend > 0.0, 4.0 * half_blend / np.maximum(speed_in + speed_out, _TINY), hold
    )
    durations[:, 1] = np.where(moving, (peak - speed_out) / rate, 0.0)
    durations[:, 3] = np.where(moving, (peak - next_in) / rate, 0.0)
    ramps = (2.0 * peak_squared - end - next_begin) / (2.0 * rate)
    durations[:, 2] = np.where(
        moving, np.maximum(straight - ramps, 0.0) / np.maximum(peak, _TINY), 0.0
    )
    return durations, half_blend, speed_in, speed_out, peak


def _fastest(caps: FloatArray, rise: FloatArray) -> FloatArray:
    """Largest w with w ≤ caps and |w[k+1] - w[k]| ≤ rise[k]: shortest paths on a line."""
    climbed = np.zeros(len(caps))
    np.cumsum(rise[:-1], out=climbed[1:])
    forward = np.minimum.accumulate(caps - climbed) + climbed
    backward = np.minimum.accumulate((forward + climbed)[::-1])[::-1] - climbed
    result: FloatArray = np.maximum(backward, 0.0)
    return result


# --- order -------------------------------------------------------------------------------


def link_costs(
    xy: FloatArray,
    tangent: FloatArray,
    room: FloatArray,
    acceleration: float,
    speed: float,
    blend: float,
    jump_acceleration: float,
    jump_speed: float,
    settle: float,
    join: float,
) -> IntArray:
    """Samples lost by leaving at one stroke end and entering at another, in 1/`COST_UNIT`.

    Parameters
    ----------
    xy : (2n, 2)
        Stroke ends.
    tangent : (2n, 2)
        Unit direction that points out of the stroke at its end; 0 for dots.
    room : (2n,)
        Half the length of the last segment, which bounds a corner blend.
    acceleration, speed, blend
        Limits of lit motion.
    jump_acceleration, jump_speed
        Limits of blank moves, per axis.
    settle
        Samples held still around a jump.
    join
        Ends nearer than this (per axis) are joined with the light on.

    Returns
    -------
    costs : (2n, 2n) int32
        Symmetric; `FORBIDDEN` from a stroke to itself.
    """
    x, y = xy[:, 0], xy[:, 1]
    distance = np.maximum(np.abs(x[:, None] - x), np.abs(y[:, None] - y))
    costs = jump_cost(distance, acceleration, speed, jump_acceleration, jump_speed, settle)
    near = np.nonzero(distance < join)
    if len(near[0]):
        turn = tangent[near[0]] + tangent[near[1]]
        length = np.minimum(room[near[0]], room[near[1]])
        costs[near] = join_cost(turn, length, acceleration, speed, blend)
    node = np.arange(len(xy))
    costs[node, node] = FORBIDDEN
    costs[node, node ^ 1] = FORBIDDEN
    return costs


def jump_cost(
    distance: FloatArray,
    acceleration: float,
    speed: float,
    jump_acceleration: float,
    jump_speed: float,
    settle: float,
) -> IntArray:
    """Samples lost to a blank move over `distance` (the larger axis), in 1/`COST_UNIT`.

    The move itself from rest to rest, settling, and one stop and restart of lit motion.
    """
    reach = jump_speed * jump_speed / jump_acceleration
    slow = np.minimum(distance, reach)
    move = 2.0 * np.sqrt(slow / jump_acceleration) + (distance - slow) / jump_speed
    result: IntArray = np.rint((move + (speed / acceleration + settle)) * COST_UNIT).astype(
        np.int32
    )
    return result


def join_cost(
    turn: FloatArray, room: FloatArray, acceleration: float, speed: float, blend: float
) -> IntArray:
    """Samples lost to the corner between two joined strokes, in 1/`COST_UNIT`.

    Parameters
    ----------
    turn : (m, 2)
        Sum of the two outward tangents: 0 straight on.
    room : (m,)
        Half the shorter adjacent segment.
    acceleration, speed, blend
        Limits of lit motion.
    """
    half = 0.5 * np.hypot(turn[:, 0], turn[:, 1])
    length = np.minimum(2.0 * blend / np.maximum(half, _TINY), room)
    limit = 2.0 * length * acceleration / np.maximum(np.abs(turn).max(axis=1), _TINY)
    through = np.minimum(speed, np.sqrt(limit))
    dip = (speed - through) ** 2 / (acceleration * speed)
    result: IntArray = np.rint(dip * COST_UNIT).astype(np.int32)
    return result


def neighbour_lists(costs: IntArray, size: int = 8) -> IntArray:
    """Cheapest `size` partners of each node, sorted by cost, then by node: (2n, size) int32."""
    count = len(costs)
    size = min(size, max(count - 2, 0))
    if size == 0:
        return np.empty((count, 0), np.int32)
    key = costs.astype(np.int64) * count + np.arange(count)
    nearest = np.argpartition(key, size - 1, axis=1)[:, :size] if size < count else None
    if nearest is None:
        nearest = np.broadcast_to(np.arange(count), (count, count))
    order = np.argsort(np.take_along_axis(key, nearest, axis=1), axis=1)
    return np.take_along_axis(nearest, order, axis=1).astype(np.int32)


def greedy_tour(costs: IntArray, neighbours: IntArray) -> IntArray:
    """Match stroke ends by cost, cheapest first, into one cyclic tour of entry nodes, (n,).

    Notes
    -----
    Greedy edge matching (Bentley 1992) on the neighbour lists; the fragments left over are
    linked by the nearest free end.
    """
    count = len(costs)
    strokes = count // 2
    if strokes == 1:
        return np.zeros(1, np.int32)
    size = neighbours.shape[1]
    start = np.repeat(np.arange(count), size)
    stop = neighbours.ravel().astype(np.int64)
    once = (start < stop) | ~np.any(neighbours[stop] == start[:, None], axis=1)
    start, stop = start[once], stop[once]
    order = np.argsort(costs[start, stop], kind="stable")
    mate = [-1] * count
    # Ends of a fragment know each other: cheaper than union-find for paths.
    far = [node ^ 1 for node in range(count)]
    links = 0
    for p, q in zip(start[order].tolist(), stop[order].tolist(), strict=True):
        if mate[p] < 0 and mate[q] < 0 and far[p] != q:
            mate[p], mate[q] = q, p
            far_p, far_q = far[p], far[q]
            far[far_p], far[far_q] = far_q, far_p
            links += 1
            if links == strokes - 1:
                break
    free = np.array([value < 0 for value in mate])
    node = int(np.flatnonzero(free)[0])
    while links < strokes - 1:
        free[node] = False
        end = far[node]
        free[end] = False
        row = np.where(free, costs[end], FORBIDDEN)
        nearest = int(np.argmin(row))
        mate[end], mate[nearest] = nearest, end
        far_nearest = far[nearest]
        far[node], far[far_nearest] = far_nearest, node
        free[nearest] = False
        links += 1
    tour = np.empty(strokes, np.int32)
    entry = next(node for node in range(count) if mate[node] < 0)
    for position in range(strokes):
        tour[position] = entry
        entry = mate[entry ^ 1]
    return tour


def improve_tour(
    costs: IntArray,
    neighbours: IntArray,
    tour: IntArray,
    kicks: int,
    seed: int,
    sweeps: int = 60,
) -> IntArray:
    """Shorten a cyclic tour of entry nodes by local search, then by kicks.

    Parameters
    ----------
    costs : (2n, 2n) int32
        From `link_costs`.
    neighbours : (2n, K) int32
        From `neighbour_lists`.
    tour : (n,) int32
        Entry nodes.
    kicks
        Random perturbations, each repaired and kept if it gains.
    seed
        Of the 32-bit xorshift.
    sweeps
        Upper bound of sweeps of the local search.

    Returns
    -------
    tour : (n,) int32
        Never longer than the one given.

    Notes
    -----
    2-opt and Or-opt with reversal (Croes 1958, Or 1976). Each sweep finds the best move of
    every row of the full matrices of gains and applies all whose ranges are disjoint. Kicks
    swap two neighbouring runs (iterated local search). Work is bounded by counts, never by
    the clock.
    """
    if len(tour) <= 2:
        return tour.copy()
    result = tour.copy()
    for _ in range(sweeps):
        if not _sweep(costs, result):
            break
    if kicks > 0 and len(tour) >= 5:
        result = _kicked(costs, neighbours, result, kicks, seed)
    return result


def _sweep(costs: IntArray, tour: IntArray) -> bool:
    """Apply disjoint gainful moves to `tour` in place; False when there is none."""
    count = len(tour)
    entry = tour.astype(np.intp)
    leave = entry ^ 1
    following = np.roll(entry, -1)
    link = costs[leave, following].astype(np.int64)
    # 2-opt: reverse positions i + 1 … j; new links leave[i]-leave[j], following[i]-following[j].
    loss = costs[leave[:, None], leave] + costs[following[:, None], following].astype(np.int64)
    gain = link[:, None] + link - loss
    gain[np.tril_indices(count)] = 0
    gain[0, count - 1] = 0
    moves: list[tuple[int, int, int, int, int, int, int]] = []
    best = np.argmax(gain, axis=1)
    value = gain[np.arange(count), best]
    for i in np.flatnonzero(value > 0).tolist():
        moves.append((int(value[i]), 0, i, int(best[i]), 0, i, int(best[i]) + 1))
    # Or-opt: take `run` strokes from position k, put them between j and j + 1.
    for run in (1, 2, 3):
        if count < run + 3:
            break
        first = entry
        last = np.roll(leave, 1 - run)
        before = np.roll(leave, 1)
        after = np.roll(entry, -run)
        freed = np.roll(link, 1) + np.roll(link, 1 - run) - costs[before, after]
        plain = costs[leave[:, None], first] + costs[following[:, None], last].astype(np.int64)
        turned = costs[leave[:, None], last] + costs[following[:, None], first].astype(np.int64)
        added = np.minimum(plain, turned) - link[:, None]
        gain = (freed - added).T  # row k: run that moves, column j: place
        k = np.arange(count)
        for shift in range(-1, run):
            gain[k, (k + shift) % count] = 0
        gain[count - run + 1 :] = 0  # a run that wraps is found from another rotation
        gain[0] = 0
        best = np.argmax(gain, axis=1)
        value = gain[k, best]
        for i in np.flatnonzero(value > 0).tolist():
            j = int(best[i])
            reverse = int(turned[j, i] < plain[j, i])
            low, high = min(i - 1, j), max(i + run, j + 1)
            moves.append((int(value[i]), run, i, j, reverse, low, high))
    if not moves:
        return False
    moves.sort(key=lambda move: (-move[0], move[1], move[2]))
    taken = np.zeros(count + 1, bool)
    for _, run, i, j, reverse, low, high in moves:
        if taken[low:high].any():
            continue
        taken[low:high] = True
        if run == 0:
            tour[i + 1 : j + 1] = tour[i + 1 : j + 1][::-1] ^ 1
            continue
        piece = tour[i : i + run].copy()
        if reverse:
            piece = piece[::-1] ^ 1
        if j > i:
            tour[i : j + 1 - run] = tour[i + run : j + 1].copy()
            tour[j + 1 - run : j + 1] = piece
        else:
            tour[j + 1 + run : i + run] = tour[j + 1 : i].copy()
            tour[j + 1 : j + 1 + run] = piece
    return True


def _kicked(
    costs: IntArray, neighbours: IntArray, tour: IntArray, kicks: int, seed: int
) -> IntArray:
    """Iterated local search on Python lists: fine for the small tours it is asked to do."""
    count = len(tour)
    cost = costs.tolist()
    near = neighbours.tolist()
    order: list[int] = tour.tolist()
    place = [0] * (2 * count)
    for position, node in enumerate(order):
        place[node] = place[node ^ 1] = position
    state = (seed & 0xFFFFFFFF) or 0x9E3779B9
    longest = max(1, min(count - 2, 30) // 3)

    def total_local(dirty: list[int]) -> int:
        """Repair from the dirty strokes; returns the gain."""
        gained = 0
        stack = dirty
        budget = 50 * len(dirty) + 100
        while stack and budget > 0:
            budget -= 1
            node = stack.pop()
            gain, touched = _best_move(cost, near, order, place, node)
            if gain > 0:
                gained += gain
                stack.extend(touched)
        return gained

    total_local([node for stroke in order for node in (stroke, stroke ^ 1)])
    for _ in range(kicks):
        draws = []
        for bound in (longest, longest, count):
            state ^= (state << 13) & 0xFFFFFFFF
            state ^= state >> 17
            state ^= (state << 5) & 0xFFFFFFFF
            draws.append(state % bound)
        l1, l2, at = draws[0] + 1, draws[1] + 1, draws[2]
        saved = order.copy()
        turned = order[at:] + order[:at]
        before = turned[-1] ^ 1
        a, b = turned[:l1], turned[l1 : l1 + l2]
        after = turned[l1 + l2]
        old = cost[before][a[0]] + cost[a[-1] ^ 1][b[0]] + cost[b[-1] ^ 1][after]
        new = cost[before][b[0]] + cost[b[-1] ^ 1][a[0]] + cost[a[-1] ^ 1][after]
        order[:] = b + a + turned[l1 + l2 :]
        for position, node in enumerate(order):
            place[node] = place[node ^ 1] = position
        touched = [before, b[0], b[-1] ^ 1, a[0], a[-1] ^ 1, after]
        if old - new + total_local(touched) <= 0:
            order[:] = saved
            for position, node in enumerate(order):
                place[node] = place[node ^ 1] = position
    return np.array(order, np.int32)


def _best_move(
    cost: list[list[int]],
    near: list[list[int]],
    order: list[int],
    place: list[int],
    node: int,
) -> tuple[int, list[int]]:
    """Find and apply the best 2-opt or Or-opt move that replaces the link at `node`."""
    count = len(order)
    position = place[node]
    leaving = order[position] != node  # the tour leaves the stroke at this node
    mate = order[position + 1 - count] if leaving else order[position - 1] ^ 1
    own = cost[node]
    link = own[mate]
    best = 0
    choice: tuple[int, ...] = ()
    for other in near[node]:
        spare = link - own[other]
        if spare <= 0:
            break
        at = place[other]
        other_leaving = order[at] != other
        # 2-opt: both links run the same way.
        if other_leaving == leaving:
            other_mate = order[at + 1 - count] if leaving else order[at - 1] ^ 1
            gain = spare + cost[other][other_mate] - cost[mate][other_mate]
            if gain > best and other_mate != node:
                best, choice = gain, (0, other, other_mate, 0)
        # Or-opt: the run that starts at `node` goes next to `other`, on either of its sides.
        for run in (1, 2, 3):
            if run > count - 3:
                break
            end_position = (position - run + 1) % count if leaving else (position + run - 1) % count
            inside = (position - at) % count if leaving else (at - position) % count
            if inside < run:
                break
            end = order[end_position] if leaving else order[end_position] ^ 1
            beyond = order[end_position - 1] ^ 1 if leaving else order[(end_position + 1) % count]
            gap_mate = order[at + 1 - count] if other_leaving else order[at - 1] ^ 1
            if gap_mate in (node, end):
                continue
            gain = (
                spare
                + cost[end][beyond]
                + cost[other][gap_mate]
                - cost[end][gap_mate]
                - cost[mate][beyond]
            )
            if gain > best:
                best, choice = gain, (run, other, gap_mate, end)
    if best <= 0:
        return 0, []
    run, other, other_mate, end = choice
    if run == 0:
        # Reverse the positions between the two links, on the shorter side.
        if leaving:
            low, high = (position + 1) % count, place[other]
        else:
            low, high = position, (place[other] - 1) % count
        _reverse(order, place, low, (high - low) % count + 1)
        return best, [node, mate, other, other_mate]
    beyond_position = place[end]
    beyond = order[beyond_position - 1] ^ 1 if leaving else order[beyond_position + 1 - count]
    if leaving:
        run_nodes = [order[(beyond_position + i) % count] for i in range(run)]
    else:
        run_nodes = [order[(position + i) % count] for i in range(run)]
    strokes_in_run = {value >> 1 for value in run_nodes}
    rest = [value for value in order if value >> 1 not in strokes_in_run]
    # Enter the run so that `node` lies next to `other`.
    if order[place[other]] != other:  # the tour leaves at `other`, the run follows it
        piece = run_nodes if run_nodes[0] == node else [v ^ 1 for v in reversed(run_nodes)]
        index = rest.index(other ^ 1) + 1
    else:
        piece = run_nodes if run_nodes[-1] ^ 1 == node else [v ^ 1 for v in reversed(run_nodes)]
        index = rest.index(other)
    order[:] = rest[:index] + piece + rest[index:]
    for place_index, value in enumerate(order):
        place[value] = place[value ^ 1] = place_index
    return best, [node, mate, other, other_mate, end, beyond]


def _reverse(order: list[int], place: list[int], low: int, size: int) -> None:
    count = len(order)
    if 2 * size > count:
        low, size = (low + size) % count, count - size
    if size <= 0:
        return
    indices = [(low + i) % count for i in range(size)]
    values = [order[i] ^ 1 for i in reversed(indices)]
    for index, value in zip(indices, values, strict=True):
        order[index] = value
        place[value] = place[value ^ 1] = index


# --- model -------------------------------------------------------------------------------


def saturating_response(
    command: FloatArray,
    natural_frequency: float,
    damping: float,
    acceleration_max: float,
    speed_max: float,
    substeps: int,
    passes: int = 2,
) -> tuple[FloatArray, FloatArray]:
    """Beam of a looped command for scanners that saturate.

    Parameters
    ----------
    command : (n, 2)
        Held for one sample each.
    natural_frequency
        rad / sample.
    damping
    acceleration_max, speed_max
        Per axis, field units and samples.
    substeps
        Steps a sample.
    passes
        How often the loop is run; the last pass is returned.

    Returns
    -------
    position, velocity : (n * substeps, 2)
        At the begin of each substep.

    Notes
    -----
    Each substep is the exact second-order response; where that would break a limit it is
    replaced by a step of constant acceleration. Exact while unsaturated.
    """
    step = 1.0 / substeps
    p0, p1, p2, p3 = response_step(natural_frequency, damping, step)
    count = len(command)
    position = np.empty((count * substeps, 2))
    velocity = np.empty_like(position)
    most = acceleration_max * step
    for axis in (0, 1):
        targets = command[:, axis].tolist()
        x, v = targets[-1], 0.0
        xs: list[float] = []
        vs: list[float] = []
        for _ in range(passes):
            xs, vs = [], []
            for target in targets:
                for _ in range(substeps):
                    xs.append(x)
                    vs.append(v)
                    error = x - target
                    v_next = p2 * error + p3 * v
                    change = v_next - v
                    if -most <= change <= most and -speed_max <= v_next <= speed_max:
                        x = target + p0 * error + p1 * v
                        v = v_next
                    else:
                        change = min(max(change, -most), most)
                        v_next = min(max(v + change, -speed_max), speed_max)
                        x += 0.5 * (v + v_next) * step
                        v = v_next
        position[:, axis] = xs
        velocity[:, axis] = vs
    return position, velocity


def response_step(
    natural_frequency: float, damping: float, duration: float
) -> tuple[float, float, float, float]:
    """Exact step of the second-order loop over `duration` samples with a held command.

    With e = x - u: ``e' = p0 e + p1 v`` and ``v' = p2 e + p3 v``.
    """
    decay = damping * natural_frequency
    shrink = float(np.exp(-decay * duration))
    if damping < 1.0:
        swing = natural_frequency * float(np.sqrt(1.0 - damping * damping))
        cosine, sine = float(np.cos(swing * duration)), float(np.sin(swing * duration)) / swing
    elif damping > 1.0:
        swing = natural_frequency * float(np.sqrt(damping * damping - 1.0))
        cosine, sine = float(np.cosh(swing * duration)), float(np.sinh(swing * duration)) / swing
    else:
        cosine, sine = 1.0, duration
    return (
        shrink * (cosine + decay * sine),
        shrink * sine,
        -shrink * natural_frequency**2 * sine,
        shrink * (cosine - decay * sine),
    )
