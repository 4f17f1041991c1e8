# SPDX-License-Identifier: GPL-3.0-or-later
"""What is known of a projector's light."""

from __future__ import annotations

import math
from dataclasses import dataclass

from ..errors import SettingError
from .exposure import BeamWidth, Edition

__all__ = ["LaserSetup", "LaserSource"]


@dataclass(frozen=True, slots=True)
class LaserSource:
    """What is known of a projector's light. Leave unknown what nobody has measured.

    Attributes
    ----------
    wavelength_nm
        Of red, green and blue.
    power_w
        Full power of each at the projector's exit.
    divergence_mrad
        Full angle.
    diameter_mm
        Beam diameter at the exit.
    width
        How diameter and divergence were measured; without it no distance can be given.
    """

    wavelength_nm: tuple[float | None, float | None, float | None] = (None, None, None)
    power_w: tuple[float | None, float | None, float | None] = (None, None, None)
    divergence_mrad: float | None = None
    diameter_mm: float | None = None
    width: BeamWidth | None = None

    @property
    def doubt(self) -> str:
        """Why no figure can be given, or an empty text."""
        for colour, power, wavelength in zip(
            ("red", "green", "blue"), self.power_w, self.wavelength_nm, strict=True
        ):
            if power is None or not math.isfinite(power) or power < 0.0:
                return f"the power of {colour} is not known"
            if power > 0.0 and (wavelength is None or not 400.0 <= wavelength <= 700.0):
                return f"the wavelength of {colour} is not known to be within 400-700 nm"
        if self.total_power_w <= 0.0:
            return "the projector has no power"
        if self.divergence_mrad is None or not 0.05 <= self.divergence_mrad <= 100.0:
            return "the divergence is not known, or not within 0.05-100 mrad"
        if self.diameter_mm is None or not 0.1 <= self.diameter_mm <= 200.0:
            return "the beam diameter is not known, or not within 0.1-200 mm"
        if self.width is None:
            return "it is not known whether the beam was measured to 1/e or 1/e²"
        return ""

    @property
    def total_power_w(self) -> float:
        """Sum of the known powers."""
        return float(sum(power for power in self.power_w if power is not None))

    def diameter_at_m(self, distance_m: float) -> float:
        """Return the 1/e diameter at a distance, quadratic growth (the narrower beam)."""
        if self.width is None or self.diameter_mm is None or self.divergence_mrad is None:
            raise SettingError(f"No beam diameter can be given: {self.doubt}.")
        factor = self.width.to_inverse_e * 1e-3
        return math.hypot(self.diameter_mm, self.divergence_mrad * distance_m) * factor


@dataclass(frozen=True, slots=True)
class LaserSetup:
    """A projector's light where it stands.

    Attributes
    ----------
    source
    distance_m
        Throw: from the projector to the nearest place that its light can reach; None where
        nobody has measured it.
    edition
        Of the exposure limits.
    ratio_max
        Live output goes dark for a frame whose worst spot is over this many times its limit;
        None does not look.
    """

    source: LaserSource = LaserSource()
    distance_m: float | None = None
    edition: Edition = Edition.GENERATION_2006
    ratio_max: float | None = None

    @property
    def known(self) -> bool:
        """Whether anybody has entered anything."""
        return self.source != LaserSource()
