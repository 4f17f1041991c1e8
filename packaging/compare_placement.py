# SPDX-License-Identifier: GPL-3.0-or-later
"""Compare planned and simple placement on sample scenes: points at equal simulated error.

python packaging/compare_placement.py [SCENE.blend …]

Each placement may use the tolerance that suits it: of a fine ladder of tolerances, the fewest
points whose simulated picture misses the wanted one by no more than the allowed error (99th
percentile) count. No budget binds, so nothing is drawn coarser or left out. Both are measured
against the same strokes: aimed and clipped, before any is simplified.
"""

from __future__ import annotations

import argparse
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import Literal

import numpy as np
from beamwright.addon import register_headless
from beamwright.core.pipeline import seen_strokes
from beamwright.core.points.aim import clipped_to_field, projected
from beamwright.core.points.plan import SHORTEST_FRAME_S, plan_strokes
from beamwright.core.points.projector import Projector
from beamwright.core.points.scanner import picture_error, simulate
from beamwright.core.points.sharing import strokes_of
from beamwright.core.points.simplify import drawable
from beamwright.core.strokes import Strokes

HERE = Path(__file__).resolve().parent
SCENES = [HERE.parent / "sample_scenes" / f"{name}.blend" for name in ("lighthouse", "harbour")]
TOLERANCES = np.geomspace(0.001, 0.03, 35)
UNLIMITED_HZ = 0.5
"""A refresh so low that no budget binds."""


def points_at_error(
    strokes: Strokes,
    projector: Projector,
    placement: Literal["planned", "simple"],
    error_field: float,
) -> tuple[int, float] | None:
    """Return the fewest points within an error, and the error they have.

    None where no tolerance of the ladder reaches it.
    """
    whole, _ = drawable(strokes)
    wanted = clipped_to_field(projected(whole, projector.aim))
    best: tuple[int, float] | None = None
    for tolerance in TOLERANCES.tolist():
        candidate = replace(
            projector,
            profile=replace(projector.profile, tolerance_field=tolerance),
            target_refresh_hz=UNLIMITED_HZ,
            placement=placement,
            group="",
            feed_forward=False,
        )
        plan = plan_strokes(strokes, [], candidate)
        if plan.stress > 0.0 or plan.dropped.any():
            raise RuntimeError("a budget binds: the comparison would not be one of placements")
        beam = simulate(plan.frame, candidate.profile)
        found = picture_error(beam, wanted).quantile_99
        if found <= error_field and (best is None or len(plan.frame) < best[0]):
            best = len(plan.frame), found
    return best


def main(arguments: Sequence[str] | None = None) -> int:
    """Print a line for each frame and projector, and the sums."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else None)
    parser.add_argument("scene", nargs="*", type=Path, default=SCENES)
    parser.add_argument("--frames", type=int, default=6, help="spread over each scene (6)")
    parser.add_argument("--error", type=float, default=0.01, help="field units (0.01)")
    options = parser.parse_args(arguments)
    register_headless()
    from beamwright.addon.session import open_source

    print(f"Fewest points with a 99th percentile error of at most {options.error:g} field units")
    for path in options.scene:
        source = open_source(path)
        spread = np.linspace(source.frame_start, source.frame_end, options.frames)
        sums = np.zeros(2)
        for number in np.unique(np.rint(spread).astype(int)).tolist():
            scene = source.scene_at(number)
            seen = seen_strokes(scene)
            assignments = [surface.assignment for surface in scene.surfaces]
            for projector in source.projectors:
                strokes = strokes_of(
                    seen.get(projector.name, seen[""]),
                    assignments,
                    projector,
                    source.projectors,
                )
                if len(strokes) == 0:
                    continue
                found = [
                    points_at_error(strokes, projector, placement, options.error)
                    for placement in ("planned", "simple")
                ]
                start = f"{path.stem} frame {number:4d}, {projector.name}:"
                if found[0] is None or found[1] is None:
                    reached = [result is not None for result in found]
                    print(f"{start} not compared, reached by planned, simple: {reached}")
                    continue
                (planned, planned_error), (simple, simple_error) = found
                if min(planned, simple) <= SHORTEST_FRAME_S * projector.profile.point_rate_hz:
                    print(f"{start} not compared, a frame so short is stretched or rests")
                    continue
                sums += planned, simple
                print(
                    f"{start} planned {planned} ({planned_error:.4f}), "
                    f"simple {simple} ({simple_error:.4f}), {planned / simple - 1.0:+.0%}",
                    flush=True,
                )
        if sums.all():
            print(
                f"{path.stem}: planned {sums[0]:.0f}, simple {sums[1]:.0f}, "
                f"{sums[0] / sums[1] - 1.0:+.1%}"
            )
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
