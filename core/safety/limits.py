# SPDX-License-Identifier: GPL-3.0-or-later
"""What the guard enforces for one projector."""

from __future__ import annotations

import math
from dataclasses import dataclass

from ..errors import SettingError
from .zones import MARGIN_MIN_FIELD, KeepOut, widened

__all__ = ["FULL_WINDOW", "SPOT_MIN_FIELD", "SafetyLimits"]

SPOT_MIN_FIELD = 0.002
FULL_WINDOW = (-1.0, -1.0, 1.0, 1.0)


@dataclass(frozen=True, slots=True)
class SafetyLimits:
    """Limits of one projector. They bound a picture; they do not make it safe to look into.

    Attributes
    ----------
    zones
        Keep-out areas in the projector's field.
    margin_field
        Nothing is lit nearer to a keep-out area than this, in field units.
    window
        Left, bottom, right, top: nothing is lit outside, within the field -1…1.
    frequency_spread
        Keep-outs must hold for scanners faster and slower than their profile by this share.
    spot_field
        Side of the square that counts as one spot, in field units.
    dwell_max_us
        Longest time the beam may stay lit in one spot without leaving it; 0 for no limit.
    brightness_max
        Largest share of the projector's full output, averaged over the frame, that may fall
        on any spot; 1 for no limit.
    picture_min_field
        Smallest picture (the longer side of its bounding box, field units) that may be drawn
        at full level. A smaller one is dimmed in proportion, so a single standing spot stays
        dark; 0 for no limit. Choose it larger the more power the projector has.
    """

    zones: tuple[KeepOut, ...] = ()
    margin_field: float = 0.01
    window: tuple[float, float, float, float] = FULL_WINDOW
    frequency_spread: float = 0.15
    spot_field: float = 0.02
    dwell_max_us: float = 2000.0
    brightness_max: float = 0.5
    picture_min_field: float = 0.1

    def __post_init__(self) -> None:
        """Check the numbers.

        Raises
        ------
        SettingError
            If a limit is not a number or out of its range.
        """
        ranges = (
            ("margin of keep-out areas", self.margin_field, MARGIN_MIN_FIELD, 1.0),
            ("spread of the scanners' frequency", self.frequency_spread, 0.0, 0.5),
            ("size of a spot", self.spot_field, SPOT_MIN_FIELD, 1.0),
            ("longest dwell in microseconds", self.dwell_max_us, 0.0, 1e7),
            ("largest brightness", self.brightness_max, 0.0, 1.0),
            ("smallest picture", self.picture_min_field, 0.0, 2.0),
        )
        for name, value, low, high in ranges:
            if not (math.isfinite(value) and low <= value <= high):
                raise SettingError(
                    f"Safety limit “{name}” is {value:g}; choose {low:g} to {high:g}."
                )
        left, bottom, right, top = self.window
        if not (-1.0 <= left < right <= 1.0 and -1.0 <= bottom < top <= 1.0):
            raise SettingError(
                f"The scan window is {self.window}; give left < right and bottom < top "
                "within -1 to 1."
            )

    def check_zones(self) -> None:
        """Prepare the keep-out areas, so that a broken one is reported before it is needed.

        Raises
        ------
        SettingError
            If an outline cannot be understood.
        """
        for zone in self.zones:
            widened(zone, self.margin_field)
