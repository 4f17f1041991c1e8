# SPDX-License-Identifier: GPL-3.0-or-later
"""The latest figures of each scene, kept for the panels until another file is loaded."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from ..core.report.figures import FrameFigures

__all__ = ["FrameResult", "Verdict", "forget", "judge", "latest", "remember"]


@dataclass(frozen=True, slots=True)
class FrameResult:
    """Figures of one frame on all projectors, by projector name."""

    frame: int
    figures: Mapping[str, FrameFigures]


@dataclass(frozen=True, slots=True)
class Verdict:
    """What figures mean, in plain words.

    Attributes
    ----------
    over
        The frame does not fit.
    headline, detail
        One short sentence each; `detail` may be empty.
    """

    over: bool
    headline: str
    detail: str


_LATEST: dict[str, FrameResult] = {}


def remember(scene_name: str, result: FrameResult) -> None:
    """Keep the figures of a scene's frame."""
    _LATEST[scene_name] = result


def latest(scene_name: str) -> FrameResult | None:
    """Return the figures kept of a scene, or None."""
    return _LATEST.get(scene_name)


def forget() -> None:
    """Drop all figures."""
    _LATEST.clear()


def flicker(refresh_hz: float) -> str:
    """Say how a picture drawn this often looks (bands are common practice)."""
    if refresh_hz < 20.0:
        return "flickers badly"
    if refresh_hz < 25.0:
        return "flickers"
    if refresh_hz < 40.0:
        return "fair for sparse pictures"
    return "steady"


def judge(figures: FrameFigures) -> Verdict:
    """Put the figures of a frame into words, with the objects to blame where it is too full."""
    if not figures.strokes and not figures.dropped_strokes:
        return Verdict(False, "Nothing to draw", "")
    headline = (
        f"{figures.points:,} of {figures.budget:,} points: {figures.refresh_hz:.0f} Hz, "
        f"{flicker(figures.refresh_hz)}"
    )
    shares = sorted(((points, name) for name, points in figures.cost.items() if name), reverse=True)
    costs = [
        f"{name} {100.0 * points / max(figures.points, 1):.0f} %" for points, name in shares[:3]
    ]
    details = []
    if figures.dropped_strokes:
        names = ", ".join(figures.dropped_objects[:3])
        details.append(
            f"{figures.dropped_strokes} strokes left out" + (f" ({names})" if names else "")
        )
    if (figures.over_budget or figures.dropped_strokes) and costs:
        details.append("Most points: " + ", ".join(costs))
    if figures.darkened:
        details.append(f"{figures.darkened} points darkened for safety")
    return Verdict(figures.over_budget, headline, ". ".join(details))
