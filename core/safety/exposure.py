# SPDX-License-Identifier: GPL-3.0-or-later
"""Exposure limits of the eye and the geometry of a beam: formulas, each with its edition.

For 400-700 nm and small sources (apparent size up to 1.5 mrad), as a laser beam is. Where a
formula does not apply the answer is None, never a guess.

Notes
-----
Two generations of the table are in force side by side. `Edition.GENERATION_2006` is
Directive 2006/25/EC, Annex II (read in a public transposition), the same as IEC 60825-1:2007
(from memory). `Edition.GENERATION_2014` is ICNIRP 2013, IEC 60825-1:2014, ANSI Z136.1-2014
(from memory). The 2006 rule for repeated pulses is the stricter one for scanned beams and
is the default.
"""

from __future__ import annotations

import math
from enum import Enum

import numpy as np
from numpy.typing import NDArray

__all__ = [
    "APERTURE_M",
    "APERTURE_M2",
    "AVERSION_S",
    "BeamWidth",
    "Edition",
    "Growth",
    "aperture_fraction",
    "exposure_limit_j_m2",
    "extended_distance_m",
    "hazard_distance_m",
    "irradiance_limit_w_m2",
    "irradiance_w_m2",
    "pass_energy_j",
    "photochemical_limit_j_m2",
    "pulse_train_factor",
    "visual_correction",
]

APERTURE_M = 0.007
"""Limiting aperture of the eye (read in the standard)."""

APERTURE_M2 = math.pi * APERTURE_M**2 / 4.0

AVERSION_S = 0.25
"""Time in which one turns away from a visible light (from memory)."""

LONGEST_EXPOSURE_S = 3e4

# CIE 1924 luminous efficiency V, every 10 nm from 400, with its peak at 555 nm.
_V_WAVELENGTH_NM = np.array([*range(400, 551, 10), 555, *range(560, 701, 10)], np.float64)
_V_VALUES = np.array(
    [
        0.000396, 0.00121, 0.0040, 0.0116, 0.023, 0.038, 0.060, 0.09098, 0.13902, 0.20802,
        0.323, 0.503, 0.710, 0.862, 0.954, 0.99495, 1.0, 0.995, 0.952, 0.870, 0.757, 0.631,
        0.503, 0.381, 0.265, 0.175, 0.107, 0.061, 0.032, 0.017, 0.00821, 0.004102,
    ]
)  # fmt: skip


class Edition(Enum):
    """Generation of the exposure-limit table, named as it is printed beside a figure."""

    GENERATION_2006 = "Directive 2006/25/EC Annex II (2006), as IEC 60825-1:2007"
    GENERATION_2014 = "ICNIRP 2013, as IEC 60825-1:2014 and ANSI Z136.1-2014"


class BeamWidth(Enum):
    """How a beam's diameter and divergence were measured."""

    INVERSE_E = "to 1/e of the peak (holds 63 % of the power)"
    INVERSE_E2 = "to 1/e² of the peak (holds 86 % of the power)"

    @property
    def to_inverse_e(self) -> float:
        """Factor from this width to the 1/e width of a Gaussian beam."""
        return 1.0 if self is BeamWidth.INVERSE_E else 1.0 / math.sqrt(2.0)


class Growth(Enum):
    """How the diameter grows with distance; the linear law gives the shorter distance."""

    LINEAR = "d = a + θ r"
    QUADRATIC = "d = √(a² + θ² r²)"


def _positive(*values: float | None) -> bool:
    return all(value is not None and math.isfinite(value) and value > 0.0 for value in values)


def exposure_limit_j_m2(
    duration_s: float | None, edition: Edition = Edition.GENERATION_2006
) -> float | None:
    """Return the thermal limit of a single exposure, radiant exposure at the cornea.

    None below 1e-13 s and above 30,000 s.
    """
    if duration_s is None or not _positive(duration_s):
        return None
    t = duration_s
    if t < 1e-13 or t > LONGEST_EXPOSURE_S:
        return None
    if t >= 10.0:
        return 10.0 * t
    if edition is Edition.GENERATION_2006:
        if t < 1e-11:
            return 1.5e-4
        if t < 1e-9:
            return float(2.7e4 * t**0.75)
        return 5e-3 if t < 1.8e-5 else float(18.0 * t**0.75)
    if t < 1e-11:
        return 1e-3
    return 2e-3 if t < 5e-6 else float(18.0 * t**0.75)


def photochemical_limit_j_m2(duration_s: float | None, wavelength_nm: float | None) -> float | None:
    """Return the blue-light limit for 10 s and more, 400-600 nm; infinite where none applies.

    100 C_B J/m² to 100 s, then C_B W/m² (from memory), with
    C_B = 10^(0.02 (λ - 450)) above 450 nm and 1 below (read in the standard).
    """
    if (
        duration_s is None
        or wavelength_nm is None
        or not _positive(duration_s, wavelength_nm)
        or not 400.0 <= wavelength_nm <= 700.0
        or duration_s > LONGEST_EXPOSURE_S
    ):
        return None
    if wavelength_nm > 600.0 or duration_s < 10.0:
        return math.inf
    factor = 1.0 if wavelength_nm <= 450.0 else 10.0 ** (0.02 * (wavelength_nm - 450.0))
    return factor * max(100.0, duration_s)


def irradiance_limit_w_m2(
    duration_s: float | None,
    wavelength_nm: float | None,
    edition: Edition = Edition.GENERATION_2006,
) -> float | None:
    """Return the limit of a steady exposure as irradiance, the smaller of both effects."""
    thermal = exposure_limit_j_m2(duration_s, edition)
    photochemical = photochemical_limit_j_m2(duration_s, wavelength_nm)
    if duration_s is None or thermal is None or photochemical is None:
        return None
    return min(thermal, photochemical) / duration_s


def pulse_train_factor(
    pulses: float, pulse_s: float, train_s: float, edition: Edition = Edition.GENERATION_2006
) -> float:
    """Return the factor on the single-pulse limit for `pulses` of them within `train_s`.

    2006: N^-0.25 (read in the standard). 2014, small source: 1 for pulses longer than 5 µs;
    for shorter ones 1 up to 0.25 s or 600 pulses, else 5 N^-0.25 but not below 0.4 (from
    memory).
    """
    count = max(1.0, pulses)
    if edition is Edition.GENERATION_2006:
        return float(count**-0.25)
    if pulse_s > 5e-6 or train_s <= 0.25 or count <= 600.0:
        return 1.0
    return float(max(0.4, 5.0 * count**-0.25))


def irradiance_w_m2(
    power_w: float | None, diameter_m: float | None, width: BeamWidth | None
) -> float | None:
    """Return the peak irradiance of a Gaussian beam, E = 4 P / (π d²) with d to 1/e."""
    if power_w is None or diameter_m is None or width is None:
        return None
    if not _positive(power_w, diameter_m):
        return None
    diameter = diameter_m * width.to_inverse_e
    return 4.0 * power_w / (math.pi * diameter**2)


def aperture_fraction(diameter_inverse_e_m: float, aperture_m: float = APERTURE_M) -> float:
    """Return the share of a centred Gaussian beam through an aperture, 1 - exp(-(D/d)²)."""
    return -math.expm1(-((aperture_m / diameter_inverse_e_m) ** 2))


def hazard_distance_m(
    power_w: float | None,
    divergence_rad: float | None,
    limit_w_m2: float | None,
    diameter_m: float | None = 0.0,
    width: BeamWidth | None = None,
    growth: Growth = Growth.QUADRATIC,
) -> float | None:
    """Return the nominal ocular hazard distance (NOHD) of a standing beam.

    (√(4 P / (π E)) - a) / θ for linear growth, √(4 P / (π E) - a²) / θ for quadratic, with
    the exit diameter a and the divergence θ to 1/e. The quadratic form gives the longer
    distance. Zero where the beam is below the limit at its exit.
    """
    if width is None or power_w is None or divergence_rad is None or limit_w_m2 is None:
        return None
    if diameter_m is None or not _positive(power_w, divergence_rad, limit_w_m2):
        return None
    if not math.isfinite(diameter_m) or diameter_m < 0.0:
        return None
    a = diameter_m * width.to_inverse_e
    theta = divergence_rad * width.to_inverse_e
    needed = math.sqrt(4.0 * power_w / (math.pi * limit_w_m2))
    if needed <= a:
        return 0.0
    if growth is Growth.LINEAR:
        return (needed - a) / theta
    return math.sqrt(needed**2 - a**2) / theta


def extended_distance_m(
    distance_m: float | None, objective_m: float | None, magnification: float | None = None
) -> float | None:
    """Return the hazard distance with binoculars or a telescope, NOHD x √gain.

    The gain is (objective / 7 mm)², and no more than the magnification squared if that is
    given (from memory). Losses in the glass are not counted, so it errs on the long side.
    """
    if distance_m is None or objective_m is None or not _positive(objective_m):
        return None
    if not math.isfinite(distance_m) or distance_m < 0.0:
        return None
    factor = objective_m / APERTURE_M
    if magnification is not None:
        if not _positive(magnification):
            return None
        factor = min(factor, magnification)
    return distance_m * max(1.0, factor)


def pass_energy_j(
    power_w: float | None, speed_m_s: float | None, radius_inverse_e2_m: float | None
) -> float | None:
    """Return the energy through the eye's aperture as a Gaussian beam sweeps over its centre.

    Q = (P / v) √(2/π) / w ∫ exp(-2 y² / w²) 2 √(a² - y²) dy over |y| < a, by Gauss-Chebyshev
    quadrature of the second kind; P 7 mm / v for a narrow beam.
    """
    if power_w is None or speed_m_s is None or radius_inverse_e2_m is None:
        return None
    if not _positive(power_w, speed_m_s, radius_inverse_e2_m):
        return None
    a, w = APERTURE_M / 2.0, radius_inverse_e2_m
    if w < 0.02 * a:
        return power_w * APERTURE_M / speed_m_s
    count = 2000
    angle = np.arange(1, count + 1) * math.pi / (count + 1)
    weight = math.pi / (count + 1) * np.sin(angle) ** 2
    integral = 2.0 * a * a * float(weight @ np.exp(-2.0 * (a * np.cos(angle) / w) ** 2))
    return power_w / speed_m_s * math.sqrt(2.0 / math.pi) / w * integral


def visual_correction(wavelength_nm: float | None) -> float | None:
    """Return CIE 1924 V(λ), interpolated in its logarithm; None outside 400-700 nm."""
    if wavelength_nm is None or not 400.0 <= wavelength_nm <= 700.0:
        return None
    return math.exp(float(np.interp(wavelength_nm, _V_WAVELENGTH_NM, np.log(_V_VALUES))))


def beam_fraction_table(
    radius_inverse_e2_m: float, offsets_m: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Return the share of a beam's power through the eye's aperture at offsets from its centre.

    ∫ (4 r / w²) exp(-2 (r² + d²) / w²) I0(4 r d / w²) dr over 0 … 3.5 mm (the Rice
    distribution), by the midpoint rule over the aperture.
    """
    a, w = APERTURE_M / 2.0, radius_inverse_e2_m
    r = (np.arange(2000) + 0.5) * (a / 2000)
    d = np.asarray(offsets_m)[:, None]
    x = 4.0 * r * d / w**2
    # exp(-x) I0(x), by its asymptote where I0 alone would overflow.
    with np.errstate(over="ignore", invalid="ignore"):
        scaled = np.where(
            x < 500.0,
            np.i0(np.minimum(x, 500.0)) * np.exp(-x),
            (1.0 + 1.0 / (8.0 * np.maximum(x, 1.0))) / np.sqrt(2.0 * math.pi * np.maximum(x, 1.0)),
        )
    density = 4.0 * r / w**2 * np.exp(-2.0 * (r - d) ** 2 / w**2) * scaled
    fraction: NDArray[np.float64] = np.minimum(1.0, density.sum(axis=1) * (a / 2000))
    return fraction
