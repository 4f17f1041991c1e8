# SPDX-License-Identifier: GPL-3.0-or-later
"""The worst spot of the frame that is shown, for the panel: worked out aside, kept for each frame.

Panels ask; a worker of its own answers later, the newest question first, so that scrubbing
waits for nothing.
"""

from __future__ import annotations

from collections import OrderedDict
from dataclasses import dataclass
from typing import Any

import bpy

from ..core.frame import Frame
from ..core.points.projector import ScannerProfile
from ..core.safety.laser import LaserSetup
from ..core.safety.scanned import WorstSpot, worst_spot
from ..core.safety.spot import Dwell, SpotExposure, longest_dwell, spot_exposure
from . import live
from .preview import overlay
from .preview.worker import Worker

__all__ = ["Reading", "reading_of", "stop"]

KEPT = 512
"""Frames whose reading is kept."""

POLL_S = 0.05


@dataclass(frozen=True, eq=False)
class Reading:
    """What the panel says of one frame.

    Attributes
    ----------
    number
        Of the frame.
    dwell
    spot, exposure
        At full level; None where an input is unknown or doubtful, or there is no light.
    """

    number: int
    dwell: Dwell
    spot: WorstSpot | None
    exposure: SpotExposure | None


@dataclass(frozen=True, eq=False)
class _Question:
    owner: tuple[int, str]
    number: int
    frame: Frame
    setup: LaserSetup
    profile: ScannerProfile
    spot_field: float

    @property
    def key(self) -> tuple[Any, ...]:
        return id(self.frame), self.setup, self.profile, self.spot_field

    def answer(self) -> Reading:
        spot = worst_spot(
            self.frame,
            self.setup.source,
            self.profile,
            self.setup.distance_m,
            edition=self.setup.edition,
        )
        return Reading(
            self.number,
            longest_dwell(self.frame, self.spot_field),
            spot,
            None if spot is None else spot_exposure(spot, self.setup.edition),
        )


_worker = Worker()
_asked: _Question | None = None
_next: _Question | None = None
# The frame is kept with its reading, so that no other gets its number.
_kept: OrderedDict[tuple[Any, ...], tuple[Frame, Reading]] = OrderedDict()
_latest: dict[tuple[int, str], Reading] = {}


def reading_of(scene: bpy.types.Scene, projector: Any) -> tuple[Reading | None, bool]:
    """Return the reading of the newest picture, or the last one, and whether it is up to date.

    Raises
    ------
    SettingError
        Where a setting of the projector is impossible.
    """
    global _next
    owner = (scene.session_uid, projector.name)
    picture, current = live.picture_of(scene) or overlay_picture(scene) or (None, False)
    memory = picture.memories.get(projector.name) if picture is not None else None
    if picture is None or memory is None:
        return None, False
    question = _Question(
        owner,
        picture.frame,
        memory.frame,
        projector.light.to_core(),
        projector.to_core().profile,
        projector.safety.spot_field,
    )
    kept = _kept.get(question.key)
    if kept is not None:
        _kept.move_to_end(question.key)
        _latest[owner] = kept[1]
        return kept[1], current
    if _asked is None or _asked.key != question.key:
        _next = question
        _begin()
    return _latest.get(owner), False


def overlay_picture(scene: bpy.types.Scene) -> tuple[Any, bool] | None:
    """Return what the preview shows, None where it is off."""
    engine = overlay.engine()
    return None if engine is None else engine.picture_of(scene)


def stop() -> None:
    """End the worker and forget all readings."""
    global _asked, _next
    if bpy.app.timers.is_registered(_poll):
        bpy.app.timers.unregister(_poll)
    _worker.stop()
    _asked = _next = None
    _kept.clear()
    _latest.clear()


def _begin() -> None:
    global _asked, _next
    if _asked is None and _next is not None:
        _asked, _next = _next, None
        _worker.submit(_asked.answer)
    if _asked is not None and not bpy.app.timers.is_registered(_poll):
        bpy.app.timers.register(_poll, first_interval=POLL_S, persistent=True)


def _poll() -> float | None:
    global _asked
    done = _worker.take()
    if done is not None and _asked is not None:
        reading, error = done
        question, _asked = _asked, None
        if error is not None:
            # No figure rather than a kind one.
            reading = Reading(question.number, Dwell(0.0), None, None)
        _kept[question.key] = question.frame, reading
        _latest[question.owner] = reading
        while len(_kept) > KEPT:
            _kept.popitem(last=False)
        _redraw()
        _begin()
    return POLL_S if _asked is not None else None


def _redraw() -> None:
    for manager in bpy.data.window_managers:
        for window in manager.windows:
            for area in window.screen.areas:
                if area.type == "VIEW_3D":
                    for region in area.regions:
                        if region.type == "UI":
                            region.tag_redraw()
