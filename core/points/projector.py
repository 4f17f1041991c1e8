# SPDX-License-Identifier: GPL-3.0-or-later
"""A projector: its scanners' profile, its place in the show, and how the picture is aimed.

The profile is kept in physical units, so that another point rate or field angle is a
conversion and not a new tuning.
"""

from __future__ import annotations

from dataclasses import dataclass

__all__ = ["Aim", "Projector", "ScannerProfile"]

Corners = tuple[tuple[float, float], tuple[float, float], tuple[float, float], tuple[float, float]]
NO_KEYSTONE: Corners = ((-1.0, -1.0), (1.0, -1.0), (1.0, 1.0), (-1.0, 1.0))


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
    """

    name: str = "Projector"
    profile: ScannerProfile = ScannerProfile()
    target_refresh_hz: float = 30.0
    aim: Aim = Aim()
    number: int = 0

    @property
    def budget(self) -> int:
        """Most points a frame may have: point rate over target refresh, rounded down."""
        return max(1, int(self.profile.point_rate_hz / self.target_refresh_hz + 1e-9))
