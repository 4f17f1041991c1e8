# SPDX-License-Identifier: GPL-3.0-or-later
"""Build opening.blend: driven snow settles into the lighthouse, 120 frames.

Two squalls run across the picture as streaks (reveal), a flurry flies in through the edge of the
camera frame, and its flakes turn into the lighthouse (morph). The lamp's beam grows, sweeps, and
uncovers the title behind it (mask), which a projector of its own draws; then it flies off.

    python sample_scenes/build_opening.py sample_scenes/opening.blend
"""

from __future__ import annotations

import math
import random
import sys
from pathlib import Path
from typing import Any

import bpy
import build_lighthouse
import parts
from beamwright.addon import lettering
from beamwright.addon.compat import animation_curves
from beamwright.addon.properties import assign

FRAMES = 120
TOWER_X = -2.3
LANTERN_Z = 3.92
FALL = (-0.88, -0.475)  # the way the wind drives the snow, in the picture


def main(path: str) -> None:
    """Build the scene and save it."""
    scene = parts.new_scene("Opening", FRAMES)
    parts.add_camera(scene, (0.0, -14.5, 3.6), (0.0, 0.0, 2.0), 35.0)
    squalls = parts.collection(scene, "Squalls")
    build_squall(squalls, "First Squall", 3, 13, -1.0, (1, 26))
    build_squall(squalls, "Second Squall", 8, 15, -2.0, (12, 40))
    flurry = parts.collection(scene, "Flurry")
    build_flurry(flurry)
    lighthouse = parts.collection(scene, "Lighthouse")
    build_lighthouse_still(lighthouse)
    add_morph(scene, flurry, lighthouse)
    build_water(parts.collection(scene, "Water"))
    beam = build_beam(parts.collection(scene, "Beam"))
    build_title(parts.collection(scene, "Title"), beam)

    parts.add_projector(scene, "Pictures", "40 kpps", refresh_hz=25.0, field_deg=8.0)
    parts.add_projector(scene, "Lettering", "20 kpps", refresh_hz=25.0, field_deg=8.0)
    assign(bpy.data.collections["Title"], "Lettering")
    parts.save(path)


def key_share(item: Any, name: str, keys: dict[int, float], smooth: bool = False) -> None:
    """Key a share of one of the object's effects, such as ``reveal.end``."""
    effects = item.beamwright.effects
    group, share = name.split(".")
    for frame, value in keys.items():
        setattr(getattr(effects, group), share, value)
        item.keyframe_insert(f"beamwright.effects.{name}", frame=frame)
    if smooth:
        ease(item, f"beamwright.effects.{name}")


def ease(item: Any, path: str) -> None:
    """Let a channel start and stop gently."""
    for curve in animation_curves(item):
        if curve.data_path == path:
            for key in curve.keyframe_points:
                key.interpolation = "BEZIER"
                key.handle_left_type = key.handle_right_type = "AUTO_CLAMPED"
            curve.update()


def build_squall(
    group: Any, name: str, seed: int, count: int, depth: float, frames: tuple[int, int]
) -> None:
    """Lay long lines across the whole picture and let the drawn part run along them."""
    chance = random.Random(seed)
    lines = []
    for k in range(count):
        # Spread over the line across the wind, each with a slight bend.
        across = -5.6 + 11.2 * (k + chance.uniform(0.15, 0.85)) / count
        x, z = 0.5 - across * FALL[1], 2.0 + across * FALL[0]
        bend = chance.uniform(-0.35, 0.35)
        reach = chance.uniform(3.2, 7.5)
        shift = chance.uniform(-2.5, 2.5)
        line = []
        for step in range(9):
            t = step / 4.0 - 1.0
            along = shift + reach * t
            side = bend * (1.0 - t * t)
            line.append(
                (x + along * FALL[0] - side * FALL[1], depth, z + along * FALL[1] + side * FALL[0])
            )
        lines.append(line)
    snow = parts.material("Snow", (0.75, 0.9, 1.0))
    squall = parts.add_wires(group, name, lines, materials=[snow])
    reveal = squall.beamwright.effects.reveal
    reveal.use, reveal.order = True, "TOGETHER"
    first, last = frames
    late = (last - first) // 3
    key_share(squall, "reveal.end", {first: 0.0, last - late: 1.0})
    key_share(squall, "reveal.start", {first + late: 0.0, last: 1.0})


def build_flurry(group: Any) -> None:
    """Scatter short streaks where the lighthouse will stand; they come in past the frame's edge."""
    gust = bpy.data.objects.new("Gust", None)
    group.objects.link(gust)
    chance = random.Random(5)
    lines = []
    for row in range(8):
        for column in range(7):
            x = -4.9 + 0.86 * (column + chance.uniform(0.1, 0.9))
            z = -0.9 + 0.74 * (row + chance.uniform(0.1, 0.9))
            length = chance.uniform(0.25, 0.75)
            lines.append([(x, -1.5, z), (x + length * FALL[0], -1.5, z + length * FALL[1])])
    snow = parts.material("Flakes", (0.55, 0.8, 1.0))
    parts.add_wires(group, "Flakes", lines, materials=[snow], parent=gust)
    away = 13.0
    for axis, way in ((0, -FALL[0]), (2, -FALL[1])):
        parts.animate(
            gust,
            "location",
            axis,
            range(16, 57, 2),
            # Fast past the edge, ever slower to its place.
            lambda f, w=way: away * w * (1.0 - (f - 16) / 40.0) ** 3,
        )


def build_lighthouse_still(group: Any) -> None:
    """Put the other sample's rock, tower and lantern on a foot that does not turn."""
    foot = bpy.data.objects.new("Foot", None)
    group.objects.link(foot)
    foot.location = (TOWER_X, 0.0, 0.0)
    build_lighthouse.build_rock(group, foot)
    build_lighthouse.build_tower(group, foot)
    build_lighthouse.build_lantern(group, foot)


def add_morph(scene: Any, flurry: Any, lighthouse: Any) -> None:
    """Hold the morph from one collection to the other by an Empty, which can be keyed."""
    holder = bpy.data.objects.new("Settle", None)
    holder.empty_display_size = 0.4
    holder.location = (TOWER_X, -3.0, 5.6)
    scene.collection.objects.link(holder)
    effects = holder.beamwright.effects
    effects.scope, effects.collection = "COLLECTION", flurry
    effects.morph.target_kind, effects.morph.target_collection = "COLLECTION", lighthouse
    key_share(holder, "morph.factor", {56: 0.0, 88: 1.0}, smooth=True)


def build_water(group: Any) -> None:
    """Let ripples appear one after another, in random order."""
    water = parts.material("Water", (0.1, 0.55, 1.0))
    lines = []
    for radius, start, length in (
        (3.0, 205.0, 60.0), (3.4, 255.0, 70.0), (3.9, 215.0, 40.0), (4.3, 270.0, 45.0),
        (5.2, 285.0, 35.0), (6.0, 300.0, 24.0), (4.9, 240.0, 25.0),
    ):  # fmt: skip
        points = parts.arc((TOWER_X, 0.0), radius, start, start + length, 12)
        lines.append([(x, y, -0.75) for x, y in points])
    ripples = parts.add_wires(group, "Ripples", lines, materials=[water])
    reveal = ripples.beamwright.effects.reveal
    reveal.use, reveal.order, reveal.seed = True, "SHUFFLED", 4
    key_share(ripples, "reveal.end", {70: 0.0, 100: 1.0})


def build_beam(group: Any) -> Any:
    """Two rays from the lantern, pointing along +x, that grow, sweep down and fly off."""
    light = parts.material("Light", (1.0, 0.85, 0.3))
    rays = [[(0.55, 0.0, 0.04 * side), (9.5, 0.0, 0.42 * side)] for side in (1.0, -1.0)]
    beam = parts.add_wires(
        group, "Beam", rays, materials=[light], location=(TOWER_X, 0.0, LANTERN_Z)
    )
    down = math.radians(1.0)
    parts.animate(
        beam, "rotation_euler", 1, (92, 112), lambda f: down * (-36.0 if f == 92 else 52.0)
    )
    ease(beam, "rotation_euler")
    beam.beamwright.effects.reveal.use = True
    key_share(beam, "reveal.end", {86: 0.0, 93: 1.0})
    key_share(beam, "reveal.start", {112: 0.0, 118: 1.0})
    return beam


def build_title(group: Any, beam: Any) -> None:
    """Write the title; the sky that the beam has swept uncovers it."""
    title, _ = lettering.new_text("Winter\nEvening", "Title", group)
    letters = title.data
    letters.align_x = "LEFT"
    letters.size = 1.8
    letters.materials.append(parts.material("Title", (0.2, 1.0, 0.3)))
    title.location = (-0.3, 0.0, 3.4)
    title.rotation_euler = (math.radians(90.0), 0.0, 0.0)
    # All within 150 degrees above the beam, seen from the lantern.
    sector = [(0.0, 0.0), *parts.arc((0.0, 0.0), 12.0, 0.0, 150.0, 24)]
    swept = parts.add_cutout(
        group,
        "Swept Sky",
        sector,
        materials=[parts.material("Light", (1.0, 0.85, 0.3))],
        parent=beam,
    )
    swept.display_type = "WIRE"
    title.beamwright.effects.mask.object = swept


if __name__ == "__main__":
    default = Path(__file__).with_name("opening.blend")
    main(str(Path(sys.argv[1] if len(sys.argv) > 1 else default).resolve()))
