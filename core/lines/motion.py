# SPDX-License-Identifier: GPL-3.0-or-later
"""Tell a body that was moved, turned or scaled as a whole from one that changed its shape."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

__all__ = ["SHAPE_TOLERANCE", "frame_corners", "similarity_between"]

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
    (ax, ay, az), (bx, by, bz), (cx, cy, cz) = new
    extent = max(map(abs, (ax, ay, az, bx, by, bz, cx, cy, cz)))
    # Rows of the inverse of the matrix whose columns are the old frame; written out, because
    # this runs for every body of every frame.
    p0, p1, p2 = e * i - f * h, f * g - d * i, d * h - e * g
    q0, q1, q2 = c * h - b * i, a * i - c * g, b * g - a * h
    r0, r1, r2 = b * f - c * e, c * d - a * f, a * e - b * d
    determinant = a * p0 + b * p1 + c * p2
    if determinant == 0.0:
        return None, extent
    inverse = 1.0 / determinant
    xx = (ax * p0 + bx * q0 + cx * r0) * inverse
    xy = (ax * p1 + bx * q1 + cx * r1) * inverse
    xz = (ax * p2 + bx * q2 + cx * r2) * inverse
    yx = (ay * p0 + by * q0 + cy * r0) * inverse
    yy = (ay * p1 + by * q1 + cy * r1) * inverse
    yz = (ay * p2 + by * q2 + cy * r2) * inverse
    zx = (az * p0 + bz * q0 + cz * r0) * inverse
    zy = (az * p1 + bz * q1 + cz * r1) * inverse
    zz = (az * p2 + bz * q2 + cz * r2) * inverse
    squares = xx * xx + yx * yx + zx * zx, xy * xy + yy * yy + zy * zy, xz * xz + yz * yz + zz * zz
    scale = sum(squares) / 3.0
    slack = 1e-5 * scale
    if (
        max(squares) - scale > slack
        or scale - min(squares) > slack
        or abs(xx * xy + yx * yy + zx * zy) > slack
        or abs(xx * xz + yx * yz + zx * zz) > slack
        or abs(xy * xz + yy * yz + zy * zz) > slack
    ):
        return None, extent
    return ((xx, xy, xz), (yx, yy, yz), (zx, zy, zz)), extent


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
