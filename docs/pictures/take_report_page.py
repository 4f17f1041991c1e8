# SPDX-License-Identifier: GPL-3.0-or-later
"""Take the picture of a report page: ``python docs/pictures/take_report_page.py REPORT.html``.

Needs Chromium. Shows the moment three fifths into the render.
"""

from __future__ import annotations

import sys
from pathlib import Path

HERE = Path(__file__).resolve().parent
sys.path.insert(0, str(HERE.parents[1] / "tests"))

from browser import Browser  # noqa: E402 - the folder of the tests is no package

PICTURE = HERE / "report_page.png"


def main(page: Path) -> None:
    with Browser(1280, 1240) as browser:
        browser.open(page)
        browser.wait_for("document.documentElement.dataset.stills === 'drawn'")
        browser.click("#scrub", 0.6)
        browser.evaluate("document.activeElement.blur(); scrollTo(0, 0)")
        browser.screenshot(PICTURE)
    print(PICTURE)


if __name__ == "__main__":
    main(Path(sys.argv[1]))
