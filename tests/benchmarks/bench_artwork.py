# SPDX-License-Identifier: GPL-3.0-or-later
"""Flat pages: from SVG to visible lines, with caches, on generated animated pages."""

from __future__ import annotations

import math
import random
import statistics
import sys
import time

import numpy as np
from beamwright.core.artwork.ink import ArtworkCache
from beamwright.core.artwork.occlusion import visible_lines
from beamwright.core.artwork.shapes import Page, flatten
from beamwright.core.artwork.source import load_source
from beamwright.core.artwork.svg import read_simplified
from beamwright.core.artwork.usvg import Usvg, usvg_missing
from beamwright.core.writing import WriteSettings, write_on
from rows import row, skipped

WIDTH, HEIGHT = 1920, 1080
TOLERANCE = 0.25
LIMITS = {12: (5.0, 11.0), 54: (30.0, None)}
"""By figures on the page: the most milliseconds for the visible lines, and from SVG to them."""


def figure(rng: random.Random, index: int) -> str:
    """Return nine shapes: a little puppet with a round head, hull-shaped body and limbs."""
    colour = f"hsl({(index * 47) % 360},60%,60%)"
    limbs = "".join(
        f'<path fill="{colour}" d="M{x} 40q{rng.uniform(-30, 30):.1f} 20 {dx} 45l-9 3'
        f'q{rng.uniform(-20, 20):.1f} -20 {-dx} -45z"/>'
        for x, dx in ((-26, -22), (-6, -8), (10, 8), (28, 22))
    )
    return (
        f'{limbs}<path fill="{colour}" stroke="#fff" d="M-45 -10c0 40 20 62 45 62s45 -22 45 -62z"/>'
        f'<circle r="30" cy="-34" fill="#ffe0b0"/><circle r="5" cx="-11" cy="-38"/>'
        f'<circle r="5" cx="11" cy="-38"/>'
        f'<path fill="none" stroke="#a00" d="M-14 -24q14 {rng.uniform(4, 16):.1f} 28 0"/>'
    )


def page_source(figures: int, frame: int) -> str:
    """Return an SVG page: figures on sine paths over three backdrop shapes."""
    rng = random.Random(figures)
    scale = 2.2 / math.sqrt(figures / 6 + 1)
    body = []
    for i in range(figures):
        x = rng.uniform(0.06, 0.94) * WIDTH
        y = rng.uniform(0.2, 0.85) * HEIGHT
        moves = i % 3 == 0
        angle = 20 * math.sin(frame / 9 + i) if moves else rng.uniform(-20, 20)
        x += 90 * math.sin(frame / 15 + i) * moves
        body.append(
            f'<g id="figure{i}" transform="translate({x:.2f} {y:.2f}) rotate({angle:.2f}) '
            f'scale({scale:.3f})">{figure(rng, i)}</g>'
        )
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{WIDTH}" height="{HEIGHT}">'
        f'<rect width="{WIDTH}" height="{HEIGHT}" fill="#123"/>'
        f'<path fill="#246" d="M0 700C480 600 900 860 1920 640V1080H0z"/>'
        f'<path fill="#357" d="M0 860C600 760 1200 960 1920 820V1080H0z"/>'
        f"{''.join(body)}</svg>"
    )


def median_ms(times: list[float]) -> float:
    return statistics.median(times) * 1e3


def page_rows(program: Usvg, figures: int, frames: int) -> list[dict[str, object]]:
    cache = ArtworkCache()
    parts: dict[str, list[float]] = {k: [] for k in ("check", "usvg", "read", "lines", "no cache")}
    page: Page | None = None
    points = 0
    for frame in range(frames):
        content = page_source(figures, frame).encode()
        times = [time.perf_counter()]
        source = load_source(content, "page")
        times.append(time.perf_counter())
        simplified, _ = program.run(source.content, "page")
        times.append(time.perf_counter())
        page = read_simplified(simplified, source)
        times.append(time.perf_counter())
        points = len(visible_lines(page, TOLERANCE, cache=cache).points)
        times.append(time.perf_counter())
        if frame:  # the first fills the cache
            for key, step in zip(parts, np.diff(times), strict=False):
                parts[key].append(float(step))
            start = time.perf_counter()
            visible_lines(page, TOLERANCE)
            parts["no cache"].append(time.perf_counter() - start)
    assert page is not None
    case = f"page of {len(page)} shapes, {points} points"
    hiding, whole = LIMITS.get(figures, (None, None))
    steps = [parts[key] for key in ("check", "usvg", "read", "lines")]
    return [
        *(
            row("artwork", f"{case}: {key}", median_ms(parts[key]))
            for key in ("check", "usvg", "read")
        ),
        row("artwork", f"{case}: visible lines", median_ms(parts["lines"]), target=hiding),
        row("artwork", f"{case}: visible lines without cache", median_ms(parts["no cache"])),
        row(
            "artwork",
            f"{case}: SVG to visible lines",
            median_ms([sum(times) for times in zip(*steps, strict=True)]),
            target=whole,
        ),
    ]


def rows(quick: bool = True) -> list[dict[str, object]]:
    """Return the measurements."""
    frames = 12 if quick else 60
    result: list[dict[str, object]] = []
    if reason := usvg_missing():
        result.append(skipped("artwork", "pages", reason))
    else:
        with Usvg() as program:
            program.run(b'<svg xmlns="http://www.w3.org/2000/svg"/>', "warm up")
            for figures in (6, 12, 54):
                result += page_rows(program, figures, frames)
    rng = np.random.default_rng(1)
    points = rng.random((20_000, 2)).cumsum(axis=0)
    offsets = np.arange(0, 20_001, 50)
    times = []
    for k in range(frames):
        start = time.perf_counter()
        write_on(points, offsets, WriteSettings(progress=(k + 0.5) / frames))
        times.append(time.perf_counter() - start)
    result.append(row("artwork", "write-on of 20,000 points", median_ms(times)))
    knots = np.repeat(points[:, None], 3, axis=1) + rng.random((20_000, 3, 2))
    start = time.perf_counter()
    flat, _ = flatten(knots, offsets, np.zeros(len(offsets) - 1, bool), 0.01)
    elapsed = time.perf_counter() - start
    result.append(row("artwork", f"flatten to {len(flat):,} points", elapsed * 1e3))
    return result


if __name__ == "__main__":
    for measured in rows(quick="--quick" in sys.argv[1:]):
        print(f"{measured['ours'] or 0:>9.2f} ms  {measured['case']}")
