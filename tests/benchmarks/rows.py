# SPDX-License-Identifier: GPL-3.0-or-later
"""Rows of the benchmark tables, and how they are measured."""

from __future__ import annotations

import math
import statistics
import time
from collections.abc import Callable, Iterable, Mapping, Sequence
from typing import Any

__all__ = ["geometric_mean", "medians_alternated", "row", "skipped"]

Row = dict[str, Any]


def row(
    topic: str,
    case: str,
    ours: float | None,
    reference: float | None = None,
    unit: str = "ms",
    target: float | None = None,
) -> Row:
    """Return one row; smaller values of `ours` and `reference` are better.

    With a reference, `ratio` is how many times better we are and `target` the least ratio;
    without one, `target` is the most that `ours` may be.
    """
    ratio = None
    if ours is not None and reference is not None:
        ratio = reference / ours if ours > 0.0 else math.inf
    meets = None
    if target is not None and ours is not None:
        meets = ours <= target if ratio is None else ratio >= target
    return {
        "topic": topic,
        "case": case,
        "ours": ours,
        "reference": reference,
        "unit": unit,
        "ratio": ratio,
        "target": target,
        "meets": meets,
    }


def skipped(topic: str, case: str, reason: str) -> Row:
    """Return a row that says why something was not measured."""
    return {**row(topic, f"{case}: skipped, {reason}", None), "meets": None}


def geometric_mean(values: Iterable[float]) -> float:
    """Return the geometric mean of positive values."""
    return math.exp(statistics.fmean(math.log(value) for value in values))


def medians_alternated(
    ways: Mapping[str, Callable[[int], object]], steps: Sequence[int], rounds: int = 1
) -> dict[str, float]:
    """Run all ways on each step in turn; return the median of each in milliseconds.

    Alternating gives all of them the same share of whatever else the machine does. Each
    way runs once on the first step before the clock counts.
    """
    for way in ways.values():
        way(steps[0])
    times: dict[str, list[float]] = {name: [] for name in ways}
    for _ in range(rounds):
        for step in steps:
            for name, way in ways.items():
                start = time.perf_counter()
                way(step)
                times[name].append(time.perf_counter() - start)
    return {name: 1e3 * statistics.median(values) for name, values in times.items()}
