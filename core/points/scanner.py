# SPDX-License-Identifier: GPL-3.0-or-later
"""What the audience sees: a model of mirrors and laser, and the error of the picture.

Each mirror is a second-order loop whose acceleration and speed saturate; the light is
switched per sample, comes late, and rises with a first-order time constant.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray

from ..frame import Frame
from ..kernels import saturating_response
from ..kernels.numpy_points import response_step
from ..strokes import Strokes
from .projector import ScannerProfile

__all__ = [
    "Beam",
    "PictureError",
    "acceleration_share",
    "light_response",
    "linear_response",
    "picture_error",
    "simulate",
]

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]


@dataclass(frozen=True, eq=False)
class Beam:
    """A simulated frame, drawn again and again; `substeps` rows a sample.

    Attributes
    ----------
    xy, velocity : (m, 2)
        Field units and samples.
    rgb : (m, 3)
        Light as emitted.
    lit : (m,) bool
        A channel that was switched on has passed half its level.
    speed_max, acceleration_max
        Largest per axis that the linear loop asks for.
    saturated
        The loop's limits were reached.
    substeps
    """

    xy: FloatArray
    velocity: FloatArray
    rgb: FloatArray
    lit: BoolArray
    speed_max: float
    acceleration_max: float
    saturated: bool
    substeps: int


def simulate(frame: Frame, profile: ScannerProfile, substeps: int = 8) -> Beam:
    """Simulate a looped frame in its steady state.

    Parameters
    ----------
    frame
        Its own point rate counts, whatever the profile was tuned at.
    profile
        The scanners; another pair than planned for shows what happens to the picture.
    substeps
        Rows for each sample.
    """
    units = profile.converted(point_rate_hz=frame.point_rate_hz).sampled
    xy, velocity, speed, acceleration = linear_response(
        frame.xy, units.natural_frequency, units.damping, substeps
    )
    saturated = speed > units.speed_max or acceleration > units.acceleration_max
    if saturated:
        xy, velocity = saturating_response(
            frame.xy,
            units.natural_frequency,
            units.damping,
            units.acceleration_max,
            units.speed_max,
            substeps,
        )
    rgb = light_response(frame.rgb, units.colour_delay, units.rise, substeps)
    on = light_response(
        (frame.rgb > 0.0).astype(np.float64), units.colour_delay, units.rise, substeps
    )
    return Beam(
        xy=xy,
        velocity=velocity,
        rgb=rgb,
        lit=np.any(on > 0.5, axis=1),
        speed_max=speed,
        acceleration_max=acceleration,
        saturated=saturated,
        substeps=substeps,
    )


def linear_response(
    command: FloatArray, natural_frequency: float, damping: float, substeps: int
) -> tuple[FloatArray, FloatArray, float, float]:
    """Steady state of a looped command through the loop without saturation.

    Parameters
    ----------
    command : (n, 2)
        Held for one sample each.
    natural_frequency
        rad / sample.

    Returns
    -------
    position, velocity : (n * substeps, 2)
    speed_max, acceleration_max
        Largest |value| of any axis at the substeps.

    Notes
    -----
    A periodic command makes the loop a circular filter: one FFT, then the exact response
    within each sample.
    """
    count = len(command)
    a, b, c, d = response_step(natural_frequency, damping, 1.0)
    spectrum = np.fft.rfft(command, axis=0)
    z = np.exp(2j * np.pi * np.arange(len(spectrum)) / count)[:, None]
    determinant = (z - a) * (z - d) - b * c
    x = np.fft.irfft(spectrum * ((z - d) * (1.0 - a) - b * c) / determinant, n=count, axis=0)
    v = np.fft.irfft(spectrum * (c * (1.0 - a) - (z - a) * c) / determinant, n=count, axis=0)
    position = np.empty((count, substeps, 2))
    velocity = np.empty_like(position)
    error = x - command
    for part in range(substeps):
        p0, p1, p2, p3 = response_step(natural_frequency, damping, part / substeps)
        position[:, part] = command + p0 * error + p1 * v
        velocity[:, part] = p2 * error + p3 * v
    pull = natural_frequency**2 * (command[:, None] - position)
    pull -= 2.0 * damping * natural_frequency * velocity
    return (
        position.reshape(-1, 2),
        velocity.reshape(-1, 2),
        float(np.abs(velocity).max()),
        float(np.abs(pull).max()),
    )


def light_response(
    level: FloatArray, delay: tuple[float, float, float], rise: float, substeps: int
) -> FloatArray:
    """Light of looped levels, (n, 3), held per sample: delayed, then low-passed.

    Returns (n * substeps, 3). `delay` and `rise` are in samples.
    """
    held = np.repeat(level, substeps, axis=0)
    result = np.empty_like(held)
    shrink = math.exp(-1.0 / (rise * substeps)) if rise > 0.0 else 0.0
    z = np.exp(2j * np.pi * np.arange(len(held) // 2 + 1) / len(held))
    for channel in range(3):
        shift = delay[channel] * substeps
        whole = math.floor(shift)
        part = shift - whole
        late = np.roll(held[:, channel], whole)
        late = (1.0 - part) * late + part * np.roll(late, 1)
        # The level at a row is what the held input has charged until then.
        spectrum = np.fft.rfft(late) * (1.0 - shrink) / (z - shrink)
        result[:, channel] = np.fft.irfft(spectrum, n=len(held))
    if rise <= 0.0:
        for channel in range(3):
            result[:, channel] = np.roll(result[:, channel], -1)
    return np.clip(result, 0.0, None)


def acceleration_share(beam: Beam, profile: ScannerProfile) -> float:
    """Root mean square of the mirrors' acceleration over their greatest, of the busier axis."""
    change = np.diff(beam.velocity, axis=0, append=beam.velocity[:1]) * beam.substeps
    rms = float(np.sqrt((change * change).mean(axis=0)).max())
    return rms / profile.sampled.acceleration_max


@dataclass(frozen=True, slots=True)
class PictureError:
    """How far the drawn picture is from the wanted one, in field units.

    Attributes
    ----------
    quantile_99, worst
        Of the distances drawn to wanted and wanted to drawn; of each the larger.
    stray
        99th percentile of the distance from lit beam to wanted lines only.
    missing
        99th percentile of the distance from wanted lines to lit beam only.
    corner_rounding
        Mean distance from wanted corners (turns above 30°) to the beam; 0 without corners.
    brightness_evenness
        Light per length on the wanted lines: its 10th percentile over its median; 1 is even.
    """

    quantile_99: float
    worst: float
    stray: float
    missing: float
    corner_rounding: float
    brightness_evenness: float


def picture_error(beam: Beam, strokes: Strokes, spacing_field: float = 0.002) -> PictureError:
    """Compare the lit beam with the strokes it should draw.

    Parameters
    ----------
    beam
    strokes
        Wanted, in the projector's field; those dropped on purpose taken out.
    spacing_field
        Distance between probes on the wanted lines.
    """
    if len(strokes) == 0 or not np.any(beam.lit):
        nothing = len(strokes) == 0 and not np.any(beam.lit)
        value = 0.0 if nothing else math.inf
        return PictureError(value, value, value, value, 0.0, 1.0 if nothing else 0.0)
    wanted = _lines(strokes)
    probes, _ = _probes(strokes, spacing_field)
    drawn_points = beam.xy[beam.lit]
    following = np.roll(beam.xy, -1, axis=0)
    both = beam.lit & np.roll(beam.lit, -1)
    runs = np.stack([beam.xy[both], following[both]], axis=1)
    lit_segments = shapely.linestrings(runs) if len(runs) else np.empty(0, object)
    # Rows with light next to none in the dark are points; the others are ends of segments.
    alone = beam.lit & ~both & ~np.roll(both, 1)
    drawn = shapely.STRtree(np.concatenate([lit_segments, shapely.points(beam.xy[alone])]))
    wanted_tree = shapely.STRtree(wanted)
    stray, nearest = _distances(wanted_tree, drawn_points)
    missing, _ = _distances(drawn, probes)
    corners = _corners(strokes)
    rounding = float(_distances(drawn, corners)[0].mean()) if len(corners) else 0.0
    return PictureError(
        quantile_99=float(max(np.quantile(stray, 0.99), np.quantile(missing, 0.99))),
        worst=float(max(stray.max(), missing.max())),
        stray=float(np.quantile(stray, 0.99)),
        missing=float(np.quantile(missing, 0.99)),
        corner_rounding=rounding,
        brightness_evenness=_evenness(drawn_points, strokes, nearest),
    )


def _lines(strokes: Strokes) -> NDArray[np.object_]:
    """One geometry for each stroke; a dot is a line of no length."""
    counts = strokes.counts
    doubled = np.repeat(np.arange(len(strokes.points)), np.where(counts == 1, 2, 1).repeat(counts))
    result: NDArray[np.object_] = np.asarray(
        shapely.linestrings(strokes.points[doubled], indices=strokes.stroke_of_point[doubled])
    )
    return result


def _distances(tree: shapely.STRtree, points: FloatArray) -> tuple[FloatArray, NDArray[np.int64]]:
    (source, target), distance = tree.query_nearest(
        shapely.points(points), return_distance=True, all_matches=False
    )
    result = np.zeros(len(points))
    nearest = np.zeros(len(points), np.int64)
    result[source] = distance
    nearest[source] = target
    return result, nearest


def _probes(strokes: Strokes, spacing: float) -> tuple[FloatArray, NDArray[np.int64]]:
    """Points along all strokes at most `spacing` apart, and the stroke of each."""
    step = np.zeros_like(strokes.points)
    step[:-1] = np.diff(strokes.points, axis=0)
    step[strokes.offsets[1:] - 1] = 0.0
    length = np.hypot(step[:, 0], step[:, 1])
    pieces = np.maximum(np.ceil(length / spacing).astype(np.int64), 1)
    source = np.repeat(np.arange(len(length)), pieces)
    rank = np.arange(len(source)) - np.repeat(np.cumsum(pieces) - pieces, pieces)
    share = (rank / pieces[source])[:, None]
    return strokes.points[source] + share * step[source], strokes.stroke_of_point[source]


def _corners(strokes: Strokes, turn_deg: float = 30.0) -> FloatArray:
    before = np.zeros_like(strokes.points)
    after = np.zeros_like(strokes.points)
    after[:-1] = np.diff(strokes.points, axis=0)
    before[1:] = after[:-1]
    inner = np.ones(len(strokes.points), bool)
    inner[strokes.offsets[:-1]] = inner[strokes.offsets[1:] - 1] = False
    cross = before[:, 0] * after[:, 1] - before[:, 1] * after[:, 0]
    turn = np.abs(np.arctan2(cross, np.sum(before * after, axis=1)))
    result: FloatArray = strokes.points[inner & (turn > math.radians(turn_deg))]
    return result


def _evenness(drawn: FloatArray, strokes: Strokes, nearest: NDArray[np.int64]) -> float:
    """Light per length in bins of 0.05 along the strokes."""
    lines = _lines(strokes)
    along = shapely.line_locate_point(lines[nearest], shapely.points(drawn))
    lengths = strokes.lengths
    bins = np.maximum(np.floor(lengths / 0.05).astype(np.int64), 1)
    first = np.cumsum(bins) - bins
    place = np.minimum(
        (along / np.maximum(lengths[nearest], 1e-12) * bins[nearest]).astype(np.int64),
        bins[nearest] - 1,
    )
    light = np.bincount(first[nearest] + place, minlength=int(bins.sum())).astype(np.float64)
    density = light / np.maximum(np.repeat(lengths / bins, bins), 1e-12)
    long_enough = np.repeat(lengths >= 0.05, bins)
    density = density[long_enough]
    if len(density) == 0:
        return 1.0
    middle = float(np.median(density))
    return float(np.quantile(density, 0.1)) / middle if middle > 0.0 else 0.0
