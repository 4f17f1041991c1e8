# SPDX-License-Identifier: GPL-3.0-or-later
"""A frame's worst spot as it is shown: the longest dwell, and irradiance against its limit."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray

from ..frame import Frame
from .exposure import APERTURE_M2, AVERSION_S, Edition, irradiance_limit_w_m2
from .scanned import WorstSpot

__all__ = ["Dwell", "SpotExposure", "longest_dwell", "spot_exposure"]


@dataclass(frozen=True, slots=True)
class Dwell:
    """The longest time that a frame's commands keep the lit beam in one spot.

    Attributes
    ----------
    duration_us
        0 where nothing is lit.
    x, y
        Middle of the spot, in the projector's field.
    """

    duration_us: float
    x: float = 0.0
    y: float = 0.0


@dataclass(frozen=True, slots=True)
class SpotExposure:
    """Irradiance at the worst spot, and what is permitted there by the governing rule.

    Attributes
    ----------
    irradiance_w_m2, limit_w_m2
        Averaged over the 7 mm aperture, during the strongest pass or over the whole exposure.
    rule
        Which of the two, in words.
    """

    irradiance_w_m2: float
    limit_w_m2: float
    rule: str


def longest_dwell(frame: Frame, spot_field: float) -> Dwell:
    """Return the longest run of lit samples whose commands lie in one square.

    Parameters
    ----------
    frame
        Taken as a loop.
    spot_field
        Side of the square, in half widths of the field.
    """
    lit = frame.rgb.any(axis=1) & ~frame.blanked & np.isfinite(frame.xy).all(axis=1)
    if not lit.any():
        return Dwell(0.0)
    count = len(frame)
    # Twice round, so that a run across the loop's end is one.
    place = np.where(lit[:, None], frame.xy, np.nan)
    place = np.concatenate([place, place])

    def starts(length: int) -> NDArray[np.bool_]:
        windows = sliding_window_view(place, length, axis=0)[:count]
        with np.errstate(invalid="ignore"):
            # A dark sample is no number, and no comparison with it holds.
            size = windows.max(axis=-1) - windows.min(axis=-1)
            return np.asarray((size <= spot_field).all(axis=1))

    low, high = 1, 2
    while high <= count and starts(high).any():
        low, high = high, high * 2
    high = min(high, count + 1)
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (middle, high) if starts(middle).any() else (low, middle)
    first = int(np.argmax(starts(low)))
    spot = place[first : first + low]
    x, y = 0.5 * (spot.min(axis=0) + spot.max(axis=0))
    return Dwell(low * 1e6 / frame.point_rate_hz, float(x), float(y))


def spot_exposure(
    spot: WorstSpot,
    edition: Edition = Edition.GENERATION_2006,
    exposure_s: float = AVERSION_S,
) -> SpotExposure | None:
    """Return a worst spot's exposure as irradiance; None without light or a limit.

    The irradiance of a pass is its energy through the aperture over the aperture's area and
    the length of the pass; what is permitted then is that over the ratio. The sum over the
    exposure is compared with the limit of a steady one.
    """
    if spot.ratio <= 0.0:
        return None
    if spot.rule.startswith("sum"):
        limit = irradiance_limit_w_m2(exposure_s, 550.0, edition)
        if limit is None:
            return None
        return SpotExposure(spot.ratio * limit, limit, f"on average over {exposure_s:g} s")
    irradiance = spot.energy_j / APERTURE_M2 / spot.pass_s
    words = f"in a pass of {spot.pass_s * 1e6:.3g} µs"
    if spot.rule.startswith("train"):
        words += ", repeated"
    return SpotExposure(irradiance, irradiance / spot.ratio, words)
