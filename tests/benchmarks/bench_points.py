# SPDX-License-Identifier: GPL-3.0-or-later
"""Ordering against LKH, totals against toppra + LKH + settling, time, calmness, budget.

LKH (through elkai, for academic and non-commercial use only) and toppra are used where
installed; elsewhere the reference numbers below serve, and the row says so. Print new ones
with ``python tests/benchmarks/bench_points.py --references``.
"""

from __future__ import annotations

import importlib.util
import math
import statistics
import sys
import time
from collections.abc import Callable
from functools import partial
from typing import Any

import numpy as np
import time_optimal
from beamwright.core import kernels
from beamwright.core.kernels import numpy_points
from beamwright.core.points.order import (
    ends_of,
    order_strokes,
    remember,
    stroke_keys,
)
from beamwright.core.points.placement import (
    MotionLimits,
    Tour,
    build_route,
    limits_at,
    run_clock,
)
from beamwright.core.points.plan import plan_strokes
from beamwright.core.points.projector import Aim, Projector, ScannerProfile
from beamwright.core.points.scanner import picture_error, simulate
from beamwright.core.points.sharing import share_out
from beamwright.core.points.simplify import simplified
from beamwright.core.strokes import Strokes
from point_drawings import MESHES, RANDOM, TEXTS, drawing, mesh_edges
from rows import row, skipped

Row = dict[str, Any]

LIMITS = MotionLimits(
    acceleration=0.012,
    jump_acceleration=0.035,
    speed=0.05,
    jump_speed=0.2,
    blend=0.002,
    settle_before=3.0,
    settle_after=1.0,
    dot_dwell=4.0,
    tolerance=0.004,
)
KICKS = 4  # a stroke, native
SEEDS = (1, 2, 3, 4, 5, 6, 7)

# Cost in samples of the best tour LKH (elkai 2.0.1) found in three rounds of ten runs.
LKH_COST: dict[str, float] = {
    "text20": 216.29,
    "text60": 488.13,
    "text130": 1017.35,
    "text250": 1912.21,
    "script60": 402.41,
    "ico1": 138.13,
    "ico2": 190.94,
    "cyl": 105.71,
    "torus": 229.59,
    "rand100": 1127.08,
    "rand300": 3113.09,
}
# toppra 0.6.8 along the lit pieces of the LKH tour, its blank moves, and its settling.
BOUND: dict[str, float] = {
    "text60": 686.7,
    "text130": 1497.9,
    "script60": 917.9,
    "torus": 762.2,
    "ico1": 558.8,
}

HAS_LKH = importlib.util.find_spec("elkai") is not None
INSTALLED = {True: "this run", False: "committed number"}


def rows(quick: bool) -> list[Row]:
    """Measure; `quick` leaves out the large and slow cases."""
    names = ["text60", "script60", "torus", "ico1", "rand100"]
    if not quick:
        names = [*TEXTS, *MESHES, *RANDOM]
    drawings: dict[str, Strokes] = {}
    result: list[Row] = []
    for name in names:
        lines = drawing(name)
        if lines is None:
            result.append(skipped("drawings", name, "its package is not installed"))
        else:
            drawings[name] = Strokes.from_polylines(lines)
    for missing, present in (("elkai (LKH)", HAS_LKH), ("toppra", time_optimal.AVAILABLE)):
        if not present:
            result.append(skipped("references", missing, "not installed, committed numbers serve"))
    result += _ordering_rows(drawings)
    result += _total_rows(drawings, quick)
    result += _stage_rows(drawings)
    result += _coherence_rows(quick)
    result += _budget_rows(drawings)
    result += _drop_rows(drawings, quick)
    result += _error_rows(drawings)
    result += _share_rows(drawings)
    return result


# --- ordering ----------------------------------------------------------------------------


def _costs(drawn: Strokes, implementation: Any) -> np.ndarray:
    xy, tangent, room = ends_of(drawn)
    costs: np.ndarray = implementation.link_costs(
        xy,
        tangent,
        room,
        LIMITS.acceleration,
        LIMITS.speed,
        LIMITS.blend,
        LIMITS.jump_acceleration,
        LIMITS.jump_speed,
        LIMITS.settle_before + LIMITS.settle_after,
        1e-4,
    )
    return costs


def _solve(drawn: Strokes, implementation: Any, kicks: int, seed: int) -> np.ndarray:
    costs = _costs(drawn, implementation)
    near = implementation.neighbour_lists(costs, 16 if implementation is numpy_points else 8)
    tour = implementation.greedy_tour(costs, near)
    solved: np.ndarray = implementation.improve_tour(costs, near, tour, kicks, seed)
    return solved


def _cost(costs: np.ndarray, entry: np.ndarray) -> float:
    return float(costs[entry ^ 1, np.roll(entry, -1)].sum()) / numpy_points.COST_UNIT


def lkh_tour(costs: np.ndarray, rounds: int = 3, runs: int = 10) -> np.ndarray:
    """Best tour of entry nodes that LKH finds.

    A symmetric tour over both ends of all strokes: stroke edges are free, all others cost
    more by a constant above twice the largest, so that every optimum uses all strokes.
    """
    import elkai

    count = len(costs)
    large = np.rint(costs.astype(float) * 100.0 / numpy_points.COST_UNIT).astype(np.int64)
    most = int(large[costs < numpy_points.FORBIDDEN].max())
    distance = large + 2 * most + 10
    node = np.arange(count)
    distance[node, node ^ 1] = 0
    distance[node, node] = 0
    best: np.ndarray | None = None
    for _ in range(rounds):
        tour = np.array(elkai.DistanceMatrix(distance.tolist()).solve_tsp(runs=runs)[:-1])
        if tour[0] ^ 1 != tour[1]:
            tour = np.roll(tour, -1)
        entry = tour[::2]
        if best is None or _cost(costs, entry) < _cost(costs, best):
            best = entry
    assert best is not None
    return best


def _lkh_cost(name: str, drawn: Strokes) -> float:
    if HAS_LKH:
        costs = _costs(drawn, numpy_points)
        return _cost(costs, lkh_tour(costs))
    return LKH_COST[name]


def _best_ms(work: Callable[[], object], repeats: int = 7) -> float:
    times = []
    for _ in range(repeats):
        begin = time.perf_counter()
        work()
        times.append(time.perf_counter() - begin)
    return 1e3 * min(times)


def _implementations() -> list[tuple[str, Any]]:
    found: list[tuple[str, Any]] = [("numpy", numpy_points)]
    if kernels.is_native():
        found.insert(0, ("native", kernels))
    return found


def _ordering_rows(drawings: dict[str, Strokes]) -> list[Row]:
    result = []
    for name, drawn in drawings.items():
        count = len(drawn)
        reference = _lkh_cost(name, drawn)
        source = INSTALLED[HAS_LKH]
        costs = _costs(drawn, numpy_points)
        for label, implementation in _implementations():
            native = label == "native"
            kicks = KICKS * count if native else math.ceil((0.2 if count <= 100 else 0.1) * count)
            found = [
                _cost(costs, _solve(drawn, implementation, kicks, seed))
                for seed in (SEEDS if native else SEEDS[:1])
            ]
            flat = name in TEXTS or name in RANDOM
            most = (1.005 if flat else 1.015) if native else 1.02
            ours = statistics.median(found)
            result.append(
                row(
                    f"ordering, {label}",
                    f"{name} ({count} strokes) over LKH ({source})",
                    ours,
                    reference,
                    "samples",
                    1.0 / most,
                )
            )
            spent = _best_ms(partial(_solve, drawn, implementation, kicks, 1))
            result.append(
                row(
                    f"ordering time, {label}",
                    f"{name}, per 100 strokes",
                    100.0 * spent / count,
                    target=1.0 if native else 5.0,
                )
            )
    return result


# --- totals ------------------------------------------------------------------------------


def _tour_of(entry: np.ndarray) -> Tour:
    return Tour(
        (entry >> 1).astype(np.int32), (entry & 1).astype(bool), np.zeros(len(entry), np.int32)
    )


def bound(drawn: Strokes, entry: np.ndarray) -> float:
    """Samples that a frame needs at least in this order: optimal lit motion, moves, settling."""
    route = build_route(drawn, _tour_of(entry))
    total = 0.0
    for piece in range(int(route.piece.max()) + 1):
        line = route.xy[route.piece == piece]
        total += time_optimal.shortest_time(
            line, LIMITS.acceleration, LIMITS.speed, LIMITS.blend, 40
        )
        total += LIMITS.settle_before + LIMITS.settle_after
    starts = np.flatnonzero(route.ends_jump) - 1
    extent = np.abs(route.xy[starts + 1] - route.xy[starts]).max(axis=1)
    reach = LIMITS.jump_speed**2 / LIMITS.jump_acceleration
    slow = np.minimum(extent, reach)
    moves = 2.0 * np.sqrt(slow / LIMITS.jump_acceleration) + (extent - slow) / LIMITS.jump_speed
    return total + float(moves.sum())


def _bound(name: str, drawn: Strokes) -> float | None:
    if HAS_LKH and time_optimal.AVAILABLE:
        ready = simplified(drawn, 0.001)
        return bound(ready, lkh_tour(_costs(ready, numpy_points)))
    return BOUND.get(name)


def _total_rows(drawings: dict[str, Strokes], quick: bool) -> list[Row]:
    result = []
    source = INSTALLED[HAS_LKH and time_optimal.AVAILABLE]
    for name in ("text60", "ico1") if quick else ("text60", "text130", "script60", "torus", "ico1"):
        if name not in drawings:
            continue
        reference = _bound(name, drawings[name])
        if reference is None:
            continue
        ready = simplified(drawings[name], 0.001)
        route = build_route(ready, order_strokes(ready, LIMITS))
        clock = run_clock(route, LIMITS, ScannerProfile().sampled.light_lag)
        result.append(
            row(
                "total points",
                f"{name} over toppra + LKH + settling ({source})",
                math.ceil(clock.total),
                reference,
                "samples",
                1.0 / 1.02,
            )
        )
    return result


# --- time --------------------------------------------------------------------------------


def _stage_rows(drawings: dict[str, Strokes]) -> list[Row]:
    label = "native" if kernels.is_native() else "numpy"
    limit = 2.5 if kernels.is_native() else 8.0
    result = []
    for name, drawn in drawings.items():
        projector = Projector(target_refresh_hz=1.0)
        spent = 100.0 / len(drawn) * _best_ms(partial(plan_strokes, drawn, [], projector))
        result.append(
            row(
                f"simplify, order, place, {label}",
                f"{name}, per 100 strokes",
                spent,
                target=limit,
            )
        )
    return result


# --- calmness ----------------------------------------------------------------------------


def sequence(name: str) -> Callable[[int], Strokes] | None:
    """Return an animated drawing: strokes by frame number."""
    if name == "text130":
        lines = drawing(name)
        if lines is None:
            return None
        still = Strokes.from_polylines(lines)
        middle = np.array([line.mean(axis=0) for line in lines])[still.stroke_of_point]

        def text(frame: int) -> Strokes:
            x, y = middle.T
            points = still.points.copy()
            points[:, 0] *= 1.0 + 0.1 * np.sin(0.1 * frame + 3.0 * y)
            points[:, 0] += 0.02 * np.sin(0.3 * frame + 4.0 * x)
            points[:, 1] += 0.03 * np.sin(0.2 * frame + 6.0 * x)
            return still.with_points(points)

        return text
    if importlib.util.find_spec("trimesh") is None:
        return None

    def mesh(frame: int) -> Strokes:
        lines, numbers = mesh_edges(name, 0.4 + math.radians(2.0 * frame), 0.9)
        return Strokes.from_polylines(lines, identity=numbers)

    return mesh


def links_of(drawn: Strokes, tour: Tour) -> set[frozenset[tuple[int, int, int]]]:
    """Return a tour's links by stable names of stroke ends."""
    keys = stroke_keys(drawn)
    entry = (2 * tour.stroke + tour.reverse).tolist()
    nodes = [(*keys[node >> 1], node & 1) for node in entry]
    leaving = [(identity, rank, end ^ 1) for identity, rank, end in nodes]
    return {frozenset(pair) for pair in zip(leaving, nodes[1:] + nodes[:1], strict=True)}


def _coherence_rows(quick: bool) -> list[Row]:
    result = []
    for name in ("torus",) if quick else ("text130", "torus", "ico2"):
        frames = sequence(name)
        if frames is None:
            continue
        memory, before, names_before = None, None, set()
        kept = []
        for number in range(20 if quick else 60):
            drawn = frames(number)
            tour = order_strokes(drawn, LIMITS, memory)
            memory = remember(drawn, tour)
            now, names = links_of(drawn, tour), set(stroke_keys(drawn))
            if before is not None:
                both = names & names_before
                possible = [link for link in now if all(end[:2] in both for end in link)]
                kept.append(len(now & before) / max(1, len(possible)))
            before, names_before = now, names
        result.append(
            row(
                "links changed between frames",
                name,
                100.0 * (1.0 - statistics.mean(kept)),
                unit="%",
                target=6.0,
            )
        )
    return result


# --- budget ------------------------------------------------------------------------------


def _budget_rows(drawings: dict[str, Strokes]) -> list[Row]:
    result = []
    profile = ScannerProfile()
    for name, drawn in drawings.items():
        ready = simplified(drawn, 0.001)
        route = build_route(ready, order_strokes(ready, limits_at(profile, 0.5)))
        totals = [
            run_clock(route, limits_at(profile, stress), profile.sampled.light_lag).total
            for stress in np.linspace(0.0, 1.0, 201)
        ]
        rises = int(np.count_nonzero(np.diff(totals) > 1e-9))
        result.append(row("rises of N with stress", name, rises, unit="of 200 steps", target=0.0))
        fullest = 0.0
        for refresh in (20.0, 30.0, 45.0, 60.0):
            projector = Projector(target_refresh_hz=refresh)
            points = len(plan_strokes(drawn, [], projector).frame)
            fullest = max(fullest, points / projector.budget)
        result.append(
            row("points of the budget", f"{name}, 20 to 60 Hz", fullest, unit="share", target=1.0)
        )
    return result


def _drop_rows(drawings: dict[str, Strokes], quick: bool) -> list[Row]:
    result = []
    frames = 40 if quick else 150
    for name, share in (("text60", 0.85), ("text130", 0.85), ("torus", 0.8)):
        if name not in drawings:
            continue
        drawn = drawings[name]
        shortest = _points_at(drawn, 1.0)
        projector = Projector(target_refresh_hz=30000.0 / (share * shortest))
        rng = np.random.default_rng(2)
        memory, before, toggles, over = None, None, 0, 0
        for number in range(frames):
            scale = 1.0 + 0.03 * math.sin(0.9 * number) + 0.02 * rng.normal()
            plan = plan_strokes(drawn.with_points(drawn.points * scale), [], projector, memory)
            memory = plan.memory
            over += len(plan.frame) > projector.budget
            if before is not None and number > 1:
                toggles += int(np.count_nonzero(plan.dropped != before))
            before = plan.dropped
        result.append(
            row("stroke toggles", f"{name}, {frames} noisy frames", toggles, None, "strokes", 5.0)
        )
        result.append(
            row("frames over budget", f"{name}, {frames} noisy frames", over, None, "frames", 0.0)
        )
    return result


def _points_at(drawn: Strokes, stress: float) -> int:
    profile = ScannerProfile()
    ready = simplified(drawn, 0.001)
    route = build_route(ready, order_strokes(ready, limits_at(profile, 0.5)))
    return math.ceil(run_clock(route, limits_at(profile, stress), profile.sampled.light_lag).total)


# --- picture -----------------------------------------------------------------------------


def points_at_error(drawn: Strokes, placement: str, error: float) -> float:
    """Points that a placement needs for an error (99th percentile) on the model.

    The tolerance is varied, and points are interpolated between the curve's values.
    """
    curve = []
    for tolerance in (0.0012, 0.0016, 0.002, 0.0027, 0.0035, 0.0045, 0.006, 0.008, 0.011, 0.015):
        profile = ScannerProfile(tolerance_field=tolerance)
        projector = Projector(
            profile=profile,
            target_refresh_hz=1.0,
            placement=placement,  # type: ignore[arg-type]
            aim=Aim(scale_x=1.0, scale_y=1.0),
        )
        frame = plan_strokes(drawn, [], projector).frame
        found = picture_error(simulate(frame, profile, 4), drawn, 0.004).quantile_99
        curve.append((math.log(found), math.log(len(frame))))
    curve.sort()
    errors, points = zip(*curve, strict=True)
    return math.exp(float(np.interp(math.log(error), errors, points)))


def _error_rows(drawings: dict[str, Strokes]) -> list[Row]:
    result = []
    for name in ("text60", "script60", "torus"):
        if name in drawings:
            planned = points_at_error(drawings[name], "planned", 0.01)
            simple = points_at_error(drawings[name], "simple", 0.01)
            result.append(
                row(
                    "planned over simple placement",
                    f"{name} at error 0.01",
                    planned,
                    simple,
                    "samples",
                    1.0,
                )
            )
    return result


def _share_rows(drawings: dict[str, Strokes]) -> list[Row]:
    result = []
    for name in ("text250", "torus"):
        if name not in drawings:
            continue
        drawn = drawings[name]
        alone = len(plan_strokes(drawn, [], Projector(target_refresh_hz=1.0)).frame)
        for members in (2, 4):
            crew = [
                Projector(name=str(number), group="g", target_refresh_hz=1.0)
                for number in range(members)
            ]
            shares, _ = share_out(drawn, crew, [Strokes.empty(("",))] * members)
            most = max(len(plan_strokes(part, [], crew[0]).frame) for part in shares)
            result.append(
                row(
                    "load sharing, fullest over even share",
                    f"{name}, {members} projectors",
                    most,
                    alone / members,
                    "samples",
                    1.0 / 1.15,
                )
            )
    return result


def _print_references() -> None:
    for name in [*TEXTS, *MESHES, *RANDOM]:
        lines = drawing(name)
        if lines is not None:
            drawn = Strokes.from_polylines(lines)
            costs = _costs(drawn, numpy_points)
            print(f'    "{name}": {_cost(costs, lkh_tour(costs)):.2f},', flush=True)
    for name in ("text60", "text130", "script60", "torus", "ico1"):
        lines = drawing(name)
        if lines is not None:
            print(f'    "{name}": {_bound(name, Strokes.from_polylines(lines)):.1f},', flush=True)


def main() -> None:
    """Print all rows, or new reference numbers."""
    if "--references" in sys.argv:
        _print_references()
        return
    for entry in rows("--quick" in sys.argv):
        numbers = [entry[key] for key in ("ours", "reference", "ratio", "target")]
        shown = " ".join("         -" if n is None else f"{n:10.4f}" for n in numbers)
        print(f"{entry['topic']:38s} {entry['case']:50s} {shown} {entry['unit']} {entry['meets']}")


if __name__ == "__main__":
    main()
