# SPDX-License-Identifier: GPL-3.0-or-later
"""Build gull_sequence.blend: 48 drawings of a gull before the moon, as they come from a
2D animation program, in one Grease Pencil object.

    python sample_scenes/build_gull_sequence.py sample_scenes/gull_sequence.blend
"""

from __future__ import annotations

import sys
from pathlib import Path

import parts
from beamwright.addon.artwork_import import (
    ImportOptions,
    build_artwork,
    choose_files,
    preprocessor,
)
from beamwright.core.artwork.sequence import read_sequence

FRAMES = 48
FIRST = Path(__file__).parent / "artwork" / "gull_0001.svg"


def main(path: str) -> None:
    """Build the scene and save it."""
    scene = parts.new_scene("Gull", FRAMES)
    parts.add_camera(scene, (0.0, -10.0, 0.0), (0.0, 0.0, 0.0), 50.0)
    files = choose_files([FIRST], as_sequence=True)
    assert len(files) == FRAMES, files
    pages = read_sequence(files, preprocessor())
    group = parts.collection(scene, "Drawings")
    _, warnings = build_artwork(scene, group, pages, files, ImportOptions(name="Gull"))
    assert not warnings, warnings
    parts.add_projector(scene, "Pictures", "40 kpps", refresh_hz=25.0, field_deg=8.0)
    parts.save(path)


if __name__ == "__main__":
    default = Path(__file__).with_name("gull_sequence.blend")
    main(str(Path(sys.argv[1] if len(sys.argv) > 1 else default).resolve()))
