# SPDX-License-Identifier: GPL-3.0-or-later
"""Where a camera must stand to have points within its page: closed forms, arrays only."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

__all__ = ["fit_orthographic", "fit_perspective"]

FloatArray = NDArray[np.float64]

LEAST_DISTANCE = 1e-4


def fit_perspective(points: FloatArray, bounds: tuple[float, float, float, float]) -> FloatArray:
    """Return the eye from which points fill a window, turned as it is.

    Parameters
    ----------
    points : (n, 3)
        In axes of the camera: right, up, forward.
    bounds
        Left, bottom, right, top of the window at distance 1; left < right, bottom < top.

    Returns
    -------
    (3,) right, up, forward. The points lie in the window, and touch two opposite sides of it.

    Notes
    -----
    A point is inside where ``left (z - e_z) <= x - e_x <= right (z - e_z)``, so each side asks
    for the largest value of a linear function of the points only. The two sides of one axis
    bound how far ahead the eye may be; the tighter axis decides.
    """
    left, bottom, right, top = bounds
    x, y, z = points.T
    rightmost, leftmost = (x - right * z).max(), (x - left * z).min()
    topmost, lowest = (y - top * z).max(), (y - bottom * z).min()
    forward = min(
        (leftmost - rightmost) / (right - left),
        (lowest - topmost) / (top - bottom),
        float(z.min()) - LEAST_DISTANCE,
    )
    # Each axis has room between its two sides: the middle is taken.
    eye_x = 0.5 * ((rightmost + right * forward) + (leftmost + left * forward))
    eye_y = 0.5 * ((topmost + top * forward) + (lowest + bottom * forward))
    return np.array([eye_x, eye_y, forward])


def fit_orthographic(
    points: FloatArray, bounds: tuple[float, float, float, float]
) -> tuple[FloatArray, float]:
    """Return right and up of the eye, (2,), and the factor of the window's size.

    Parameters
    ----------
    points : (n, 3)
        In axes of the camera: right, up, forward.
    bounds
        Left, bottom, right, top of the window around the eye; the factor scales all of them.
    """
    left, bottom, right, top = bounds
    low, high = points[:, :2].min(axis=0), points[:, :2].max(axis=0)
    size = high - low
    factor = float(max(size[0] / (right - left), size[1] / (top - bottom), 1e-6))
    middle = np.array([0.5 * (left + right), 0.5 * (bottom + top)])
    return 0.5 * (low + high) - factor * middle, factor
