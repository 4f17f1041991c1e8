# SPDX-License-Identifier: GPL-3.0-or-later
"""What a projector must never do, what is known of its light, and where it is reached live."""

from typing import Any

import bpy
from bpy.props import (
    BoolProperty,
    EnumProperty,
    FloatProperty,
    FloatVectorProperty,
    IntProperty,
    PointerProperty,
    StringProperty,
)

from ...core.live.idn import PORT
from ...core.live.sender import DEFAULT_LEVEL
from ...core.safety.exposure import BeamWidth, Edition
from ...core.safety.laser import LaserSetup, LaserSource
from ...core.safety.limits import SPOT_MIN_FIELD, SafetyLimits
from ...core.safety.zones import MARGIN_MIN_FIELD, KeepOut
from .single import exact

_LIMITS = SafetyLimits()


class BEAMWRIGHT_PG_safety(bpy.types.PropertyGroup):
    """Limits that every frame of a projector keeps, in files and live."""

    keep_outs: PointerProperty(
        name="Keep-Out Areas",
        description="Collection of flat objects. Nothing is ever lit where they lie over the "
        "page, as the camera sees them; hidden ones count as well",
        type=bpy.types.Collection,
    )
    margin_field: FloatProperty(
        name="Margin",
        description="Nothing is lit nearer to a keep-out area than this, in half widths of the "
        "field",
        default=_LIMITS.margin_field,
        min=MARGIN_MIN_FIELD,
        max=1.0,
        soft_max=0.2,
        step=0.1,
        precision=4,
    )
    window_low: FloatVectorProperty(
        name="Window Lower Left",
        description="Nothing is lit left of and below this corner, in half widths of the field",
        size=2,
        default=_LIMITS.window[:2],
        min=-1.0,
        max=1.0,
        step=1,
        precision=3,
    )
    window_high: FloatVectorProperty(
        name="Window Upper Right",
        description="Nothing is lit right of and above this corner, in half widths of the field",
        size=2,
        default=_LIMITS.window[2:],
        min=-1.0,
        max=1.0,
        step=1,
        precision=3,
    )
    dwell_max_us: FloatProperty(
        name="Longest Dwell",
        description="Longest time in microseconds that the beam may stay lit in one spot; "
        "0 for no limit",
        default=_LIMITS.dwell_max_us,
        min=0.0,
        max=1e6,
        precision=0,
    )
    spot_field: FloatProperty(
        name="Spot",
        description="Side of the square that counts as one spot, in half widths of the field",
        default=_LIMITS.spot_field,
        min=SPOT_MIN_FIELD,
        max=1.0,
        soft_max=0.1,
        step=0.1,
        precision=3,
    )
    brightness_max: FloatProperty(
        name="Brightest Spot",
        description="Largest share of the projector's full output that may fall on any spot, "
        "averaged over the frame",
        subtype="FACTOR",
        default=_LIMITS.brightness_max,
        min=0.0,
        max=1.0,
    )
    picture_min_field: FloatProperty(
        name="Smallest Picture",
        description="A picture smaller than this is dimmed in proportion, in half widths of the "
        "field. Twice the power asks for twice the size; 0 for no limit",
        default=_LIMITS.picture_min_field,
        min=0.0,
        max=2.0,
        step=1,
        precision=3,
    )

    def to_core(self, zones: tuple[KeepOut, ...] = ()) -> SafetyLimits:
        """Return the frozen limits with these keep-out areas.

        Raises
        ------
        SettingError
            If the window is empty.
        """
        return SafetyLimits(
            zones=zones,
            margin_field=exact(self.margin_field, _LIMITS.margin_field),
            window=(
                exact(self.window_low[0]),
                exact(self.window_low[1]),
                exact(self.window_high[0]),
                exact(self.window_high[1]),
            ),
            spot_field=exact(self.spot_field, _LIMITS.spot_field),
            dwell_max_us=exact(self.dwell_max_us, _LIMITS.dwell_max_us),
            brightness_max=exact(self.brightness_max, _LIMITS.brightness_max),
            picture_min_field=exact(self.picture_min_field, _LIMITS.picture_min_field),
        )


def _colours(name: str, description: str, **options: Any) -> Any:
    return FloatVectorProperty(name=name, description=description, size=3, **options)


def _known(value: float) -> float | None:
    return exact(value) if value > 0.0 else None


class BEAMWRIGHT_PG_light(bpy.types.PropertyGroup):
    """What is known of a projector's light; 0 is unknown."""

    wavelength_nm: _colours(
        "Wavelength",
        "Of red, green and blue in nanometres, from the projector's papers; 0 is unknown",
        default=(0.0, 0.0, 0.0),
        min=0.0,
        max=2000.0,
        precision=0,
    )
    power_w: _colours(
        "Power",
        "Full power of red, green and blue in watts; 0 is unknown, -1 a colour it has not",
        default=(0.0, 0.0, 0.0),
        min=-1.0,
        max=1000.0,
        precision=3,
    )
    divergence_mrad: FloatProperty(
        name="Divergence",
        description="Full angle in milliradians; 0 is unknown",
        default=0.0,
        min=0.0,
        max=100.0,
        precision=2,
    )
    diameter_mm: FloatProperty(
        name="Beam Diameter",
        description="At the projector's window, in millimetres; 0 is unknown",
        default=0.0,
        min=0.0,
        max=200.0,
        precision=1,
    )
    width: EnumProperty(
        name="Measured",
        description="How diameter and divergence were measured; without it no distance is given",
        items=[
            ("UNKNOWN", "Not Known", "Nobody says how it was measured: no figures"),
            ("INVERSE_E", "To 1/e", BeamWidth.INVERSE_E.value),
            ("INVERSE_E2", "To 1/e²", BeamWidth.INVERSE_E2.value),
        ],
        default="UNKNOWN",
    )
    distance_m: FloatProperty(
        name="Throw",
        description="From the projector to the nearest place its light can reach, in metres; "
        "0 is unknown",
        default=0.0,
        min=0.0,
        max=1000.0,
        precision=2,
    )
    edition: EnumProperty(
        name="Edition",
        description="Which generation of exposure limits the figures use",
        items=[
            (item.name, item.name.replace("GENERATION_", "") + " Generation", item.value)
            for item in Edition
        ],
        default=Edition.GENERATION_2006.name,
    )
    check_live: BoolProperty(
        name="Go Dark over a Limit",
        description="Live output goes dark for a frame whose worst spot is over the limit below, "
        "or whose exposure cannot be computed",
        default=False,
    )
    ratio_max: FloatProperty(
        name="Times the Limit",
        description="Largest exposure of the worst spot at the throw distance, in parts of the "
        "permissible one. On a screen nobody looks into the beam, and larger values are usual",
        default=1.0,
        min=0.001,
        soft_max=1000.0,
    )

    def to_core(self) -> LaserSetup:
        """Return the frozen setup; unknown is None."""
        red, green, blue = self.wavelength_nm
        powers = [0.0 if power < 0.0 else _known(power) for power in self.power_w]
        return LaserSetup(
            source=LaserSource(
                wavelength_nm=(_known(red), _known(green), _known(blue)),
                power_w=(powers[0], powers[1], powers[2]),
                divergence_mrad=_known(self.divergence_mrad),
                diameter_mm=_known(self.diameter_mm),
                width=None if self.width == "UNKNOWN" else BeamWidth[self.width],
            ),
            distance_m=_known(self.distance_m),
            edition=Edition[self.edition],
            ratio_max=exact(self.ratio_max) if self.check_live else None,
        )


class BEAMWRIGHT_PG_live(bpy.types.PropertyGroup):
    """Where a projector is reached over the network. Whether it is lit is never stored."""

    host: StringProperty(
        name="Address",
        description="Host name or address of the projector; light is sent here and nowhere else",
        default="",
    )
    port: IntProperty(
        name="Port", description="UDP port of the projector", default=PORT, min=1, max=65535
    )
    channel: IntProperty(
        name="Channel", description="Channel of the projector", default=0, min=0, max=63
    )
    service: IntProperty(
        name="Service",
        description="Service of the unit; 0 is the one it offers by itself",
        default=0,
        min=0,
        max=255,
    )
    wave: BoolProperty(
        name="Continuous",
        description="One continuous stream instead of repeated frames",
        default=False,
    )
    acknowledges: BoolProperty(
        name="Answers",
        description="The projector answers, and its silence makes dark. Switch off for units that "
        "never answer",
        default=True,
    )
    level: FloatProperty(
        name="Master Level",
        description="Level of all light once armed",
        subtype="FACTOR",
        default=DEFAULT_LEVEL,
        min=0.001,
        max=1.0,
    )


CLASSES = (BEAMWRIGHT_PG_safety, BEAMWRIGHT_PG_light, BEAMWRIGHT_PG_live)
