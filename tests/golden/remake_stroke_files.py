# SPDX-License-Identifier: GPL-3.0-or-later
"""Write the golden files of `tests/core/test_stroke_files.py` and `test_tables.py` anew.

Run ``python tests/golden/remake_stroke_files.py`` from the checkout, then look at the changes.
"""

from __future__ import annotations

import sys
from pathlib import Path

HERE = Path(__file__).parent
sys.path[:0] = [str(HERE.parent), str(HERE.parent / "core")]

import test_stroke_files  # noqa: E402 - found through the path above
import test_tables  # noqa: E402 - found through the path above
from beamwright.core.output import stroke_json, svg  # noqa: E402
from beamwright.core.report import tables  # noqa: E402

TEXTS = {
    "strokes.svg": svg.dumps(test_stroke_files.PICTURE, test_stroke_files.PAGE),
    "strokes.json": stroke_json.dumps(test_stroke_files.PICTURE, test_stroke_files.PAGE),
    "report.json": tables.json_text(test_tables.REPORT),
    "report.csv": tables.csv_text(test_tables.REPORT),
    "report.txt": tables.summary(test_tables.REPORT),
}
for name, text in TEXTS.items():
    (HERE / name).write_text(text, "utf-8", newline="")
    print(HERE / name)
