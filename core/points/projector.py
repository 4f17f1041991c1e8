# SPDX-License-Identifier: GPL-3.0-or-later
"""A projector: its scanners' profile, its place in the show, and how the picture is aimed.

The profile is kept in physical units, so that another point rate or field angle is a
conversion and not a new tuning.
"""

from __future__ import annotations

import json
import math
from collections.abc import Mapping
from dataclasses import dataclass, fields, replace
from typing import Any, Literal

from ..errors import FormatError, SettingError

__all__ = [
    "GENERIC_PROFILES",
    "Aim",
    "Projector",
    "SampledProfile",
    "ScannerProfile",
    "profile_from_json",
    "profile_from_rating",
    "profile_to_json",
]

PROFILE_SCHEMA = "beamwright-scanner-profile"
PROFILE_VERSION = 1

LARGEST_FIELD_DEG = 120.0

Corners = tuple[tuple[float, float], tuple[float, float], tuple[float, float], tuple[float, float]]
NO_KEYSTONE: Corners = ((-1.0, -1.0), (1.0, -1.0), (1.0, 1.0), (-1.0, 1.0))


def _check_above(what: str, name: str, value: float, unit: str) -> None:
    if not (math.isfinite(value) and value > 0.0):
        raise SettingError(f"{what}: the {name} is {value:g} {unit}; it must be above 0.")


def _check_range(what: str, name: str, value: float, low: float, high: float) -> None:
    if not low <= value <= high:  # also catches NaN
        raise SettingError(f"{what}: the {name} is {value:g}; set it to {low:g} to {high:g}.")


def _check_angle(what: str, name: str, value: float) -> None:
    if not 0.0 < value <= LARGEST_FIELD_DEG:
        raise SettingError(
            f"{what}: the {name} is {value:g}°; set it above 0° and up to {LARGEST_FIELD_DEG:g}°."
        )


@dataclass(frozen=True, slots=True)
class ScannerProfile:
    """What a pair of scanners and its laser can do.

    The defaults are those of a pair rated at 30,000 points a second at 8 degrees (common
    practice), used on a 20-degree field.

    Attributes
    ----------
    label
        Name shown to the artist.
    point_rate_hz
        Samples a second.
    field_deg
        Full optical angle of the field -1…1.
    rated_rate_hz, rated_angle_deg
        Rating of the pair: the rate at which the standard test picture is right at that angle.
    natural_frequency_hz, damping
        Closed loop, second order.
    acceleration_max_deg_s2, velocity_max_deg_s
        Saturation limits, optical angle.
    colour_delay_us
        Lateness of the red, green and blue light against the sample that carries it.
    rise_us
        First-order time constant of the laser.
    settle
        Hold still before and after lit strokes.
    tolerance_field
        Largest rounding of corners accepted at no stress, in field units.
    minimum_level
        Laser level (0…1) at which the light starts; levels of drawn colours are lifted above it.
    tuned
        The numbers were found with the test pictures on these very scanners.
    """

    label: str = "30 kpps"
    point_rate_hz: float = 30000.0
    field_deg: float = 20.0
    rated_rate_hz: float = 30000.0
    rated_angle_deg: float = 8.0
    natural_frequency_hz: float = 2500.0
    damping: float = 0.71
    acceleration_max_deg_s2: float = 4.9e8
    velocity_max_deg_s: float = 1.0e5
    colour_delay_us: tuple[float, float, float] = (0.0, 0.0, 0.0)
    rise_us: float = 10.0
    settle: bool = True
    tolerance_field: float = 0.004
    minimum_level: float = 0.0
    tuned: bool = False

    def __post_init__(self) -> None:
        """Refuse impossible numbers.

        Raises
        ------
        SettingError
            Where a number is not finite or out of its range.
        """
        what = f'profile "{self.label}"'
        _check_above(what, "point rate", self.point_rate_hz, "points a second")
        _check_above(what, "rated rate", self.rated_rate_hz, "points a second")
        _check_angle(what, "field angle", self.field_deg)
        _check_angle(what, "rated angle", self.rated_angle_deg)
        _check_above(what, "natural frequency", self.natural_frequency_hz, "Hz")
        _check_range(what, "damping", self.damping, 0.2, 3.0)
        _check_above(what, "greatest acceleration", self.acceleration_max_deg_s2, "deg/s²")
        _check_above(what, "greatest velocity", self.velocity_max_deg_s, "deg/s")
        if len(self.colour_delay_us) != 3:
            raise SettingError(f"{what}: give one colour delay each for red, green and blue.")
        for name, delay in zip(("red", "green", "blue"), self.colour_delay_us, strict=True):
            _check_range(what, f"{name} delay in µs", delay, -2000.0, 2000.0)
        _check_range(what, "laser rise in µs", self.rise_us, 0.0, 2000.0)
        _check_range(what, "tolerance in field units", self.tolerance_field, 1e-4, 0.1)
        _check_range(what, "minimum laser level", self.minimum_level, 0.0, 0.99)

    def converted(
        self, point_rate_hz: float | None = None, field_deg: float | None = None
    ) -> ScannerProfile:
        """Return the same scanners at another point rate or field angle.

        Everything physical stays as it is; the tolerance keeps its size in degrees, within
        the range a profile accepts.
        """
        rate = self.point_rate_hz if point_rate_hz is None else point_rate_hz
        angle = self.field_deg if field_deg is None else field_deg
        _check_angle(f'profile "{self.label}"', "field angle", angle)
        tolerance = self.tolerance_field * self.field_deg / angle
        return replace(
            self,
            point_rate_hz=rate,
            field_deg=angle,
            tolerance_field=min(max(tolerance, 1e-4), 0.1),
        )

    @property
    def sampled(self) -> SampledProfile:
        """The profile in the planner's units: field units and samples."""
        half_field_deg = self.field_deg / 2.0
        rate = self.point_rate_hz
        delays = tuple(delay * 1e-6 * rate for delay in self.colour_delay_us)
        return SampledProfile(
            natural_frequency=2.0 * math.pi * self.natural_frequency_hz / rate,
            damping=self.damping,
            acceleration_max=self.acceleration_max_deg_s2 / (half_field_deg * rate * rate),
            speed_max=self.velocity_max_deg_s / (half_field_deg * rate),
            colour_delay=(delays[0], delays[1], delays[2]),
            rise=self.rise_us * 1e-6 * rate,
        )


@dataclass(frozen=True, slots=True)
class SampledProfile:
    """A profile in field units and samples.

    Attributes
    ----------
    natural_frequency
        rad / sample.
    damping
    acceleration_max
        Field units / sample².
    speed_max
        Field units / sample.
    colour_delay, rise
        Samples.
    """

    natural_frequency: float
    damping: float
    acceleration_max: float
    speed_max: float
    colour_delay: tuple[float, float, float]
    rise: float

    @property
    def mirror_lag(self) -> float:
        """Samples by which the beam follows a slow command, without the hold's half sample."""
        return 2.0 * self.damping / self.natural_frequency

    @property
    def light_lag(self) -> tuple[float, float, float]:
        """Samples by which red, green and blue must be given later than the position."""
        red, green, blue = (
            self.mirror_lag - delay - 0.69 * self.rise for delay in self.colour_delay
        )
        return red, green, blue


@dataclass(frozen=True, slots=True)
class Aim:
    """How the picture (field coordinates of the camera) lies in the projector's field.

    Applied in this order: mirror, scale, rotate, offset, then the four-corner keystone.

    Attributes
    ----------
    scale_x, scale_y
        1 fills the field with the longer side of the page.
    rotation_rad
        Counter-clockwise as the audience sees it.
    offset_x, offset_y
        In field units.
    mirror_x, mirror_y
        Flip left and right, or top and bottom.
    corners
        Where the field's corners (-1,-1), (1,-1), (1,1), (-1,1) go, by a projective map.
    """

    scale_x: float = 0.95
    scale_y: float = 0.95
    rotation_rad: float = 0.0
    offset_x: float = 0.0
    offset_y: float = 0.0
    mirror_x: bool = False
    mirror_y: bool = False
    corners: Corners = NO_KEYSTONE


@dataclass(frozen=True, slots=True)
class Projector:
    """One projector of a show.

    Attributes
    ----------
    name
        Unique in the show; also names its files.
    profile
        Its scanners.
    target_refresh_hz
        How often a second a frame shall be drawn; `budget` follows from it.
    aim
        Place of the picture in the field.
    number
        Projector number in file headers, 0…255.
    placement
        "planned" moves the beam by its acceleration limits; "simple" sets points at even
        spacing with dwells at corners.
    group
        Projectors of the same non-empty group share the strokes assigned to the group's name
        (and, if the show's first projector is in it, the unassigned ones).
    feed_forward
        Command the inverse of the mirrors' response, so that the beam follows the plan without
        lag: a fifth fewer points. For live streams to tuned scanners only: commands leave the
        strokes, and a scanner faster than its profile would follow them. Never in files.
    """

    name: str = "Projector"
    profile: ScannerProfile = ScannerProfile()
    target_refresh_hz: float = 30.0
    aim: Aim = Aim()
    number: int = 0
    placement: Literal["planned", "simple"] = "planned"
    group: str = ""
    feed_forward: bool = False

    def __post_init__(self) -> None:
        """Refuse impossible numbers.

        Raises
        ------
        SettingError
            Where a number is not finite or out of its range.
        """
        what = f'projector "{self.name}"'
        if not self.name.strip():
            raise SettingError("A projector has no name: give it one, its files are named by it.")
        _check_range(what, "target refresh in Hz", self.target_refresh_hz, 0.1, 1000.0)
        _check_range(what, "number", self.number, 0, 255)
        if self.placement not in ("planned", "simple"):
            raise SettingError(
                f'{what}: placement "{self.placement}" is unknown; use "planned" or "simple".'
            )
        if self.feed_forward and not self.profile.tuned:
            raise SettingError(
                f"{what}: feed-forward needs a tuned profile; tune it with the test pictures and "
                "mark it as tuned, or switch feed-forward off."
            )

    @property
    def budget(self) -> int:
        """Most points a frame may have: point rate over target refresh, rounded down."""
        return max(1, int(self.profile.point_rate_hz / self.target_refresh_hz + 1e-9))


def profile_from_rating(
    rated_rate_hz: float,
    rated_angle_deg: float = 8.0,
    *,
    point_rate_hz: float | None = None,
    field_deg: float = 20.0,
    damping: float = 0.71,
    label: str | None = None,
) -> ScannerProfile:
    """Derive a profile from a rating such as "30,000 points a second at 8 degrees".

    Parameters
    ----------
    rated_rate_hz, rated_angle_deg
        The rating: the standard test picture is right at this rate and full optical angle.
    point_rate_hz
        Rate to be used; the rated one by default.
    field_deg
        Full optical angle of the field to be used.
    damping
        Assumed damping of the closed loop.

    Raises
    ------
    SettingError
        Where a number is not finite or out of its range.

    Notes
    -----
    The test picture's circle has 12 points a turn, so its frequency is ``rate / 12``, and it
    is stored √2 times the size it shall have (common practice): the gain there is 0.7071,
    of which the sample-and-hold takes 0.98862. A second-order loop with that gain has
    ``f0 = f / r``, ``r² = 1 - 2z² + √((1 - 2z²)² + 1/g² - 1)``. The circle's amplitude is a
    quarter of the rated angle, which bounds acceleration and velocity from below; the
    velocity limit is set to 3.2 times its bound, a guess to be tuned.
    """
    name = label or f"{rated_rate_hz / 1000.0:g} kpps at {rated_angle_deg:g}°"
    _check_above(f'rating "{name}"', "rated rate", rated_rate_hz, "points a second")
    _check_angle(f'rating "{name}"', "rated angle", rated_angle_deg)
    _check_range(f'rating "{name}"', "damping", damping, 0.2, 3.0)
    circle_hz = rated_rate_hz / 12.0
    gain = math.sqrt(0.5) / (math.sin(math.pi / 12.0) / (math.pi / 12.0))
    middle = 1.0 - 2.0 * damping * damping
    ratio = math.sqrt(middle + math.sqrt(middle * middle + 1.0 / (gain * gain) - 1.0))
    amplitude_deg = rated_angle_deg / 4.0
    turn = 2.0 * math.pi * circle_hz
    return ScannerProfile(
        label=name,
        point_rate_hz=rated_rate_hz if point_rate_hz is None else point_rate_hz,
        field_deg=field_deg,
        rated_rate_hz=rated_rate_hz,
        rated_angle_deg=rated_angle_deg,
        natural_frequency_hz=circle_hz / ratio,
        damping=damping,
        acceleration_max_deg_s2=amplitude_deg * turn * turn,
        velocity_max_deg_s=3.2 * amplitude_deg * turn,
    )


GENERIC_PROFILES: Mapping[str, ScannerProfile] = {
    f"{kpps} kpps": profile_from_rating(kpps * 1000.0, label=f"{kpps} kpps")
    for kpps in (12, 20, 30, 40, 60)
}


def profile_to_json(profile: ScannerProfile) -> str:
    """Write a profile as JSON text, in physical units."""
    content: dict[str, Any] = {"schema": PROFILE_SCHEMA, "version": PROFILE_VERSION}
    for entry in fields(profile):
        value = getattr(profile, entry.name)
        content[entry.name] = list(value) if isinstance(value, tuple) else value
    return json.dumps(content, indent=2) + "\n"


def profile_from_json(text: str) -> ScannerProfile:
    """Read a profile written by `profile_to_json`; fields that are missing keep their default.

    Raises
    ------
    FormatError
        Where the text is not such a profile.
    SettingError
        Where a number is not finite or out of its range.
    """
    try:
        content = json.loads(text)
    except ValueError as error:
        raise FormatError(f"The profile is not valid JSON: {error}.") from None
    if not isinstance(content, dict) or content.get("schema") != PROFILE_SCHEMA:
        raise FormatError(f'The file is no scanner profile: "schema" must be "{PROFILE_SCHEMA}".')
    version = content.get("version")
    if version != PROFILE_VERSION:
        raise FormatError(
            f"The profile has version {version}; this Beamwright reads version {PROFILE_VERSION}."
        )
    known = {entry.name: entry.default for entry in fields(ScannerProfile)}
    unknown = sorted(set(content) - set(known) - {"schema", "version"})
    if unknown:
        raise FormatError(f'The profile has an unknown field "{unknown[0]}"; remove it.')
    values: dict[str, Any] = {}
    for name, default in known.items():
        if name not in content:
            continue
        value = content[name]
        if isinstance(default, tuple):
            good = isinstance(value, list) and len(value) == 3 and all(map(_is_number, value))
            value = tuple(float(item) for item in value) if good else value
        elif isinstance(default, bool):
            good = isinstance(value, bool)
        elif isinstance(default, str):
            good = isinstance(value, str)
        else:
            good = _is_number(value)
            value = float(value) if good else value
        if not good:
            raise FormatError(f'The profile\'s field "{name}" has the wrong type: {value!r}.')
        values[name] = value
    return ScannerProfile(**values)


def _is_number(value: object) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool)
