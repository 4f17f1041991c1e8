# SPDX-License-Identifier: GPL-3.0-or-later
"""Simple placement: even spacing, dwells at corners, ramped blank moves, settling.

Kept as the yardstick for the planned placement, and for scanners whose limits nobody knows.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ..frame import Frame
from ..strokes import Strokes
from .placement import Clock, Route, limits_at, sample_clock, seam_holds
from .projector import ScannerProfile

__all__ = ["SpacingSettings", "count_points", "place_points", "spacing_at"]

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class SpacingSettings:
    """How points are set, in field units and samples.

    Attributes
    ----------
    spacing
        Largest distance between lit points.
    corner_dwell
        Extra points at a full reversal; less by the sine of half the turn.
    settle_before, settle_after
        Extra points at the start and the end of a lit piece.
    jump_acceleration, jump_speed
        Of the ramps of blank moves, per axis.
    dot_dwell
        Points of a beam dot.
    """

    spacing: float
    corner_dwell: float
    settle_before: int
    settle_after: int
    jump_acceleration: float
    jump_speed: float
    dot_dwell: int


def spacing_at(profile: ScannerProfile, stress: float) -> SpacingSettings:
    """Return the settings of a profile at a stress from 0 to 1; the points fall with it."""
    limits = limits_at(profile, stress)
    return SpacingSettings(
        spacing=limits.speed,
        corner_dwell=6.0 - 2.0 * stress,
        settle_before=math.ceil(limits.settle_before),
        settle_after=math.ceil(limits.settle_after),
        jump_acceleration=limits.jump_acceleration,
        jump_speed=limits.jump_speed,
        dot_dwell=math.ceil(limits.dot_dwell),
    )


def _counts(
    route: Route, settings: SpacingSettings, light_lag: tuple[float, float, float]
) -> tuple[IntArray, IntArray]:
    """Points at each vertex, and points between it and the next one."""
    extent = route.length * route.span
    reach = settings.jump_speed**2 / settings.jump_acceleration
    slow = np.minimum(extent, reach)
    jump_time = 2.0 * np.sqrt(slow / settings.jump_acceleration)
    jump_time += (extent - slow) / settings.jump_speed
    pieces = np.where(route.lit, route.length / settings.spacing, jump_time)
    between = np.maximum(np.ceil(pieces - 1e-9).astype(np.int64) - 1, 0)
    between[route.length <= 0.0] = 0
    at = np.ones(len(route.xy), np.int64)
    at += np.rint(settings.corner_dwell * route.half_turn).astype(np.int64)
    begins_lit = np.zeros(len(at), bool)
    begins_lit[1:] = route.ends_jump[:-1]
    at[begins_lit] += settings.settle_before
    at[route.ends_lit] += settings.settle_after
    at[route.dot] = settings.dot_dwell + settings.settle_before
    # The ends of a blank move are points of the pieces it joins.
    at[route.ends_jump] = 0
    begins_jump = np.roll(route.ends_jump, -1)
    at[begins_jump] = 0
    seam_begin, seam_end = seam_holds(light_lag)
    at[0] = max(1, math.ceil(seam_begin))
    at[route.home] = math.ceil(seam_end)
    return at, between


def count_points(
    route: Route, settings: SpacingSettings, light_lag: tuple[float, float, float]
) -> int:
    """Return the number of points of a route."""
    at, between = _counts(route, settings, light_lag)
    return int(at.sum() + between.sum())


def place_points(
    route: Route, strokes: Strokes, profile: ScannerProfile, settings: SpacingSettings
) -> Frame:
    """Set the points of a route."""
    lag = profile.sampled.light_lag
    at, between = _counts(route, settings, lag)
    vertices = len(at)
    durations = np.zeros((vertices, 4))
    durations[:, 0] = at
    durations[:, 2] = between
    starts = np.zeros(4 * vertices + 1)
    np.cumsum(durations.ravel(), out=starts[1:])
    total = int(starts[-1])
    vertex = np.repeat(np.arange(vertices), at + between)
    first = np.repeat(np.cumsum(at + between) - (at + between), at + between)
    rank = np.maximum(np.arange(total) - first - at[vertex] + 1, 0)
    share = rank / (between[vertex] + 1)
    ramp = np.where(share < 0.5, 2.0 * share**2, 1.0 - 2.0 * (1.0 - share) ** 2)
    share = np.where(route.lit[vertex], share, ramp)
    step = route.direction[vertex] * (route.length[vertex] * share)[:, None]
    zeros = np.zeros(vertices)
    clock = Clock(
        route=route,
        durations=durations,
        starts=starts[:-1],
        total=float(total),
        half_blend=zeros,
        speed_in=zeros,
        speed_out=zeros,
        peak=zeros,
        rate=zeros,
    )
    return sample_clock(clock, strokes, profile, total, route.xy[vertex] + step)
