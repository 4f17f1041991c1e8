# SPDX-License-Identifier: GPL-3.0-or-later
"""Which samples of a frame would shine into an area: commanded, on the way, or as scanned."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from ..frame import Frame
from ..points.projector import ScannerProfile
from .beam import BeamPaths, beam_paths, settling_samples, step_reach
from .limits import FULL_WINDOW, SafetyLimits
from .zones import hulls_touch, paths_near, widened

__all__ = ["light_window", "reached_areas"]

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]
Reached = dict[str | None, BoolArray]

EDGE_TOLERANCE = 1e-9
RESIDUAL_LIGHT = 0.01


def reached_areas(
    frame: Frame,
    lit: BoolArray,
    limits: SafetyLimits,
    profile: ScannerProfile,
    previous: Frame | None = None,
) -> Reached | None:
    """Tell for each area which lit samples reach it or its margin.

    Parameters
    ----------
    frame
        Positions within the field.
    lit : (n,) bool
        Samples that carry light.
    limits, profile, previous
        As for `guard`.

    Returns
    -------
    dict of (n,) bool by the keep-out's name, None standing for the outside of the window;
    or None if the profile cannot be simulated, so that nothing is known.
    """
    rate = frame.point_rate_hz
    reached: Reached = {}
    # Some of a hostile profile's numbers overflow on the way; they end as "nothing known".
    try:
        beams = _beams(frame.xy, rate, limits, profile)
        parts = [_reached_in_loop(frame.xy, beams, lit, rate, limits, profile)]
        if previous is not None and beams is not None:
            parts.append(_reached_on_exit(frame, beams, lit, limits, profile))
            parts.append(_reached_on_entry(previous, frame, lit, limits, profile))
    except (OverflowError, ZeroDivisionError):
        return None
    for part in parts:
        if part is None:
            return None
        for name, mask in part.items():
            reached[name] = reached[name] | mask if name in reached else mask
    return reached


def light_window(profile: ScannerProfile, point_rate_hz: float) -> tuple[int, int]:
    """Return the first and last interval, relative to a sample, in which its light shines.

    Interval `k` is the time in which sample `k` is commanded. The light starts with the
    quickest colour's delay and counts until the slowest has fallen to 1 % through the
    laser's rise time.
    """
    delays = np.asarray(profile.colour_delay_us, np.float64) * 1e-6 * point_rate_hz
    tail = max(0.0, profile.rise_us) * 1e-6 * point_rate_hz * math.log(1.0 / RESIDUAL_LIGHT)
    first = math.floor(float(np.min(delays)) + 1e-9)
    last = math.ceil(1.0 + float(np.max(delays)) + tail - 1e-9) - 1
    return first, max(first, last)


def _beams(
    xy: FloatArray, rate: float, limits: SafetyLimits, profile: ScannerProfile
) -> BeamPaths | None:
    return beam_paths(xy, rate, profile, limits.frequency_spread, limits.margin_field / 2.0)


def _reached_in_loop(
    xy: FloatArray,
    beams: BeamPaths | None,
    lit: BoolArray,
    rate: float,
    limits: SafetyLimits,
    profile: ScannerProfile,
) -> Reached | None:
    """For each area, tell which lit samples of a loop reach it; None if nothing is known."""
    if beams is None:
        return None
    count = len(xy)
    first, last = light_window(profile, rate)
    last = min(last, first + count - 1)
    shining = _smeared(lit, first, last)
    if not shining.any():
        return {}
    # Scanners of any frequency within the spread are somewhere in the hull of the paths of
    # three: one hull for each interval, and one more for saturated scanners.
    rows = np.flatnonzero(shining)
    paths = beams.paths
    kinds = len(paths) // 3
    size = 3 * paths.shape[1]
    points = np.take(paths, rows, axis=-1).reshape(kinds, size, 2, len(rows))
    hulls = np.moveaxis(points, 0, 2).reshape(size, 2, kinds * len(rows))
    reach = beams.reach[:, rows].ravel()
    moves = np.stack([np.roll(xy, 1, axis=0)[lit].T, xy[lit].T])

    def intervals(hits: BoolArray) -> BoolArray:
        scanned = np.zeros(count, bool)
        scanned[rows] = hits.reshape(kinds, len(rows)).any(axis=0)
        return _smeared(scanned, -last, -first)

    reached: Reached = {}
    for zone in limits.zones:
        area = widened(zone, limits.margin_field)
        hit = intervals(hulls_touch(area, hulls, reach))
        hit[lit] |= hulls_touch(area, moves)
        reached[zone.name] = reached[zone.name] | hit if zone.name in reached else hit
    if limits.window != FULL_WINDOW:
        low, high = hulls.min(axis=0), hulls.max(axis=0)
        out = np.zeros(hulls.shape[2], bool)
        for axis in (0, 1):
            bottom, top = limits.window[axis], limits.window[axis + 2]
            # An edge of the field itself is the scanner's own limit: overshoot is let be.
            if bottom > -1.0:
                out |= low[axis] - reach < bottom - EDGE_TOLERANCE
            if top < 1.0:
                out |= high[axis] + reach > top + EDGE_TOLERANCE
        reached[None] = intervals(out)
    return reached


def _smeared(mask: BoolArray, first: int, last: int) -> BoolArray:
    """Spread a mask over a loop: entry k sets the entries k + first … k + last."""
    count = len(mask)
    width = last - first + 1
    if width >= count:
        return np.full(count, bool(mask.any()))
    total = np.concatenate([[0], np.cumsum(np.concatenate([mask, mask]))])
    # Entry j is set if any of the entries j - last … j - first is.
    start = (np.arange(count) - last) % count
    result: BoolArray = total[start + width] > total[start]
    return result


def _reached_on_entry(
    previous: Frame, frame: Frame, lit: BoolArray, limits: SafetyLimits, profile: ScannerProfile
) -> Reached | None:
    """Check the first samples of a frame as the beam arrives from the previous one."""
    rate = frame.point_rate_hz
    length = settling_samples(profile, rate, limits.frequency_spread)
    if length is None:
        return None
    run_up = np.resize(np.asarray(previous.xy, np.float64)[::-1], (length, 2))[::-1]
    rows = np.arange(length) % len(frame)
    chain = np.clip(np.vstack([run_up, frame.xy[rows]]), -1.0, 1.0)
    chain_lit = np.concatenate([np.zeros(length, bool), lit[rows]])
    beams = _beams(chain, rate, limits, profile)
    found = _reached_in_loop(chain, beams, chain_lit, rate, limits, profile)
    if found is None:
        return None
    # The chain is a loop only for the simulation: what would shine over its end is left out
    # here, the frame's own loop has it.
    _, last = light_window(profile, rate)
    whole = np.arange(length) < length - max(0, last)
    result: Reached = {}
    for name, mask in found.items():
        entry = np.zeros(len(frame), bool)
        np.logical_or.at(entry, rows, mask[length:] & whole)
        result[name] = entry
    return result


def _reached_on_exit(
    frame: Frame,
    beams: BeamPaths,
    lit: BoolArray,
    limits: SafetyLimits,
    profile: ScannerProfile,
) -> Reached:
    """Check light that outlives a frame, whatever frame follows.

    Any command within the field moves the beam off its looped path by no more than the
    step response allows; a sample is dark if an area lies within that reach.
    """
    count = len(frame)
    rate = frame.point_rate_hz
    _, last = light_window(profile, rate)
    result: Reached = {}
    outliving = [k for k in range(max(0, count - last), count) if lit[k]]
    if not outliving:
        return result
    for k in outliving:
        intervals = k + last - count + 1
        rows = np.arange(intervals) % count
        share = step_reach(profile, rate, limits.frequency_spread, intervals)
        reach = share * float(np.hypot(*(1.0 + np.abs(frame.xy[rows]).max(axis=0))))
        # Scanners between the three frequencies run between their paths.
        ends = beams.paths[..., rows]
        apart = np.abs(ends - ends[:1])
        reach += float(beams.reach[:, rows].max())
        reach += float(np.hypot(*np.moveaxis(apart, 2, 0)).max())
        # (m, 2, k): the paths of all frequencies over those intervals, end to end.
        path = np.moveaxis(ends, (0, 3, 1), (3, 0, 1)).reshape(-1, 2, len(ends))
        names: list[tuple[str | None, BoolArray]] = [
            (zone.name, paths_near(widened(zone, limits.margin_field), path, reach))
            for zone in limits.zones
        ]
        if limits.window != FULL_WINDOW:
            edges = np.asarray(limits.window)
            low, high = edges[:2] > -1.0, edges[2:] < 1.0
            out = (low & (path.min(axis=(0, 2)) - reach < edges[:2])) | (
                high & (path.max(axis=(0, 2)) + reach > edges[2:])
            )
            names.append((None, out))
        for name, near in names:
            mask = result.setdefault(name, np.zeros(count, bool))
            mask[k] |= bool(near.any())
    return result
