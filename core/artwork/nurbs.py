# SPDX-License-Identifier: GPL-3.0-or-later
"""NURBS curves as polylines."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

__all__ = ["nurbs_polyline"]

FloatArray = NDArray[np.float64]
STEPS = 16


def nurbs_polyline(
    points: ArrayLike,
    weights: ArrayLike,
    order: int,
    *,
    cyclic: bool,
    clamped: bool,
    steps: int = STEPS,
) -> FloatArray:
    """Return points along a NURBS curve with uniform knots.

    Parameters
    ----------
    points : (n, d) float64
        Control points.
    weights : (n,) float64
    order
        Degree plus one; at most the number of points.
    cyclic
        The curve closes; its last point is not repeated.
    clamped
        An open curve begins and ends in its end points.
    steps
        Points for each span of the knots.

    Notes
    -----
    Basis functions by the recursion of Cox and de Boor (L. Piegl, W. Tiller, The NURBS Book,
    2nd edition 1997, equation 2.5).
    """
    control: FloatArray = np.asarray(points, np.float64)
    weight: FloatArray = np.asarray(weights, np.float64)
    count = len(control)
    order = min(max(int(order), 2), count)
    if count < 2:
        return control
    if cyclic:
        control = np.concatenate([control, control[: order - 1]])
        weight = np.concatenate([weight, weight[: order - 1]])
    knots = np.arange(len(control) + order, dtype=np.float64)
    if clamped and not cyclic:
        knots = np.clip(knots, order - 1, len(control))
    first, last = knots[order - 1], knots[len(control)]
    spans = round(last - first)
    u = np.linspace(first, last, spans * steps + 1)
    if cyclic:
        u = u[:-1]
    basis = _basis(u, knots, order) * weight
    result: FloatArray = (basis @ control) / basis.sum(axis=1, keepdims=True)
    return result


def _basis(u: FloatArray, knots: FloatArray, order: int) -> FloatArray:
    """Basis functions of the given order at parameters `u`, (len(u), number of points)."""
    last = len(knots) - order - 1
    span = np.clip(np.searchsorted(knots, u, side="right") - 1, order - 1, last)
    basis: FloatArray = (np.arange(len(knots) - 1)[None, :] == span[:, None]).astype(np.float64)
    for degree in range(1, order):
        width = knots[degree:] - knots[:-degree]
        safe = np.where(width > 0.0, width, 1.0)
        rise = np.where(width > 0.0, (u[:, None] - knots[:-degree]) / safe, 0.0)
        fall = np.where(width > 0.0, (knots[degree:] - u[:, None]) / safe, 0.0)
        basis = rise[:, :-1] * basis[:, :-1] + fall[:, 1:] * basis[:, 1:]
    return basis
