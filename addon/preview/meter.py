# SPDX-License-Identifier: GPL-3.0-or-later
"""A projector's budget in plain words, and as a gauge."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from enum import Enum

from ...core.report.figures import FrameFigures

__all__ = ["COARSE_STRESS", "Reading", "State", "read_meter", "wrap"]

COARSE_STRESS = 0.6
"""Above this, corners are rounded visibly."""


class State(Enum):
    """How well a frame fits; the value is the word shown beside its sign."""

    EMPTY = "Empty"
    FITS = "Fits"
    COARSE = "Coarse"
    CUT = "Cut"
    OVER = "Over"


@dataclass(frozen=True, slots=True)
class Reading:
    """What the meter of one projector shows.

    Attributes
    ----------
    state
    share
        Points over budget; 1 is full.
    stress
        0 to 1.
    refresh
        Refresh rate in words.
    headline
        One line.
    details
        Further sentences, the most pressing one first.
    """

    state: State
    share: float
    stress: float
    refresh: str
    headline: str
    details: tuple[str, ...] = ()


def read_meter(figures: FrameFigures, target_refresh_hz: float) -> Reading:
    """Put figures into words.

    Parameters
    ----------
    figures
        Of one frame on one projector.
    target_refresh_hz
        What the artist asked for.
    """
    share = figures.points / max(figures.budget, 1)
    refresh = f"{figures.refresh_hz:.0f} Hz"
    if not figures.strokes and not figures.dropped_strokes:
        return Reading(State.EMPTY, 0.0, 0.0, "", "Nothing to draw in this frame", _losses(figures))
    points = f"{figures.points:,} of {figures.budget:,} points"
    costly = _most_costly(figures)
    headline = f"{points}: {refresh}, {_look(figures.refresh_hz)}"
    details: list[str] = []
    if figures.over_budget:
        state = State.OVER
        headline += f"; {costly[0]}" if costly else ""
        if figures.refresh_hz >= 25.0:
            details.append(f"Slower than the {target_refresh_hz:g} Hz asked for")
        if len(costly) > 1:
            details.append("Then " + ", ".join(costly[1:]))
    elif figures.dropped_strokes:
        state = State.CUT
    elif figures.stress >= COARSE_STRESS:
        state = State.COARSE
    else:
        state = State.FITS
    if figures.dropped_strokes:
        share_lost = figures.dropped_length / max(
            figures.dropped_length + figures.lit_length, 1e-12
        )
        names = _listed(figures.dropped_objects)
        details.append(
            f"{_count(figures.dropped_strokes, 'stroke')} left out to fit "
            f"({100.0 * share_lost:.0f} % of the lines{': ' + names if names else ''})"
        )
        if costly and not figures.over_budget:
            details.append("Most points: " + ", ".join(costly))
    if figures.stress >= COARSE_STRESS:
        details.append(
            "Drawn as coarse as allowed: corners are rounded"
            if figures.stress >= 0.995
            else "Drawn coarse: corners are rounded"
        )
    return Reading(state, share, figures.stress, refresh, headline, (*details, *_losses(figures)))


def _look(refresh_hz: float) -> str:
    """Say how a picture drawn this often looks (bands are common practice)."""
    if refresh_hz < 20.0:
        return "will flicker badly"
    if refresh_hz < 25.0:
        return "will flicker"
    if refresh_hz < 40.0:
        return "fair for sparse pictures"
    return "steady"


def _most_costly(figures: FrameFigures) -> list[str]:
    shares = sorted(((points, name) for name, points in figures.cost.items() if name), reverse=True)
    return [
        f"{name} costs {100.0 * points / max(figures.points, 1):.0f} %" for points, name in shares
    ][:3]


def _losses(figures: FrameFigures) -> tuple[str, ...]:
    found = []
    if figures.darkened:
        found.append(f"{_count(figures.darkened, 'point')} darkened for safety")
    if figures.clipped_length > 1e-6:
        found.append("Part of the picture lies outside the projector's field")
    if figures.broken_strokes:
        found.append(f"{_count(figures.broken_strokes, 'stroke')} unusable: not a number")
    return tuple(found)


def _count(number: int, noun: str) -> str:
    return f"{number:,} {noun}{'' if number == 1 else 's'}"


def _listed(names: tuple[str, ...]) -> str:
    more = len(names) - 2
    return ", ".join(names[:2]) + (f" and {more} more" if more > 0 else "")


def wrap(text: str, width: float, measure: Callable[[str], float]) -> list[str]:
    """Break a text into lines no wider than `width`, as `measure(text)` tells their widths.

    A single word that is wider stays whole.
    """
    lines: list[str] = []
    for word in text.split():
        if lines and measure(f"{lines[-1]} {word}") <= width:
            lines[-1] += f" {word}"
        else:
            lines.append(word)
    return lines
