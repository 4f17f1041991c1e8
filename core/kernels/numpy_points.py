# SPDX-License-Identifier: GPL-3.0-or-later
"""Inner loops of the points stage, in numpy: the reference for a compiled twin.

All functions are stateless, arrays in and arrays out. Units are field units and samples.
Node ``2i`` is the start of stroke ``i``, node ``2i + 1`` its end, and a tour lists the node
at which each stroke is entered.
"""

from __future__ import annotations

import math

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
_NOISE = 2 * COST_UNIT  # largest noise on a link: about what a corner or a short hop costs
_MOST_ROUNDS = 40
_RUNS = np.array([[1], [2], [3]])  # strokes moved together


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
    distance = np.abs(x[:, None] - x)
    np.maximum(distance, np.abs(y[:, None] - y), out=distance)
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
    # In place: the arrays are as large as the matrix of all links.
    move = slow / jump_acceleration
    np.sqrt(move, out=move)
    move *= 2.0
    if not np.array_equal(slow, distance):
        np.subtract(distance, slow, out=slow)
        slow /= jump_speed
        move += slow
    move += speed / acceleration + settle
    move *= COST_UNIT
    result: IntArray = np.rint(move, out=move).astype(np.int32)
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
        Random perturbations. Here each tenth of the tour's strokes makes one round of search
        with noise on all costs; a compiled twin swaps two runs for each.
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
    2-opt and Or-opt with reversal (Croes 1958, Or 1976) on neighbour lists (Bentley 1992).
    Each sweep finds the moves of all nodes and applies the best whose ranges are disjoint;
    then rounds of the noising method (Charon and Hudry 1993). Work is bounded by counts,
    never by the clock.
    """
    count = len(tour)
    if count <= 2:
        return tour.copy()
    near = neighbours.astype(np.intp)
    result = _descended(costs, near, tour, sweeps, thorough=True)
    if kicks > 0 and count >= 4:
        rounds = min(math.ceil(10 * kicks / count), _MOST_ROUNDS)
        result = _shaken(costs, near, result, rounds, seed, sweeps)
    return result


def _descended(
    costs: IntArray,
    near: NDArray[np.intp],
    tour: IntArray,
    sweeps: int,
    *,
    thorough: bool = False,
) -> IntArray:
    """Local search until no move gains, or for `sweeps` sweeps.

    Moves of runs that wrap around the end are left out of a sweep; if `thorough`, the search
    only ends where there are none from elsewhere either.
    """
    result = tour.copy()
    near_costs = np.take_along_axis(costs, near, axis=1)
    turned = not thorough
    for _ in range(sweeps):
        if _sweep(costs, near, near_costs, result):
            turned = not thorough
        elif turned:
            break
        else:
            result = np.roll(result, len(result) // 2)
            turned = True
    return result


def _sweep(costs: IntArray, near: NDArray[np.intp], near_costs: IntArray, tour: IntArray) -> bool:
    """Apply disjoint gainful moves to `tour` in place; False when there is none.

    For each node a, linked to b, and each c on its list: 2-opt links a to c and their mates
    to one another; Or-opt takes a run of one to three strokes that starts at a, and puts it
    between c and its mate, a next to c.
    """
    count = len(tour)
    entry = tour.astype(np.intp)
    end = entry ^ 1
    place = np.empty(2 * count, np.intp)
    place[entry] = place[end] = np.arange(count)
    leaving = np.zeros(2 * count, bool)
    leaving[end] = True
    mate = np.empty(2 * count, np.intp)
    mate[end[:-1]] = entry[1:]
    mate[end[-1]] = entry[0]
    mate[mate[end]] = end
    flat = costs.ravel()
    width = 2 * count
    link = flat[np.arange(0, width * width, width) + mate]

    def cost(p: NDArray[np.intp], q: NDArray[np.intp]) -> IntArray:
        found: IntArray = flat[p * width + q]
        return found

    spare = link[:, None] - near_costs
    which = np.flatnonzero(spare > 0)
    if len(which) == 0:
        return False
    a, c = which // near.shape[1], near.ravel()[which]
    spare_of = spare.ravel()[which]
    b, d = mate[a], mate[c]
    at_a, at_c = place[a], place[c]
    out_a, out_c = leaving[a], leaving[c]
    both = spare_of + link[c]
    gains = np.zeros((4, len(a)), np.int64)
    gains[0] = np.where(out_a == out_c, both - cost(b, d), 0)
    runs = _RUNS[: max(count - 3, 0)]
    if len(runs):
        way = np.where(out_a, -1, 1)
        last = at_a + way * (runs - 1)
        # The run must not wrap, nor hold c, nor lie between c and its mate already.
        whole = (last >= 0) & (last < count)
        end = entry[last % count] ^ (way > 0)
        free = whole & (way * (at_c - at_a) % count >= runs) & (d != a) & (d != end)
        gain = both + link[end] - cost(end, d) - cost(b, mate[end])
        gains[1 : len(runs) + 1] = np.where(free, gain, 0)
    kind = gains.argmax(axis=0)
    gain = gains.max(axis=0)
    good = np.flatnonzero(gain > 0)
    if len(good) == 0:
        return False
    # The best move of each node, then of all, cheapest first; ties by node.
    good = good[np.argsort(-gain[good], kind="stable")]
    taken = np.zeros(count, bool)
    applied = False
    seen: set[int] = set()
    for move in good.tolist():
        if a[move] in seen:
            continue
        seen.add(int(a[move]))
        i, j, run = int(at_a[move]), int(at_c[move]), int(kind[move])
        if run == 0:
            first, last_place = (i, j) if i < j else (j, i)
            if out_a[move]:
                first, last_place = first + 1, last_place + 1
            low, high = first - 1, last_place  # reverses first … last_place - 1
        else:
            first = i - run + 1 if out_a[move] else i
            gap = j if out_c[move] else (j - 1) % count
            low, high = min(first - 1, gap), max(first + run, gap + 1)
        if taken[max(low, 0) : high + 1].any() or taken[low % count] or taken[high % count]:
            continue
        taken[max(low, 0) : high + 1] = True
        taken[low % count] = taken[high % count] = True
        applied = True
        if run == 0:
            tour[first:last_place] = tour[first:last_place][::-1] ^ 1
            continue
        piece = tour[first : first + run].copy()
        if out_a[move] == out_c[move]:
            piece = piece[::-1] ^ 1
        if gap >= first + run:
            tour[first : gap + 1 - run] = tour[first + run : gap + 1].copy()
            tour[gap + 1 - run : gap + 1] = piece
        else:
            tour[gap + 1 + run : first + run] = tour[gap + 1 : first].copy()
            tour[gap + 1 : gap + 1 + run] = piece
    return applied


def _shaken(
    costs: IntArray, near: NDArray[np.intp], tour: IntArray, rounds: int, seed: int, sweeps: int
) -> IntArray:
    """Search with noise on the costs, then without it, and keep what is shorter.

    The noise of a link depends on its ends' exclusive or: symmetric, and cheap to look up.
    """
    node = np.arange(len(costs))
    pairs = node[:, None] ^ node
    size = int(pairs.max()) + 1
    state = (seed & 0xFFFFFFFF) or 0x9E3779B9
    best = tour
    shortest = _length(costs, tour)
    for _ in range(rounds):
        noise = np.empty(size, np.int32)
        for index in range(size):
            state ^= (state << 13) & 0xFFFFFFFF
            state ^= state >> 17
            state ^= (state << 5) & 0xFFFFFFFF
            noise[index] = state % _NOISE
        trial = _descended(costs + noise[pairs], near, best, sweeps)
        trial = _descended(costs, near, trial, sweeps, thorough=True)
        length = _length(costs, trial)
        if length < shortest:
            best, shortest = trial, length
    return best


def _length(costs: IntArray, tour: IntArray) -> int:
    return int(costs[tour ^ 1, np.roll(tour, -1)].sum(dtype=np.int64))


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
