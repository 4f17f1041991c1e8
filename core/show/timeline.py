# SPDX-License-Identifier: GPL-3.0-or-later
"""The show's timeline: which scene frames a projector draws at a frame of the show.

Strips lie on channels; a channel belongs to a projector, to a group of projectors, or to
all of them. Times are frames of the show; `end` is the frame after the last.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Literal

from ..points.projector import Projector

__all__ = [
    "Crop",
    "CuePoint",
    "EffectKind",
    "EffectStrip",
    "Layer",
    "SceneStrip",
    "SoundStrip",
    "Timeline",
    "Timetable",
    "Wipe",
    "WipeKind",
    "alone",
    "families",
    "scene_frame",
]

EffectKind = Literal["cross", "gamma_cross", "wipe"]
WipeKind = Literal["single", "double", "iris", "clock"]

DARK = 1.0 / 512.0
"""Layers below half a step of an 8-bit colour are not drawn."""


@dataclass(frozen=True, slots=True)
class SceneStrip:
    """A scene on the timeline.

    Attributes
    ----------
    name, channel
    first, end
        Handles.
    scene
        Name of the scene.
    scene_frame_start
        First frame of the scene.
    content_start, content_length
        Where the content lies in the show, in frames; beyond it its first or last frame stands.
    trim
        Frames cut off the content's beginning.
    reverse
        Backwards.
    strobe
        Every how many-th frame is shown, 1 for all.
    camera
        Name of a camera instead of the scene's own.
    brightness
        One factor for each frame from `first`; empty for full level.
    """

    name: str
    channel: int
    first: int
    end: int
    scene: str
    scene_frame_start: int
    content_start: int
    content_length: int
    trim: int = 0
    reverse: bool = False
    strobe: int = 1
    camera: str | None = None
    brightness: tuple[float, ...] = ()


@dataclass(frozen=True, slots=True)
class Wipe:
    """How a wipe's edge runs.

    Attributes
    ----------
    kind
        One straight edge, two of them, a circle, or a hand of a clock.
    angle_rad
        Turn of the straight edges.
    inward
        Direction.
    iris_to_corner
        The circle reaches the page's corners when it is largest, as in Blender 5; otherwise
        √2 of the half width.
    """

    kind: WipeKind
    angle_rad: float = 0.0
    inward: bool = False
    iris_to_corner: bool = True


@dataclass(frozen=True, slots=True)
class EffectStrip:
    """A transition between two strips.

    Attributes
    ----------
    name, channel, first, end
    kind
    inputs
        Names of the strip that goes and the strip that comes.
    fader
        Progress 0…1 for each frame from `first`; empty for an even one.
    wipe
        For wipes.
    brightness
        One factor for each frame; empty for full level.
    """

    name: str
    channel: int
    first: int
    end: int
    kind: EffectKind
    inputs: tuple[str, str]
    fader: tuple[float, ...] = ()
    wipe: Wipe | None = None
    brightness: tuple[float, ...] = ()


@dataclass(frozen=True, slots=True)
class SoundStrip:
    """A piece of the soundtrack."""

    name: str
    first: int
    end: int
    file: str


@dataclass(frozen=True, slots=True)
class CuePoint:
    """A marked moment of the show."""

    name: str
    frame: int


@dataclass(frozen=True, eq=False)
class Timeline:
    """A whole show.

    Attributes
    ----------
    name
        Of the show.
    frame_start, frame_end
        First and last frame.
    strips, effects, sounds
        Those that are not muted.
    targets
        Projector or group of a channel; a channel that is missing lets every object follow
        its own assignment.
    draw_both
        Where strips lie on one another all are drawn; otherwise the upper channel wins.
    cues
    """

    name: str
    frame_start: int
    frame_end: int
    strips: Sequence[SceneStrip]
    effects: Sequence[EffectStrip] = ()
    sounds: Sequence[SoundStrip] = ()
    targets: Mapping[int, str] = field(default_factory=dict)
    draw_both: bool = False
    cues: Sequence[CuePoint] = ()


@dataclass(frozen=True, slots=True)
class Crop:
    """One side of a wipe's edge at some moment.

    Attributes
    ----------
    wipe
    progress
        0…1.
    coming
        The side of the strip that comes, not of the one that goes.
    """

    wipe: Wipe
    progress: float
    coming: bool


@dataclass(frozen=True, slots=True)
class Layer:
    """One scene frame as it takes part in a picture.

    Attributes
    ----------
    strip
        Name of the strip it comes from.
    scene, frame, camera
        What to draw; None for the scene's own camera.
    brightness
        Factor of all colours.
    crops
        Wipes that cut it.
    target
        Projector or group that draws all of it; empty where objects follow their assignment.
    """

    strip: str
    scene: str
    frame: int
    camera: str | None = None
    brightness: float = 1.0
    crops: tuple[Crop, ...] = ()
    target: str = ""


def scene_frame(strip: SceneStrip, frame: int) -> int:
    """Return the frame of the scene that a strip shows at a frame of the show."""
    k = min(max(frame - strip.content_start, 0), strip.content_length - 1)
    if strip.reverse:
        k = strip.content_length - 1 - k
    if strip.strobe > 1:
        k -= k % strip.strobe
    return strip.scene_frame_start + strip.trim + k


def alone(timeline: Timeline, strip: SceneStrip) -> Timeline:
    """Return a timeline of one strip, without transitions, for a file of its own."""
    return Timeline(
        name=strip.name,
        frame_start=strip.first,
        frame_end=strip.end - 1,
        strips=(strip,),
        targets=timeline.targets,
    )


def families(projectors: Sequence[Projector]) -> list[tuple[Projector, ...]]:
    """Return the projectors that must be planned together: the members of each group."""
    found: dict[tuple[str, str], list[Projector]] = {}
    for projector in projectors:
        key = ("group", projector.group) if projector.group else ("", projector.name)
        found.setdefault(key, []).append(projector)
    return [tuple(members) for members in found.values()]


def _at(values: Sequence[float], index: int, default: float) -> float:
    return values[min(index, len(values) - 1)] if values else default


class Timetable:
    """Answers what is shown when; looks strips up once.

    Parameters
    ----------
    timeline
    """

    def __init__(self, timeline: Timeline) -> None:
        self._timeline = timeline
        self._strips = {strip.name: strip for strip in timeline.strips}
        self._effects = {effect.name: effect for effect in timeline.effects}
        everything: list[SceneStrip | EffectStrip] = [*timeline.strips, *timeline.effects]
        everything.sort(key=lambda strip: (-strip.channel, strip.name))
        # Between two bounds the same strips are on show.
        self._bounds = sorted({bound for strip in everything for bound in (strip.first, strip.end)})
        self._showing: list[list[str]] = [[]]
        for bound in self._bounds:
            running = [strip for strip in everything if strip.first <= bound < strip.end]
            taken = {
                name
                for effect in running
                if isinstance(effect, EffectStrip)
                for name in effect.inputs
            }
            self._showing.append([strip.name for strip in running if strip.name not in taken])

    def layers_at(self, frame: int, projector: Projector) -> tuple[Layer, ...]:
        """Return what a projector draws at a frame of the show, the lowest layer first.

        A strip that a transition takes as its input is drawn by the transition only, as long
        as that lasts. Of several strips or transitions the one on the highest channel is
        drawn, or all where the timeline says so.
        """
        names = frozenset({projector.name, projector.group} - {""})
        result: list[Layer] = []
        for name in self._showing[bisect_right(self._bounds, frame)]:
            layers = self._drawn(name, frame, names)
            if not layers:
                continue
            result[:0] = layers
            if not self._timeline.draw_both:
                break
        return tuple(layer for layer in result if layer.brightness >= DARK)

    def _drawn(self, name: str, frame: int, names: frozenset[str]) -> list[Layer]:
        """Layers of a strip or a transition for a projector that answers to these names."""
        strip = self._strips.get(name)
        if strip is None:
            effect = self._effects.get(name)
            return [] if effect is None else self._mixed(effect, frame, names)
        target = self._timeline.targets.get(strip.channel, "")
        if target and target not in names:
            return []
        return [
            Layer(
                strip=name,
                scene=strip.scene,
                frame=scene_frame(strip, frame),
                camera=strip.camera,
                brightness=_at(strip.brightness, frame - strip.first, 1.0),
                target=target,
            )
        ]

    def _mixed(self, effect: EffectStrip, frame: int, names: frozenset[str]) -> list[Layer]:
        position = frame - effect.first
        even = position / max(effect.end - effect.first, 1)
        t = min(max(_at(effect.fader, position, even), 0.0), 1.0)
        level = _at(effect.brightness, position, 1.0)
        going, coming = {
            "cross": (1.0 - t, t),
            # The root of light is faded, so light on black falls by the square.
            "gamma_cross": ((1.0 - t) ** 2, t**2),
            "wipe": (1.0, 1.0),
        }[effect.kind]
        result = []
        for side, (name, weight) in enumerate(zip(effect.inputs, (going, coming), strict=True)):
            for layer in self._drawn(name, frame, names):
                crops = layer.crops
                if effect.wipe is not None:
                    crops = (*crops, Crop(effect.wipe, t, bool(side)))
                brightness = layer.brightness * weight * level
                result.append(replace(layer, brightness=brightness, crops=crops))
        return result
