# SPDX-License-Identifier: GPL-3.0-or-later
"""The worst spot of a scanned picture: where and how much an eye would be exposed."""

from __future__ import annotations

import functools
import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ..frame import Frame
from ..points.projector import ScannerProfile
from .beam import beam_paths
from .exposure import (
    APERTURE_M,
    APERTURE_M2,
    AVERSION_S,
    Edition,
    beam_fraction_table,
    exposure_limit_j_m2,
    pulse_train_factor,
)
from .laser import LaserSource

__all__ = ["WorstSpot", "exposure_check", "worst_spot"]

FloatArray = NDArray[np.float64]

CANDIDATES = 48
PASS_FLOOR = 0.01


@dataclass(frozen=True, slots=True)
class WorstSpot:
    """Where and how much the eye would get at a frame's worst place.

    Attributes
    ----------
    x, y
        In the projector's field.
    ratio
        Exposure over its limit; above 1 is over the limit.
    rule
        The rule that governs: one pass, the train of passes, or the sum over 0.25 s.
    passes_per_frame
        How often the beam passes in one frame.
    energy_j
        Through the 7 mm aperture in the strongest pass.
    pass_s
        Effective length of that pass.
    """

    x: float
    y: float
    ratio: float
    rule: str
    passes_per_frame: int
    energy_j: float
    pass_s: float


def worst_spot(
    frame: Frame,
    source: LaserSource,
    profile: ScannerProfile,
    distance_m: float | None,
    *,
    edition: Edition = Edition.GENERATION_2006,
    exposure_s: float = AVERSION_S,
) -> WorstSpot | None:
    """Find the place of a repeated frame where an eye would be exposed most.

    The simulated beam is followed over candidate places, those around which most light
    gathers. Each pass counts with its whole energy and with the length it has on the axis,
    which is shorter than in the aperture and so the stricter. All passes within the
    exposure count as strong as the strongest.

    Parameters
    ----------
    frame
        Drawn as a loop for the whole exposure.
    source, profile, distance_m
        The light, the scanners, and the distance from the projector.
    edition
        Of the limits.
    exposure_s
        0.25 s, the aversion time for visible light, unless somebody has reason to look on.

    Returns
    -------
    WorstSpot or None
        None if an input is unknown or doubtful, or the beam cannot be simulated. A frame
        without light gives a ratio of 0.
    """
    if source.doubt or distance_m is None or not math.isfinite(distance_m) or distance_m < 0.1:
        return None
    if not (math.isfinite(exposure_s) and AVERSION_S <= exposure_s < 10.0):
        return None
    if not (
        len(frame)
        and np.isfinite(frame.xy).all()
        and np.isfinite(frame.rgb).all()
        and math.isfinite(frame.point_rate_hz)
        and frame.point_rate_hz > 0.0
    ):
        return None
    powers = np.where(frame.blanked, 0.0, frame.rgb @ np.array(source.power_w, np.float64))
    if not powers.any():
        return WorstSpot(0.0, 0.0, 0.0, "no light", 0, 0.0, 0.0)
    beams = beam_paths(frame.xy, frame.point_rate_hz, profile, 0.0, 0.002)
    if beams is None:
        return None
    # Middle of each piece of the nominal path: metres at the distance, joules, seconds.
    path = beams.paths[0]
    pieces = len(path) - 1
    field = np.moveaxis(0.5 * (path[:-1] + path[1:]), (2, 0), (0, 1)).reshape(-1, 2)
    scale = math.radians(profile.field_deg / 2.0) * distance_m
    place = field * scale
    power = np.repeat(powers, pieces)
    step_s = 1.0 / (frame.point_rate_hz * pieces)
    radius = source.diameter_at_m(distance_m) / math.sqrt(2.0)

    reach = APERTURE_M / 2.0 + 2.0 * radius
    table_d, table_f = _fractions(radius, reach)

    def exposed(centre: int) -> WorstSpot | None:
        offset = np.hypot(*(place - place[centre]).T)
        received = power * np.interp(offset, table_d, table_f, right=0.0)
        axis = np.where(power > 0.0, np.exp(-2.0 * (offset / radius) ** 2), 0.0)
        spot = _exposure(received, axis, step_s, frame, edition, exposure_s)
        if spot is None:
            return None
        x, y = field[centre]
        return WorstSpot(float(x), float(y), *spot)

    # First one place in each of the brightest cells, then all over the worst of them.
    lit = np.flatnonzero(power > 0.0)
    cell = max(APERTURE_M / 2.0, radius)
    spots = {centre: exposed(centre) for centre in _bright_places(place, power, cell)}
    first = max((spot for spot in spots.values() if spot), key=_ratio, default=None)
    if first is None:
        return None
    near = lit[np.hypot(*(field[lit] - (first.x, first.y)).T) * scale <= cell]
    for centre in near[:: max(1, len(near) // CANDIDATES)].tolist():
        spots.setdefault(centre, exposed(centre))
    if any(spot is None for spot in spots.values()):
        return None
    return max((spot for spot in spots.values() if spot), key=_ratio)


def _ratio(spot: WorstSpot) -> float:
    return spot.ratio


@functools.lru_cache(maxsize=16)
def _fractions(radius: float, reach: float) -> tuple[FloatArray, FloatArray]:
    """Share of the beam through the eye's aperture by offset; the same for a whole show."""
    offsets = np.linspace(0.0, reach, 200)
    return offsets, beam_fraction_table(radius, offsets)


def _bright_places(place: FloatArray, power: FloatArray, cell: float) -> Sequence[int]:
    """Return indices of lit pieces in the cells around which most light gathers."""
    lit = np.flatnonzero(power > 0.0)
    corner = np.floor((place[lit] - place[lit].min(axis=0)) / cell).astype(np.int64)
    width = int(np.max(corner[:, 0])) + 3
    key = (corner[:, 1] + 1) * width + corner[:, 0] + 1
    cells, first = np.unique(key, return_index=True)
    light = np.bincount(np.searchsorted(cells, key), power[lit], len(cells))
    around = np.zeros(len(cells))
    for step in (-width - 1, -width, -width + 1, -1, 0, 1, width - 1, width, width + 1):
        found = np.searchsorted(cells, cells + step)
        found = np.minimum(found, len(cells) - 1)
        around += np.where(cells[found] == cells + step, light[found], 0.0)
    best = np.argsort(-around, kind="stable")[:CANDIDATES]
    return [int(lit[first[index]]) for index in best]


def _exposure(
    received_w: FloatArray,
    axis: FloatArray,
    step_s: float,
    frame: Frame,
    edition: Edition,
    exposure_s: float,
) -> tuple[float, str, int, float, float] | None:
    """Return ratio, rule, passes a frame, energy and length of the strongest pass."""
    floor = PASS_FLOOR * float(np.max(received_w))
    active = received_w > floor
    if active.all():
        starts = np.array([0])
        labels = np.zeros(len(active), np.int64)
        passes = 1
    else:
        # Begin the loop in a gap, so that no pass lies across its end.
        shift = int(np.flatnonzero(~active)[0])
        active = np.roll(active, -shift)
        received_w, axis = np.roll(received_w, -shift), np.roll(axis, -shift)
        rising = active & ~np.concatenate([[False], active[:-1]])
        starts = np.flatnonzero(rising)
        labels = np.cumsum(rising) - 1
        passes = len(starts)
    labels = np.where(active, labels, -1)
    chosen = labels >= 0
    energy = np.bincount(labels[chosen], received_w[chosen], passes) * step_s
    peak = np.zeros(passes)
    np.maximum.at(peak, labels[chosen], axis[chosen])
    length = np.bincount(labels[chosen], axis[chosen], passes) * step_s / np.maximum(peak, 1e-12)
    length = np.maximum(length, step_s)
    if passes == 1 and chosen.all():
        # It never leaves: one exposure as long as somebody looks.
        energy = energy * (exposure_s / frame.duration_s)
        length = np.array([exposure_s])

    limits = [exposure_limit_j_m2(float(t), edition) for t in length]
    whole = exposure_limit_j_m2(exposure_s, edition)
    if whole is None or any(limit is None for limit in limits):
        return None
    single = energy / APERTURE_M2 / np.array(limits, np.float64)
    strongest = int(np.argmax(single))
    repeats = max(1.0, exposure_s / frame.duration_s) if not chosen.all() else 1.0
    factor = pulse_train_factor(passes * repeats, float(length[strongest]), exposure_s, edition)
    total = float(received_w.sum()) * step_s * exposure_s / frame.duration_s
    candidates = (
        (float(single[strongest]), "one pass"),
        (float(single[strongest]) / factor, "train of passes"),
        (total / APERTURE_M2 / whole, f"sum over {exposure_s:g} s"),
    )
    ratio, rule = max(candidates, key=lambda candidate: candidate[0])
    return ratio, rule, passes, float(energy[strongest]), float(length[strongest])


def exposure_check(
    source: LaserSource,
    profile: ScannerProfile,
    distance_m: float,
    *,
    ratio_max: float = 1.0,
    edition: Edition = Edition.GENERATION_2006,
) -> Callable[[Frame], str]:
    """Return a check for live output: why a frame must not be shown, or an empty text.

    A frame whose exposure cannot be computed must not be shown either.
    """

    def check(frame: Frame) -> str:
        spot = worst_spot(frame, source, profile, distance_m, edition=edition)
        if spot is None:
            return f"the exposure cannot be computed: {source.doubt or 'the frame or distance'}"
        if spot.ratio > ratio_max:
            return (
                f"exposure {spot.ratio:.3g} times its limit at {distance_m:g} m, "
                f"allowed are {ratio_max:g} ({spot.rule})"
            )
        return ""

    return check
