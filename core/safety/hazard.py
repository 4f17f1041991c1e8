# SPDX-License-Identifier: GPL-3.0-or-later
"""Hazard figures for planning: a standing beam, the worst spot of a frame, distances to keep.

Every figure names its formula, the edition of its limit and how sure we are of it. An input
that is unknown or doubtful leaves the figure out.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ..errors import SettingError
from ..frame import Frame
from ..points.projector import ScannerProfile
from .beam import beam_paths
from .exposure import (
    APERTURE_M,
    APERTURE_M2,
    BeamWidth,
    Edition,
    Growth,
    aperture_fraction,
    beam_fraction_table,
    exposure_limit_j_m2,
    extended_distance_m,
    hazard_distance_m,
    irradiance_limit_w_m2,
    pulse_train_factor,
    visual_correction,
)

__all__ = [
    "PLANNING_NOTE",
    "SEPARATIONS",
    "HazardFigure",
    "LaserSource",
    "Separation",
    "WorstSpot",
    "aviation_distances_m",
    "exposure_check",
    "planning_figures",
    "worst_spot",
]

FloatArray = NDArray[np.float64]

PLANNING_NOTE = (
    "These are planning figures. Local law and a competent laser safety officer decide, "
    "and an audience must never be scanned on the strength of them."
)

AVERSION_S = 0.25
FOOT_M = 0.3048
CANDIDATES = 48
PASS_FLOOR = 0.01


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
    path = beams[0]
    pieces = len(path) - 1
    field = np.moveaxis(0.5 * (path[:-1] + path[1:]), (2, 0), (0, 1)).reshape(-1, 2)
    scale = math.radians(profile.field_deg / 2.0) * distance_m
    place = field * scale
    power = np.repeat(powers, pieces)
    step_s = 1.0 / (frame.point_rate_hz * pieces)
    radius = source.diameter_at_m(distance_m) / math.sqrt(2.0)

    reach = APERTURE_M / 2.0 + 2.0 * radius
    table_d = np.linspace(0.0, reach, 200)
    table_f = beam_fraction_table(radius, table_d)

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
