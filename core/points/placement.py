# SPDX-License-Identifier: GPL-3.0-or-later
"""Planned placement: the fastest motion along the strokes within limits of acceleration.

One clock runs over the whole frame. The route alternates blank moves and lit pieces and
ends at a dark hold, so that a frame starts and ends blanked at the same place.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ..frame import Frame
from ..kernels import clock_durations
from ..strokes import Strokes
from .projector import ScannerProfile

__all__ = [
    "JOIN_FIELD",
    "Clock",
    "MotionLimits",
    "Route",
    "Tour",
    "build_route",
    "effective_tolerance",
    "fed_forward",
    "limits_at",
    "run_clock",
    "sample_clock",
    "seam_holds",
]

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int32]
BoolArray = NDArray[np.bool_]

JOIN_FIELD = 1e-4
"""Stroke ends nearer than this (per axis, field units) are joined without blanking."""

_REFERENCE_FREQUENCY = 2.0 * math.pi * 2500.0 / 30000.0
_REFERENCE_TOLERANCE = 0.004
_HEADROOM = 0.9  # a bang-bang reversal overshoots its acceleration by twice the loop's 4 %
_SHORTEST_LIT = 2.0  # samples: a shorter piece may fall between two samples

# Tracking error in units of acceleration / W²: 99th percentile on lettering and meshes near
# 0.7, elsewhere in proportion to the peak after a step of acceleration.
_KAPPA_DAMPING = (0.2, 0.3, 0.4, 0.5, 0.6, 0.65, 0.75, 0.85, 1.0, 1.2, 3.0)
_KAPPA = (1.06, 0.78, 0.59, 0.41, 0.217, 0.167, 0.167, 0.283, 0.70, 1.31, 11.7)
# Few points come from hard lit motion, little cutting of corners and calm blank moves, which
# need less settling: measured on the model at equal error (99th percentile and worst), also
# for scanners 7 % slower or faster than their profile.
_BLEND_SHARE = 0.175
_JUMP_ACCELERATION = 0.012  # at the reference frequency and tolerance
_JUMP_POWER = 0.9  # of the tolerance
# Error (99th percentile) over the tolerance at stress 0, ½ and 1: the largest found on the model
# with lettering and meshes, the same for all ratings and angles.
_ERROR_DAMPING = (0.4, 0.5, 0.6, 0.65, 0.71, 0.75, 0.85, 1.0, 1.2)
_ERROR_RELAXED = (5.8, 4.0, 2.6, 2.06, 1.8, 1.9, 1.75, 2.05, 3.4)
_ERROR_MIDDLE = (4.1, 2.75, 2.3, 2.0, 2.1, 2.2, 1.8, 1.95, 2.6)
_ERROR_COARSE = (3.3, 2.2, 1.95, 1.95, 2.0, 2.05, 1.65, 1.6, 2.0)
_FED_FORWARD_GAIN = 2.0  # acceleration for the same error when the lag is inverted


@dataclass(frozen=True, slots=True)
class MotionLimits:
    """Limits of one frame's motion, in field units and samples.

    Attributes
    ----------
    acceleration, jump_acceleration
        Per axis, lit and blank.
    speed
        Along lit strokes.
    jump_speed
        Per axis.
    blend
        Largest distance between a corner and the path that rounds it.
    settle_before, settle_after
        Rest before and after a lit piece.
    dot_dwell
        Time spent on a beam dot.
    tolerance
        What these limits are made for: rounding and tracking together stay near it.
    """

    acceleration: float
    jump_acceleration: float
    speed: float
    jump_speed: float
    blend: float
    settle_before: float
    settle_after: float
    dot_dwell: float
    tolerance: float


def limits_at(profile: ScannerProfile, stress: float, feed_forward: bool = False) -> MotionLimits:
    """Return the motion limits of a profile at a stress from 0 (relaxed) to 1 (coarse).

    All limits rise with stress and all holds fall, so the time of a frame falls.

    Notes
    -----
    The tolerance X grows as ``4**stress``. After its lag a second-order loop misses by
    ``kappa a / W²``, so ``a = X W² / kappa``. Speeds follow X with the power that makes them
    grow as ``2.5**stress``, blank moves a little less than in proportion; both scale with the
    loop's frequency.
    """
    sampled = profile.sampled
    frequency = sampled.natural_frequency
    tolerance = profile.tolerance_field * 4.0**stress
    kappa = float(np.interp(sampled.damping, _KAPPA_DAMPING, _KAPPA))
    ratio = frequency / _REFERENCE_FREQUENCY
    widening = tolerance / _REFERENCE_TOLERANCE
    growth = widening ** (math.log(2.5) / math.log(4.0))
    most = _HEADROOM * sampled.acceleration_max
    fastest = _HEADROOM * sampled.speed_max
    settle = 1.0 if profile.settle else 0.0
    gain = _FED_FORWARD_GAIN if feed_forward else 1.0
    return MotionLimits(
        acceleration=min(gain * tolerance * frequency**2 / kappa, most),
        jump_acceleration=min(_JUMP_ACCELERATION * ratio**2 * widening**_JUMP_POWER, most),
        speed=min(0.05 * ratio * growth, fastest),
        jump_speed=fastest,
        blend=_BLEND_SHARE * tolerance,
        settle_before=settle * (2.1 - 1.4 * stress) / min(ratio, 1.0),
        settle_after=settle,
        dot_dwell=(5.0 - 2.0 * stress) / min(ratio, 1.0),
        tolerance=tolerance,
    )


def effective_tolerance(profile: ScannerProfile, stress: float) -> float:
    """Return the error (99th percentile, field units) to expect of the beam at a stress."""
    damping = profile.damping
    parts = [
        float(np.interp(damping, _ERROR_DAMPING, errors))
        for errors in (_ERROR_RELAXED, _ERROR_MIDDLE, _ERROR_COARSE)
    ]
    share = float(np.interp(stress, (0.0, 0.5, 1.0), parts))
    return share * limits_at(profile, stress).tolerance


@dataclass(frozen=True, eq=False)
class Tour:
    """Order and direction in which strokes are drawn; cyclic.

    Attributes
    ----------
    stroke : (k,) int32
        Index of the stroke drawn at each position.
    reverse : (k,) bool
        Drawn from its last point to its first.
    start : (k,) int32
        Vertex at which a closed stroke is entered; 0 for open strokes.
    """

    stroke: IntArray
    reverse: BoolArray
    start: IntArray

    def __len__(self) -> int:
        return len(self.stroke)

    def keep(self, kept: BoolArray) -> Tour:
        """Return the tour without the strokes whose entry in `kept` is False."""
        mask = kept[self.stroke]
        return Tour(self.stroke[mask], self.reverse[mask], self.start[mask])

    def rotated(self, first: int) -> Tour:
        """Return the same cyclic tour, beginning at position `first`."""
        return Tour(
            np.roll(self.stroke, -first), np.roll(self.reverse, -first), np.roll(self.start, -first)
        )


@dataclass(frozen=True, eq=False)
class Route:
    """Vertices of blank moves and lit pieces in the order of drawing, and their geometry.

    A blank move is a piece of two vertices, a beam dot or a hold a piece of one.

    Attributes
    ----------
    xy : (n, 2)
    direction : (n, 2)
        Unit direction of the segment that leaves each vertex; 0 at the end of a piece.
    length, span : (n,)
        Of that segment, and the larger |component| of its direction (1 where there is none).
    lit : (n,) bool
        The vertex belongs to a lit piece.
    stroke : (n,) int32
        Stroke of the segment that leaves the vertex (at the end of a piece: that arrives);
        -1 on blank moves.
    entry : (n,) bool
        First vertex of a stroke.
    ends_lit, ends_jump, dot, home : (n,) bool
        Last vertex of a lit piece, of a blank move; the vertex of a beam dot; the last vertex.
    inner : (n,) bool
        Neither first nor last in its piece.
    blend_room, half_turn : (n,)
    arriving : (n, 2)
        Corner geometry, see `clock_durations`; `arriving` is the direction before the vertex.
    piece : (n,) int32
        Number of the lit piece; -1 on blank moves.
    """

    xy: FloatArray
    direction: FloatArray
    length: FloatArray
    span: FloatArray
    lit: BoolArray
    stroke: IntArray
    entry: BoolArray
    ends_lit: BoolArray
    ends_jump: BoolArray
    dot: BoolArray
    home: BoolArray
    inner: BoolArray
    blend_room: FloatArray
    half_turn: FloatArray
    arriving: FloatArray
    piece: IntArray


def _tour_vertices(strokes: Strokes, tour: Tour) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Point index and tour position of all vertices in the order of drawing."""
    counts = strokes.counts[tour.stroke]
    total = int(counts.sum())
    ends = np.cumsum(counts)
    position = np.repeat(np.arange(len(tour)), counts)
    local = np.arange(total) - np.repeat(ends - counts, counts)
    count = counts[position]
    closed = strokes.closed[tour.stroke][position]
    reverse = tour.reverse[position]
    ring = np.maximum(count - 1, 1)
    around = (tour.start[position] + np.where(reverse, -local, local)) % ring
    straight = np.where(reverse, count - 1 - local, local)
    return strokes.offsets[tour.stroke][position] + np.where(closed, around, straight), position


def build_route(strokes: Strokes, tour: Tour, join_field: float = JOIN_FIELD) -> Route:
    """Lay out the whole frame: blank move, lit piece, blank move … and a dark hold at the end.

    Consecutive strokes whose ends lie within `join_field` become one lit piece. The first
    blank move starts where the last piece ends, so the frame is a loop.

    Parameters
    ----------
    strokes
        Without repeated points (see `simplify`).
    tour
        At least one stroke.
    """
    index, position = _tour_vertices(strokes, tour)
    xy = strokes.points[index]
    entry = np.ones(len(xy), bool)
    entry[1:] = position[1:] != position[:-1]
    gap = np.zeros(len(xy))
    gap[1:] = np.abs(np.diff(xy, axis=0)).max(axis=1)
    dot_stroke = (strokes.counts == 1)[tour.stroke]
    is_dot = dot_stroke[position]
    beside_dot = is_dot.copy()
    beside_dot[1:] |= is_dot[:-1]
    joined = entry & (gap < join_field) & ~beside_dot
    joined[0] = False
    # The doubled vertex at a join goes; the stroke that follows begins at the one that stays.
    keep = ~joined
    begins = entry & ~joined
    stroke = tour.stroke[position].astype(np.int32)
    entry_kept = entry.copy()
    before_join = np.flatnonzero(joined) - 1
    stroke[before_join] = stroke[before_join + 1]
    entry_kept[before_join] = True
    piece_all = np.cumsum(begins) - 1
    xy, stroke, entry_kept, piece = xy[keep], stroke[keep], entry_kept[keep], piece_all[keep]
    lit_dot = is_dot[keep]
    first = np.ones(len(xy), bool)
    first[1:] = piece[1:] != piece[:-1]
    last = np.roll(first, -1)
    pieces = int(piece[-1]) + 1

    count = len(xy) + 2 * pieces + 1
    where = np.arange(len(xy)) + 2 * (piece + 1)
    starts = where[first]
    full = np.empty((count, 2))
    full[where] = xy
    full[starts - 1] = xy[first]
    full[starts - 2] = np.roll(xy[last], 1, axis=0)
    full[-1] = xy[-1]

    def spread(values: NDArray[np.bool_]) -> BoolArray:
        result = np.zeros(count, bool)
        result[where] = values
        return result

    lit = spread(np.ones(len(xy), bool))
    ends_jump = np.zeros(count, bool)
    ends_jump[starts - 1] = True
    home = np.zeros(count, bool)
    home[-1] = True
    first_full, last_full = spread(first), spread(last)
    begins_piece = first_full | home
    begins_piece[starts - 2] = True
    ends_piece = last_full | ends_jump | home
    stroke_full = np.full(count, -1, np.int32)
    stroke_full[where] = stroke
    piece_full = np.full(count, -1, np.int32)
    piece_full[where] = piece

    step = np.zeros((count, 2))
    step[:-1] = np.diff(full, axis=0)
    step[ends_piece] = 0.0
    length = np.hypot(step[:, 0], step[:, 1])
    direction = step / np.where(length > 0.0, length, 1.0)[:, None]
    span = np.abs(direction).max(axis=1)
    span[length == 0.0] = 1.0
    inner = ~(begins_piece | ends_piece)
    arriving = np.roll(direction, 1, axis=0)
    turn = np.where(inner[:, None], direction - arriving, 0.0)
    return Route(
        xy=full,
        direction=direction,
        length=length,
        span=span,
        lit=lit,
        stroke=stroke_full,
        entry=spread(entry_kept),
        ends_lit=last_full,
        ends_jump=ends_jump,
        dot=spread(lit_dot),
        home=home,
        inner=inner,
        blend_room=np.where(inner, 0.5 * np.minimum(length, np.roll(length, 1)), 0.0),
        half_turn=0.5 * np.hypot(turn[:, 0], turn[:, 1]),
        arriving=arriving,
        piece=piece_full,
    )


@dataclass(frozen=True, eq=False)
class Clock:
    """Timed route: four slots a vertex (blend or hold, acceleration, cruise, braking).

    Attributes
    ----------
    starts : (4 n,)
        Time at which each slot begins.
    total
        Duration of the loop in samples.
    """

    route: Route
    durations: FloatArray
    starts: FloatArray
    total: float
    half_blend: FloatArray
    speed_in: FloatArray
    speed_out: FloatArray
    peak: FloatArray
    rate: FloatArray


def seam_holds(light_lag: tuple[float, float, float]) -> tuple[float, float]:
    """Dark rest at the begin and the end of a frame that keeps its first and last sample dark.

    Light is given `light_lag` samples after its position, so the tail of the last stroke
    still shines into the seam.
    """
    return max(0.0, -min(light_lag)), max(0.0, *light_lag) + 1.0 + 1e-6


def fed_forward(xy: FloatArray, natural_frequency: float, damping: float) -> FloatArray:
    """Return commands that make the beam follow a looped plan without lag.

    ``command = y + (2 z / W) y' + y'' / W²``, by central differences, kept inside the field:
    where that cuts a command short, the beam falls short of its stroke for a moment.
    """
    before, after = np.roll(xy, 1, axis=0), np.roll(xy, -1, axis=0)
    lead = damping / natural_frequency * (after - before)
    lead += (after - 2.0 * xy + before) / natural_frequency**2
    return np.clip(xy + lead, -1.0, 1.0)


def run_clock(
    route: Route,
    limits: MotionLimits,
    light_lag: tuple[float, float, float],
    mirror_lag: float | None = None,
) -> Clock:
    """Time a route under limits; its `total` is the least number of samples, not yet whole.

    `mirror_lag` is given for feed-forward, which makes up for it: the dark rest at the seam
    then reaches over the differences that are taken there.
    """
    count = len(route.xy)
    acceleration = np.where(route.lit, limits.acceleration, limits.jump_acceleration)
    rate = acceleration / route.span
    speed = np.where(route.lit, limits.speed, limits.jump_speed / route.span)
    seam_begin, seam_end = seam_holds(light_lag)
    if mirror_lag is not None:
        red, green, blue = (lag - mirror_lag for lag in light_lag)
        seam_begin = max(seam_begin, seam_holds((red, green, blue))[0], 2.0)
        seam_end = max(seam_end, 3.0)
    hold = np.zeros(count)
    hold[route.ends_lit] = limits.settle_after
    hold[route.ends_jump] = limits.settle_before
    hold[route.dot] = limits.dot_dwell
    hold[route.home] = seam_end
    hold[0] = seam_begin
    durations, half_blend, speed_in, speed_out, peak = clock_durations(
        route.length,
        route.blend_room,
        route.half_turn,
        route.arriving,
        route.direction,
        route.inner,
        acceleration,
        rate,
        speed,
        limits.blend,
        hold,
    )
    lit_time = np.bincount(route.piece[route.lit], weights=durations[route.lit].sum(axis=1))
    missing = np.maximum(_SHORTEST_LIT - lit_time, 0.0)
    durations[route.ends_lit, 0] += missing
    starts = np.zeros(4 * count + 1)
    np.cumsum(durations.ravel(), out=starts[1:])
    return Clock(
        route=route,
        durations=durations,
        starts=starts[:-1],
        total=float(starts[-1]),
        half_blend=half_blend,
        speed_in=speed_in,
        speed_out=speed_out,
        peak=peak,
        rate=rate,
    )


def position_at(clock: Clock, time: FloatArray) -> FloatArray:
    """Commanded position at times within the loop, (m, 2)."""
    slot = np.searchsorted(clock.starts, time, side="right") - 1
    vertex, kind = slot // 4, slot % 4
    since = time - clock.starts[slot]
    route = clock.route
    room = clock.half_blend[vertex]
    v_in, v_out = clock.speed_in[vertex], clock.speed_out[vertex]
    peak, rate = clock.peak[vertex], clock.rate[vertex]
    duration = clock.durations[vertex]
    direction = route.direction[vertex]
    # Blend: path parameter from its begin.
    blend_time = np.where(duration[:, 0] > 0.0, duration[:, 0], 1.0)
    along = v_in * since + 0.5 * (v_out - v_in) / blend_time * since * since
    u = along / np.where(room > 0.0, 2.0 * room, 1.0)
    arriving = route.arriving[vertex]
    offset_in = np.where((kind == 0) & (room > 0.0), -room * (1.0 - u) ** 2, 0.0)
    offset_out = np.where((kind == 0) & (room > 0.0), room * u * u, 0.0)
    climb = room + v_out * duration[:, 1] + 0.5 * rate * duration[:, 1] ** 2
    cruise = climb + peak * duration[:, 2]
    offset_out = np.where(kind == 1, room + v_out * since + 0.5 * rate * since * since, offset_out)
    offset_out = np.where(kind == 2, climb + peak * since, offset_out)
    offset_out = np.where(kind == 3, cruise + peak * since - 0.5 * rate * since * since, offset_out)
    result: FloatArray = (
        route.xy[vertex] + offset_in[:, None] * arriving + offset_out[:, None] * direction
    )
    return result


def sample_clock(
    clock: Clock,
    strokes: Strokes,
    profile: ScannerProfile,
    count: int,
    xy: FloatArray | None = None,
    feed_forward: bool = False,
) -> Frame:
    """Sample a clock into a frame of `count` samples.

    Parameters
    ----------
    clock, strokes, profile
    count
        At least the clock's total; more samples draw everything slower.
    xy : (count, 2) or None
        Positions, where they are not the clock's own motion.
    feed_forward
        Command the inverse of the mirrors' response (see `fed_forward`); the clock must have
        been run with the holds for it.

    Notes
    -----
    A sample is charged (`Frame.object_index`) to the object of the stroke it serves: a stroke
    pays for itself and for half of the hold, blank move and hold on either side; a corner
    between joined strokes goes to the later one.
    """
    step = clock.total / count
    time: FloatArray = np.arange(count, dtype=np.float64) * step
    route = clock.route
    if xy is None:
        xy = position_at(clock, time)
    xy = np.clip(xy, -1.0, 1.0)
    units = profile.sampled
    caught_up = 0.0  # samples of the mirrors' lag that are made up for
    if feed_forward:
        xy = fed_forward(xy, units.natural_frequency, units.damping)
        caught_up = units.mirror_lag
    rgb = np.zeros((count, 3))
    stroke = np.full(count, -1, np.int32)
    floor = profile.minimum_level
    levels = np.where(strokes.colour > 0.0, floor + (1.0 - floor) * strokes.colour, 0.0)
    levels = np.concatenate([levels, np.zeros((1, 3))])  # of stroke -1: dark
    drawn_at: dict[float, IntArray] = {}
    for channel, lag in enumerate(late - caught_up for late in units.light_lag):
        if lag not in drawn_at:
            then = np.mod(time - lag * step, clock.total)
            vertex = (np.searchsorted(clock.starts, then, side="right") - 1) // 4
            drawn_at[lag] = route.stroke[vertex]
        rgb[:, channel] = levels[drawn_at[lag], channel]
    for lag in reversed(drawn_at):
        same = [late - caught_up == lag for late in units.light_lag]
        shines = np.any(rgb[:, same] > 0.0, axis=1)
        stroke = np.where(shines, drawn_at[lag], stroke)
    rgb[[0, -1]] = 0.0
    blanked = ~np.any(rgb > 0.0, axis=1)
    stroke[blanked] = -1
    return Frame(
        xy=xy,
        rgb=rgb,
        blanked=blanked,
        stroke=stroke.astype(np.int32),
        object_index=strokes.object_index[_charged(clock, time)],
        point_rate_hz=profile.point_rate_hz,
    )


def _charged(clock: Clock, time: FloatArray) -> IntArray:
    route = clock.route
    entries = np.flatnonzero(route.entry)
    begin = clock.starts[4 * entries]
    first = route.ends_jump[entries - 1]  # a stroke that a blank move leads to
    lasts = np.flatnonzero(route.ends_lit)
    # A stroke ends where its last motion ends; a dot has none, it ends with its hold.
    end = clock.starts[4 * lasts] + np.where(route.dot[lasts], clock.durations[lasts, 0], 0.0)
    start = begin[first]
    bounds = begin.copy()
    middle = 0.5 * (start + np.roll(end, 1))
    middle[0] = 0.5 * (start[0] + end[-1] - clock.total)  # may lie before the frame's begin
    bounds[first] = middle
    owner = route.stroke[entries]
    late = np.mod(time - bounds[0], clock.total)
    which = np.searchsorted(bounds - bounds[0], late, side="right") - 1
    result: IntArray = owner[which].astype(np.int32)
    return result
