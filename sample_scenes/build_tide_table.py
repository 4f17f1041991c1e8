# SPDX-License-Identifier: GPL-3.0-or-later
"""Build tide_table.blend: a drawn page that tilts in space, 150 frames.

The page is artwork/tide_table.svg. Its waves stand at three depths, and a buoy, a solid body,
drifts between two of them. The lettering goes to a projector of its own.

    python sample_scenes/build_tide_table.py sample_scenes/tide_table.blend
"""

from __future__ import annotations

import math
import sys
from pathlib import Path
from typing import Any

import parts
from beamwright.addon.artwork_import import (
    ImportOptions,
    build_artwork,
    choose_files,
    preprocessor,
)
from beamwright.core.artwork.sequence import read_sequence

FRAMES = 150
DEPTHS = {"wave_near": -0.5, "wave_front": -0.9}
PAGE = Path(__file__).parent / "artwork" / "tide_table.svg"


def main(path: str) -> None:
    """Build the scene and save it."""
    scene = parts.new_scene("Tide Table", FRAMES)
    parts.add_camera(scene, (0.0, -10.0, 0.0), (0.0, 0.0, 0.0), 50.0)
    page = import_page(scene)
    build_buoy(parts.collection(scene, "Buoy"), page)
    parts.add_projector(scene, "Pictures", "40 kpps", refresh_hz=25.0, field_deg=8.0)
    parts.add_projector(scene, "Lettering", "20 kpps", refresh_hz=25.0, field_deg=8.0)
    page.beamwright.artwork.layer("lettering", create=True).assign("Lettering")
    parts.save(path)


def import_page(scene: Any) -> Any:
    """Bring the page in and let it tilt to both sides."""
    files = choose_files([PAGE], as_sequence=False)
    pages = read_sequence(files, preprocessor())
    options = ImportOptions(name="Page", placement="ORIGIN", size=6.6)
    page, warnings = build_artwork(scene, parts.collection(scene, "Page"), pages, files, options)
    assert not warnings, warnings
    for layer in page.data.layers:
        layer.translation = (0.0, DEPTHS.get(layer.name, 0.0), 0.0)
    keys = range(1, FRAMES + 2, 5)

    def turn(frame: int) -> float:
        return 2.0 * math.pi * (frame - 1) / FRAMES

    parts.animate(page, "rotation_euler", 2, keys, lambda f: 0.62 * math.sin(turn(f)))
    parts.animate(page, "rotation_euler", 0, keys, lambda f: 0.16 * math.sin(2.0 * turn(f)))
    return page


def build_buoy(group: Any, page: Any) -> None:
    """Let a buoy drift between the middle and the near waves."""
    red = parts.material("Buoy", (1.0, 0.2, 0.1))
    buoy = parts.add_lathe(
        group,
        "Buoy",
        [(0.0, -0.3), (0.19, -0.2), (0.19, 0.0), (0.08, 0.12), (0.07, 0.5), (0.0, 0.56)],
        20,
        materials=[red],
        marked_rings=[2],
        smooth=True,
        parent=page,
        location=(0.0, -0.25, -1.1),
    )
    keys = range(1, FRAMES + 2, 5)
    parts.animate(
        buoy,
        "location",
        0,
        keys,
        lambda f: 1.75 + 0.55 * math.sin(2.0 * math.pi * (f - 1) / FRAMES),
    )
    parts.animate(
        buoy,
        "rotation_euler",
        1,
        keys,
        lambda f: 0.2 * math.sin(6.0 * math.pi * (f - 1) / FRAMES),
    )


if __name__ == "__main__":
    default = Path(__file__).with_name("tide_table.blend")
    main(str(Path(sys.argv[1] if len(sys.argv) > 1 else default).resolve()))
