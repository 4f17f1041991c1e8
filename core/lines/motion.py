# SPDX-License-Identifier: GPL-3.0-or-later
"""Tell a body that was moved, turned or scaled as a whole from one that changed its shape."""

from __future__ import annotations

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
    frames = []
    if corner is None:
        corner = frame_corners(old)
    if corner is None:
        return None
    for positions in (old, new):
        a, b = positions[corner[1:]] - positions[corner[0]]
        normal = np.cross(a, b)
        length = float(np.sqrt(normal @ normal))
        if length == 0.0:
            return None
        frames.append(np.stack([a, b, normal * (np.sqrt(a @ a) / length)], axis=1))
    linear = frames[1] @ np.linalg.inv(frames[0])
    gram = linear.T @ linear
    scale = gram.trace() / 3.0
    if not np.allclose(gram, scale * np.eye(3), rtol=0.0, atol=1e-5 * scale):
        return None
    shift = new[corner[0]] - linear @ old[corner[0]]
    limit = SHAPE_TOLERANCE * np.abs(frames[1]).max()
    few = np.linspace(0, len(old) - 1, 16).astype(np.int64)  # tell most that differ at once
    for rows in (few, slice(None)):
        if np.abs(old[rows] @ linear.T + shift - new[rows]).max() > limit:
            return None
    return np.column_stack([linear, shift])


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
