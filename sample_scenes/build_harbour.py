# SPDX-License-Identifier: GPL-3.0-or-later
"""Build harbour.blend: a winter evening in the puppet theatre's harbour, 200 frames.

A rowing boat crosses in front of the quay while a whale comes up behind it, a gull flies
past the moon, and the title stands in the sky on a projector of its own. Most figures are
flat cut-outs that pass behind one another, as on a puppet stage; the boat, the houses and
the lighthouse are solid.

    python sample_scenes/build_harbour.py sample_scenes/harbour.blend
"""

from __future__ import annotations

import math
import sys
from pathlib import Path
from typing import Any

import bpy
import parts
from beamwright.addon import lettering
from beamwright.addon.properties import assign

FRAMES = 200
STROKE_FRAMES = 40  # one pull of the oars


def main(path: str) -> None:
    """Build the scene and save it."""
    scene = parts.new_scene("Harbour", FRAMES)
    parts.add_camera(scene, (0.0, -14.0, 1.9), (0.0, 0.0, 1.75), 35.0)
    build_sea(parts.collection(scene, "Sea"))
    build_boat(parts.collection(scene, "Boat"))
    build_whale(parts.collection(scene, "Whale"))
    build_gull(parts.collection(scene, "Gull"))
    build_quay(parts.collection(scene, "Quay"))
    build_lighthouse(parts.collection(scene, "Lighthouse"))
    build_sky(parts.collection(scene, "Sky"))
    build_title(parts.collection(scene, "Title"))

    parts.add_projector(scene, "Pictures", "40 kpps", refresh_hz=25.0, field_deg=8.0)
    parts.add_projector(scene, "Lettering", "20 kpps", refresh_hz=25.0, field_deg=8.0)
    assign(bpy.data.collections["Title"], "Lettering")
    for name in ("Boat", "Whale", "Gull"):  # what the story is about goes last
        for item in bpy.data.collections[name].objects:
            item.beamwright.priority = 1.0
    bpy.data.objects["Stars"].beamwright.lines.dot = True
    parts.save(path)


def build_sea(group: Any) -> None:
    """Four sheets of waves that slide to and fro and hide what is below the water."""
    water = parts.material("Water", (0.1, 0.5, 1.0))
    rows = (
        # depth, height, amplitude, wave length, half width, slide
        ("Near Waves", -6.0, -0.2, 0.12, 2.4, 7.5, -1.0),
        ("Front Waves", -3.7, -0.08, 0.1, 2.2, 8.5, 1.0),
        ("Middle Waves", -0.2, -0.12, 0.12, 2.2, 10.5, -1.0),
        ("Back Waves", 3.2, 0.28, 0.07, 1.9, 12.5, 1.0),
    )
    for name, depth, height, amplitude, wave, half, slide in rows:
        count = int(2.0 * half / wave) * 8
        crest = []
        for k in range(count + 1):
            x = half - 2.0 * half * k / count
            # A trochoid: narrow crests, wide troughs.
            phase = 2.0 * math.pi * x / wave
            crest.append(
                (x + 0.55 * amplitude * math.sin(phase), height + amplitude * math.cos(phase))
            )
        sheet = parts.add_cutout(
            group,
            name,
            [(-half, -6.0), (half, -6.0), *crest],
            materials=[water],
            location=(0.0, depth, 0.0),
        )
        parts.animate(
            sheet,
            "location",
            0,
            range(1, FRAMES + 2, 10),
            lambda f, w=wave, s=slide: 0.5 * s * w * math.sin(2.0 * math.pi * (f - 1) / 100.0),
        )
        parts.animate(
            sheet,
            "location",
            2,
            range(1, FRAMES + 2, 10),
            lambda f, s=slide: 0.05 * math.cos(2.0 * math.pi * (f - 1) / 50.0 + s),
        )


def build_boat(group: Any) -> None:
    """Loft an open hull, seat a rower in it and let the oars pull."""
    hull_paint = parts.material("Hull", (1.0, 0.45, 0.1))
    coat = parts.material("Coat", (1.0, 0.9, 0.2))
    oak = parts.material("Oak", (0.9, 0.7, 0.35))
    boat = bpy.data.objects.new("Boat", None)
    group.objects.link(boat)
    boat.location = (0.0, -1.6, -0.22)

    # Stations from stern to bow: x, half width and height of the gunwale, keel height.
    stations = [
        (-1.75, 0.34, 0.72, 0.02),
        (-1.1, 0.52, 0.56, -0.22),
        (-0.3, 0.6, 0.48, -0.3),
        (0.5, 0.57, 0.5, -0.3),
        (1.2, 0.38, 0.62, -0.2),
        (1.95, 0.02, 0.92, 0.3),
    ]
    section = [(-1.0, 1.0), (-0.82, 0.4), (0.0, 0.0), (0.82, 0.4), (1.0, 1.0)]
    vertices = [
        (x, wide * across, keel + up * (top - keel))
        for x, wide, top, keel in stations
        for across, up in section
    ]
    faces = [
        (5 * i + k, 5 * i + k + 1, 5 * i + k + 6, 5 * i + k + 5)
        for i in range(len(stations) - 1)
        for k in range(4)
    ]
    faces.append((4, 3, 2, 1, 0))
    parts.add_mesh(group, "Hull", vertices, faces, materials=[hull_paint], smooth=True, parent=boat)

    # The rower: coat, head and woollen hat as one outline.
    figure = parts.smooth_line(
        [(-0.36, 0.1), (-0.34, 0.75), (-0.2, 1.12), (-0.11, 1.22)], 3
    ) + parts.arc((0.0, 1.42), 0.21, 245.0, -65.0, 14)
    figure = [*figure, *parts.smooth_line([(0.12, 1.2), (0.24, 1.05), (0.34, 0.6), (0.5, 0.1)], 3)]
    rower = parts.add_cutout(
        group,
        "Rower",
        figure,
        wires=[
            [(-0.2, 1.5), (0.0, 1.47), (0.2, 1.5)],
            [(-0.14, 1.02), (0.02, 0.78), (0.34, 0.74)],
        ],
        materials=[coat],
        parent=boat,
        location=(-0.15, 0.05, 0.0),
    )
    hat = parts.material("Hat", (1.0, 0.15, 0.2))
    parts.add_wires(
        group,
        "Bobble",
        [[(x, 0.0, z) for x, z in parts.arc((0.0, 1.7), 0.07, -90.0, 270.0, 8)]],
        materials=[hat],
        parent=rower,
    )
    swing = range(1, FRAMES + 2, 5)

    def pull(frame: int, lag: float = 0.0) -> float:
        return math.sin(2.0 * math.pi * ((frame - 1) / STROKE_FRAMES + lag))

    parts.animate(rower, "rotation_euler", 1, swing, lambda f: 0.16 * pull(f))

    for side, name in ((-1.0, "Near"), (1.0, "Far")):
        oar = parts.add_wires(
            group,
            f"{name} Oar",
            [
                [(0.0, -0.5 * side, 0.12), (0.0, 1.2 * side, -0.3)],
                [
                    (0.0, 1.2 * side, -0.3),
                    (0.09, 1.28 * side, -0.32),
                    (0.09, 1.75 * side, -0.44),
                    (-0.09, 1.75 * side, -0.44),
                    (-0.09, 1.28 * side, -0.32),
                    (0.0, 1.2 * side, -0.3),
                ],
            ],
            materials=[oak],
            parent=boat,
            location=(0.25, 0.58 * side, 0.55),
        )
        parts.animate(oar, "rotation_euler", 2, swing, lambda f, s=side: 0.75 * s * pull(f))
        parts.animate(oar, "rotation_euler", 0, swing, lambda f, s=side: -0.3 * s * pull(f, 0.25))

    ends = (1, FRAMES + 1)
    parts.animate(boat, "location", 0, ends, lambda f: -4.3 + 8.6 * (f - 1) / FRAMES)
    bob = range(1, FRAMES + 2, 10)
    parts.animate(
        boat, "location", 2, bob, lambda f: -0.22 + 0.06 * math.sin(2.0 * math.pi * (f - 1) / 50.0)
    )
    parts.animate(
        boat, "rotation_euler", 1, bob, lambda f: 0.05 * math.cos(2.0 * math.pi * (f - 1) / 50.0)
    )


def build_whale(group: Any) -> None:
    """Let a whale come up behind the boat, blow, show its flukes and go down again."""
    skin = parts.material("Whale", (0.15, 0.9, 0.85))
    spray = parts.material("Spray", (0.7, 0.95, 1.0))
    body = parts.smooth_line(
        [
            (-2.5, -1.2),
            (-2.6, -0.35),
            (-2.2, 0.35),
            (-1.3, 0.78),
            (-0.2, 0.85),
            (0.8, 0.58),
            (1.6, 0.2),
            (2.3, 0.28),
            (2.75, 0.75),
        ],
        5,
    )
    fluke = parts.smooth_line(
        [(2.75, 0.75), (2.45, 1.15), (2.5, 1.6), (2.95, 1.35), (3.15, 1.12)], 4
    )
    fluke += parts.smooth_line(
        [(3.15, 1.12), (3.5, 1.3), (3.95, 1.15), (3.75, 0.8), (3.1, 0.6)], 4
    )[1:]
    under = parts.smooth_line([(3.1, 0.6), (2.8, -0.2), (2.0, -0.9), (0.8, -1.3)], 4)[1:]
    mouth = parts.smooth_line([(-2.58, -0.28), (-2.1, -0.12), (-1.6, -0.2), (-1.25, 0.02)], 4)
    eye = parts.arc((-1.15, 0.26), 0.08, 0.0, 360.0, 8)
    belly = parts.smooth_line([(-2.35, -0.75), (-1.6, -0.62), (-0.9, -0.72), (-0.3, -1.0)], 3)
    whale = parts.add_cutout(
        group,
        "Whale",
        [*body, *fluke[1:], *under],
        wires=[mouth, eye, belly],
        materials=[skin],
        location=(0.0, 1.5, -3.0),
    )

    def depth(frame: int) -> float:
        low, high = -3.2, 0.5
        rise = smooth_step((frame - 45) / 40.0)
        dive = smooth_step((frame - 140) / 40.0)
        return low + (high - low) * (rise - dive)

    keys = range(1, FRAMES + 2, 5)
    parts.animate(whale, "location", 2, keys, depth)
    parts.animate(whale, "location", 0, (1, FRAMES + 1), lambda f: 2.6 - 4.2 * (f - 1) / FRAMES)
    parts.animate(
        whale,
        "rotation_euler",
        1,
        keys,
        lambda f: 0.16 - 0.34 * smooth_step((f - 55) / 120.0),
    )

    jets = [
        parts.smooth_line([(0.0, 0.0), (-0.03, 0.5), (-0.22, 0.86), (-0.5, 0.85), (-0.6, 0.55)], 4),
        parts.smooth_line([(0.06, 0.0), (0.09, 0.5), (0.28, 0.86), (0.56, 0.85), (0.66, 0.55)], 4),
        [(0.03, 0.35), (0.03, 1.0)],
    ]
    spout = parts.add_wires(
        group,
        "Spout",
        [[(x, 0.02, z) for x, z in jet] for jet in jets],
        materials=[spray],
        parent=whale,
        location=(-1.0, 0.0, 0.84),
    )
    # At rest the jets wait behind the body, which hides them.
    parts.animate(
        spout,
        "location",
        2,
        keys,
        lambda f: 0.84 - 1.1 * (1.0 - smooth_step((f - 82) / 10.0) + smooth_step((f - 120) / 12.0)),
    )


def build_gull(group: Any) -> None:
    """Fly a gull across the moon on beating wings."""
    feathers = parts.material("Feathers", (1.0, 1.0, 1.0))
    path = bpy.data.objects.new("Gull", None)
    group.objects.link(path)
    path.location = (0.0, 2.2, 4.0)
    body = parts.smooth_line(
        [
            (-0.62, 0.0),
            (-0.42, 0.1),
            (-0.1, 0.12),
            (0.3, 0.06),
            (0.62, 0.12),
            (0.6, -0.02),
            (0.2, -0.12),
            (-0.3, -0.1),
        ],
        3,
        closed=True,
    )
    parts.add_cutout(group, "Gull Body", body, materials=[feathers], parent=path)
    for side, name in ((-1.0, "Near"), (1.0, "Far")):
        # Inner and outer half of the wing meet at a bent elbow.
        shape = [
            (-0.3, 0.0, 0.04),
            (-0.44, 0.62, 0.26),
            (0.02, 1.6, 0.05),
            (0.06, 0.66, 0.22),
            (0.2, 0.0, 0.04),
        ]
        faces = [(0, 1, 3, 4), (1, 2, 3)]
        wing = parts.add_mesh(
            group,
            f"{name} Wing",
            [(x, side * along, z) for x, along, z in shape],
            faces if side < 0.0 else [face[::-1] for face in faces],
            materials=[feathers],
            smooth=True,
            parent=path,
        )
        parts.animate(
            wing,
            "rotation_euler",
            0,
            range(1, FRAMES + 2, 4),
            lambda f, s=side: s * (0.12 + 0.42 * math.sin(2.0 * math.pi * (f - 1) / 32.0)),
        )
    path.rotation_euler = (0.0, math.radians(-12.0), math.radians(62.0))
    ends = (1, FRAMES + 1)
    parts.animate(path, "location", 0, ends, lambda f: 9.2 - 18.4 * (f - 1) / FRAMES)
    parts.animate(
        path,
        "location",
        2,
        range(1, FRAMES + 2, 8),
        lambda f: 3.5 + 0.5 * math.sin(2.0 * math.pi * (f - 1) / 130.0),
    )


def build_quay(group: Any) -> None:
    """Set two houses with lit windows on the quay, and a bollard at its edge."""
    stone = parts.material("Stone", (0.35, 0.45, 0.75))
    amber = parts.material("Amber", (1.0, 0.62, 0.1))
    parts.add_box(group, "Quay", (3.4, 4.2, -1.0), (13.0, 9.0, 0.75), materials=[stone])
    for name, low, high, ridge, rgb in (
        ("House", (4.4, 5.2, 0.75), (6.4, 6.8, 2.15), 1.0, (0.3, 1.0, 0.45)),
        ("Net Loft", (6.9, 5.6, 0.75), (9.4, 7.4, 2.75), 0.8, (0.95, 0.3, 0.55)),
    ):
        paint = parts.material(name, rgb)
        parts.add_house(group, name, low, high, ridge, materials=[paint])
        width = high[0] - low[0]
        top = high[2] + ridge
        at = low[0] + 0.7 * width
        middle = (low[1] + high[1]) / 2.0
        parts.add_box(
            group,
            f"{name} Chimney",
            (at, middle - 0.14, high[2] + 0.3),
            (at + 0.28, middle + 0.14, top + 0.35),
            materials=[paint],
        )
        window = (width * 0.14, 0.5)
        for number, share in enumerate((0.16, 0.68)):
            x, z = low[0] + share * width, low[2] + 0.6
            parts.add_cutout(
                group,
                f"{name} Window {number + 1}",
                [(x, z), (x + window[0], z), (x + window[0], z + window[1]), (x, z + window[1])],
                materials=[amber],
                location=(0.0, low[1] - 0.02, 0.0),
            )
        x = low[0] + 0.42 * width
        parts.add_cutout(
            group,
            f"{name} Door",
            [(x, low[2]), (x + 0.4, low[2]), (x + 0.4, low[2] + 0.9), (x, low[2] + 0.9)],
            materials=[amber],
            location=(0.0, low[1] - 0.02, 0.0),
        )
    parts.add_lathe(
        group,
        "Bollard",
        [(0.13, 0.0), (0.11, 0.34), (0.2, 0.36), (0.2, 0.46)],
        12,
        materials=[stone],
        location=(3.85, 4.55, 0.75),
    )


def build_lighthouse(group: Any) -> None:
    """Stand the lighthouse far out on the left, its beam sweeping over the water."""
    white = parts.material("White", (1.0, 1.0, 1.0))
    red = parts.material("Red", (1.0, 0.12, 0.08))
    light = parts.material("Light", (1.0, 0.85, 0.3))
    place = (-7.6, 9.0, -0.1)
    parts.add_lathe(
        group,
        "Tower",
        [(0.72, 0.0), (0.64, 1.1), (0.56, 2.2), (0.48, 3.3)],
        16,
        materials=[red, white],
        band_materials=[0, 1, 0],
        location=place,
    )
    parts.add_lathe(
        group,
        "Lantern",
        [(0.66, 3.3), (0.66, 3.4), (0.32, 3.4), (0.32, 3.95), (0.42, 3.95), (0.0, 4.4)],
        16,
        materials=[white],
        marked_rings=[0, 1, 4],
        location=place,
    )
    rock = [(-2.6, -1.5), (2.4, -1.5), (1.9, -0.2), (1.2, 0.1), (0.7, 0.42), (-0.8, 0.5)]
    parts.add_cutout(
        group,
        "Rock",
        [*rock, (-1.3, 0.12), (-2.1, -0.1)],
        materials=[parts.material("Stone", (0.35, 0.45, 0.75))],
        location=(place[0], place[1] - 0.9, place[2]),
    )
    beam = parts.add_wires(
        group,
        "Beam",
        [
            [(0.4, 0.0, 0.04), (7.5, 0.0, 0.6)],
            [(0.4, 0.0, -0.04), (7.5, 0.0, -0.6)],
        ],
        materials=[light],
        location=(place[0], place[1], place[2] + 3.68),
    )
    parts.animate(
        beam,
        "rotation_euler",
        2,
        range(1, FRAMES + 2, 10),
        lambda f: -0.55 + 0.75 * math.sin(2.0 * math.pi * (f - 1) / 100.0),
    )


def build_sky(group: Any) -> None:
    """Hang up the moon, and some stars as single beam dots."""
    moon = parts.material("Moon", (1.0, 0.95, 0.75))
    # A crescent between two circles that meet 57.75 degrees to both sides of 149 degrees.
    outer = parts.arc((0.0, 0.0), 1.35, 206.8, 451.3, 26)
    inner = parts.arc((-0.5, 0.3), 1.15, 65.8, -127.8, 18)
    parts.add_cutout(
        group,
        "Moon",
        [*outer, *inner[1:-1]],
        materials=[moon],
        location=(4.4, 16.0, 7.9),
    )
    stars = [(-9.2, 9.2), (-6.6, 7.3), (-3.4, 9.8), (4.7, 9.5), (7.4, 7.6), (10.4, 9.3)]
    parts.add_mesh(
        group,
        "Stars",
        [(x, 18.0, z) for x, z in stars],
        materials=[parts.material("Star", (0.8, 0.9, 1.0))],
    )


def build_title(group: Any) -> None:
    """Write the title into the sky, in single strokes."""
    title, _ = lettering.new_text("Harbour Lights", "Title", group)
    letters = title.data
    letters.align_x = "CENTER"
    letters.size = 1.25
    letters.materials.append(parts.material("Title", (0.2, 1.0, 0.3)))
    title.location = (-3.0, 0.5, 4.35)
    title.rotation_euler = (math.radians(90.0), 0.0, 0.0)


def smooth_step(t: float) -> float:
    """Ease from 0 to 1 over t = 0…1."""
    t = min(max(t, 0.0), 1.0)
    return t * t * (3.0 - 2.0 * t)


if __name__ == "__main__":
    default = Path(__file__).with_name("harbour.blend")
    main(str(Path(sys.argv[1] if len(sys.argv) > 1 else default).resolve()))
