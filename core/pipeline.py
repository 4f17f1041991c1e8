# SPDX-License-Identifier: GPL-3.0-or-later
"""One frame from scene to guarded samples: the only place where the stages meet.

scene → visible strokes (once for each camera) → the strokes of a projector → aimed,
simplified, ordered, placed within the budget → darkened where needed → frame and figures.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from .frame import Frame
from .points.projector import Projector
from .report.figures import FrameFigures
from .scene import Assignment, Camera, Scene
from .strokes import Strokes

__all__ = ["PlannedFrame", "draw_frame", "plan_frame", "visible_strokes"]


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
    """

    frame: Frame
    figures: FrameFigures
    strokes: Strokes
    memory: Any


def visible_strokes(scene: Scene, camera: Camera | None = None) -> Strokes:
    """Return the visible strokes of a scene in field coordinates, clipped to the page."""
    raise NotImplementedError


def plan_frame(
    frame_number: int,
    strokes: Strokes,
    assignments: Sequence[Assignment],
    projector: Projector,
    memory: Any = None,
) -> PlannedFrame:
    """Plan one projector's samples for its strokes (camera field coordinates)."""
    raise NotImplementedError


def draw_frame(
    scene: Scene,
    projectors: Sequence[Projector],
    memories: Mapping[str, Any] | None = None,
) -> dict[str, PlannedFrame]:
    """Run the whole way for one scene frame and all projectors, by projector name."""
    raise NotImplementedError
