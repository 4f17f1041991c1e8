# SPDX-License-Identifier: GPL-3.0-or-later
"""Draw the pictures of the sample scenes: the visible strokes of single frames, as SVG.

python docs/pictures/draw_samples.py
"""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

HERE = Path(__file__).resolve().parent
SCENES = HERE.parent.parent / "sample_scenes"
FRAMES = {"harbour": (25, 105), "lighthouse": (35, 70)}


def main() -> int:
    """Draw them with the installed command, and say which."""
    command = Path(sys.executable).with_name("beamwright")
    for scene, frames in FRAMES.items():
        for frame in frames:
            picture = HERE / f"{scene}-{frame:03d}.svg"
            blend = SCENES / f"{scene}.blend"
            subprocess.run(
                [command, "lines", blend, "--frame", str(frame), "--out", picture],
                check=True,
                stdin=subprocess.DEVNULL,
                stdout=subprocess.DEVNULL,
            )
            print(picture.name, flush=True)
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
