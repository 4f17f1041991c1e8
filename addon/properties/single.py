# SPDX-License-Identifier: GPL-3.0-or-later
"""Numbers that Blender stores in single precision, as the artist typed them."""

import math

import numpy as np


def exact(value: float, default: float = math.nan) -> float:
    """Return the number the artist meant by a stored single-precision value.

    Blender stores 0.95 as 0.949999988…; the shortest decimal that gives the same single
    is taken, or `default` where that is the one stored.
    """
    single = np.float32(value)
    if single == np.float32(default):
        return float(default)
    return float(str(single))
