# SPDX-License-Identifier: GPL-3.0-or-later
"""Test pictures for tuning a projector; `docs/tuning.md` says how to use each.

They are made sample by sample, not by the planner: each shows one property of the scanners
or the laser, and so must not be smoothed by the limits it is meant to find.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ..errors import SettingError
from ..frame import Frame
from .placement import limits_at, seam_holds
from .projector import ScannerProfile

__all__ = ["PATTERNS", "Pattern", "pattern_frames"]

FloatArray = NDArray[np.float64]
Colour = tuple[float, float, float]

WHITE: Colour = (1.0, 1.0, 1.0)
RED: Colour = (1.0, 0.0, 0.0)
GREEN: Colour = (0.0, 1.0, 0.0)
BLUE: Colour = (0.0, 0.0, 1.0)

_SETTLE = 12  # samples: rest around everything that is measured, far beyond any settling
_SLOW = 0.01  # field units a sample: slow enough for the beam to follow without visible error


@dataclass(frozen=True, slots=True)
class Pattern:
    """One test picture.

    Attributes
    ----------
    name
        For the command line.
    title
    look_at
        What to look at on the screen.
    change
        Which number of the profile to change.
    build
        Makes the frames for a profile; more than one frame is shown in turn.
    """

    name: str
    title: str
    look_at: str
    change: str
    build: Callable[[ScannerProfile], tuple[Frame, ...]]


class _Trace:
    """Samples in the making. Light is kept as intervals of time, so it can be shifted by parts."""

    def __init__(self, start: ArrayLike = (0.0, 0.0)) -> None:
        self._at: FloatArray = np.asarray(start, np.float64)
        self._home = self._at
        self._parts: list[FloatArray] = []
        self._lights: list[tuple[float, float, Colour, bool]] = []
        self.time = 0

    @property
    def position(self) -> FloatArray:
        """Where the beam is sent, (2,)."""
        return self._at

    def rest(self, count: int, colour: Colour | None = None) -> None:
        """Stay where the beam is."""
        if colour is not None:
            self.light(self.time, self.time + count, colour)
        self._add(np.repeat(self._at[None], count, axis=0))

    def jump(self, to: ArrayLike, profile: ScannerProfile) -> None:
        """Go dark to another place with gentle ramps, and settle."""
        target = np.asarray(to, np.float64)
        limits = limits_at(profile, 0.0)
        distance = float(np.abs(target - self._at).max())
        self.rest(_SETTLE)
        if distance > 0.0:
            duration = 2.0 * math.sqrt(distance / (0.5 * limits.jump_acceleration))
            duration = max(duration, 2.0 * distance / limits.jump_speed)
            count = math.ceil(duration) + 1
            share = np.arange(1, count + 1) / count
            ramp = np.where(share < 0.5, 2.0 * share**2, 1.0 - 2.0 * (1.0 - share) ** 2)
            self._add(self._at + ramp[:, None] * (target - self._at))
        self._at = target
        self.rest(_SETTLE)

    def line(self, to: ArrayLike, speed: float, colour: Colour | None) -> None:
        """Go to another place at constant speed."""
        target = np.asarray(to, np.float64)
        count = max(1, math.ceil(float(np.hypot(*(target - self._at))) / speed - 1e-9))
        share = np.arange(1, count + 1) / count
        if colour is not None:
            self.light(self.time, self.time + count, colour)
        self._add(self._at + share[:, None] * (target - self._at))
        self._at = target

    def samples(self, xy: FloatArray, colour: Colour | None) -> None:
        """Add samples as they are."""
        if colour is not None:
            self.light(self.time, self.time + len(xy), colour)
        self._add(xy)
        self._at = xy[-1]

    def light(self, start: float, stop: float, colour: Colour, *, as_sampled: bool = False) -> None:
        """Light the time from `start` to `stop`.

        `as_sampled` leaves out the shift that makes up for the mirrors' lag.
        """
        self._lights.append((start, stop, colour, as_sampled))

    def _add(self, xy: FloatArray) -> None:
        self._parts.append(xy)
        self.time += len(xy)

    def frame(self, profile: ScannerProfile, least: int = 0) -> Frame:
        """Go home dark and make the frame, at least `least` samples long."""
        self.jump(self._home, profile)
        lag = profile.sampled.light_lag
        self.rest(max(math.ceil(seam_holds(lag)[1]), least - self.time))
        xy = np.concatenate(self._parts)
        count = len(xy)
        rgb = np.zeros((count, 3))
        time = np.arange(count)
        for start, stop, colour, as_sampled in self._lights:
            for channel in range(3):
                then = time - (0.0 if as_sampled else lag[channel])
                lit = (then >= start) & (then < stop)
                level = colour[channel]
                if level > 0.0:
                    level = profile.minimum_level + (1.0 - profile.minimum_level) * level
                rgb[lit, channel] = level
        rgb[[0, -1]] = 0.0
        blanked = ~np.any(rgb > 0.0, axis=1)
        return Frame(
            xy=np.clip(xy, -1.0, 1.0),
            rgb=rgb,
            blanked=blanked,
            stroke=np.where(blanked, -1, 0).astype(np.int32),
            object_index=np.zeros(count, np.int32),
            point_rate_hz=profile.point_rate_hz,
        )


def _square(half: float) -> list[tuple[float, float]]:
    return [(-half, -half), (half, -half), (half, half), (-half, half), (-half, -half)]


def _draw(trace: _Trace, points: ArrayLike, speed: float, colour: Colour) -> None:
    """Draw a polyline at constant speed, resting lit at its corners."""
    corners = np.asarray(points, np.float64)
    for corner in corners[1:]:
        trace.line(corner, speed, colour)
        trace.rest(8, colour)


def _field(profile: ScannerProfile) -> tuple[Frame, ...]:
    trace = _Trace((-0.9, -0.9))
    trace.rest(_SETTLE)
    _draw(trace, _square(0.9), _SLOW, WHITE)
    return (trace.frame(profile),)


def _circle_in_square(profile: ScannerProfile) -> tuple[Frame, ...]:
    """Circles of 12 and of 24 points a turn, each stored √2 and 1 times its square's half side."""
    half = 0.175 * profile.rated_angle_deg / profile.field_deg
    half = min(half, 0.25)
    trace = _Trace((0.0, 0.0))
    for middle, points, ratio in ((-0.4, 12, math.sqrt(2.0)), (0.4, 24, 1.0)):
        radius = ratio * half
        trace.jump((middle - half, -half), profile)
        _draw(trace, np.array(_square(half)) + np.array([middle, 0.0]), 0.2 * half, WHITE)
        trace.jump((middle + radius, 0.0), profile)
        # Three dark turns until the loop is in its steady state, then six lit ones.
        for turns, colour in ((3, None), (6, GREEN)):
            angle = 2.0 * np.pi * np.arange(1, turns * points + 1) / points
            circle = radius * np.stack([np.cos(angle), np.sin(angle)], axis=1) + [middle, 0.0]
            trace.samples(circle, colour)
    return (trace.frame(profile),)


def _strobe(profile: ScannerProfile, distance: float) -> Frame:
    """Rows of one-sample jumps; row r shows where the beam is r samples after the jump."""
    rows = 32
    trace = _Trace((-0.5 * distance, 0.8))
    for row in range(rows):
        y = 0.8 - 1.6 * row / (rows - 1)
        trace.jump((-0.5 * distance, y), profile)
        trace.samples(np.array([[0.5 * distance, y]]), None)
        trace.light(trace.time - 1 + row, trace.time + row, WHITE, as_sampled=True)
        trace.rest(40)
    # Reference marks at both ends of the jump.
    for x in (-0.5 * distance, 0.5 * distance):
        for y in (-0.9, 0.9):
            trace.jump((x, y), profile)
            trace.rest(6, RED)
    return trace.frame(profile)


def _spacing_ladder(profile: ScannerProfile) -> tuple[Frame, ...]:
    """Lines and steps drawn with growing distance between the points, from top to bottom."""
    trace = _Trace((-0.8, 0.85))
    for row, spacing in enumerate((0.01, 0.02, 0.03, 0.04, 0.06, 0.08, 0.11, 0.15)):
        y = 0.8 - 0.22 * row
        trace.jump((-0.8, y), profile)
        trace.rest(4, WHITE)
        for step in range(8):
            x = -0.8 + 0.2 * step
            trace.line((x + 0.1, y), spacing, WHITE)
            trace.line((x + 0.1, y + (0.08 if step % 2 == 0 else 0.0)), spacing, WHITE)
            trace.line((x + 0.2, y + (0.08 if step % 2 == 0 else 0.0)), spacing, WHITE)
            if step % 2 == 0:
                trace.line((x + 0.2, y), spacing, WHITE)
        trace.rest(4, WHITE)
    return (trace.frame(profile),)


def _corner_dwell(profile: ScannerProfile) -> tuple[Frame, ...]:
    """Zigzags with turns from 30° to 150°, rows with 0 to 8 extra points at each corner."""
    trace = _Trace((-0.9, 0.8))
    speed = limits_at(profile, 0.0).speed
    for row, dwell in enumerate((0, 1, 2, 3, 5, 8)):
        y = 0.75 - 0.3 * row
        for column, turn in enumerate((30, 60, 90, 120, 150)):
            x = -0.85 + 0.36 * column
            trace.jump((x, y), profile)
            trace.rest(3, WHITE)
            slope = math.radians(turn / 2.0)
            leg = 0.13
            point = np.array([x, y])
            for side in (1, -1, 1):
                point = point + leg * np.array([math.cos(slope), side * math.sin(slope)])
                trace.line(point, speed, WHITE)
                if dwell:
                    trace.rest(dwell, WHITE)
            trace.rest(3, WHITE)
    return (trace.frame(profile),)


def _comb(profile: ScannerProfile, colours: tuple[Colour, ...], y: float, trace: _Trace) -> None:
    """Dashes swept left to right on one row and right to left on the next."""
    speed = 0.04
    for row, colour in enumerate(colours):
        for back in (False, True):
            height = y - 0.2 * row - (0.05 if back else 0.0)
            start, stop = (0.9, -0.9) if back else (-0.9, 0.9)
            trace.jump((start, height), profile)
            begin = trace.time - 1  # the sample before the sweep stands at its start
            trace.line((stop, height), speed, None)
            step = 1.8 / (trace.time - 1 - begin)
            for dash in np.arange(-0.7, 0.65, 0.2):
                first, last = (-dash - 0.1, -dash) if back else (dash, dash + 0.1)
                trace.light(begin + (first + 0.9) / step, begin + (last + 0.9) / step, colour)


def _blanking_delay(profile: ScannerProfile) -> tuple[Frame, ...]:
    trace = _Trace((-0.9, 0.7))
    _comb(profile, (WHITE,) * 7, 0.65, trace)
    return (trace.frame(profile),)


def _colour_shift(profile: ScannerProfile) -> tuple[Frame, ...]:
    trace = _Trace((-0.9, 0.7))
    _comb(profile, (RED, GREEN, BLUE, WHITE), 0.65, trace)
    # Long slow dashes: soft or coloured ends show rise times that differ.
    for row, colour in enumerate((RED, GREEN, BLUE, WHITE)):
        y = -0.3 - 0.12 * row
        trace.jump((-0.9, y), profile)
        begin = trace.time - 1
        trace.line((0.9, y), 0.02, None)
        step = 1.8 / (trace.time - 1 - begin)
        for left, right in ((-0.7, -0.1), (0.1, 0.7)):
            trace.light(begin + (left + 0.9) / step, begin + (right + 0.9) / step, colour)
    return (trace.frame(profile),)


def _jump_ladder(profile: ScannerProfile) -> tuple[Frame, ...]:
    """Pairs of short strokes at growing distance, with the profile's own blank moves."""
    limits = limits_at(profile, 0.0)
    trace = _Trace((-0.9, 0.85))
    before = math.ceil(limits.settle_before)
    after = math.ceil(limits.settle_after)
    for row, distance in enumerate((0.05, 0.1, 0.2, 0.4, 0.7, 1.0, 1.4, 1.8)):
        y = 0.8 - 0.22 * row
        trace.jump((-0.9, y), profile)
        for _ in range(2):
            for x in (-0.9, -0.9 + distance):
                now = trace.position
                target = np.array([x, y])
                extent = float(np.abs(target - now).max())
                count = math.ceil(2.0 * math.sqrt(extent / limits.jump_acceleration))
                if count:
                    share = np.arange(1, count + 1) / count
                    ramp = np.where(share < 0.5, 2 * share**2, 1 - 2 * (1 - share) ** 2)
                    trace.samples(now + ramp[:, None] * (target - now), None)
                trace.rest(before)
                trace.line((x, y + 0.08), limits.speed / 2.0, WHITE)
                trace.line((x, y), limits.speed / 2.0, WHITE)
                trace.rest(after, WHITE)
    return (trace.frame(profile),)


def _linearity_grid(profile: ScannerProfile) -> tuple[Frame, ...]:
    trace = _Trace((-0.9, -0.9))
    for axis in (0, 1):
        for line in range(7):
            at = -0.9 + 0.3 * line
            ends = [(-0.9, at), (0.9, at)] if axis == 0 else [(at, -0.9), (at, 0.9)]
            if line % 2:
                ends.reverse()
            trace.jump(ends[0], profile)
            _draw(trace, ends, 2.0 * _SLOW, WHITE)
    return (trace.frame(profile),)


FLICKER_HZ = (15, 20, 25, 30, 40, 50, 60)


def _flicker_ladder(profile: ScannerProfile) -> tuple[Frame, ...]:
    """The same figure at falling length of frame; marks on top count the step."""
    frames = []
    for number, refresh in enumerate(FLICKER_HZ, 1):
        trace = _Trace((-0.3, -0.3))
        trace.rest(_SETTLE)
        speed = 0.06
        corners = np.asarray(_square(0.3))
        for corner in corners[1:]:
            trace.line(corner, speed, WHITE)
            trace.rest(4, WHITE)
        for mark in range(number):
            trace.jump((-0.3 + 0.1 * mark, 0.45), profile)
            trace.rest(5, GREEN)
        length = math.floor(profile.point_rate_hz / refresh)
        frames.append(trace.frame(profile, length))
    return tuple(frames)


def _patterns() -> dict[str, Pattern]:
    entries = (
        Pattern(
            "field",
            "Field",
            "The width of the square on the screen, at a known throw.",
            "Field angle = 2 / 0.9 × atan(width / (2 × throw)).",
            _field,
        ),
        Pattern(
            "circle-in-square",
            "Circle in square, 12 points a turn",
            "The left circle (12 points a turn) must just touch the sides of its square; "
            "the right one (24 points a turn) should be a little smaller than or touch its own.",
            "Natural frequency: raise it if the left circle is too large, lower it if too small; "
            "damping: from both circles.",
            _circle_in_square,
        ),
        Pattern(
            "strobe-small",
            "Step response, small jump",
            "The dots draw the beam's way after a small jump, one row a sample.",
            "Overshoot gives the damping, the time from half way to the peak the natural "
            "frequency, the first row that moves the laser's delay.",
            lambda profile: (_strobe(profile, 0.15),),
        ),
        Pattern(
            "strobe-large",
            "Step response, large jump",
            "The dots draw the beam's way after a large jump.",
            "Greatest acceleration = 0.92 × distance / t50²; a straight flank gives the "
            "greatest velocity.",
            lambda profile: (_strobe(profile, 1.2),),
        ),
        Pattern(
            "blanking-delay",
            "Blanking delay",
            "Dashes swept to the right and to the left must stand above one another.",
            "Colour delay, all three alike: 2 × 0.04 × the error in samples is what you see.",
            _blanking_delay,
        ),
        Pattern(
            "colour-shift",
            "Colour shift",
            "Dashes of each colour must align, and white dashes have no coloured ends.",
            "Colour delay of the colour that is off; laser rise if long dashes begin softly.",
            _colour_shift,
        ),
        Pattern(
            "spacing-ladder",
            "Spacing ladder",
            "The lowest row whose steps still have straight edges and no visible dots.",
            "Tolerance: lit speed grows with it.",
            _spacing_ladder,
        ),
        Pattern(
            "corner-dwell",
            "Corner dwell",
            "Rounding inside the turns, and hooks after them, row by row.",
            "Tolerance until the rounding is just acceptable; hooks mean that the damping or "
            "the natural frequency is wrong.",
            _corner_dwell,
        ),
        Pattern(
            "jump-ladder",
            "Jump ladder",
            "A tail at the end of a stroke, a hook at its start, row by row.",
            "Tails: colour delay. Hooks everywhere: settling on. Hooks on long jumps only: "
            "lower the greatest acceleration.",
            _jump_ladder,
        ),
        Pattern(
            "linearity-grid",
            "Linearity grid",
            "Lines must be straight and evenly spaced.",
            "Keystone corners of the projector; field angle if only the size is off.",
            _linearity_grid,
        ),
        Pattern(
            "flicker-ladder",
            "Flicker ladder",
            "Marks above the square count the step: 15, 20, 25, 30, 40, 50, 60 Hz. Find the "
            "first that does not flicker in your hall at show brightness.",
            "Target refresh.",
            _flicker_ladder,
        ),
    )
    return {entry.name: entry for entry in entries}


PATTERNS: Mapping[str, Pattern] = _patterns()


def pattern_frames(name: str, profile: ScannerProfile) -> tuple[Frame, ...]:
    """Return the frames of a test picture.

    Raises
    ------
    SettingError
        Where there is no such picture.

    Notes
    -----
    They have not passed the safety stage.
    """
    pattern = PATTERNS.get(name)
    if pattern is None:
        raise SettingError(
            f'There is no test picture "{name}"; choose one of {", ".join(PATTERNS)}.'
        )
    return pattern.build(profile)
