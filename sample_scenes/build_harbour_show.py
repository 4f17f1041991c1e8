# SPDX-License-Identifier: GPL-3.0-or-later
"""Build harbour_show.blend: the winter evening as a whole show of 75 seconds.

Scenes are taken from opening.blend, lighthouse.blend, tide_table.blend and harbour.blend, the
harbour cut into close views of its own: the sky, the boat, the whale, the gull. On the two
channels of the pictures every object goes to its own projector, so that titles are drawn by the
slower one; a third channel belongs to the lettering alone. There are cross-fades, wipes, a fade
to black, cue points and a soundtrack that `soundtrack.py` computes.

    python sample_scenes/build_harbour_show.py sample_scenes/harbour_show.blend
"""

from __future__ import annotations

import sys
import tempfile
from pathlib import Path
from typing import Any

import bpy
import parts
import soundtrack

HERE = Path(__file__).resolve().parent
FPS = 25
PICTURES, LETTERS, TRANSITIONS, SOUND = 1, 3, 5, 7

# Close views of the harbour: name, collections, camera, target, lens.
VIEWS = (
    ("Night Sky", ("Sky", "Lighthouse"), (0.0, -14.0, 2.6), (0.0, 0.0, 3.4), 38.0),
    ("Rowing Boat", ("Boat", "Sea"), (0.0, -14.0, 1.4), (0.0, 0.0, 0.7), 55.0),
    ("Whale", ("Whale", "Sea"), (0.0, -14.0, 1.8), (0.0, 0.0, 1.3), 42.0),
    ("Gull", ("Gull", "Sky"), (0.0, -14.0, 2.4), (0.0, 0.0, 2.6), 38.0),
)

# What is shown when on the pictures' channels, each scene for its whole length; a strip begins
# a second before its forerunner ends, for the transition, or behind it without one.
RUN = (
    ("Opening", ""),
    ("Lighthouse", ""),
    ("Night Sky", "CROSS"),
    ("Rowing Boat", "GAMMA_CROSS"),
    ("Tide Table", "WIPE"),
    ("Whale", "CROSS"),
    ("Gull", "WIPE"),
    ("Harbour", "CROSS"),
    ("Night Sky", "GAMMA_CROSS"),
    ("Whale", "WIPE"),
    ("Harbour", "GAMMA_CROSS"),
    ("Lighthouse", "CROSS"),
)
WIPES = {4: "SINGLE", 6: "IRIS", 9: "CLOCK"}
"""Kinds of wipe by the place in the run."""


def main(path: str) -> None:
    """Build the show and save it."""
    show = parts.new_scene("Harbour Show", 1, FPS)
    # The harbour first: what comes later and has the name of one of its collections is renamed.
    take_scenes("harbour.blend", "lighthouse.blend", "tide_table.blend", "opening.blend")
    harbour = bpy.data.scenes["Harbour"]
    for name, groups, eye, target, lens in VIEWS:
        add_view(harbour, name, groups, eye, target, lens)
    add_title(harbour)
    parts.add_projector(show, "Pictures", "40 kpps", refresh_hz=25.0, field_deg=8.0)
    parts.add_projector(show, "Lettering", "20 kpps", refresh_hz=25.0, field_deg=8.0)
    describe_light(show.beamwright.projectors["Lettering"].light)
    settings = show.beamwright_show
    settings.is_show = True
    settings.assign(LETTERS, "Lettering")
    editor = show.sequence_editor_create()
    names = ("Scenes A", "Scenes B", "Lettering", "", "Transitions", "", "Soundtrack")
    for channel, name in enumerate(names, 1):
        if name:
            editor.channels[channel].name = name
    show.frame_end = lay_out(show, editor)
    add_sound(editor, show.frame_end)
    bpy.context.window.scene = show
    parts.save(path)


def describe_light(light: Any) -> None:
    """Say what the lettering's laser is, an invented one, for the report's hazard figures.

    Of the other projector's light nothing is known, and its part of the report says so.
    """
    light.wavelength_nm = (638.0, 520.0, 450.0)
    light.power_w = (0.2, 0.15, 0.25)
    light.divergence_mrad, light.diameter_mm, light.width = 1.2, 4.0, "INVERSE_E2"
    light.distance_m = 8.0


def take_scenes(*files: str) -> None:
    """Append the scenes of other samples."""
    for name in files:
        with bpy.data.libraries.load(str(HERE / name)) as (there, here):
            here.scenes = list(there.scenes)


def add_view(
    harbour: Any,
    name: str,
    groups: tuple[str, ...],
    eye: parts.Point3,
    target: parts.Point3,
    lens: float,
) -> Any:
    """Add a scene that shows some collections of the harbour through a camera of its own."""
    scene = bpy.data.scenes.new(name)
    scene.frame_start, scene.frame_end = harbour.frame_start, harbour.frame_end
    scene.render.fps = FPS
    scene.render.resolution_x = harbour.render.resolution_x
    scene.render.resolution_y = harbour.render.resolution_y
    for group in groups:
        scene.collection.children.link(harbour.collection.children[group])
    parts.add_camera(scene, eye, target, lens)
    return scene


def add_title(harbour: Any) -> None:
    """Add the title alone, through the harbour's own camera."""
    scene = bpy.data.scenes.new("Title")
    scene.frame_start, scene.frame_end = harbour.frame_start, harbour.frame_end
    scene.render.fps = FPS
    scene.render.resolution_x = harbour.render.resolution_x
    scene.render.resolution_y = harbour.render.resolution_y
    scene.collection.children.link(harbour.collection.children["Title"])
    scene.collection.objects.link(harbour.camera)
    scene.camera = harbour.camera


def lay_out(show: Any, editor: Any) -> int:
    """Lay strips, transitions and cue points out; return the last frame."""
    start = 1
    before = None
    for number, (name, transition) in enumerate(RUN):
        scene = bpy.data.scenes[name]
        if before is not None:
            start = int(before.frame_final_end) - (FPS if transition else 0)
        strip = editor.strips.new_scene(
            name=f"{number + 1:02d} {name}",
            scene=scene,
            channel=PICTURES + number % 2,
            frame_start=start,
        )
        show.timeline_markers.new(f"cue {number + 1} {name}", frame=start)
        if transition:
            effect = editor.strips.new_effect(
                name=f"{transition.title().replace('_', ' ')} {number}",
                type=transition,
                channel=TRANSITIONS,
                frame_start=start,
                frame_end=int(before.frame_final_end),
                input1=before,
                input2=strip,
            )
            if transition == "WIPE":
                effect.transition_type = WIPES[number]
                effect.direction = "IN" if WIPES[number] == "SINGLE" else "OUT"
                effect.angle = 0.6 if WIPES[number] == "SINGLE" else 0.0
        before = strip
    end = int(before.frame_final_end)
    fade(before, (end - 2 * FPS, 1.0), (end - 1, 0.0))
    first = int(before.frame_final_start) + FPS  # when the last transition is over
    title = editor.strips.new_scene(
        name="Good Night", scene=bpy.data.scenes["Title"], channel=LETTERS, frame_start=first
    )
    title.frame_final_end = end
    fade(title, (first, 0.0), (first + FPS, 1.0), (end - 2 * FPS, 1.0), (end - 1, 0.0))
    show.timeline_markers.new("cue House Lights", frame=end - 1)
    return end - 1


def fade(strip: Any, *keys: tuple[int, float]) -> None:
    """Key the strip's opacity."""
    for frame, level in keys:
        strip.blend_alpha = level
        strip.keyframe_insert("blend_alpha", frame=frame)


def add_sound(editor: Any, frames: int) -> None:
    """Compute the soundtrack, lay it out, and pack it into the file."""
    import aud  # comes with Blender, and only after it

    samples = soundtrack.soundtrack(frames / FPS)
    sound = aud.Sound.buffer(samples.reshape(-1, 1), soundtrack.RATE_HZ)
    with tempfile.TemporaryDirectory() as folder:
        file = Path(folder) / "harbour_show.ogg"
        sound.write(
            str(file), soundtrack.RATE_HZ, aud.CHANNELS_MONO, aud.FORMAT_S16,
            aud.CONTAINER_OGG, aud.CODEC_VORBIS, 64000,
        )  # fmt: skip
        strip = editor.strips.new_sound(
            name="Soundtrack", filepath=str(file), channel=SOUND, frame_start=1
        )
        strip.sound.pack()
        strip.sound.filepath = "//harbour_show.ogg"


if __name__ == "__main__":
    main(sys.argv[-1])
