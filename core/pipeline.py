# SPDX-License-Identifier: GPL-3.0-or-later
"""One frame from scene to guarded samples: the only place where the stages meet.

scene → visible strokes (once for each camera) → the strokes of a projector → aimed,
simplified, ordered, placed within the budget → darkened where needed → frame and figures.
"""

from __future__ import annotations

import math
import os
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import partial
from typing import Any

import numpy as np
from numpy.typing import NDArray

from . import kernels
from .effects import mask, morph, reveal
from .frame import Frame
from .lines import (
    chaining,
    clipping,
    contours,
    features,
    intersections,
    simplification,
    visibility,
)
from .points.budget import BudgetMemory
from .points.plan import Plan, plan_strokes
from .points.projector import Projector, ScannerProfile
from .points.scanner import PictureError, acceleration_share, picture_error, simulate
from .points.sharing import ShareMemory, group_of, share_out, shared_strokes, strokes_of
from .report.figures import FrameFigures
from .safety.guard import guard
from .safety.limits import SafetyLimits
from .scene import (
    Assignment,
    Camera,
    DrawingSettings,
    Mask,
    Morph,
    Reveal,
    Scene,
    Surface,
)
from .strokes import Strokes

__all__ = [
    "FrameMemory",
    "PlannedFrame",
    "default_threads",
    "draw_frame",
    "gather",
    "plan_frame",
    "plan_projectors",
    "plan_scene",
    "seen_strokes",
    "visible_strokes",
]


MOST_THREADS = 4


_MEASURED_SUBSTEPS = 4
_MEASURED_SPACING = 0.006  # field units


@dataclass(frozen=True, eq=False)
class FrameMemory:
    """What one projector's next frame needs of this one. Plain and picklable.

    Attributes
    ----------
    plan
        Tour, stress and drops, so that the picture stays calm.
    frame
        Drawn last, so that the guard can check the way into the next one.
    share
        How the projector's group shared its strokes.
    """

    plan: BudgetMemory
    frame: Frame
    share: ShareMemory | None = None


@dataclass(frozen=True, eq=False)
class PlannedFrame:
    """One projector's share of one frame.

    Attributes
    ----------
    frame
        Samples, already through the safety stage.
    figures
        What they cost.
    strokes
        The strokes that were planned, in the projector's field.
    memory
        Hand it to `plan_frame` for the next frame, so that the picture stays calm.
    dropped : (k,) bool
        Which of `strokes` were left out for the budget.
    """

    frame: Frame
    figures: FrameFigures
    strokes: Strokes
    memory: Any
    dropped: NDArray[np.bool_] = field(default_factory=lambda: np.zeros(0, bool))

    def error(self, profile: ScannerProfile) -> PictureError:
        """Return how far the simulated beam is from the strokes that were kept."""
        return picture_error(simulate(self.frame, profile), self._kept())

    def measured(self, profile: ScannerProfile) -> FrameFigures:
        """Return the figures with those of the simulated beam.

        Coarser and twice as fast as `error`, 99th percentiles within 5 % on full pictures.
        Without figures of the beam where nothing can be compared.
        """
        known = len(self.dropped) == len(self.strokes) or self.figures.dropped_strokes == 0
        if not known:
            return self.figures
        beam = simulate(self.frame, profile, _MEASURED_SUBSTEPS)
        error = picture_error(beam, self._kept(), _MEASURED_SPACING)
        if not math.isfinite(error.worst):
            return self.figures
        return replace(
            self.figures,
            error_field=error.quantile_99,
            error_worst_field=error.worst,
            corner_rounding_field=error.corner_rounding,
            brightness_evenness=error.brightness_evenness,
            acceleration_share=acceleration_share(beam, profile),
        )

    def _kept(self) -> Strokes:
        if len(self.dropped) != len(self.strokes):
            return self.strokes
        return self.strokes.take(~self.dropped)


def visible_strokes(scene: Scene, camera: Camera | None = None, *, alone: bool = False) -> Strokes:
    """Return the visible strokes of a scene in field coordinates, clipped to the page.

    Parameters
    ----------
    scene
        One frame.
    camera
        Overrides `Scene.camera`.
    alone
        The result depends on nothing but the scene, to the last bit: what was found for
        other places of a body is not carried along. Slower where bodies move.

    Returns
    -------
    Strokes
        One row for each visible line; none where nothing is seen. The page border, if asked
        for, comes last with object index -1.

    Raises
    ------
    SceneError
        Where an object has vertices that are not finite, or the camera sees nothing.
    """
    view = scene.camera if camera is None else camera
    strokes = _morphed(scene, view, alone)
    if scene.drawing.page_border:
        strokes = clipping.with_page_border(strokes, view)
    return strokes


def _morphed(scene: Scene, view: Camera, alone: bool) -> Strokes:
    """Draw the scene once without any targets and once without any sources, and blend."""
    morphs = [effect for effect in scene.effects if isinstance(effect, Morph)]
    if not morphs:
        return _shown_strokes(scene, view, frozenset(), alone)
    # At an end of a morph the other side is simply not there.
    gone = frozenset[int]().union(
        *(effect.targets for effect in morphs if effect.factor <= 0.0),
        *(effect.sources for effect in morphs if effect.factor >= 1.0),
    )
    moving = [effect for effect in morphs if 0.0 < effect.factor < 1.0]
    if not moving:
        return _shown_strokes(scene, view, gone, alone)
    sources = frozenset[int]().union(*(effect.sources for effect in moving))
    targets = frozenset[int]().union(*(effect.targets for effect in moving))
    before = _shown_strokes(scene, view, gone | targets, alone)
    after = _shown_strokes(scene, view, gone | sources, alone)
    still = ~np.isin(before.object_index, sorted(sources))
    parts = [before.take(still)]
    for effect in moving:
        old = before.take(np.isin(before.object_index, sorted(effect.sources)))
        new = after.take(np.isin(after.object_index, sorted(effect.targets)))
        parts.append(morph.blended(old, new, effect.factor))
    return Strokes.concatenate(parts)


def _shown_strokes(scene: Scene, view: Camera, without: frozenset[int], alone: bool) -> Strokes:
    """Return what reveals and masks leave of the visible strokes of all surfaces but some."""
    strokes = _hidden_line_strokes(scene, view, without, alone)
    for effect in scene.effects:
        if isinstance(effect, Reveal):
            strokes = reveal.revealed(strokes, effect)
        elif isinstance(effect, Mask):
            strokes = mask.masked(strokes, effect, view)
    return strokes


def _hidden_line_strokes(
    scene: Scene, view: Camera, without: frozenset[int], alone: bool
) -> Strokes:
    """Return the visible strokes of all surfaces but some."""
    kept = [row for row in range(len(scene.surfaces)) if row not in without]
    surfaces = [scene.surfaces[row] for row in kept] if without else scene.surfaces
    drawing = scene.drawing
    arrays, crossings = _gathered(surfaces, drawing, alone)
    forced = []
    if len(crossings.edges):
        forced.append(crossings)
    outlines = contours.contour_edges(surfaces, arrays, view)
    if len(outlines.edges):
        forced.append(outlines)
    seen = visibility.see(arrays, surfaces, view, forced, drawing.depth_bias)
    strokes = chaining.chain_strokes(seen, surfaces, drawing.remove_coincident)
    strokes = simplification.simplify(strokes, drawing.tolerance_field)
    if not without:
        return strokes
    owner = np.array(kept, np.int32)[strokes.object_index]
    return replace(
        strokes,
        object_index=owner,
        identity=owner.astype(np.int64) << 32 | strokes.identity & ~(0xFFFFF << 32),
        object_names=tuple(surface.name for surface in scene.surfaces),
    )


def _gathered(
    surfaces: Sequence[Surface], drawing: DrawingSettings, alone: bool = False
) -> tuple[features.SceneArrays, visibility.ForcedEdges]:
    """Return what needs no camera, from memory where it was asked for before."""
    arrays = features.collect(surfaces, alone)
    crossings = intersections.intersection_edges(
        surfaces,
        arrays,
        between=drawing.intersections,
        within=drawing.self_intersections,
        alone=alone,
    )
    return arrays, crossings


def default_threads() -> int:
    """Return how many frames to work on at once; 0 where all is done one by one.

    numpy's loops hold the interpreter for most of their time, so threads only help the
    native kernels.
    """
    if not kernels.is_native():
        return 0
    affinity = getattr(os, "sched_getaffinity", None)
    processors = len(affinity(0)) if affinity else os.cpu_count() or 1
    return 0 if processors < 2 else min(processors, MOST_THREADS)


def gather(scene: Scene) -> None:
    """Do what follows from earlier frames: what moved, what kept its shape.

    `seen_strokes` does it as well. Where frames are worked on side by side, this in their
    order makes what is kept between them, and so every result, the same as one by one.
    """
    if any(isinstance(effect, Morph) for effect in scene.effects):
        seen_strokes(scene)  # gathers parts of the scene, too
    else:
        _gathered(scene.surfaces, scene.drawing)


def plan_frame(
    frame_number: int,
    strokes: Strokes,
    assignments: Sequence[Assignment],
    projector: Projector,
    memory: FrameMemory | None = None,
    limits: SafetyLimits | None = None,
    *,
    stream: bool = False,
) -> PlannedFrame:
    """Plan one projector's samples.

    Parameters
    ----------
    frame_number
        Of the scene, for the figures.
    strokes
        Those the projector draws (see `strokes_of`), in field coordinates of the camera.
    assignments
        One for each object that `Strokes.object_index` counts.
    projector
    memory
        `PlannedFrame.memory` of the frame before.
    limits
        Of the safety stage; its defaults if None.
    stream
        The frame goes straight to the scanners, not into a file: `Projector.feed_forward` is
        heeded.

    Returns
    -------
    PlannedFrame
        Its frame starts and ends dark at the same place, and never has more points than the
        budget, unless strokes that are locked need more, or the format allows.

    Raises
    ------
    SettingError
        Where the projector's aim or a safety limit is impossible.
    """
    plan = plan_strokes(
        strokes, assignments, projector, memory.plan if memory else None, stream=stream
    )
    safe = guard(
        plan.frame,
        limits or SafetyLimits(),
        projector.profile,
        # Whoever begins a sequence comes out of the dark.
        previous=memory.frame if memory else Frame.dark(plan.frame.point_rate_hz),
    )
    return PlannedFrame(
        frame=safe.frame,
        figures=_figures(frame_number, plan, safe.frame, safe.darkened_count, projector),
        strokes=plan.strokes,
        memory=FrameMemory(plan=plan.memory, frame=safe.frame),
        dropped=plan.dropped,
    )


def _figures(
    frame_number: int, plan: Plan, frame: Frame, darkened: int, projector: Projector
) -> FrameFigures:
    names = plan.strokes.object_names
    # Objects of one name (instances) are charged together.
    cost: dict[str, float] = {}
    owners, samples = np.unique(frame.object_index, return_counts=True)
    for owner, count in zip(owners.tolist(), samples.tolist(), strict=True):
        name = names[owner] if 0 <= owner < len(names) else ""
        cost[name] = cost.get(name, 0.0) + count
    lengths = plan.strokes.lengths
    lost = np.unique(plan.strokes.object_index[plan.dropped])
    blanked = int(np.count_nonzero(frame.blanked))
    return FrameFigures(
        frame=frame_number,
        points=len(frame),
        lit=len(frame) - blanked,
        blanked=blanked,
        strokes=int(np.count_nonzero(~plan.dropped)),
        refresh_hz=frame.refresh_hz,
        budget=projector.budget,
        over_budget=len(frame) > projector.budget,
        stress=plan.stress,
        tolerance_field=plan.tolerance_field,
        dropped_strokes=int(np.count_nonzero(plan.dropped)),
        dropped_length=float(lengths[plan.dropped].sum()),
        lit_length=float(lengths[~plan.dropped].sum()),
        darkened=darkened,
        cost=cost,
        dropped_objects=tuple(
            sorted({names[row] for row in lost.tolist() if 0 <= row < len(names)})
        ),
        dropped_groups=plan.groups,
        broken_strokes=plan.broken,
        clipped_length=plan.clipped_length,
    )


def draw_frame(
    scene: Scene,
    projectors: Sequence[Projector],
    memories: Mapping[str, FrameMemory] | None = None,
    limits: Mapping[str, SafetyLimits] | None = None,
    *,
    stream: bool = False,
) -> dict[str, PlannedFrame]:
    """Run the whole way for one scene frame and all projectors, by projector name.

    Parameters
    ----------
    scene
    projectors
        Of the show, all of them: who draws what depends on which there are. Objects without
        an assignment go to the first.
    memories
        `PlannedFrame.memory` of the frame before, by projector name.
    limits
        Safety limits by projector name; defaults for those missing.
    stream
        See `plan_frame`.

    Raises
    ------
    SceneError
        Where the scene cannot be drawn.
    SettingError
        Where a projector's aim or a safety limit is impossible.
    """
    return plan_scene(scene, seen_strokes(scene), projectors, memories, limits, stream=stream)


def plan_scene(
    scene: Scene,
    views: Mapping[str, Strokes],
    projectors: Sequence[Projector],
    memories: Mapping[str, FrameMemory] | None = None,
    limits: Mapping[str, SafetyLimits] | None = None,
    *,
    stream: bool = False,
) -> dict[str, PlannedFrame]:
    """Do the second half of `draw_frame`: `views` are the scene's `seen_strokes`."""
    return plan_projectors(
        scene.frame,
        {projector.name: views.get(projector.name, views[""]) for projector in projectors},
        [surface.assignment for surface in scene.surfaces],
        projectors,
        memories,
        limits,
        stream=stream,
    )


def seen_strokes(scene: Scene, *, alone: bool = False) -> dict[str, Strokes]:
    """Return the visible strokes of a scene for each of its cameras.

    The key "" is the scene's own camera; projectors with a camera of their own have theirs.
    For `alone` see `visible_strokes`.

    Raises
    ------
    SceneError
        Where the scene cannot be drawn.
    """
    see = partial(visible_strokes, alone=True) if alone else visible_strokes
    views = {"": see(scene)}
    for name, camera in scene.projector_cameras.items():
        views[name] = see(scene, camera)
    return views


def plan_projectors(
    frame_number: int,
    seen: Mapping[str, Strokes],
    assignments: Sequence[Assignment],
    projectors: Sequence[Projector],
    memories: Mapping[str, FrameMemory] | None = None,
    limits: Mapping[str, SafetyLimits] | None = None,
    *,
    stream: bool = False,
) -> dict[str, PlannedFrame]:
    """Share strokes out to projectors and plan each, by projector name.

    Parameters
    ----------
    frame_number
        For the figures.
    seen
        Visible strokes by projector name: of all projectors, or of some with all members of
        their groups. Only these are planned.
    assignments
        One for each object that `Strokes.object_index` counts.
    projectors
        Of the show, all of them.
    memories, limits
        See `draw_frame`.
    stream
        See `plan_frame`.

    Raises
    ------
    SettingError
        Where a projector's aim or a safety limit is impossible.
    """
    before = memories or {}
    wanted = [projector for projector in projectors if projector.name in seen]
    own = {
        projector.name: strokes_of(seen[projector.name], assignments, projector, projectors)
        for projector in wanted
    }
    shares: dict[str, ShareMemory | None] = {}
    for projector in wanted:
        members = group_of(projector, projectors)
        if len(members) < 2 or projector.name != members[0].name:
            continue
        # All of a group draw parts of one picture: the one its first member sees.
        common = shared_strokes(seen[projector.name], assignments, projector.group, projectors)
        known = before.get(projector.name)
        parts, share = share_out(
            common,
            members,
            [own[member.name] for member in members],
            known.share if known else None,
        )
        shares[projector.name] = share
        for member, part in zip(members, parts, strict=True):
            own[member.name] = Strokes.concatenate([own[member.name], part])
    result: dict[str, PlannedFrame] = {}
    for projector in wanted:
        planned = plan_frame(
            frame_number,
            own[projector.name],
            assignments,
            projector,
            before.get(projector.name),
            (limits or {}).get(projector.name),
            stream=stream,
        )
        if projector.name in shares:
            memory = replace(planned.memory, share=shares[projector.name])
            planned = replace(planned, memory=memory)
        result[projector.name] = planned
    return result
