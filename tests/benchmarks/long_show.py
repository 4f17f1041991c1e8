# SPDX-License-Identifier: GPL-3.0-or-later
"""Build a show of 5,000 frames from the samples, and the same with one strip moved.

    python tests/benchmarks/long_show.py SHOW.blend MOVED.blend TOUCHING.blend

Twenty-one scenes of 262 frames each, every frame drawn once: the lighthouse, the harbour and its
close views, the gull sequence, the tide table and the lettering, again with other cameras, with
transitions of a second between them, for two projectors. In MOVED a caption starts half a second
later; in TOUCHING a scene amid the others does, so its transitions change too.
"""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Any

import bpy
from beamwright import addon

SAMPLES = Path(__file__).resolve().parents[2] / "sample_scenes"
sys.path.append(str(SAMPLES))

import parts  # noqa: E402 - it lies beside the samples

FILES = ("harbour_show.blend", "gull_sequence.blend", "tide_table.blend", "lettering.blend")
SCENES = 21
LENGTH = 262
OVERLAP = 25
FRAMES = LENGTH + (SCENES - 1) * (LENGTH - OVERLAP)
LATER = 12


def main(plain: str, moved: str, touching: str) -> None:
    """Build the show and save it three times."""
    addon.register_headless()
    try:
        bpy.ops.wm.read_factory_settings(use_empty=True)
        show = build()
        bpy.ops.wm.save_as_mainfile(filepath=plain, compress=False)
        strips = show.sequence_editor.strips
        caption = strips["Caption 2"]
        shift(caption, LATER)
        bpy.ops.wm.save_as_mainfile(filepath=moved, compress=False)
        shift(caption, -LATER)
        shift(strips["11"], LATER)
        bpy.ops.wm.save_as_mainfile(filepath=touching, compress=False)
    finally:
        addon.unregister_headless()


def build() -> Any:
    """Return the show's scene, in the file that is open."""
    for name in FILES:
        with bpy.data.libraries.load(str(SAMPLES / name)) as (there, here):
            here.scenes = list(there.scenes)
    old = bpy.data.scenes["Harbour Show"]
    show = bpy.data.scenes.new("Long Show")
    for action in bpy.data.actions:
        for curve in curves(action):
            if not any(modifier.type == "CYCLES" for modifier in curve.modifiers):
                curve.modifiers.new("CYCLES")
    show.render.fps = 25
    show.frame_start, show.frame_end = 1, FRAMES
    parts.add_projector(show, "Pictures", "40 kpps", refresh_hz=25.0, field_deg=8.0)
    parts.add_projector(show, "Lettering", "20 kpps", refresh_hz=25.0, field_deg=8.0)
    settings = show.beamwright_show
    settings.is_show = True
    for channel, name in ((1, "Pictures"), (2, "Pictures"), (3, "Lettering")):
        settings.assign(channel, name)
    show.sequence_editor_create()
    strips = show.sequence_editor.strips
    drawn = [scene for scene in bpy.data.scenes if scene not in (old, show)]
    drawn = [scene for scene in drawn if scene.name != "Title" and scene.camera is not None]
    before = None
    for number in range(SCENES):
        scene = drawn[number % len(drawn)]
        if number >= len(drawn):
            scene = scene.copy()
            camera = scene.camera.copy()
            scene.collection.objects.link(camera)
            camera.animation_data_clear()
            camera.location.x += 0.2 * (number // len(drawn))
            scene.camera = camera
        scene.frame_start, scene.frame_end = 1, LENGTH
        start = 1 + number * (LENGTH - OVERLAP)
        strip = strips.new_scene(str(number), scene, 1 + number % 2, start)
        if before is not None:
            cross(strips, f"Cross {number}", start, before, strip)
        before = strip
    words = bpy.data.scenes["Title"]
    words.frame_start, words.frame_end = 1, LENGTH
    for number in range(5):
        strips.new_scene(f"Caption {number}", words, 3, 200 + 1000 * number)
    bpy.data.scenes.remove(old)
    return show


def cross(strips: Any, name: str, start: int, before: Any, after: Any) -> None:
    """Add a transition, in the words of either version."""
    ends = {"length": OVERLAP} if bpy.app.version >= (5, 0) else {"frame_end": start + OVERLAP}
    strips.new_effect(name, "CROSS", 5, start, input1=before, input2=after, **ends)


def curves(action: Any) -> list[Any]:
    """Return the curves of an action, whatever the version."""
    if hasattr(action, "layers"):
        return [
            curve
            for layer in action.layers
            for strip in layer.strips
            for bag in strip.channelbags
            for curve in bag.fcurves
        ]
    return list(action.fcurves)


def shift(strip: Any, frames: int) -> None:
    """Move a strip in time."""
    strip.frame_start += frames


if __name__ == "__main__":
    main(*sys.argv[1:])
