# SPDX-License-Identifier: GPL-3.0-or-later
"""Where the beam of a looped frame may really run: the scanner model with its spread."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ..kernels import saturating_response
from ..kernels.numpy_points import response_step
from ..points.projector import ScannerProfile

__all__ = ["BeamPaths", "beam_paths", "settling_samples", "step_reach"]

FloatArray = NDArray[np.float64]

SUBSTEPS_MIN = 4
SUBSTEPS_MAX = 32
REACH_MAX = 10.0
SETTLED = 1e-6
SWING_MAX = 32
STRAY_MARGIN = 1.5
"""Acceleration is known at the ends of the pieces; between them it may be larger."""
SETTLING_SAMPLES_MAX = 4096


@dataclass(frozen=True, eq=False)
class BeamPaths:
    """Where the beam may run.

    Attributes
    ----------
    paths : (3 or 6, m + 1, 2, n) float64
        The beam while each sample is commanded, from its start to its end, in `m` pieces:
        nominal, slow and fast scanners without saturation, then the same with it. (Samples
        come last because extents are taken over the short axes.)
    reach : (1 or 2, n) float64
        How far beyond the hull of the three paths of a sample, without and with saturation, a
        beam within the spread may run.
    """

    paths: FloatArray
    reach: FloatArray


def beam_paths(
    xy: FloatArray,
    point_rate_hz: float,
    profile: ScannerProfile,
    spread: float,
    sagitta_field: float,
) -> BeamPaths | None:
    """Simulate a looped frame for scanners at, below and above their natural frequency.

    Where the profile's limits of speed or acceleration are reached, the paths with and
    without saturation are both given: those limits are known as lower bounds only.

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
        of its pieces in each sample (4 to 32). Where 32 are too few the rest goes into `reach`.

    Returns
    -------
    BeamPaths or None
        None if the profile's numbers give no finite or no bounded answer.
    """
    units = profile.converted(point_rate_hz=point_rate_hz).sampled
    factors = (1.0, 1.0 - spread, 1.0 + spread)
    frequencies = [units.natural_frequency * factor for factor in factors]
    pieces = SUBSTEPS_MIN
    with np.errstate(all="ignore"):
        states = [_steady_states(xy, w, units.damping) for w in frequencies]
        found = [_linear_paths(state, pieces) for state in states]
        bend = max(float(acceleration.max()) for _, _, acceleration in found)
        if not math.isfinite(bend):
            return None
        # A curve of acceleration a strays a h²/8 from its chord over the time h.
        needed = math.ceil(math.sqrt(bend / (8.0 * sagitta_field)))
        if needed > pieces:
            pieces = min(needed, SUBSTEPS_MAX)
            found = [_linear_paths(state, pieces) for state in states]
        rows = [position for position, _, _ in found]
        bend_by_sample = np.max([acceleration for _, _, acceleration in found], axis=0)
        if any(
            speed > units.speed_max or acceleration.max() > units.acceleration_max
            for _, speed, acceleration in found
        ):
            limits = (units.acceleration_max, units.speed_max)
            for w in frequencies:
                row, _ = saturating_response(xy, w, units.damping, *limits, pieces)
                rows.append(np.moveaxis(row.reshape(-1, pieces, 2), 0, 2))
    paths = np.empty((len(rows), pieces + 1, 2, len(xy)))
    for path, row in zip(paths, rows, strict=True):
        path[:-1] = row
    paths[:, -1, :, :-1] = paths[:, 0, :, 1:]
    paths[:, -1, :, -1] = paths[:, 0, :, 0]
    if not np.all(np.abs(paths) <= REACH_MAX):
        return None
    reach = np.zeros((len(rows) // 3, len(xy)))
    # Scanners between two of the frequencies: a quadratic leaves its chord by an eighth of the
    # second difference, taken twice for what is no quadratic, and as large as within a quarter
    # of a swing, for where it just passes through nothing. Not so of saturated ones, whose swings
    # differ wholly.
    bulge = paths[1] + paths[2] - 2.0 * paths[0]
    stray = STRAY_MARGIN * bend_by_sample / (8.0 * pieces**2)
    around = min(SWING_MAX, math.ceil(math.pi / (2.0 * frequencies[1])), len(xy))
    reach[0] = 0.25 * _largest_near(np.hypot(bulge[:, 0], bulge[:, 1]).max(axis=0), around)
    reach[0] += np.maximum(0.0, stray - sagitta_field)
    return BeamPaths(paths, reach)


def _largest_near(values: FloatArray, around: int) -> FloatArray:
    """Return the largest of each entry and its `around` neighbours on either side, on a loop."""
    result = values
    for step in range(1, around + 1):
        result = np.maximum(result, np.maximum(np.roll(values, step), np.roll(values, -step)))
    return result


@dataclass(frozen=True, eq=False)
class _SteadyStates:
    """Beam at the start of each sample of a loop: its command, distance from it and speed.

    All (2, n), samples last.
    """

    command: FloatArray
    error: FloatArray
    velocity: FloatArray
    natural_frequency: float
    damping: float


def _steady_states(xy: FloatArray, natural_frequency: float, damping: float) -> _SteadyStates:
    """Solve the loop as `points.scanner.linear_response` does, samples last."""
    command = np.ascontiguousarray(xy.T)
    count = command.shape[1]
    a, b, c, d = response_step(natural_frequency, damping, 1.0)
    spectrum = np.fft.rfft(command)
    z = np.exp(2j * np.pi * np.arange(spectrum.shape[1]) / count)
    determinant = (z - a) * (z - d) - b * c
    x = np.fft.irfft(spectrum * (((z - d) * (1.0 - a) - b * c) / determinant), n=count)
    v = np.fft.irfft(spectrum * ((c * (1.0 - a) - (z - a) * c) / determinant), n=count)
    return _SteadyStates(command, x - command, v, natural_frequency, damping)


def _linear_paths(states: _SteadyStates, pieces: int) -> tuple[FloatArray, float, FloatArray]:
    """Follow the unsaturated beam through each sample.

    Returns
    -------
    position : (pieces, 2, n)
    speed_max
        Largest |value| of any axis at the start of the pieces.
    acceleration_max : (n,)
        The same of the acceleration, over both axes (Euclidean), for each sample.
    """
    w, damping = states.natural_frequency, states.damping
    steps = np.array([response_step(w, damping, part / pieces) for part in range(pieces)])
    offset, velocity = steps[:, :2], steps[:, 2:]
    pull = -(w**2) * offset - 2.0 * damping * w * velocity
    state = np.stack([states.error, states.velocity]).reshape(2, -1)
    rows = np.concatenate([offset, velocity, pull]) @ state
    position = rows[:pieces].reshape(pieces, *states.command.shape) + states.command
    speed = float(np.abs(rows[pieces : 2 * pieces]).max())
    bend = rows[2 * pieces :].reshape(pieces, *states.command.shape)
    return position, speed, np.hypot(bend[:, 0], bend[:, 1]).max(axis=0)


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
        return 1.0 - response_step(turn, zeta, intervals)[0]
    overshoot = math.exp(-math.pi * zeta / math.sqrt(1.0 - zeta * zeta))
    return (1.0 + overshoot) / (1.0 - overshoot)
