# SPDX-License-Identifier: GPL-3.0-or-later
"""Tell a body that was moved, turned or scaled as a whole from one that changed its shape."""

from __future__ import annotations

import math
from typing import cast

import numpy as np
from numpy.typing import NDArray

__all__ = ["frame_corners", "similarity_between"]

FloatArray = NDArray[np.float64]

SHAPE_TOLERANCE = 1e-6
"""Largest deviation from a similarity, relative to the body's extent."""


def similarity_between(
    old: FloatArray, new: FloatArray, corner: NDArray[np.int64] | None = None
) -> FloatArray | None:
    """Find the rotation, uniform scale and translation that carries `old` to `new`.

    Parameters
    ----------
    old, new : (n, 3) float64
        Positions of the same vertices.
    corner
        `frame_corners(old)`, where it is known.

    Returns
    -------
    (3, 4) float64 or None
        Linear part and translation; None where the shape differs (by more than 1e-6 of its
        extent), is mirrored, or has no extent in two directions.
    """
    if old.shape != new.shape or len(old) < 3:
        return None
    if corner is None:
        corner = frame_corners(old)
    if corner is None:
        return None
    before, after = _frame(old[corner]), _frame(new[corner])
    if before is None or after is None:
        return None
    linear, extent = _from_frame_to_frame(before, after)
    if linear is None:
        return None
    turned = np.array(linear)
    shift = new[corner[0]] - turned @ old[corner[0]]
    limit = SHAPE_TOLERANCE * extent
    few = new[:: max(len(new) // 16, 1)]  # tell most that differ at once
    for ours, theirs in ((old[:: max(len(old) // 16, 1)], few), (old, new)):
        if np.abs(ours @ turned.T + shift - theirs).max() > limit:
            return None
    return np.column_stack([turned, shift])


Vector = tuple[float, float, float]
Rows = tuple[Vector, Vector, Vector]


def _frame(corners: FloatArray) -> Rows | None:
    """Two sides and a normal as long as the first, for three corners; plain floats are faster."""
    (ox, oy, oz), (px, py, pz), (qx, qy, qz) = corners.tolist()
    ax, ay, az = px - ox, py - oy, pz - oz
    bx, by, bz = qx - ox, qy - oy, qz - oz
    nx, ny, nz = ay * bz - az * by, az * bx - ax * bz, ax * by - ay * bx
    length = math.sqrt(nx * nx + ny * ny + nz * nz)
    if not length > 0.0:
        return None
    scale = math.sqrt(ax * ax + ay * ay + az * az) / length
    return (ax, ay, az), (bx, by, bz), (nx * scale, ny * scale, nz * scale)


def _from_frame_to_frame(old: Rows, new: Rows) -> tuple[Rows | None, float]:
    """Return the linear map between two frames if it is a similarity, and the new extent."""
    (a, b, c), (d, e, f), (g, h, i) = old
    # Rows of the inverse of the matrix whose columns are the old frame.
    rows = (
        (e * i - f * h, f * g - d * i, d * h - e * g),
        (c * h - b * i, a * i - c * g, b * g - a * h),
        (b * f - c * e, c * d - a * f, a * e - b * d),
    )
    determinant = a * rows[0][0] + b * rows[0][1] + c * rows[0][2]
    extent = max(abs(value) for vector in new for value in vector)
    if determinant == 0.0:
        return None, extent
    linear = tuple(
        tuple(
            sum(new[k][row] * rows[k][column] for k in range(3)) / determinant
            for column in range(3)
        )
        for row in range(3)
    )
    gram = [
        sum(linear[k][row] * linear[k][column] for k in range(3))
        for row, column in ((0, 0), (1, 1), (2, 2), (0, 1), (0, 2), (1, 2))
    ]
    scale = (gram[0] + gram[1] + gram[2]) / 3.0
    slack = 1e-5 * scale
    if any(abs(value - scale) > slack for value in gram[:3]) or any(
        abs(value) > slack for value in gram[3:]
    ):
        return None, extent
    return cast("Rows", linear), extent


def frame_corners(positions: FloatArray) -> NDArray[np.int64] | None:
    """Pick three vertices far apart and far from one line, (3,); None where there are none."""
    if len(positions) < 3:
        return None
    offset = positions - positions[0]
    second = int(np.argmax(np.einsum("ij,ij->i", offset, offset)))
    axis = offset[second]
    length2 = float(axis @ axis)
    if length2 == 0.0:
        return None
    aside = offset - np.outer(offset @ axis / length2, axis)
    distance2 = np.einsum("ij,ij->i", aside, aside)
    third = int(np.argmax(distance2))
    if distance2[third] <= 1e-8 * length2:
        return None
    return np.array([0, second, third])
