# SPDX-License-Identifier: GPL-3.0-or-later
"""Budget meters as cards in a corner of the view.

Sign, word, length and hatching carry the meaning; the colours only repeat it.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from . import guides
from .drawing import Canvas, Rgba
from .layers import Lines, ProjectorPicture
from .meter import Reading, State, wrap

__all__ = ["draw_message", "draw_meters"]

WIDTH = 316.0
MARGIN = 14.0
PADDING = 12.0
GAP = 8.0
ROUNDING = 7.0
NAME_SIZE = 13.0
TEXT_SIZE = 11.5
SMALL_SIZE = 10.5
TEXT_STEP = 15.0
GAUGE_FULL = 1.25
"""Share of the budget at the gauge's end."""
STRESS_STEPS = 12

PAPER: Rgba = (0.035, 0.045, 0.075, 0.93)
RIM: Rgba = (0.55, 0.62, 0.80, 0.30)
INK: Rgba = (0.94, 0.95, 0.98, 1.0)
DIM: Rgba = (0.70, 0.74, 0.83, 1.0)
GROOVE: Rgba = (0.17, 0.20, 0.28, 1.0)
TINTS: dict[State, Rgba] = {
    State.EMPTY: (0.62, 0.67, 0.78, 1.0),
    State.FITS: (0.45, 0.87, 0.74, 1.0),
    State.COARSE: (0.98, 0.82, 0.42, 1.0),
    State.CUT: (1.0, 0.66, 0.38, 1.0),
    State.OVER: (1.0, 0.44, 0.38, 1.0),
}

Rectangle = tuple[float, float, float, float]


class _Pen:
    """Collects pieces of lines in pixels, to be drawn at once."""

    def __init__(self, unit: float) -> None:
        self.unit = unit
        self._parts: list[Lines] = []

    def path(
        self,
        points: Sequence[tuple[float, float]] | NDArray[np.float64],
        colour: Rgba,
        width: float,
    ) -> None:
        """Join points in pixels; `width` in units."""
        places = np.asarray(points, np.float64).reshape(-1, 2)
        self._parts.append(Lines.of(guides.edge_pieces(places), colour, width))

    def pieces(self, ends: NDArray[np.float64], colour: Rgba, width: float) -> None:
        """Add separate pieces, (n, 4), in pixels."""
        self._parts.append(Lines.of(ends, colour, width))

    def lines(self) -> Lines:
        return Lines.joined(self._parts)


def _rounded(box: Rectangle, radius: float) -> NDArray[np.float64]:
    """Return the outline of a box with round corners, (n, 2), not closed."""
    left, bottom, right, top = box
    angle = np.linspace(0.0, 0.5 * np.pi, 7)
    corners = []
    for turn, (x, y) in enumerate(
        [
            (right - radius, top - radius),
            (left + radius, top - radius),
            (left + radius, bottom + radius),
            (right - radius, bottom + radius),
        ]
    ):
        at = angle + 0.5 * np.pi * turn
        corners.append(np.stack([x + radius * np.cos(at), y + radius * np.sin(at)], axis=1))
    return np.concatenate(corners)


def _card(canvas: Canvas, box: Rectangle, tint: Rgba) -> None:
    outline = _rounded(box, ROUNDING * canvas.unit)
    canvas.polygon(outline, PAPER)
    pen = _Pen(canvas.unit)
    pen.path(np.concatenate([outline, outline[:1]]), RIM, 1.0)
    left, bottom, _right, top = box
    x = left + 0.5 * canvas.unit
    inset = ROUNDING * canvas.unit
    pen.path([(x, bottom + inset), (x, top - inset)], tint, 3.0)
    canvas.shapes(pen.lines())


def _sign(pen: _Pen, state: State, x: float, y: float) -> None:
    """Draw the state's sign around a middle: tick, wave, gap, exclamation mark or dash."""
    u = pen.unit
    tint = TINTS[state]

    def at(*points: tuple[float, float]) -> list[tuple[float, float]]:
        return [(x + a * u, y + b * u) for a, b in points]

    if state is State.OVER:
        pen.path(at((-7, -5.5), (7, -5.5), (0, 6.5), (-7, -5.5)), tint, 1.6)
        pen.path(at((0, 2.6), (0, -1.0)), tint, 1.7)
        pen.path(at((0, -3.3), (0, -3.31)), tint, 2.0)
        return
    angle = np.linspace(0.0, 2.0 * np.pi, 33)
    ring = np.stack([x + 6.5 * u * np.cos(angle), y + 6.5 * u * np.sin(angle)], axis=1)
    pen.path(ring, tint, 1.5)
    if state is State.FITS:
        pen.path(at((-3.0, 0.0), (-0.8, -2.4), (3.2, 2.4)), tint, 1.7)
    elif state is State.COARSE:
        pen.path(at((-3.6, -1.2), (-1.2, 1.4), (1.2, -1.4), (3.6, 1.2)), tint, 1.6)
    elif state is State.CUT:
        pen.path(at((-3.6, 0.0), (-1.6, 0.0)), tint, 1.7)
        pen.path(at((1.6, 0.0), (3.6, 0.0)), tint, 1.7)
        pen.path(at((-1.2, -2.6), (1.2, 2.6)), tint, 1.3)
    else:
        pen.path(at((-2.8, 0.0), (2.8, 0.0)), tint, 1.6)


def _gauge(pen: _Pen, reading: Reading, x: float, y: float, width: float) -> None:
    """Draw points over budget: filled up to the mark, hatched beyond it."""
    u = pen.unit
    tint = TINTS[reading.state]
    mark = x + width / GAUGE_FULL
    end = x + width * min(reading.share, GAUGE_FULL) / GAUGE_FULL
    pen.path([(x, y), (x + width, y)], GROOVE, 7.0)
    if end - x > 1.0:
        pen.path([(x, y), (min(end, mark), y)], tint, 7.0)
    if end > mark:
        steps = np.arange(mark + 2.5 * u, end, 4.0 * u)
        low, high = np.full(len(steps), y - 3.4 * u), np.full(len(steps), y + 3.4 * u)
        pen.pieces(np.stack([steps - 1.6 * u, low, steps + 1.6 * u, high], axis=1), tint, 1.8)
        if reading.share > GAUGE_FULL:  # further than the gauge goes
            tip = x + width + 3.0 * u
            pen.path([(tip - 3 * u, y - 3.5 * u), (tip, y), (tip - 3 * u, y + 3.5 * u)], tint, 1.5)
    pen.path([(mark, y - 6.5 * u), (mark, y + 6.5 * u)], INK, 1.4)


def _stress(canvas: Canvas, pen: _Pen, reading: Reading, x: float, y: float, right: float) -> None:
    """Draw stress as a row of strokes, and in a word."""
    u = canvas.unit
    canvas.text(x, y, "Stress", SMALL_SIZE, DIM)
    start = x + canvas.measure("Stress", SMALL_SIZE) + 9.0 * u
    lit = round(reading.stress * STRESS_STEPS)
    for step in range(STRESS_STEPS):
        place = start + step * 5.0 * u
        height = (8.0 if step < lit else 3.5) * u
        colour = TINTS[reading.state] if step < lit else (*DIM[:3], 0.55)
        pen.path([(place, y), (place, y + height)], colour, 1.8)
    word = (
        "relaxed"
        if reading.stress < 0.05
        else "as coarse as allowed"
        if reading.stress >= 0.995
        else f"{reading.stress:.2f}"
    )
    width = canvas.measure(word, SMALL_SIZE)
    canvas.text(right - width, y, word, SMALL_SIZE, DIM)


def draw_meters(
    canvas: Canvas, free: Rectangle, shown: Sequence[ProjectorPicture], status: str
) -> None:
    """Stack a card for each projector in the lower right corner, the first one on top.

    Parameters
    ----------
    free
        Left, bottom, right, top of what no panel covers, in pixels.
    status
        A remark about all of them; may be empty.
    """
    u = canvas.unit
    left, bottom, right, top = free
    width = min(WIDTH * u, right - left - 2.0 * MARGIN * u)
    if width < 150.0 * u:
        return
    y = bottom + MARGIN * u
    edge = right - MARGIN * u
    for item in reversed(shown):
        if item.reading is None:
            continue
        height = _height(canvas, item.reading, width)
        if y + height > top - MARGIN * u:
            canvas.text(edge - width, y, "More projectors: enlarge the view", SMALL_SIZE, DIM)
            return
        _draw_meter(canvas, item.name, item.reading, (edge - width, y, edge, y + height))
        y += height + GAP * u
    if status:
        canvas.text(edge - width + 2.0 * u, y, status, SMALL_SIZE, DIM)


def _texts(canvas: Canvas, reading: Reading, width: float) -> tuple[list[str], list[str]]:
    room = width - 2.0 * PADDING * canvas.unit
    headline = wrap(reading.headline, room, lambda text: canvas.measure(text, TEXT_SIZE))
    details = [
        line
        for detail in reading.details
        for line in wrap(detail, room, lambda text: canvas.measure(text, SMALL_SIZE))
    ]
    return headline, details


def _height(canvas: Canvas, reading: Reading, width: float) -> float:
    headline, details = _texts(canvas, reading, width)
    rows = TEXT_STEP * len(headline) + (TEXT_STEP - 1.0) * len(details)
    body = 18.0 + (rows + 4.0)
    if reading.state is not State.EMPTY:
        body += 18.0 + 17.0
    return (2.0 * PADDING - 2.0 + body) * canvas.unit


def _draw_meter(canvas: Canvas, name: str, reading: Reading, box: Rectangle) -> None:
    u = canvas.unit
    left, bottom, right, top = box
    tint = TINTS[reading.state]
    _card(canvas, box, tint)
    pen = _Pen(u)
    x, edge = left + PADDING * u, right - PADDING * u
    y = top - (PADDING + 11.0) * u
    _sign(pen, reading.state, x + 7.0 * u, y + 4.5 * u)
    word = reading.state.value
    word_width = canvas.measure(word, NAME_SIZE)
    canvas.text(edge - word_width, y, word, NAME_SIZE, tint)
    canvas.text(
        x + 21.0 * u, y, _fitted(canvas, name, edge - word_width - x - 30.0 * u), NAME_SIZE, INK
    )
    if reading.state is not State.EMPTY:
        y -= 16.0 * u
        _gauge(pen, reading, x + 3.5 * u, y + 1.0 * u, edge - x - 7.0 * u)
        y -= 2.0 * u
    headline, details = _texts(canvas, reading, right - left)
    y -= 3.0 * u
    for line in headline:
        y -= TEXT_STEP * u
        canvas.text(x, y, line, TEXT_SIZE, INK)
    for line in details:
        y -= (TEXT_STEP - 1.0) * u
        canvas.text(x, y, line, SMALL_SIZE, DIM)
    if reading.state is not State.EMPTY:
        _stress(canvas, pen, reading, x, bottom + PADDING * u - 1.0 * u, edge)
    canvas.shapes(pen.lines())


def _fitted(canvas: Canvas, text: str, width: float) -> str:
    """Return a name, shortened where it is too long."""
    if canvas.measure(text, NAME_SIZE) <= width:
        return text
    while text and canvas.measure(text + "…", NAME_SIZE) > width:
        text = text[:-1]
    return text + "…"


def draw_message(canvas: Canvas, free: Rectangle, message: str) -> None:
    """Say in the lower left corner why there is no picture."""
    u = canvas.unit
    left, bottom, right, _top = free
    width = min(420.0 * u, right - left - 2.0 * MARGIN * u)
    if width < 150.0 * u:
        return
    room = width - (2.0 * PADDING + 24.0) * u
    lines = ["Nothing to preview"]
    lines += wrap(message, room, lambda text: canvas.measure(text, TEXT_SIZE))
    height = (2.0 * PADDING - 4.0 + TEXT_STEP * len(lines)) * u
    x, y = left + MARGIN * u, bottom + MARGIN * u
    _card(canvas, (x, y, x + width, y + height), TINTS[State.CUT])
    pen = _Pen(u)
    _sign(pen, State.OVER, x + (PADDING + 7.0) * u, y + height - (PADDING + 7.0) * u)
    canvas.shapes(pen.lines())
    row = y + height - (PADDING + 11.0) * u
    for index, line in enumerate(lines):
        canvas.text(x + (PADDING + 24.0) * u, row, line, TEXT_SIZE, DIM if index else INK)
        row -= TEXT_STEP * u
