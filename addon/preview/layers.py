# SPDX-License-Identifier: GPL-3.0-or-later
"""What to draw of a planned frame: plain arrays in the camera's field, no graphics card.

Colours of lines are ready for the screen (sRGB-encoded, straight alpha); light is linear.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, fields
from enum import IntEnum
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ...core.frame import Frame
from ...core.pipeline import PlannedFrame
from ...core.points.aim import aim_matrix
from ...core.points.projector import Aim, Projector
from ...core.points.scanner import simulate
from ...core.report.figures import FrameFigures
from ...core.strokes import Strokes
from .guides import Label
from .meter import Reading

__all__ = [
    "Light",
    "Lines",
    "Pattern",
    "Picture",
    "ProjectorPicture",
    "encoded",
    "from_projector",
    "hidden_lines",
    "projector_layers",
    "run_length",
    "stroke_lines",
    "unlifted",
]

FloatArray = NDArray[np.float64]

BLANK_COLOUR = (0.62, 0.66, 0.86, 0.75)
POINT_COLOUR = (1.0, 1.0, 1.0, 0.95)
LEFT_OUT_COLOUR = (1.0, 0.45, 0.34, 0.95)
HIDDEN_ALPHA = 0.42
LINE_WIDTH = 1.6
ARROW_FIELD = 0.011
LEAST_ARROW_MOVE_FIELD = 0.05
BEAM_ROWS = 4
"""Rows a sample of the simulated beam; corners of a pair at its limits need that many."""
DIMMEST = 0.22
"""Dark colours are lifted to this on the screen, or a lit line would look like none."""


class Pattern(IntEnum):
    """How a line is broken, so that no meaning hangs on its colour alone."""

    SOLID = 0
    DASHED = 1
    DOTTED = 2
    DASH_DOT = 3
    RING = 4


@dataclass(frozen=True, eq=False)
class Lines:
    """Separate straight pieces; one without length is a dot.

    Attributes
    ----------
    ends : (n, 4) float32
        x, y of both ends.
    colour : (n, 4) float32
        sRGB-encoded and alpha.
    along : (n,) float32
        Length of the line up to the piece, so that patterns run on.
    width : (n,) float32
        Pixels, before the screen's scale.
    pattern : (n,) float32
        `Pattern`.
    """

    ends: NDArray[np.float32]
    colour: NDArray[np.float32]
    along: NDArray[np.float32]
    width: NDArray[np.float32]
    pattern: NDArray[np.float32]

    def __len__(self) -> int:
        return len(self.ends)

    @property
    def nbytes(self) -> int:
        """Bytes of all columns."""
        return sum(getattr(self, entry.name).nbytes for entry in fields(self))

    @classmethod
    def of(
        cls,
        ends: ArrayLike,
        colour: ArrayLike,
        width: ArrayLike,
        pattern: ArrayLike = Pattern.SOLID,
        along: ArrayLike = 0.0,
    ) -> Lines:
        """Broadcast the columns to the number of pieces; pieces that are not finite go."""
        pieces = np.asarray(ends, np.float32).reshape(-1, 4)
        count = len(pieces)
        good = np.isfinite(pieces).all(axis=1)

        def column(value: ArrayLike, *shape: int) -> NDArray[np.float32]:
            return np.ascontiguousarray(
                np.broadcast_to(np.asarray(value, np.float32), (count, *shape))[good]
            )

        return cls(
            ends=np.ascontiguousarray(pieces[good]),
            colour=column(colour, 4),
            along=column(along),
            width=column(width),
            pattern=column(pattern),
        )

    @classmethod
    def joined(cls, parts: Sequence[Lines]) -> Lines:
        """Put sets of lines after one another."""
        if not parts:
            return cls.of(np.empty((0, 4)), (0, 0, 0, 0), 0.0)
        return cls(
            *(
                np.concatenate([getattr(part, entry.name) for part in parts])
                for entry in fields(cls)
            )
        )


@dataclass(frozen=True, eq=False)
class Light:
    """Pieces of the simulated beam's path, with the light each of them spreads.

    Attributes
    ----------
    ends : (n, 4) float32
    energy : (n, 3) float32
        Linear RGB, in lengths of the field: where it equals the piece's length the line is
        as bright as the picture's typical line.
    """

    ends: NDArray[np.float32]
    energy: NDArray[np.float32]

    def __len__(self) -> int:
        return len(self.ends)

    @property
    def nbytes(self) -> int:
        """Bytes of both columns."""
        return self.ends.nbytes + self.energy.nbytes


@dataclass(frozen=True, eq=False)
class ProjectorPicture:
    """What one projector draws in one frame.

    Attributes
    ----------
    name
    own_camera
        The picture belongs into the frame of the projector's own camera.
    strokes, blank_moves, points, left_out, hidden
        Layers, each drawn where its switch is on.
    light
        The simulated beam.
    guides, keep_outs, labels
        Outline of the field, safe area and keep-out areas.
    figures, reading
        Costs; None where only guides could be had.
    """

    name: str
    own_camera: bool
    strokes: Lines
    blank_moves: Lines
    points: Lines
    left_out: Lines
    hidden: Lines
    light: Light
    guides: Lines
    keep_outs: Lines
    labels: tuple[Label, ...]
    figures: FrameFigures | None
    reading: Reading | None

    @cached_property
    def nbytes(self) -> int:
        """Bytes of all layers."""
        values = [getattr(self, entry.name) for entry in fields(self)]
        return sum(value.nbytes for value in values if isinstance(value, Lines | Light))


@dataclass(frozen=True, eq=False)
class Picture:
    """What all projectors draw in one frame, or why nothing can be drawn.

    Attributes
    ----------
    frame
    projectors
    message
        What stands in the way; empty where nothing does.
    memories
        For the frame after this, by projector name.
    """

    frame: int
    projectors: tuple[ProjectorPicture, ...] = ()
    message: str = ""
    memories: Mapping[str, Any] = field(default_factory=dict)

    @cached_property
    def nbytes(self) -> int:
        """Bytes taken, the memory for the next frame by a rule of thumb."""
        points = sum(item.figures.points for item in self.projectors if item.figures)
        return 1024 + 100 * points + sum(item.nbytes for item in self.projectors)


def encoded(linear: ArrayLike) -> FloatArray:
    """Encode linear light, 0…1, for the screen (IEC 61966-2-1, sRGB)."""
    value = np.clip(np.asarray(linear, np.float64), 0.0, 1.0)
    result: FloatArray = np.where(
        value <= 0.0031308, 12.92 * value, 1.055 * value ** (1.0 / 2.4) - 0.055
    )
    return result


def _shown(linear: FloatArray, alpha: float = 1.0) -> FloatArray:
    """Return screen colours, (n, 4), of linear ones, (n, 3), with the dark ones lifted."""
    top = linear.max(axis=1, keepdims=True, initial=0.0)
    lift = np.where(top > 0.0, np.maximum(top, DIMMEST) / np.maximum(top, 1e-9), 1.0)
    return np.concatenate([encoded(linear * lift), np.full((len(linear), 1), alpha)], axis=1)


def from_projector(points: ArrayLike, aim: Aim) -> FloatArray:
    """Bring points of a projector's field, (n, 2), back into the camera's field.

    What has no place there becomes NaN.

    Raises
    ------
    SettingError
        Where the aim is impossible.
    """
    back = np.linalg.inv(aim_matrix(aim))
    flat = np.asarray(points, np.float64).reshape(-1, 2)
    homogeneous = flat @ back[:, :2].T + back[:, 2]
    depth = homogeneous[:, 2:]
    result: FloatArray = np.where(
        depth > 1e-9, homogeneous[:, :2] / np.where(depth > 1e-9, depth, 1.0), np.nan
    )
    return result


def stroke_lines(
    strokes: Strokes,
    places: FloatArray,
    colour: FloatArray,
    width: float,
    pattern: Pattern,
) -> Lines:
    """Return the pieces of strokes whose points lie at `places`, (n, 2); colours by stroke."""
    if len(strokes) == 0:
        return Lines.joined([])
    first = np.ones(len(places), bool)
    first[strokes.offsets[1:] - 1] = False
    start = np.flatnonzero(first)
    dots = strokes.offsets[:-1][strokes.counts == 1]
    start = np.concatenate([start, dots])
    end = start + 1
    end[len(end) - len(dots) :] = dots
    owner = strokes.stroke_of_point
    ends = np.concatenate([places[start], places[end]], axis=1)
    return Lines.of(ends, colour[owner[start]], width, pattern, run_length(places)[start])


def run_length(places: FloatArray) -> FloatArray:
    """Length from the first point to each, (n,)."""
    step = np.zeros(len(places))
    step[1:] = np.nan_to_num(np.hypot(*np.diff(places, axis=0).T))
    return np.cumsum(step)


def projector_layers(
    planned: PlannedFrame, projector: Projector
) -> tuple[Lines, Lines, Lines, Lines, Light]:
    """Return strokes, blank moves, points, strokes left out and light of a planned frame.

    All of them in the field of the camera that the projector sees through.
    """
    frame, profile = planned.frame, projector.profile
    places = from_projector(frame.xy, projector.aim)
    ends = np.concatenate([np.roll(places, 1, axis=0), places], axis=1)
    along = run_length(places)
    # Light is sent late by as much as the mirrors lag; here it belongs to its place.
    late = round(float(np.mean(profile.sampled.light_lag)))
    rgb = np.roll(frame.rgb, -late, axis=0)
    lit = rgb.max(axis=1) > 0.0
    if planned.figures.darkened:
        # Only the samples know what was darkened.
        colours = _shown(unlifted(rgb, profile.minimum_level))
        strokes = Lines.of(ends[lit], colours[lit], LINE_WIDTH, Pattern.SOLID, along[lit])
    else:
        kept = planned.strokes.take(~planned.dropped)
        strokes = stroke_lines(
            kept,
            from_projector(kept.points, projector.aim),
            _shown(kept.colour),
            LINE_WIDTH,
            Pattern.SOLID,
        )
    return (
        strokes,
        _blank_moves(ends, along, ~lit),
        _points(places, lit),
        _left_out(planned, projector),
        _light(frame, projector),
    )


def unlifted(rgb: FloatArray, floor: float) -> FloatArray:
    """Undo the lift above the level at which the laser starts to shine."""
    return np.clip((rgb - floor) / (1.0 - floor), 0.0, 1.0) if floor > 0.0 else rgb


def _blank_moves(ends: FloatArray, along: FloatArray, dark: NDArray[np.bool_]) -> Lines:
    """Dashed ways without light, with an arrow head in the middle of the longer ones."""
    length = np.hypot(*(ends[:, 2:] - ends[:, :2]).T)
    moved = dark & (length > 1e-6)
    ways = Lines.of(ends[moved], BLANK_COLOUR, 1.0, Pattern.DASHED, along[moved])
    heads = _arrow_heads(ends, length, dark)
    return Lines.joined([ways, heads])


def _arrow_heads(ends: FloatArray, length: FloatArray, dark: NDArray[np.bool_]) -> Lines:
    if not dark.any():
        return Lines.joined([])
    # A run of dark samples is one move; its head lies on the piece that passes its middle.
    start = dark & ~np.roll(dark, 1)
    start[0] = dark[0]
    run = np.cumsum(start) - 1
    total = np.bincount(run[dark], weights=length[dark])
    reached = np.cumsum(np.where(dark, length, 0.0))
    base = np.zeros(len(total))
    first = np.flatnonzero(start)
    base[:] = reached[first] - length[first]
    rows = np.flatnonzero(dark)
    half = base[run[rows]] + 0.5 * total[run[rows]]
    crossing = rows[(reached[rows] >= half) & (reached[rows] - length[rows] < half)]
    crossing = crossing[total[run[crossing]] >= LEAST_ARROW_MOVE_FIELD]
    if len(crossing) == 0:
        return Lines.joined([])
    step = ends[crossing, 2:] - ends[crossing, :2]
    unit = step / np.maximum(length[crossing], 1e-12)[:, None]
    way = base[run[crossing]] + 0.5 * total[run[crossing]]
    tip = ends[crossing, 2:] - unit * (reached[crossing] - way)[:, None]
    across = np.stack([-unit[:, 1], unit[:, 0]], axis=1)
    back = tip - ARROW_FIELD * unit
    pieces = [
        np.concatenate([tip, back + side * 0.6 * ARROW_FIELD * across], axis=1)
        for side in (1.0, -1.0)
    ]
    return Lines.of(np.concatenate(pieces), BLANK_COLOUR, 1.2)


def _points(places: FloatArray, lit: NDArray[np.bool_]) -> Lines:
    """Filled dots with light, rings without."""
    ends = np.concatenate([places, places], axis=1)
    on = Lines.of(ends[lit], POINT_COLOUR, 3.2)
    off = Lines.of(ends[~lit], BLANK_COLOUR, 5.0, Pattern.RING)
    return Lines.joined([off, on])


def _left_out(planned: PlannedFrame, projector: Projector) -> Lines:
    if not planned.dropped.any():
        return Lines.joined([])
    lost = planned.strokes.take(planned.dropped)
    places = from_projector(lost.points, projector.aim)
    colour = np.tile(np.asarray(LEFT_OUT_COLOUR), (len(lost), 1))
    return stroke_lines(lost, places, colour, 1.2, Pattern.DASH_DOT)


def hidden_lines(strokes: Strokes) -> Lines:
    """All lines as if nothing hid them, thin and dotted; in the camera's field already."""
    colour = _shown(strokes.colour, HIDDEN_ALPHA)
    return stroke_lines(strokes, strokes.points, colour, 1.0, Pattern.DOTTED)


def _light(frame: Frame, projector: Projector) -> Light:
    """Return what the audience sees: the simulated beam's path and its light."""
    none = Light(np.empty((0, 4), np.float32), np.empty((0, 3), np.float32))
    if frame.blanked.all():
        return none
    beam = simulate(frame, projector.profile, BEAM_ROWS)
    path = from_projector(beam.xy, projector.aim)
    following = np.roll(path, -1, axis=0)
    rgb = unlifted(beam.rgb, projector.profile.minimum_level)
    rgb = 0.5 * (rgb + np.roll(rgb, -1, axis=0))
    length = np.hypot(*(following - path).T)
    shining = (rgb.max(axis=1) > 0.01) & np.isfinite(length)
    if not shining.any():
        return none
    path, following, rgb, length = (values[shining] for values in (path, following, rgb, length))
    # The typical line is the one half of the lit length is drawn faster than.
    order = np.argsort(length)
    reached = np.cumsum(length[order])
    typical = length[order][np.searchsorted(reached, 0.5 * reached[-1])]
    return Light(
        ends=np.ascontiguousarray(np.concatenate([path, following], axis=1), np.float32),
        energy=np.ascontiguousarray(rgb * max(typical, 1e-6), np.float32),
    )
