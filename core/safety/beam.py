# SPDX-License-Identifier: GPL-3.0-or-later
"""Where the beam of a looped frame may really run: the scanner model with its spread."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from ..points.projector import ScannerProfile

__all__ = ["beam_paths", "settling_samples", "step_reach"]

FloatArray = NDArray[np.float64]

SUBSTEPS_MIN = 4
SUBSTEPS_MAX = 32
REACH_MAX = 10.0
SETTLED = 1e-6
SETTLING_SAMPLES_MAX = 4096


def beam_paths(
    xy: FloatArray,
    point_rate_hz: float,
    profile: ScannerProfile,
    spread: float,
    sagitta_field: float,
) -> FloatArray | None:
    """Simulate a looped frame for scanners at, below and above their natural frequency.

    Parameters
    ----------
    xy : (n, 2) float64
        Commanded positions, in the field.
    point_rate_hz
        Samples a second.
    profile
        The scanners.
    spread
        Share by which the natural frequency may differ.
    sagitta_field
        How far the true curve may stray from the returned polyline, which sets the number
        `m` of its pieces in each sample (4 to 32).

    Returns
    -------
    (3, m + 1, 2, n) float64 or None
        The beam while each sample is commanded, from its start to its end. None if the
        profile's numbers give no finite or no bounded answer. (Samples come last because
        extents are taken over the short axes.)
    """
    turn = 2.0 * math.pi * profile.natural_frequency_hz / point_rate_hz
    turns = [turn, turn * (1.0 - spread), turn * (1.0 + spread)]
    zeta = profile.damping
    u = np.ascontiguousarray(xy.T)
    with np.errstate(all="ignore"):
        x, v = _steady_state(u, turns, zeta)
        error = x - u
        w = np.array(turns)[:, None, None]
        bend = float(np.max(w * w * np.abs(error) + 2.0 * zeta * w * np.abs(v)))
        if not math.isfinite(bend) or np.max(np.abs(x)) > REACH_MAX:
            return None
        # A curve of acceleration a strays a h²/8 from its chord over the time h.
        pieces = math.ceil(math.sqrt(bend / (8.0 * sagitta_field)))
        pieces = min(max(pieces, SUBSTEPS_MIN), SUBSTEPS_MAX)
        paths = np.empty((len(turns), pieces + 1, *u.shape))
        for path, one, error_one, v_one in zip(paths, turns, error, v, strict=True):
            for m in range(pieces + 1):
                p0, p1, _, _ = _step(one, zeta, m / pieces)
                path[m] = u + p0 * error_one + p1 * v_one
    return paths if np.isfinite(paths).all() else None


def settling_samples(profile: ScannerProfile, point_rate_hz: float, spread: float) -> int | None:
    """Samples after which a past position shows by less than 1e-6; None if too many."""
    turn = 2.0 * math.pi * profile.natural_frequency_hz * (1.0 - spread) / point_rate_hz
    zeta = profile.damping
    # The slower pole of an overdamped loop lies above half the frequency over the damping.
    decay = turn * zeta if zeta <= 1.0 else turn / (2.0 * zeta)
    samples = 16 + math.log(1.0 / SETTLED) / decay if decay > 0.0 else math.inf
    return math.ceil(samples) if samples <= SETTLING_SAMPLES_MAX else None


def step_reach(
    profile: ScannerProfile, point_rate_hz: float, spread: float, intervals: float
) -> float:
    """Largest share of a step the beam can have covered after some intervals.

    The integral of the size of the impulse response: the step response itself up to its
    peak, and no more than the sum of its swings after that.
    """
    turn = 2.0 * math.pi * profile.natural_frequency_hz * (1.0 + spread) / point_rate_hz
    zeta = profile.damping
    if zeta >= 1.0 or turn * math.sqrt(1.0 - zeta * zeta) * intervals < math.pi:
        return 1.0 - _step(turn, zeta, intervals)[0]
    overshoot = math.exp(-math.pi * zeta / math.sqrt(1.0 - zeta * zeta))
    return (1.0 + overshoot) / (1.0 - overshoot)


def _steady_state(
    u: FloatArray, turns: Sequence[float], zeta: float
) -> tuple[FloatArray, FloatArray]:
    """Beam position and speed at the start of each sample of a loop, (frequencies, 2, n)."""
    count = u.shape[1]
    steps = np.array([_step(turn, zeta, 1.0) for turn in turns])
    a, b, c, d = steps.T[..., None]
    z = np.exp(2j * np.pi * np.arange(count // 2 + 1) / count)
    determinant = (z - a) * (z - d) - b * c
    transfer = np.stack([((z - d) * (1.0 - a) - b * c), c * (1.0 - a) - (z - a) * c]) / determinant
    x, v = np.fft.irfft(transfer[:, :, None] * np.fft.rfft(u), count)
    return x, v


def _step(turn: float, zeta: float, tau: float) -> tuple[float, float, float, float]:
    """Exact transition of error and speed over `tau` samples with the command held."""
    if zeta < 1.0:
        w = turn * math.sqrt(1.0 - zeta * zeta)
        e = math.exp(-zeta * turn * tau)
        c, s = math.cos(w * tau) * e, math.sin(w * tau) / w * e
    else:
        w = turn * math.sqrt(zeta * zeta - 1.0)
        slow = math.exp((w - zeta * turn) * tau)
        fast = math.exp((-w - zeta * turn) * tau)
        c = 0.5 * (slow + fast)
        s = 0.5 * (slow - fast) / w if w > 1e-9 * turn else tau * slow
    return (
        c + zeta * turn * s,
        s,
        -turn * turn * s,
        c - zeta * turn * s,
    )
