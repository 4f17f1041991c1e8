# SPDX-License-Identifier: GPL-3.0-or-later
"""Hazard figures for planning: a standing beam, the worst spot of a frame, distances to keep.

Every figure names its formula, the edition of its limit and how sure we are of it. An input
that is unknown or doubtful leaves the figure out.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from .exposure import (
    APERTURE_M2,
    AVERSION_S,
    Edition,
    Growth,
    aperture_fraction,
    extended_distance_m,
    hazard_distance_m,
    irradiance_limit_w_m2,
    visual_correction,
)
from .laser import LaserSource
from .scanned import WorstSpot

__all__ = [
    "PLANNING_NOTE",
    "SEPARATIONS",
    "HazardFigure",
    "Separation",
    "aviation_distances_m",
    "planning_figures",
]

FloatArray = NDArray[np.float64]

PLANNING_NOTE = (
    "These are planning figures. Local law and a competent laser safety officer decide, "
    "and an audience must never be scanned on the strength of them."
)

FOOT_M = 0.3048


@dataclass(frozen=True, slots=True)
class HazardFigure:
    """One figure as it is printed.

    Attributes
    ----------
    name, unit
        For the reader.
    value
        None where an input is unknown or doubtful.
    formula
        How it was computed.
    edition
        Of the exposure limit, or of the rule.
    certainty
        How the formula or the value is known.
    remark
        Why there is no value, or what to mind.
    """

    name: str
    value: float | None
    unit: str
    formula: str
    edition: str
    certainty: str
    remark: str = ""


@dataclass(frozen=True, slots=True)
class Separation:
    """A distance quoted in practice; the law of the place may ask for another."""

    name: str
    distance_m: float
    certainty: str


SEPARATIONS = (
    Separation(
        "Above any surface on which the audience may stand, operator in control",
        3.0,
        "secondary source: report of an FDA letter of 2014",
    ),
    Separation(
        "To the side of (and below) places of the audience, operator in control",
        2.5,
        "secondary source: public notes quoting FDA variances; from memory",
    ),
    Separation(
        "Above the audience without continuous operator control", 6.0, "from memory, unconfirmed"
    ),
)


def aviation_distances_m(source: LaserSource) -> dict[str, float] | None:
    """Return the distances that the FAA's guidance has computed for a standing beam.

    As summarised publicly from AC 70-1B (secondary source), in feet with W, mrad and the
    power weighted by the visual correction factor V (VCP): NOHD = 32.8/θ √(1273.2 W / 2.6),
    SZED = 32.8/θ √(12732 VCP), CZED = 4.47 SZED, LFED = 44.7 SZED; here in metres. The exit
    diameter is not subtracted. None if an input is unknown.
    """
    if source.doubt or source.width is None or source.divergence_mrad is None:
        return None
    corrected = 0.0
    for power, wavelength in zip(source.power_w, source.wavelength_nm, strict=True):
        if power:
            factor = visual_correction(wavelength)
            if factor is None:
                return None
            corrected += power * factor
    theta = source.divergence_mrad * source.width.to_inverse_e
    sensitive = 32.8 / theta * math.sqrt(12732.0 * corrected)
    return {
        "hazard distance": 32.8 / theta * math.sqrt(1273.2 * source.total_power_w / 2.6) * FOOT_M,
        "sensitive zone": sensitive * FOOT_M,
        "critical zone": 4.47 * sensitive * FOOT_M,
        "laser-free zone": 44.7 * sensitive * FOOT_M,
    }


def planning_figures(
    source: LaserSource,
    distance_m: float | None,
    *,
    edition: Edition = Edition.GENERATION_2006,
    worst: WorstSpot | None = None,
) -> tuple[HazardFigure, ...]:
    """Return the figures for one projector and one distance, in the order to print them.

    Print `PLANNING_NOTE` with them. `worst` is the largest `WorstSpot` of the show, if known.
    """
    doubt = source.doubt
    known = not doubt
    named = edition.value
    table = (
        "read in a public transposition; from memory for 10 s and more"
        if edition is Edition.GENERATION_2006
        else "from memory"
    )
    limit = irradiance_limit_w_m2(AVERSION_S, 550.0, edition) if known else None
    nohd = None
    if known and source.divergence_mrad is not None and source.diameter_mm is not None:
        nohd = hazard_distance_m(
            source.total_power_w,
            source.divergence_mrad * 1e-3,
            limit,
            source.diameter_mm * 1e-3,
            source.width,
            Growth.QUADRATIC,
        )
    here = distance_m is not None and math.isfinite(distance_m) and distance_m > 0.0
    irradiance = None
    if known and here and distance_m is not None:
        diameter = source.diameter_at_m(distance_m)
        irradiance = source.total_power_w * aperture_fraction(diameter) / APERTURE_M2
    remark = f"No figure: {doubt}." if doubt else ""
    where = remark or ("" if here else "No figure: the distance is not known.")
    figures = [
        HazardFigure(
            "Maximum permissible exposure, 0.25 s", limit, "W/m²",
            "18 t^0.75 J/m² over t, t = 0.25 s, 400-700 nm", named, table, remark,
        ),
        HazardFigure(
            "Irradiance of the standing beam", irradiance, "W/m²",
            "P (1 - exp(-(7 mm / d)²)) / 38.5 mm², d² = a² + θ² r² to 1/e", "", "computed", where,
        ),
        HazardFigure(
            "Standing beam over its limit", _over(irradiance, limit), "times",
            "irradiance / limit", named, table, where,
        ),
        HazardFigure(
            "Nominal ocular hazard distance, standing beam", nohd, "m",
            "√(4 P / (π E) - a²) / θ, a and θ to 1/e", named,
            "secondary source: public calculator page", remark,
        ),
        HazardFigure(
            "The same through 7x50 binoculars", extended_distance_m(nohd, 0.05, 7.0), "m",
            "NOHD x the smaller of objective / 7 mm and magnification", named, "from memory",
            remark,
        ),
        HazardFigure(
            "Worst spot of the scanned picture over its limit",
            worst.ratio if worst and known else None, "times",
            "energy of a pass / (limit of the pass x N^-0.25); the sum over 0.25 s"
            if edition is Edition.GENERATION_2006
            else "energy of a pass / limit of the pass; the sum over 0.25 s",
            named, table + "; own derivation of the pass",
            remark or ("" if worst else "No figure: no frame was examined at a known distance."),
        ),
    ]  # fmt: skip
    zones = aviation_distances_m(source)
    for name in ("hazard distance", "sensitive zone", "critical zone", "laser-free zone"):
        figures.append(
            HazardFigure(
                f"Aviation, {name}",
                zones[name] if zones else None,
                "m",
                "32.8/θ √(…) ft, see the documentation",
                "FAA AC 70-1B (2022)",
                "secondary source: public summaries",
                remark,
            )
        )
    figures.extend(
        HazardFigure(
            f"Separation: {item.name}", item.distance_m, "m", "as quoted", "", item.certainty
        )
        for item in SEPARATIONS
    )
    return tuple(figures)


def _over(value: float | None, limit: float | None) -> float | None:
    return None if value is None or limit is None else value / limit
