# SPDX-License-Identifier: GPL-3.0-or-later
"""Fuzz the guard with hostile frames and check what it lets through by another road.

`python tests/fuzz_safety.py FRAMES [SEED]` prints, as its last line, the count of frames
and of violations, and exits with 1 if there is any. How far it is goes to standard error.

The check shares no code with the guard: areas are tested with plain crossing and winding
counts instead of GEOS, and the beam is stepped through time from rest with a fine step
instead of solved in the frequency domain.
"""

from __future__ import annotations

import math
import sys
import time
from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np
from beamwright.core.errors import SettingError
from beamwright.core.frame import Frame
from beamwright.core.points.projector import ScannerProfile
from beamwright.core.safety.guard import guard
from beamwright.core.safety.limits import SafetyLimits
from beamwright.core.safety.zones import KeepOut

STREAMS = 48
FRAMES_A_STREAM = 6
CHECK_STEPS = 12
PROGRESS_S = 20.0
LIGHT_FLOOR = 0.0101  # the guard counts light down to 1 %


@dataclass
class Tally:
    frames: int = 0
    refused: int = 0
    lit_in: int = 0
    lit_out: int = 0
    violations: dict[str, int] = field(default_factory=dict)

    def blame(self, what: str, count: int) -> None:
        if count:
            self.violations[what] = self.violations.get(what, 0) + int(count)


def random_outline(rng: np.random.Generator) -> np.ndarray:
    """An outline as an artist draws it, or as nobody should."""
    kind = rng.integers(10)
    centre = rng.uniform(-1.2, 1.2, 2)
    if kind <= 2:
        low, high = np.sort(rng.uniform(-1.2, 1.2, (2, 2)), axis=0)
        return np.array([low, [high[0], low[1]], high, [low[0], high[1]]])
    if kind == 3:  # a star with many corners
        angle = np.sort(rng.uniform(0, 2 * np.pi, rng.integers(3, 60)))
        radius = rng.uniform(0.05, 0.5, len(angle))
        return centre + radius[:, None] * np.c_[np.cos(angle), np.sin(angle)]
    if kind == 4:  # a tangle
        return rng.uniform(-1.0, 1.0, (rng.integers(4, 12), 2))
    if kind == 5:  # a sliver
        along = rng.uniform(-1, 1, 2)
        across = np.array([-along[1], along[0]]) * 10.0 ** rng.uniform(-12, -2)
        return centre + np.array([along * 0, along, along + across, across])
    if kind == 6:  # degenerate
        return np.repeat(rng.uniform(-1, 1, (rng.integers(1, 3), 2)), rng.integers(1, 4), axis=0)
    if kind == 7:  # a bow tie
        return centre + rng.uniform(0.05, 0.5) * np.array([[-1, -1], [1, 1], [1, -1], [-1, 1.0]])
    if kind == 8:  # drawn round twice
        angle = np.linspace(0, 4 * np.pi, 24, endpoint=False)
        return centre + rng.uniform(0.05, 0.4) * np.c_[np.cos(angle), np.sin(angle)]
    return rng.normal(0, 10.0 ** rng.uniform(-3, 1), (rng.integers(3, 9), 2))


def hostile_outline(rng: np.random.Generator) -> np.ndarray:
    outline = random_outline(rng)
    choice = rng.integers(4)
    if choice == 0:
        outline[rng.integers(len(outline))] = rng.choice([np.nan, np.inf, -np.inf])
    elif choice == 1:
        outline = outline * 1e9
    elif choice == 2:
        return np.empty((0, 2))
    else:
        outline = np.tile(outline, (20_000 // len(outline), 1))
    return outline


def random_profile(rng: np.random.Generator) -> ScannerProfile:
    if rng.random() < 0.3:
        return ScannerProfile()
    return ScannerProfile(
        label="fuzz",
        point_rate_hz=30000.0,
        natural_frequency_hz=10.0 ** rng.uniform(2.95, 4.5),
        damping=float(rng.uniform(0.3, 1.6)),
        colour_delay_us=tuple(rng.uniform(-150.0, 150.0, 3)) if rng.random() < 0.5 else (0.0,) * 3,
        rise_us=float(rng.choice([0.0, 1.0, 10.0, 60.0])),
        # The check's scanners are linear, as the guard's are by default.
        acceleration_max_deg_s2=1e15,
        velocity_max_deg_s=1e15,
    )


def random_frame(rng: np.random.Generator, count: int, rate: float) -> Frame:
    """Strokes under extreme transforms, jumps, dots, noise; now and then rubbish."""
    kind = rng.integers(6)
    if kind == 0:
        xy = np.cumsum(rng.normal(0, 10.0 ** rng.uniform(-3, -0.7), (count, 2)), axis=0)
    elif kind == 1:
        turns = rng.integers(1, 9, 2)
        angle = np.arange(count) / count * 2 * np.pi
        xy = np.c_[np.cos(turns[0] * angle), np.sin(turns[1] * angle)]
    elif kind == 2:
        xy = np.repeat(rng.uniform(-1, 1, (count // 8 + 1, 2)), 8, axis=0)[:count]
    elif kind == 3:
        corners = rng.uniform(-1, 1, (rng.integers(2, 9), 2))
        place = np.linspace(0, len(corners) - 1, count)
        xy = np.c_[
            np.interp(place, np.arange(len(corners)), corners[:, 0]),
            np.interp(place, np.arange(len(corners)), corners[:, 1]),
        ]
    elif kind == 4:
        xy = rng.uniform(-1, 1, (count, 2))
    else:
        xy = np.broadcast_to(rng.uniform(-1, 1, 2), (count, 2)).copy()
    transform = rng.integers(6)
    if transform == 0:
        xy = xy * 10.0 ** rng.uniform(-6, 2)
    elif transform == 1:
        xy = xy @ rng.normal(0, 1, (2, 2)) + rng.normal(0, 0.5, 2)
    elif transform == 2:
        xy = np.clip(xy * 3.0, -1.0, 1.0)
    rgb = rng.uniform(0, 1, (count, 3)) if rng.random() < 0.5 else np.ones((count, 3))
    share = rng.choice([0.0, 0.2, 0.8])
    blanked = rng.random(count) < share
    if rng.random() < 0.5:
        blanked = np.repeat(blanked[::6], 6)[:count]
    if rng.random() < 0.8:
        rgb[blanked] = 0.0
    rubbish = rng.integers(24)
    if rubbish == 0:
        xy[rng.integers(count), rng.integers(2)] = rng.choice([np.nan, np.inf, 1e308])
    elif rubbish == 1:
        rgb[rng.integers(count), rng.integers(3)] = rng.choice([np.nan, np.inf, -5.0, 1e9])
    index = np.zeros(count, np.int32)
    return Frame(xy, rgb, blanked, index, index, rate)


def even_odd_or_winding(points: np.ndarray, outline: np.ndarray) -> np.ndarray:
    """True where a point lies inside by either reading; the border itself may go either way."""
    ring = np.vstack([outline, outline[:1]])
    (x0, y0), (x1, y1) = ring[:-1].T[..., None], ring[1:].T[..., None]
    x, y = points[:, 0], points[:, 1]
    side = (x1 - x0) * (y - y0) - (x - x0) * (y1 - y0)
    up = (y0 <= y) & (y1 > y) & (side > 0)
    down = (y0 > y) & (y1 <= y) & (side < 0)
    winding = up.sum(axis=0) - down.sum(axis=0)
    return (winding != 0) | ((up.sum(axis=0) + down.sum(axis=0)) % 2 == 1)


def crosses_outline(start: np.ndarray, end: np.ndarray, outline: np.ndarray) -> np.ndarray:
    """True where a segment properly crosses an edge of the outline."""
    ring = np.vstack([outline, outline[:1]])

    def side(a, b, c):
        return (b[..., 0] - a[..., 0]) * (c[..., 1] - a[..., 1]) - (b[..., 1] - a[..., 1]) * (
            c[..., 0] - a[..., 0]
        )

    p, q = start[:, None], end[:, None]
    a, b = ring[None, :-1], ring[None, 1:]
    return ((side(p, q, a) * side(p, q, b) < 0) & (side(a, b, p) * side(a, b, q) < 0)).any(axis=1)


def lit_samples(frame: Frame) -> np.ndarray:
    return frame.rgb.any(axis=1) & ~frame.blanked


def check_commands(tally: Tally, before: Frame, after: Frame, zones, entry: np.ndarray) -> None:
    """Field, only-darker, and keep-outs on commanded points and the moves to them."""
    tally.blame("point out of field", (~(np.abs(after.xy) <= 1.0)).any(axis=1).sum())
    lit = lit_samples(after)
    tally.blame("colour on a blanked sample", (after.rgb[after.blanked] != 0).sum())
    tally.blame("level out of range", (~((after.rgb >= 0) & (after.rgb <= 1))).sum())
    if len(after) == len(before) and np.isfinite(before.xy).all():
        inside = (np.abs(before.xy) <= 1.0).all(axis=1)
        tally.blame("sample moved", (after.xy[inside] != before.xy[inside]).sum())
        tally.blame("lit sample outside the field", (lit & ~inside).sum())
        brighter = after.rgb > np.maximum(np.nan_to_num(before.rgb, posinf=np.inf), 0.0)
        tally.blame("sample made brighter", brighter.sum())
        tally.blame("blanked sample lit", (before.blanked & ~after.blanked).sum())
    else:
        tally.blame("refused frame lit", lit.sum())
    start = np.roll(after.xy, 1, axis=0)
    for zone in zones:
        tally.blame("lit point", even_odd_or_winding(after.xy[lit], zone).sum())
        tally.blame("lit segment", crosses_outline(start[lit], after.xy[lit], zone).sum())
        if lit[0]:
            tally.blame("lit entry", crosses_outline(entry, after.xy[:1], zone).sum())


def shortest_frame(profile: ScannerProfile) -> int:
    """Samples a frame is taken to last at least.

    Until a past position shows by less than 1e-6 at the slowest spread, and no colour of the
    next frame shines ahead into the frame before this one.
    """
    turn = profile.natural_frequency_hz * 0.85 * 2 * np.pi / 30000.0
    slow = turn * (-profile.damping + np.sqrt(complex(profile.damping**2 - 1.0)))
    lead = -min(profile.colour_delay_us) * 0.03
    return max(math.ceil(math.log(1e6) / -slow.real), math.ceil(lead) + 1)


def check_beam(tally: Tally, streams, profiles, spreads) -> None:
    """Step the scanners of many streams through time and look for light in their areas."""
    length = max(len(command) for command, _, _ in streams)
    command = np.stack([np.resize(c, (length, 2)) for c, _, _ in streams], axis=1)
    level = np.zeros((length, len(streams), 3))
    for index, (positions, levels, _) in enumerate(streams):
        command[len(positions) :, index] = positions[-1]
        level[: len(levels), index] = levels
    turn = np.array([p.natural_frequency_hz for p in profiles]) * 2 * np.pi / 30000.0 * spreads
    zeta = np.array([p.damping for p in profiles])
    # Exact transition from the eigenvalues of the companion matrix.
    root = np.sqrt((zeta**2 - 1.0).astype(complex))
    l1, l2 = turn * (-zeta + root), turn * (-zeta - root)
    l2 = np.where(np.abs(l1 - l2) < 1e-9, l2 * (1 + 1e-6), l2)
    after = (np.arange(CHECK_STEPS) + 1.0)[:, None] / CHECK_STEPS
    e1, e2 = np.exp(l1 * after), np.exp(l2 * after)
    m00 = ((l1 * e2 - l2 * e1) / (l1 - l2)).real[..., None]
    m01 = ((e1 - e2) / (l1 - l2)).real[..., None]
    m10 = (l1 * l2 * (e2 - e1) / (l1 - l2)).real[..., None]
    m11 = ((l1 * e1 - l2 * e2) / (l1 - l2)).real[..., None]
    x = np.zeros((len(streams), 2))
    v = np.zeros_like(x)
    path = np.empty((length, CHECK_STEPS, len(streams), 2))
    for sample in range(length):
        u = command[sample]
        e = x - u
        path[sample] = u + m00 * e + m01 * v
        x, v = path[sample, -1], m10[-1] * e + m11[-1] * v
    path = path.reshape(-1, len(streams), 2)
    times = (np.arange(len(path)) + 1.0) / CHECK_STEPS
    delays = np.array([p.colour_delay_us for p in profiles]) * 0.03
    held = np.floor(times[:, None, None] - 1e-9 - delays).astype(int)
    known = (held >= 0) & (held < length)
    wanted = np.take_along_axis(level, np.clip(held, 0, length - 1), axis=0) * known
    rise = np.array([p.rise_us for p in profiles]) * 0.03
    decay = np.exp(-1.0 / CHECK_STEPS / np.maximum(rise, 1e-9))[:, None]
    light = np.empty_like(wanted)
    value = np.zeros_like(wanted[0])
    for step in range(len(path)):
        value = wanted[step] + (value - wanted[step]) * decay
        light[step] = value
    shining = (light > LIGHT_FLOOR).any(axis=2)
    for index, (_, _, zones) in enumerate(streams):
        bright = path[shining[:, index], index]
        for zone in zones:
            tally.blame("lit simulated sample", even_odd_or_winding(bright, zone).sum())


def fuzz(frames: int, seed: int = 0, progress: Callable[[Tally], None] | None = None) -> Tally:
    """Guard at least `frames` random frames and count violations."""
    rng = np.random.default_rng(seed)
    tally = Tally()
    while tally.frames < frames:
        count = int(rng.integers(2, 90))
        streams, profiles = [], []
        for _ in range(STREAMS):
            profile = random_profile(rng)
            zones = [random_outline(rng) for _ in range(rng.integers(0, 4))]
            outlines = list(zones)
            if rng.random() < 0.02:
                outlines.append(hostile_outline(rng))
            limits = SafetyLimits(
                zones=tuple(
                    KeepOut(f"area {i}", tuple(map(tuple, outline.tolist())))
                    for i, outline in enumerate(outlines)
                ),
                margin_field=float(rng.choice([1e-4, 0.003, 0.01, 0.05])),
                dwell_max_us=float(rng.choice([0.0, 100.0, 2000.0])),
                brightness_max=float(rng.choice([0.05, 0.5, 1.0])),
                picture_min_field=float(rng.choice([0.0, 0.1])),
            )
            previous = Frame.dark(30000.0)
            least = shortest_frame(profile)
            commands, levels = [], []
            for _ in range(FRAMES_A_STREAM):
                frame = random_frame(rng, count, 30000.0)
                tally.frames += 1
                tally.lit_in += int((frame.rgb.any(axis=1) & ~frame.blanked).sum())
                try:
                    safe = guard(frame, limits, profile, previous=previous).frame
                except SettingError:
                    tally.refused += 1
                    safe = Frame.dark(30000.0)
                check_commands(tally, frame, safe, zones, previous.xy[-1:])
                tally.lit_out += int(lit_samples(safe).sum())
                # A frame of a show lasts longer than its scanners and colours need.
                turns = math.ceil(least / len(safe)) + int(rng.integers(0, 2))
                rows = np.resize(np.arange(len(safe)), turns * len(safe))
                commands.append(safe.xy[rows])
                levels.append(safe.rgb[rows])
                previous = safe
            # Light may outlive the last frame: some dark samples more show it.
            commands.append(np.repeat(commands[-1][-1:], 20, axis=0))
            levels.append(np.zeros((20, 3)))
            streams.append((np.concatenate(commands), np.concatenate(levels), zones))
            profiles.append(profile)
        # The two ends, the middle, and anything between.
        between = rng.uniform(0.85, 1.15, STREAMS)
        known = rng.choice([0.85, 1.0, 1.15], STREAMS)
        spreads = np.where(rng.random(STREAMS) < 0.5, between, known)
        check_beam(tally, streams, profiles, spreads)
        if progress is not None:
            progress(tally)
    return tally


def main(arguments: list[str]) -> int:
    frames = int(arguments[0]) if arguments else 20_000
    seed = int(arguments[1]) if len(arguments) > 1 else 0
    start = told = time.perf_counter()

    def progress(tally: Tally) -> None:
        nonlocal told
        if time.perf_counter() - told > PROGRESS_S:
            told = time.perf_counter()
            found = sum(tally.violations.values())
            print(f"{tally.frames} of {frames} frames, {found} violations", file=sys.stderr)

    tally = fuzz(frames, seed, progress)
    elapsed = time.perf_counter() - start
    print(f"{tally.lit_in} samples lit before, {tally.lit_out} after, {tally.refused} refused")
    print(f"{tally.frames / elapsed:.0f} frames a second, seed {seed}")
    for what, count in sorted(tally.violations.items()):
        print(f"violation: {what}: {count}")
    print(f"{tally.frames} frames, {sum(tally.violations.values())} violations")
    return 1 if tally.violations else 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
