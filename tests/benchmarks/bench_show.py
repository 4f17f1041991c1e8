# SPDX-License-Identifier: GPL-3.0-or-later
"""A whole show: one process and two, and again with one strip moved."""

from __future__ import annotations

import subprocess
import sys
import tempfile
import time
from pathlib import Path

from rows import row

SHOW = Path(__file__).resolve().parents[2] / "sample_scenes" / "harbour_show.blend"
PROGRAM = "import sys; from beamwright.addon.command import main; sys.exit(main())"
MOVE = """
import sys, bpy
from beamwright import addon
addon.register_headless()
bpy.ops.wm.open_mainfile(filepath=sys.argv[1])
show = bpy.data.scenes["Harbour Show"]
strip = show.sequence_editor.strips["Title"]
strip.channel = strip.channel + 1
show.beamwright_show.assign(strip.channel, "Lettering")
show.timeline_markers[0].frame += 5
bpy.ops.wm.save_as_mainfile(filepath=sys.argv[2])
addon.unregister_headless()
"""


def seconds(*arguments: object) -> float:
    """Run the program; return how long it took."""
    start = time.perf_counter()
    command = [sys.executable, "-c", PROGRAM, "render", *map(str, arguments)]
    subprocess.run(command, check=True, capture_output=True)
    return time.perf_counter() - start


def rows(quick: bool) -> list[dict]:
    """Measure."""
    frames = ("--frames", "1-120") if quick else ()
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        moved = folder / "moved.blend"
        subprocess.run(
            [sys.executable, "-c", MOVE, str(SHOW), str(moved)], check=True, capture_output=True
        )
        one = seconds(SHOW, "--out", folder / "1", "--cache", folder / "c1", *frames)
        two = seconds(SHOW, "--out", folder / "2", "--cache", folder / "c2", "--jobs", 2, *frames)
        again = seconds(moved, "--out", folder / "3", "--cache", folder / "c1", *frames)
    return [
        row("show", "two processes against one", two, one, unit="s", target=1.8),
        row("show", "one strip moved against the first render", again, one, unit="s", target=50.0),
    ]
