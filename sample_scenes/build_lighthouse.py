# SPDX-License-Identifier: GPL-3.0-or-later
"""Build lighthouse.blend: a turntable of a lighthouse on its rock, 120 frames that loop.

python sample_scenes/build_lighthouse.py sample_scenes/lighthouse.blend
"""

from __future__ import annotations

import math
import random
import sys
from pathlib import Path
from typing import Any

import bpy
import parts

FRAMES = 120
TOWER = [(0.98, 0.0), (0.90, 0.85), (0.82, 1.70), (0.74, 2.55), (0.66, 3.40)]  # radius, height
GALLERY = 3.40
GALLERY_RADIUS = 1.02


def main(path: str) -> None:
    """Build the scene and save it."""
    scene = parts.new_scene("Lighthouse", FRAMES)
    parts.add_camera(scene, (0.0, -13.5, 4.6), (0.0, 0.0, 1.62), 37.0)
    turntable = bpy.data.objects.new("Turntable", None)
    scene.collection.objects.link(turntable)
    for frame, turns in ((1, 0.0), (FRAMES + 1, 1.0)):
        turntable.rotation_euler[2] = 2.0 * math.pi * turns
        turntable.keyframe_insert("rotation_euler", index=2, frame=frame)

    build_rock(parts.collection(scene, "Rock"), turntable)
    build_tower(parts.collection(scene, "Tower"), turntable)
    build_lantern(parts.collection(scene, "Lantern"), turntable)
    build_cottage(parts.collection(scene, "Cottage"), turntable)
    build_beams(parts.collection(scene, "Beams"))
    build_water(parts.collection(scene, "Water"))
    parts.add_projector(scene, "Pictures", "30 kpps", refresh_hz=25.0, field_deg=12.0)
    parts.save(path)


def build_rock(group: Any, turntable: Any) -> None:
    """Pile up a rock of few, large facets, and cut the steps up to the door into it."""
    stone = parts.material("Stone", (0.25, 0.45, 0.75))
    chance = random.Random(11)
    sides = 11
    rings = [(2.75, -0.75), (2.35, -0.32), (1.95, 0.0)]
    vertices = []
    for level, (radius, height) in enumerate(rings):
        for k in range(sides):
            angle = 2.0 * math.pi * (k + 0.5 * level) / sides
            wobble = 1.0 + (chance.uniform(-0.14, 0.14) if level < 2 else 0.0)
            lift = chance.uniform(-0.12, 0.12) if level == 1 else 0.0
            vertices.append(
                (
                    wobble * radius * math.cos(angle),
                    wobble * radius * math.sin(angle),
                    height + lift,
                )
            )
    faces: list[list[int]] = []
    for level in range(2):
        low, high = level * sides, (level + 1) * sides
        for k in range(sides):
            after = (k + 1) % sides
            faces.append([low + k, low + after, high + k])
            faces.append([low + after, high + after, high + k])
    faces.append(list(range(2 * sides, 3 * sides)))
    parts.add_mesh(group, "Rock", vertices, faces, materials=[stone], parent=turntable)

    # Five steps on the side of the door (-y).
    for k in range(4):
        depth = -1.95 - 0.34 * k
        parts.add_box(
            group,
            f"Step {k + 1}",
            (-0.42, depth - 0.34, -0.75),
            (0.42, depth, -0.02 - 0.15 * k),
            materials=[stone],
            parent=turntable,
        )


def build_tower(group: Any, turntable: Any) -> None:
    """Turn the banded tower, then hang door and windows on its wall."""
    white = parts.material("White", (1.0, 1.0, 1.0))
    red = parts.material("Red", (1.0, 0.12, 0.08))
    amber = parts.material("Amber", (1.0, 0.62, 0.1))
    parts.add_lathe(
        group,
        "Tower",
        TOWER,
        24,
        materials=[white, red],
        band_materials=[1, 0, 1, 0],
        parent=turntable,
    )
    parts.add_lathe(
        group,
        "Gallery",
        [(0.72, GALLERY - 0.22), (GALLERY_RADIUS, GALLERY), (GALLERY_RADIUS, GALLERY + 0.08)],
        24,
        materials=[white],
        marked_rings=[1],
        parent=turntable,
    )
    door = [(-0.24, 0.0), (0.24, 0.0), *parts.arc((0.0, 0.56), 0.24, 0.0, 180.0, 8)]
    hang(group, "Door", door, 0.0, -90.0, amber, turntable)
    window = [(-0.13, 0.0), (0.13, 0.0), *parts.arc((0.0, 0.26), 0.13, 0.0, 180.0, 6)]
    for name, height, side_deg in (
        ("Window 1", 1.3, -20.0),
        ("Window 2", 2.1, 100.0),
        ("Window 3", 2.75, -130.0),
    ):
        hang(group, name, window, height, side_deg, amber, turntable)


def hang(
    group: Any,
    name: str,
    outline: list[parts.Point2],
    height: float,
    side_deg: float,
    paint: Any,
    turntable: Any,
) -> None:
    """Wrap an outline round the tower, a hair above the wall, at a compass direction."""
    side = math.radians(side_deg)
    line: list[parts.Point3] = []
    for x, z in [*outline, outline[0]]:
        radius = 0.98 - 0.32 * (height + z) / GALLERY + 0.01
        angle = side + x / radius
        line.append((radius * math.cos(angle), radius * math.sin(angle), height + z))
    parts.add_wires(group, name, [line], materials=[paint], parent=turntable)


def build_lantern(group: Any, turntable: Any) -> None:
    """Railing, lantern room with a lamp, roof and finial."""
    white = parts.material("White", (1.0, 1.0, 1.0))
    red = parts.material("Red", (1.0, 0.12, 0.08))
    amber = parts.material("Amber", (1.0, 0.62, 0.1))
    floor = GALLERY + 0.08

    def ring(radius: float, height: float, count: int) -> list[parts.Point3]:
        turn = 2.0 * math.pi / count
        points = [
            (radius * math.cos(k * turn), radius * math.sin(k * turn), height) for k in range(count)
        ]
        return [*points, points[0]]

    rail = ring(0.97, floor + 0.36, 24)
    posts = [[(x, y, floor), (x, y, z)] for x, y, z in rail[:-1:3]]
    parts.add_wires(group, "Railing", [rail, *posts], materials=[white], parent=turntable)
    glass_low, glass_high = ring(0.5, floor, 8), ring(0.5, floor + 0.72, 8)
    bars = [[low, high] for low, high in zip(glass_low[:-1], glass_high[:-1], strict=True)]
    parts.add_wires(group, "Glass Bars", [*bars], materials=[white], parent=turntable)
    parts.add_lathe(
        group,
        "Lamp",
        [(0.0, floor + 0.1), (0.2, floor + 0.36), (0.0, floor + 0.62)],
        8,
        materials=[amber],
        smooth=True,
        parent=turntable,
    )
    parts.add_lathe(
        group,
        "Roof",
        [(0.62, floor + 0.72), (0.62, floor + 0.80), (0.12, floor + 1.22), (0.0, floor + 1.24)],
        24,
        materials=[red],
        marked_rings=[1],
        parent=turntable,
    )
    parts.add_lathe(
        group,
        "Finial",
        [(0.0, 0.0), (0.08, 0.03), (0.11, 0.11), (0.08, 0.19), (0.0, 0.22)],
        12,
        materials=[amber],
        parent=turntable,
        location=(0.0, 0.0, floor + 1.22),
    )


def build_cottage(group: Any, turntable: Any) -> None:
    """Put the keeper's cottage on the far side of the rock."""
    wall = parts.material("Cottage", (0.3, 1.0, 0.45))
    amber = parts.material("Amber", (1.0, 0.62, 0.1))
    placing: dict[str, Any] = {"parent": turntable, "rotation": (0.0, 0.0, math.radians(25.0))}
    parts.add_house(
        group, "Cottage", (-0.62, 0.98, 0.0), (0.62, 1.72, 0.55), 0.42, materials=[wall], **placing
    )
    parts.add_box(
        group, "Chimney", (0.32, 1.27, 0.7), (0.48, 1.43, 1.2), materials=[wall], **placing
    )
    parts.add_mesh(
        group,
        "Cottage Window",
        [(0.12, 1.73, 0.2), (0.4, 1.73, 0.2), (0.4, 1.73, 0.42), (0.12, 1.73, 0.42)],
        [(3, 2, 1, 0)],
        materials=[amber],
        **placing,
    )
    parts.add_mesh(
        group,
        "Cottage Door",
        [(-0.4, 1.73, 0.0), (-0.15, 1.73, 0.0), (-0.15, 1.73, 0.42), (-0.4, 1.73, 0.42)],
        [(3, 2, 1, 0)],
        materials=[amber],
        **placing,
    )


def build_beams(group: Any) -> None:
    """Let two beams sweep once against the turntable; they hide nothing."""
    light = parts.material("Light", (1.0, 0.85, 0.3))
    height = GALLERY + 0.08 + 0.36
    lines = []
    for way in (1.0, -1.0):
        for spread in (-1.0, 1.0):
            lines.append(
                [
                    (0.55 * way, 0.03 * spread, height + 0.03 * spread),
                    (5.2 * way, 0.55 * spread, height + 0.34 * spread),
                ]
            )
    beams = parts.add_wires(group, "Beams", lines, materials=[light])
    parts.animate(
        beams, "rotation_euler", 2, (1, FRAMES + 1), lambda f: -2.0 * math.pi * (f - 1) / FRAMES
    )


def build_water(group: Any) -> None:
    """Draw ripples round the rock, each a part of a circle that breathes."""
    water = parts.material("Water", (0.1, 0.55, 1.0))
    for number, (radius, start, length) in enumerate(
        ((3.0, 205.0, 60.0), (3.3, 262.0, 80.0), (3.0, 300.0, 50.0), (3.75, 220.0, 40.0))
    ):
        points = parts.arc((0.0, 0.0), radius, start, start + length, 14)
        ripple = parts.add_wires(
            group, f"Ripple {number + 1}", [[(x, y, -0.75) for x, y in points]], materials=[water]
        )
        for axis in (0, 1):
            parts.animate(
                ripple,
                "scale",
                axis,
                range(1, FRAMES + 2, 10),
                lambda f, n=number: 1.0 + 0.03 * math.sin(2.0 * math.pi * ((f - 1) / 60.0 + n / 4)),
            )


if __name__ == "__main__":
    default = Path(__file__).with_name("lighthouse.blend")
    main(str(Path(sys.argv[1] if len(sys.argv) > 1 else default).resolve()))
