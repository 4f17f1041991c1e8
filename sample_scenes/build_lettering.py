# SPDX-License-Identifier: GPL-3.0-or-later
"""Build lettering.blend: captions that write themselves on, 200 frames.

Four captions in four alphabets follow one another, written stroke by stroke with a bright tip
and wiped off in the order of writing, on the lettering projector. Moon and water are curves on
the other one; they come on all strokes at once.

    python sample_scenes/build_lettering.py sample_scenes/lettering.blend
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

CAPTIONS = (
    ("English", "The harbour sleeps", (1.0, 0.85, 0.3)),
    ("Czech", "Zimní večer v přístavu", (0.4, 1.0, 0.5)),
    ("Greek", "Το φως του φάρου", (0.4, 0.8, 1.0)),
    ("Ukrainian", "Чайка летить додому", (1.0, 0.5, 0.7)),
)
EACH = 50
FRAMES = EACH * len(CAPTIONS)
WRITTEN, WIPED, GONE = 24, 38, 48


def main(path: str) -> None:
    """Build the scene and save it."""
    scene = parts.new_scene("Lettering", FRAMES)
    parts.add_camera(scene, (0.0, -10.0, 0.0), (0.0, 0.0, 0.0), 50.0)
    captions = parts.collection(scene, "Captions")
    for place, (name, body, colour) in enumerate(CAPTIONS):
        add_caption(captions, name, body, colour, 1 + place * EACH)
    view = parts.collection(scene, "View")
    add_curve(view, "Moon", [parts.arc((2.2, 1.15), 0.55, 90.0, 449.0, 40)], (1.0, 0.9, 0.6), True)
    rows = [
        [
            (x / 8.0, -1.35 - 0.28 * row + 0.07 * math.sin(x / 2.3 + 1.7 * row))
            for x in range(-24, 25)
        ]
        for row in range(2)
    ]
    add_curve(view, "Water", rows, (0.2, 0.5, 1.0), False)
    parts.add_projector(scene, "Pictures", "40 kpps", refresh_hz=25.0, field_deg=8.0)
    parts.add_projector(scene, "Lettering", "20 kpps", refresh_hz=25.0, field_deg=8.0)
    assign(captions, "Lettering")
    parts.save(path)


def add_caption(
    group: Any, name: str, body: str, colour: tuple[float, float, float], start: int
) -> None:
    """Add a caption, its writing and its wiping."""
    text, missing = lettering.new_text(body, name, group)
    assert not missing, missing
    text.rotation_euler = (math.radians(90.0), 0.0, 0.0)
    text.data.align_x = text.data.align_y = "CENTER"
    text.data.size = 0.78
    text.data.materials.append(lettering.line_material(colour))
    artwork = text.beamwright.artwork
    artwork.tip = True
    artwork.lift = 0.05
    ease: list[tuple[int, float, bool]] = [
        (start, 0.0, False),
        (start + WRITTEN, 1.0, False),
        (start + WIPED, 1.0, True),
        (start + GONE, 0.0, True),
    ]
    for frame, progress, backwards in ease:
        artwork.progress, artwork.backwards = progress, backwards
        text.keyframe_insert("beamwright.artwork.progress", frame=frame)
        text.keyframe_insert("beamwright.artwork.backwards", frame=frame)


def add_curve(
    group: Any,
    name: str,
    lines: list[list[tuple[float, float]]],
    colour: tuple[float, float, float],
    closed: bool,
) -> None:
    """Add a flat curve that draws itself over the first captions."""
    curve: Any = bpy.data.curves.new(name, "CURVE")
    curve.dimensions = "2D"
    curve.fill_mode = "BOTH" if closed else "NONE"
    for line in lines:
        points = line[:-1] if closed else line
        spline = curve.splines.new("BEZIER")
        spline.bezier_points.add(len(points) - 1)
        for point, (x, y) in zip(spline.bezier_points, points, strict=True):
            point.co = (x, y, 0.0)
            point.handle_left_type = point.handle_right_type = "AUTO"
        spline.use_cyclic_u = closed
    curve.materials.append(lettering.line_material(colour))
    item = bpy.data.objects.new(name, curve)
    item.rotation_euler = (math.radians(90.0), 0.0, 0.0)
    group.objects.link(item)
    artwork = item.beamwright.artwork
    artwork.mode = "TOGETHER"
    for frame, progress in ((1, 0.0), (30, 1.0)):
        artwork.progress = progress
        item.keyframe_insert("beamwright.artwork.progress", frame=frame)


if __name__ == "__main__":
    default = Path(__file__).with_name("lettering.blend")
    main(str(Path(sys.argv[1] if len(sys.argv) > 1 else default).resolve()))
