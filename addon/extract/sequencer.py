# SPDX-License-Identifier: GPL-3.0-or-later
"""Blender's sequencer as a show's timeline, on either version."""

from __future__ import annotations

import os
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import bpy

from ...core.errors import SceneError
from ...core.show.timeline import (
    CuePoint,
    EffectKind,
    EffectStrip,
    SceneStrip,
    SoundStrip,
    Timeline,
    Wipe,
    WipeKind,
)
from ..compat import animation_curves
from ..properties import PROPERTY
from ..show_properties import SHOW_PROPERTY

__all__ = [
    "Finding",
    "find_show",
    "has_sound",
    "is_show",
    "problems",
    "read_timeline",
    "show_range",
]

EFFECTS: dict[str, EffectKind] = {"CROSS": "cross", "GAMMA_CROSS": "gamma_cross", "WIPE": "wipe"}
WIPES: dict[str, WipeKind] = {
    "SINGLE": "single",
    "DOUBLE": "double",
    "IRIS": "iris",
    "CLOCK": "clock",
}


@dataclass(frozen=True, slots=True)
class Finding:
    """What is wrong with a show.

    Attributes
    ----------
    strip
        Name of the strip, or empty.
    message
        What and what to do.
    refused
        The show can't be rendered like this.
    """

    strip: str
    message: str
    refused: bool = True


def is_show(scene: bpy.types.Scene) -> bool:
    """Whether a scene was set up as a show."""
    return bool(getattr(scene, SHOW_PROPERTY).is_show) and scene.sequence_editor is not None


def find_show() -> bpy.types.Scene | None:
    """Return the file's show: the active scene's, or the only one there is."""
    window = bpy.context.window
    active = window.scene if window is not None else bpy.context.scene
    if active is not None and is_show(active):
        return active
    shows = [scene for scene in bpy.data.scenes if is_show(scene)]
    return shows[0] if len(shows) == 1 else None


def handles(strip: Any) -> tuple[int, int]:
    """First frame of a strip, and the frame after its last."""
    if hasattr(strip, "left_handle"):
        return int(strip.left_handle), int(strip.right_handle)
    return int(strip.frame_final_start), int(strip.frame_final_end)


def content(strip: Any) -> tuple[int, int, int]:
    """Start and length of a scene strip's content, and the frames trimmed at its start."""
    if hasattr(strip, "content_start"):
        return int(strip.content_start), int(strip.content_duration), int(strip.content_trim_start)
    return int(strip.frame_start), int(strip.frame_duration), int(strip.animation_offset_start)


def _strips(scene: bpy.types.Scene) -> Iterator[Any]:
    """Strips that are heard or seen: neither muted nor in a muted channel."""
    editor: Any = scene.sequence_editor
    for strip in editor.strips:
        if not strip.mute and not editor.channels[strip.channel].mute:
            yield strip


class _Values:
    """Animated values of the strips, from the show scene's action."""

    def __init__(self, scene: bpy.types.Scene) -> None:
        self._curves = {curve.data_path: curve for curve in animation_curves(scene)}
        animation = scene.animation_data
        drivers = () if animation is None else animation.drivers
        self.driven = {driver.data_path for driver in drivers}

    def curve(self, strip: Any, name: str) -> Any:
        escaped = bpy.utils.escape_identifier(strip.name)
        for collection in ("strips_all", "sequences_all"):
            curve = self._curves.get(f'sequence_editor.{collection}["{escaped}"].{name}')
            if curve is not None and not curve.mute:
                return curve
        return None

    def over(self, strip: Any, name: str, first: int, end: int) -> tuple[float, ...]:
        """One value a frame; a single one where it stands still."""
        curve = self.curve(strip, name)
        if curve is None:
            return (float(getattr(strip, name)),)
        return tuple(float(curve.evaluate(frame)) for frame in range(first, end))


def _brightness(values: _Values, strip: Any) -> tuple[float, ...]:
    first, end = handles(strip)
    factors = [values.over(strip, "blend_alpha", first, end)]
    if hasattr(strip, "color_multiply"):
        factors.append(values.over(strip, "color_multiply", first, end))
    length = max(map(len, factors))
    result = [1.0] * length
    for factor in factors:
        spread = factor * length if len(factor) == 1 else factor
        result = [a * max(b, 0.0) for a, b in zip(result, spread, strict=True)]
    return () if set(result) == {1.0} else tuple(result)


def _scene_problems(show: bpy.types.Scene, strip: Any) -> Iterator[str]:
    name = strip.name
    if strip.scene is None:
        yield f"The scene of strip “{name}” was deleted: give the strip a scene, or remove it."
        return
    if getattr(strip.scene, "is_missing", False):
        yield (
            f"The scene of strip “{name}” is linked from a file that is missing: find it with "
            "File > External Data."
        )
    if strip.scene == show:
        yield f"Strip “{name}” shows the show itself: give it another scene."
    if strip.scene_input == "SEQUENCER":
        yield f"Strip “{name}” takes the sequencer of its scene: set its input to Camera."
    if len(strip.retiming_keys):
        yield (
            f"Remove retiming from strip “{name}”: strips run at their own speed. Animate the "
            "scene faster or slower instead."
        )
    frame = strip.transform
    plain = (
        frame.offset_x == 0.0
        and frame.offset_y == 0.0
        and frame.scale_x == 1.0
        and frame.scale_y == 1.0
        and frame.rotation == 0.0
        and not (strip.use_flip_x or strip.use_flip_y)
    )
    if not plain:
        yield (
            f"Strip “{name}” is moved, scaled, turned or flipped: reset its transform, and move "
            "the scene's camera or the projector's aim instead."
        )
    crop = strip.crop
    if crop.min_x or crop.max_x or crop.min_y or crop.max_y:
        yield f"Strip “{name}” is cropped: reset its crop; the camera's frame crops the scene."
    if len(strip.modifiers):
        yield f"Remove the modifiers from strip “{name}”: they can't be drawn with lines."


def _sound_problem(strip: Any) -> str | None:
    sound = strip.sound
    if sound is None:
        return f"Sound strip “{strip.name}” has no sound: choose a file, or remove the strip."
    if sound.packed_file is None:
        path = bpy.path.abspath(sound.filepath, library=sound.library)
        if not os.path.isfile(path):
            return (
                f"The sound file “{sound.filepath}” of strip “{strip.name}” is missing: find it "
                "with File > External Data, or mute the strip."
            )
    if len(getattr(strip, "retiming_keys", ())):
        return None  # Blender mixes it down as it is heard
    return None


def has_sound(scene: bpy.types.Scene) -> bool:
    """Whether sound of the scene's own can be heard; strips whose file is missing have none."""
    if scene.sequence_editor is None:
        return False
    return any(strip.type == "SOUND" and _sound_problem(strip) is None for strip in _strips(scene))


def problems(scene: bpy.types.Scene) -> list[Finding]:
    """Return all that is wrong with a show, the refused first."""
    found: list[Finding] = []
    settings = getattr(scene, SHOW_PROPERTY)
    projectors = getattr(scene, PROPERTY).projectors
    known = {projector.name for projector in projectors}
    known |= {projector.group.strip() for projector in projectors} - {""}
    for channel, target in sorted(settings.targets().items()):
        if target not in known:
            listed = ", ".join(f"“{name}”" for name in sorted(known)) or "none"
            found.append(
                Finding(
                    "",
                    f"Channel {channel} goes to “{target}”, which is no projector of the show; "
                    f"there are: {listed}. Choose one of them in the Show panel.",
                )
            )
    values = _Values(scene)
    fps = scene.render.fps / scene.render.fps_base
    drawn = []
    for strip in _strips(scene):
        kind, name = strip.type, strip.name
        if kind == "SCENE":
            drawn.append(strip)
            for message in _scene_problems(scene, strip):
                found.append(Finding(name, message))
            if strip.scene is not None:
                own = strip.scene.render.fps / strip.scene.render.fps_base
                if abs(own - fps) > 1e-6:
                    found.append(
                        Finding(
                            name,
                            f"Scene “{strip.scene.name}” has {own:g} frames a second, the show "
                            f"{fps:g}: frames are shown one for one.",
                            refused=False,
                        )
                    )
        elif kind == "SOUND":
            problem = _sound_problem(strip)
            if problem:
                found.append(Finding(name, problem))
        elif kind in EFFECTS:
            if kind == "WIPE" and strip.blur_width > 0.0:
                found.append(
                    Finding(
                        name,
                        f"The blur of wipe “{name}” is left out: a line ends where the edge is.",
                        refused=False,
                    )
                )
        elif kind == "SPEED":
            found.append(
                Finding(
                    name,
                    f"Remove speed strip “{name}”: strips run at their own speed. Animate the "
                    "scene faster or slower instead.",
                )
            )
        elif kind == "META":
            found.append(Finding(name, f"Separate meta strip “{name}” (Strip > UnMeta Strip)."))
        else:
            label = strip.bl_rna.properties["type"].enum_items[kind].name
            found.append(
                Finding(
                    name,
                    f"Strip “{name}” ({label}) can't be drawn with lines: remove it, or mute it.",
                )
            )
        for path in ("effect_fader", "blend_alpha", "color_multiply"):
            escaped = bpy.utils.escape_identifier(name)
            if f'sequence_editor.strips_all["{escaped}"].{path}' in values.driven:
                found.append(
                    Finding(name, f"Strip “{name}” has a driver on {path}: use keyframes.")
                )
    if not drawn and not found:
        found.append(
            Finding("", f"Show “{scene.name}” has no scene strip: add one with Add Scene to Show.")
        )
    return sorted(found, key=lambda finding: not finding.refused)


def show_range(scene: bpy.types.Scene) -> tuple[int, int]:
    """Return first and last frame of a show."""
    last = scene.frame_end
    if getattr(scene, SHOW_PROPERTY).length_from == "SOUND":
        ends = [handles(strip)[1] - 1 for strip in _strips(scene) if strip.type == "SOUND"]
        last = max(ends, default=last)
    return scene.frame_start, max(last, scene.frame_start)


def read_timeline(scene: bpy.types.Scene) -> Timeline:
    """Return a show's timeline.

    Raises
    ------
    SceneError
        Where a strip can't be honoured; names it and says what to do.
    """
    refused = [finding.message for finding in problems(scene) if finding.refused]
    if refused:
        more = f" ({len(refused) - 1} more like this.)" if len(refused) > 1 else ""
        raise SceneError(refused[0] + more)
    settings = getattr(scene, SHOW_PROPERTY)
    values = _Values(scene)
    strips, effects, sounds = [], [], []
    for strip in _strips(scene):
        first, end = handles(strip)
        if strip.type == "SCENE":
            start, length, trim = content(strip)
            strips.append(
                SceneStrip(
                    name=strip.name,
                    channel=strip.channel,
                    first=first,
                    end=end,
                    scene=strip.scene.name_full,
                    scene_frame_start=strip.scene.frame_start,
                    content_start=start,
                    content_length=max(length, 1),
                    trim=trim,
                    reverse=strip.use_reverse_frames,
                    strobe=max(1, int(strip.strobe)),
                    camera=strip.scene_camera.name if strip.scene_camera else None,
                    brightness=_brightness(values, strip),
                )
            )
        elif strip.type in EFFECTS:
            fader: tuple[float, ...] = ()
            if not strip.use_default_fade:
                fader = values.over(strip, "effect_fader", first, end)
            effects.append(
                EffectStrip(
                    name=strip.name,
                    channel=strip.channel,
                    first=first,
                    end=end,
                    kind=EFFECTS[strip.type],
                    inputs=(strip.input_1.name, strip.input_2.name),
                    fader=fader,
                    wipe=(
                        Wipe(
                            WIPES[strip.transition_type],
                            float(strip.angle),
                            strip.direction == "IN",
                            # The two versions differ, and nothing but the version tells.
                            bpy.app.version >= (5, 0, 0),
                        )
                        if strip.type == "WIPE"
                        else None
                    ),
                    brightness=_brightness(values, strip),
                )
            )
        else:
            sounds.append(
                SoundStrip(strip.name, first, end, os.path.basename(strip.sound.filepath))
            )
    frame_start, frame_end = show_range(scene)
    prefix = settings.cue_prefix
    return Timeline(
        name=scene.name_full,
        frame_start=frame_start,
        frame_end=frame_end,
        strips=tuple(strips),
        effects=tuple(effects),
        sounds=tuple(sounds),
        targets=settings.targets(),
        draw_both=settings.overlap == "BOTH",
        cues=tuple(
            CuePoint(marker.name[len(prefix) :].strip() or marker.name, marker.frame)
            for marker in sorted(scene.timeline_markers, key=lambda marker: marker.frame)
            if prefix and marker.name.casefold().startswith(prefix.casefold())
        ),
    )
