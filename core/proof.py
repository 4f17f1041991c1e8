# SPDX-License-Identifier: GPL-3.0-or-later
"""Pictures of rendered frames to look at: what mirrors and light make of the samples.

The samples of a frame are commands; the mirrors come later and round corners, and the light
is delayed to match. A picture of the commands would show light in the wrong places.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from .frame import Frame
from .points.projector import ScannerProfile, profile_from_rating
from .points.scanner import simulate
from .report.page_picture import encode_picture

__all__ = ["beam_path", "beam_picture"]

_SUBSTEPS = 4
# A first-order rise passes half its level after this many time constants, ln 2.
_HALF_LEVEL = 0.69


def beam_path(
    frame: Frame, profile: ScannerProfile | None = None
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.bool_]]:
    """Return the simulated path of the beam: xy (m, 2) field units, rgb (m, 3), lit (m,).

    Parameters
    ----------
    frame
    profile
        The scanners; None assumes a pair rated at the frame's point rate.
    """
    if profile is None:
        profile = profile_from_rating(frame.point_rate_hz)
    # The rise as a delay: each part of the path is then at its full colour, or dark.
    grid_hz = frame.point_rate_hz * _SUBSTEPS
    red, green, blue = (
        round((delay + _HALF_LEVEL * profile.rise_us) * 1e-6 * grid_hz) / grid_hz * 1e6
        for delay in profile.colour_delay_us
    )
    delays = (min(red, 2000.0), min(green, 2000.0), min(blue, 2000.0))
    sharp = replace(profile, rise_us=0.0, colour_delay_us=delays)
    beam = simulate(frame, sharp, _SUBSTEPS)
    # Without a rise the model gives the light that follows a row, not the one before it.
    rgb = np.roll(beam.rgb, 1, axis=0)
    return beam.xy, rgb, rgb.max(axis=1) > 1e-6


def beam_picture(frame: Frame, profile: ScannerProfile | None = None) -> bytes:
    """Return the picture of a frame for `report.page.PageWriter.append`; see `page_picture`.

    It depends on the arguments alone, so it may be kept beside a stored frame.
    """
    return encode_picture(*beam_path(frame, profile))
