# SPDX-License-Identifier: GPL-3.0-or-later
"""Draw a contact strip: the visible strokes of several frames of a scene in one SVG file.

python docs/pictures/draw_strip.py SCENE.blend STRIP.svg FRAME…
"""

from __future__ import annotations

import argparse
import re
import subprocess
import sys
import tempfile
from pathlib import Path

COLUMNS = 3
GAP = 0.06
"""Between the pictures, in field units; the longer side of a picture has 2."""


def main() -> int:
    """Draw the strip with the installed command."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("scene", type=Path)
    parser.add_argument("strip", type=Path)
    parser.add_argument("frames", type=int, nargs="+")
    chosen = parser.parse_args()
    pictures = [drawing(chosen.scene, frame) for frame in chosen.frames]
    box = re.search(r'viewBox="(\S+) (\S+) (\S+) (\S+)"', pictures[0])
    assert box is not None
    width, height = float(box[3]), float(box[4])
    scale = 600.0 / width  # text in units as small as the field's is drawn badly
    width, height = 600.0, scale * height
    gap = GAP * width / 2.0
    rows = -(-len(pictures) // COLUMNS)
    whole = (COLUMNS * (width + gap) + gap, rows * (height + gap) + gap)
    parts = [
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {whole[0]:g} {whole[1]:g}">\n'
        '<rect width="100%" height="100%" fill="#262626"/>\n'
    ]
    for place, (frame, picture) in enumerate(zip(chosen.frames, pictures, strict=True)):
        x = gap + place % COLUMNS * (width + gap)
        y = gap + place // COLUMNS * (height + gap)
        content = re.sub(r"<\?xml.*?\?>\s*|<!--.*?-->\s*", "", picture, flags=re.DOTALL)
        size = f'x="{x:g}" y="{y:g}" width="{width:g}" height="{height:g}"'
        content = re.sub(r' (?:width|height)="[^"]*"', "", content.split(">", 1)[0]) + (
            f" {size}>" + content.split(">", 1)[1]
        )
        parts.append(
            content.strip() + f'\n<text x="{x + gap / 2:g}" y="{y + height - gap / 2:g}" '
            f'font-size="{height / 16:g}" font-family="sans-serif" fill="#9a9a9a">{frame}</text>\n'
        )
    chosen.strip.write_text("".join(parts) + "</svg>\n", encoding="utf-8")
    return 0


def drawing(scene: Path, frame: int) -> str:
    """Return one frame's strokes as an SVG text."""
    command = Path(sys.executable).with_name("beamwright")
    with tempfile.TemporaryDirectory() as folder:
        picture = Path(folder) / "frame.svg"
        subprocess.run(
            [command, "lines", scene, "--frame", str(frame), "--out", picture],
            check=True,
            stdin=subprocess.DEVNULL,
            stdout=subprocess.DEVNULL,
        )
        return picture.read_text(encoding="utf-8")


if __name__ == "__main__":
    raise SystemExit(main())
