# SPDX-License-Identifier: GPL-3.0-or-later
"""Settings of a scanner pair and its laser."""

from typing import Any

import bpy
import numpy as np
from bpy.props import (
    BoolProperty,
    EnumProperty,
    FloatProperty,
    FloatVectorProperty,
    IntProperty,
    StringProperty,
)

from ...core.points.projector import GENERIC_PROFILES, ScannerProfile
from .single import exact

_PROFILE = ScannerProfile()

RATINGS = {f"K{name.split()[0]}": name for name in GENERIC_PROFILES}
"""Identifiers of the ratings to choose from, and their names in `GENERIC_PROFILES`."""

_RATING_ITEMS = [
    (
        identifier,
        name,
        f"Scanners rated at {GENERIC_PROFILES[name].rated_rate_hz:,.0f} points a second at "
        f"{GENERIC_PROFILES[name].rated_angle_deg:g} degrees",
    )
    for identifier, name in RATINGS.items()
] + [("CUSTOM", "Custom", "The values below, for a measured or tuned scanner pair")]


_RATING_FIELDS = (
    "point_rate_hz",
    "rated_rate_hz",
    "rated_angle_deg",
    "natural_frequency_hz",
    "damping",
    "acceleration_max_deg_s2",
    "velocity_max_deg_s",
)
"""What a rating settles; the rest is the artist's."""


def _get_rating(profile: Any) -> int:
    """Return the place of the rating whose values these are; the last where none fits."""
    for place, name in enumerate(RATINGS.values()):
        # A new projector has the usual pair's values, which are rounded.
        usual = [_PROFILE] if name == _PROFILE.label else []
        for known in (GENERIC_PROFILES[name], *usual):
            if all(
                np.float32(getattr(profile, field)) == np.float32(getattr(known, field))
                for field in _RATING_FIELDS
            ):
                return place
    return len(RATINGS)


def _set_rating(profile: Any, place: int) -> None:
    """Take over a rating's values; the last place keeps those that are set."""
    if place < len(RATINGS):
        generic = GENERIC_PROFILES[list(RATINGS.values())[place]]
        profile.set_from(generic.converted(field_deg=profile.field_deg))


class BEAMWRIGHT_PG_profile(bpy.types.PropertyGroup):
    """What a scanner pair and its laser can do."""

    rating: EnumProperty(
        name="Rating",
        description="Start from the usual values of scanners with this rating, which stands in the "
        "projector's papers. The test pictures show whether they fit this very pair",
        items=_RATING_ITEMS,
        get=_get_rating,
        set=_set_rating,
    )
    label: StringProperty(
        name="Label", description="Name of this scanner profile", default=_PROFILE.label
    )
    point_rate_hz: IntProperty(
        name="Point Rate",
        description="Points sent to the scanners each second. A higher rate allows more points at "
        "the same refresh, but faster than their rating, scanners round corners and shrink circles",
        default=round(_PROFILE.point_rate_hz),
        min=1000,
        max=200000,
        soft_min=8000,
        soft_max=60000,
        step=1000,
    )
    field_deg: FloatProperty(
        name="Scan Angle",
        description="Full optical angle that the picture's field spans, in degrees. "
        "A wider field asks more of the scanners at the same point rate",
        default=_PROFILE.field_deg,
        min=0.5,
        max=120.0,
        soft_min=4.0,
        soft_max=60.0,
        precision=1,
    )
    rated_rate_hz: IntProperty(
        name="Rated Rate",
        description="Point rate at which the pair draws the standard test picture right",
        default=round(_PROFILE.rated_rate_hz),
        min=1000,
        max=200000,
        step=1000,
    )
    rated_angle_deg: FloatProperty(
        name="Rated Angle",
        description="Full optical angle of the rating, in degrees",
        default=_PROFILE.rated_angle_deg,
        min=0.5,
        max=120.0,
        precision=1,
    )
    natural_frequency_hz: FloatProperty(
        name="Natural Frequency",
        description="How fast the scanners follow: natural frequency of their closed loop, "
        "in hertz. About a twelfth of the rated point rate",
        default=_PROFILE.natural_frequency_hz,
        min=50.0,
        max=50000.0,
        precision=0,
    )
    damping: FloatProperty(
        name="Damping",
        description="Damping ratio of the closed loop. Below 0.7 corners ring, "
        "above 1 the scanners creep",
        default=_PROFILE.damping,
        min=0.2,
        max=3.0,
        soft_min=0.5,
        soft_max=1.2,
        step=1,
        precision=2,
    )
    acceleration_max_deg_s2: FloatProperty(
        name="Acceleration Limit",
        description="Largest acceleration of the beam, in degrees per second squared. Set too "
        "high, corners are rounded; too low, frames take more points than they need",
        default=_PROFILE.acceleration_max_deg_s2,
        min=1.0e5,
        max=1.0e11,
        precision=0,
    )
    velocity_max_deg_s: FloatProperty(
        name="Speed Limit",
        description="Largest speed of the beam, in degrees per second. It decides how long far "
        "jumps without light take",
        default=_PROFILE.velocity_max_deg_s,
        min=100.0,
        max=1.0e8,
        precision=0,
    )
    colour_delay_us: FloatVectorProperty(
        name="Colour Delay",
        description="How late red, green and blue light come after their point, in microseconds. "
        "Wrong, strokes begin or end with tails of one colour",
        size=3,
        default=_PROFILE.colour_delay_us,
        min=-2000.0,
        max=2000.0,
        soft_min=-200.0,
        soft_max=500.0,
        precision=1,
    )
    rise_us: FloatProperty(
        name="Rise Time",
        description="Time constant with which the light comes up, in microseconds. Strokes are lit "
        "that much earlier, so that they do not begin dim",
        default=_PROFILE.rise_us,
        min=0.0,
        max=2000.0,
        soft_max=200.0,
        precision=1,
    )
    settle: BoolProperty(
        name="Settle",
        description="Hold the beam still for a moment at both ends of a stroke. "
        "Cleaner ends for a few more points",
        default=_PROFILE.settle,
    )
    tolerance_field: FloatProperty(
        name="Corner Tolerance",
        description="Largest rounding of a corner that is accepted, in half widths of the field",
        default=_PROFILE.tolerance_field,
        min=0.0001,
        max=0.1,
        step=0.1,
        precision=4,
    )
    minimum_level: FloatProperty(
        name="Lowest Level",
        description="Drive level at which the laser starts to shine; drawn colours begin above it",
        default=_PROFILE.minimum_level,
        min=0.0,
        max=0.99,
        subtype="FACTOR",
    )
    tuned: BoolProperty(
        name="Tuned",
        description="These numbers were found with the test pictures on this very scanner pair",
        default=_PROFILE.tuned,
    )

    def set_from(self, profile: ScannerProfile) -> None:
        """Take over the values of a core profile."""
        self.label = profile.label
        self.point_rate_hz = round(profile.point_rate_hz)
        self.field_deg = profile.field_deg
        self.rated_rate_hz = round(profile.rated_rate_hz)
        self.rated_angle_deg = profile.rated_angle_deg
        self.natural_frequency_hz = profile.natural_frequency_hz
        self.damping = profile.damping
        self.acceleration_max_deg_s2 = profile.acceleration_max_deg_s2
        self.velocity_max_deg_s = profile.velocity_max_deg_s
        self.colour_delay_us = profile.colour_delay_us
        self.rise_us = profile.rise_us
        self.settle = profile.settle
        self.tolerance_field = profile.tolerance_field
        self.minimum_level = profile.minimum_level
        self.tuned = profile.tuned

    def to_core(self) -> ScannerProfile:
        """Return the frozen profile."""
        red, green, blue = (exact(value) for value in self.colour_delay_us)
        return ScannerProfile(
            label=self.label,
            point_rate_hz=float(self.point_rate_hz),
            field_deg=exact(self.field_deg, _PROFILE.field_deg),
            rated_rate_hz=float(self.rated_rate_hz),
            rated_angle_deg=exact(self.rated_angle_deg, _PROFILE.rated_angle_deg),
            natural_frequency_hz=exact(self.natural_frequency_hz, _PROFILE.natural_frequency_hz),
            damping=exact(self.damping, _PROFILE.damping),
            acceleration_max_deg_s2=exact(
                self.acceleration_max_deg_s2, _PROFILE.acceleration_max_deg_s2
            ),
            velocity_max_deg_s=exact(self.velocity_max_deg_s, _PROFILE.velocity_max_deg_s),
            colour_delay_us=(red, green, blue),
            rise_us=exact(self.rise_us, _PROFILE.rise_us),
            settle=self.settle,
            tolerance_field=exact(self.tolerance_field, _PROFILE.tolerance_field),
            minimum_level=exact(self.minimum_level, _PROFILE.minimum_level),
            tuned=self.tuned,
        )
