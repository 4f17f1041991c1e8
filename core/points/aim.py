# SPDX-License-Identifier: GPL-3.0-or-later
"""Aim a picture at its place in the projector's field, and clip it to the field."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ..errors import SettingError
from ..strokes import Strokes
from .projector import NO_KEYSTONE, Aim

__all__ = ["aim_matrix", "aimed", "clipped_to_field", "projected"]

FloatArray = NDArray[np.float64]

_SHORTEST = 1e-9  # pieces that a clip leaves behind by rounding


def aim_matrix(aim: Aim) -> FloatArray:
    """Return the projective map of an aim: (3, 3), for column vectors (x, y, 1).

    Raises
    ------
    SettingError
        Where a number is not finite, a scale is 0, or the four corners do not form a convex
        quadrilateral that runs counter-clockwise.
    """
    numbers = [aim.scale_x, aim.scale_y, aim.rotation_rad, aim.offset_x, aim.offset_y]
    corners = np.asarray(aim.corners, np.float64)
    if not (np.all(np.isfinite(numbers)) and np.all(np.isfinite(corners))):
        raise SettingError("The picture's placement has a number that is not finite; reset it.")
    if aim.scale_x == 0.0 or aim.scale_y == 0.0:
        raise SettingError("The picture's scale is 0; set it above 0, for instance to 0.95.")
    cosine, sine = math.cos(aim.rotation_rad), math.sin(aim.rotation_rad)
    scale = np.diag(
        [
            -aim.scale_x if aim.mirror_x else aim.scale_x,
            -aim.scale_y if aim.mirror_y else aim.scale_y,
            1.0,
        ]
    )
    turn = np.array([[cosine, -sine, aim.offset_x], [sine, cosine, aim.offset_y], [0, 0, 1.0]])
    result: FloatArray = _keystone(corners) @ turn @ scale
    return result


def _keystone(corners: FloatArray) -> FloatArray:
    """Projective map from the field's corners to `corners`, (4, 2) (Heckbert 1989)."""
    if np.array_equal(corners, np.asarray(NO_KEYSTONE)):
        return np.eye(3)
    side = np.roll(corners, -1, axis=0) - corners
    after = np.roll(side, -1, axis=0)
    turn = side[:, 0] * after[:, 1] - side[:, 1] * after[:, 0]
    if corners.shape != (4, 2) or np.any(turn <= 1e-3):
        raise SettingError(
            "The keystone corners do not form a convex quadrilateral (lower left, lower right, "
            "upper right, upper left): move the corners apart or reset them."
        )
    source = np.asarray(NO_KEYSTONE, np.float64)
    rows = []
    for (x, y), (u, v) in zip(source, corners, strict=True):
        rows.append([x, y, 1, 0, 0, 0, -u * x, -u * y])
        rows.append([0, 0, 0, x, y, 1, -v * x, -v * y])
    solution = np.linalg.solve(np.array(rows, np.float64), corners.ravel())
    return np.append(solution, 1.0).reshape(3, 3)


def aimed(strokes: Strokes, aim: Aim) -> Strokes:
    """Return the strokes in the projector's field, clipped to it; see `projected`."""
    return clipped_to_field(projected(strokes, aim))


def projected(strokes: Strokes, aim: Aim) -> Strokes:
    """Return the strokes in the projector's field, not yet clipped to it.

    Parameters
    ----------
    strokes
        In field coordinates of the camera.
    aim
        Place of the picture.

    Raises
    ------
    SettingError
        See `aim_matrix`; also where a keystone would send part of the picture through infinity.

    Notes
    -----
    A projective map keeps straight lines straight, so vertices are enough.
    """
    matrix = aim_matrix(aim)
    if len(strokes) == 0:
        return strokes
    homogeneous = strokes.points @ matrix[:, :2].T + matrix[:, 2]
    depth = homogeneous[:, 2]
    if np.any(depth <= 1e-6):
        raise SettingError(
            "The keystone is too strong for the picture's scale and offset: part of the picture "
            "would lie behind the horizon. Move the corners back or make the picture smaller."
        )
    return strokes.with_points(homogeneous[:, :2] / depth[:, None])


def clipped_to_field(strokes: Strokes, half_size: ArrayLike = (1.0, 1.0)) -> Strokes:
    """Cut strokes at the rectangle ±`half_size`; what lies outside is left out.

    A stroke that leaves the rectangle and comes back becomes several, with the columns of
    the one they come from; a closed stroke that is cut stays joined across its seam.

    Notes
    -----
    Liang and Barsky 1984, on all segments at once.
    """
    half = np.asarray(half_size, np.float64)
    inside = np.all(np.abs(strokes.points) <= half, axis=1)
    if np.all(inside):
        return strokes
    whole = np.logical_and.reduceat(inside, strokes.offsets[:-1])
    lines: list[FloatArray] = []
    source: list[int] = []
    for index in range(len(strokes)):
        line = strokes.polyline(index)
        if whole[index]:
            lines.append(line)
            source.append(index)
        elif len(line) > 1:
            pieces = _clip_polyline(line, half)
            lines.extend(pieces)
            source.extend([index] * len(pieces))
    rows = np.asarray(source, np.int64)
    cut = Strokes.from_polylines(lines, object_names=strokes.object_names)
    return replace(
        cut,
        colour=strokes.colour[rows],
        kind=strokes.kind[rows],
        object_index=strokes.object_index[rows],
        identity=strokes.identity[rows],
    )


def _clip_polyline(line: FloatArray, half: FloatArray) -> list[FloatArray]:
    start, step = line[:-1], np.diff(line, axis=0)
    enter = np.zeros(len(step))
    leave = np.ones(len(step))
    for axis in (0, 1):
        for sign in (1.0, -1.0):
            slope = sign * step[:, axis]
            room = half[axis] - sign * start[:, axis]
            with np.errstate(divide="ignore", invalid="ignore"):
                at = room / slope
            leave = np.where(slope > 0.0, np.minimum(leave, at), leave)
            enter = np.where(slope < 0.0, np.maximum(enter, at), enter)
            leave = np.where((slope == 0.0) & (room < 0.0), -1.0, leave)
    kept = leave > enter
    pieces: list[list[FloatArray]] = []
    open_ended = False
    for segment in np.flatnonzero(kept):
        first = start[segment] + enter[segment] * step[segment] if enter[segment] > 0 else None
        last = leave[segment]
        end = line[segment + 1] if last >= 1.0 else start[segment] + last * step[segment]
        if first is None and open_ended and segment > 0 and kept[segment - 1]:
            pieces[-1].append(end)
        else:
            pieces.append([start[segment] if first is None else first, end])
        open_ended = last >= 1.0
    if (
        len(pieces) > 1
        and np.array_equal(line[0], line[-1])
        and np.array_equal(pieces[0][0], line[0])
        and np.array_equal(pieces[-1][-1], line[-1])
    ):
        pieces[0] = pieces.pop() + pieces[0][1:]
    arrays = [np.clip(np.array(piece), -half, half) for piece in pieces]
    return [piece for piece in arrays if np.abs(np.diff(piece, axis=0)).sum() > _SHORTEST]
