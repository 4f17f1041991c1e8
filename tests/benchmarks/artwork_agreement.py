# SPDX-License-Identifier: GPL-3.0-or-later
"""Compare what is read of real SVG files with resvg, pixel by pixel, and count exceptions.

    python tests/benchmarks/artwork_agreement.py [--each 120] [--folder FOLDER]

Fetches four open sets by name with `npm pack` into the folder, unless they are there: openmoji
(CC BY-SA 4.0), @twemoji/svg (graphics CC BY 4.0), @iconify-json/noto (Apache-2.0),
@iconify-json/fluent-emoji-flat (MIT). Nothing of them is kept in the repository. Needs
`wasmtime`, `resvg_py` and Pillow.

Ends, joins and dashes of strokes are taken out of the files first: lines of light have none,
and `Page` does not keep them. For each file it gives the share of inked pixels that agree, and
how far the visible lines are from the edges of a painter's picture: white fills, black lines of
two pixels, drawn bottom to top. Missed lines are black in the picture and nowhere near a line
of ours; extra lines are ours and nowhere near black.
"""

from __future__ import annotations

import argparse
import io
import json
import random
import re
import subprocess
import sys
import tarfile
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path
from xml.etree import ElementTree

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "core"))

from artwork_pages import agreement, line_errors, page_svg, painter_svg
from beamwright.core.artwork.occlusion import visible_lines
from beamwright.core.artwork.shapes import Page
from beamwright.core.artwork.svg import read_svg
from beamwright.core.artwork.usvg import Usvg

SETS = {
    "openmoji": ("openmoji@17.0.0", "color/svg/"),
    "twemoji": ("@twemoji/svg@15.0.0", ""),
    "noto": ("@iconify-json/noto@1.2.9", "icons.json"),
    "fluent": ("@iconify-json/fluent-emoji-flat@1.2.6", "icons.json"),
}


STROKE_ENDS = re.compile(
    r"""\sstroke-(linecap|linejoin|miterlimit|dasharray|dashoffset)=("[^"]*"|'[^']*')"""
    r"""|(?<=[;"'])\s*stroke-(linecap|linejoin|miterlimit|dasharray|dashoffset):[^;"']*;?"""
)


def archive(package: str, folder: Path) -> Path:
    """Return the package's archive, fetched where it is not there yet."""
    stem = package.lstrip("@").replace("/", "-").rpartition("@")[0]
    found = sorted(folder.glob(f"{stem}-*.tgz"))
    if found:
        return found[-1]
    subprocess.run(["npm", "pack", "--silent", package], cwd=folder, check=True)
    return sorted(folder.glob(f"{stem}-*.tgz"))[-1]


def drawings(name: str, folder: Path, count: int) -> Iterator[tuple[str, str]]:
    """Yield name and source of some drawings of a set, always the same."""
    package, inside = SETS[name]
    with tarfile.open(archive(package, folder)) as tar:
        if inside == "icons.json":
            member = tar.extractfile("package/icons.json")
            assert member is not None
            icons = json.load(member)
            width, height = icons.get("width", 16), icons.get("height", 16)
            for icon in random.Random(7).sample(sorted(icons["icons"]), count):
                entry = icons["icons"][icon]
                size = entry.get("width", width), entry.get("height", height)
                yield (
                    icon,
                    (
                        '<svg xmlns="http://www.w3.org/2000/svg" xmlns:xlink='
                        f'"http://www.w3.org/1999/xlink" width="{size[0]}" height="{size[1]}" '
                        f'viewBox="0 0 {size[0]} {size[1]}">{entry["body"]}</svg>'
                    ),
                )
        else:
            names = sorted(m for m in tar.getnames() if m.endswith(".svg") and inside in m)
            for member_name in random.Random(7).sample(names, count):
                member = tar.extractfile(member_name)
                assert member is not None
                yield Path(member_name).stem, member.read().decode("utf-8")


def pixels(svg: str, size: int) -> np.ndarray:
    import resvg_py
    from PIL import Image

    png = resvg_py.svg_to_bytes(
        svg_string=svg, background="#ffffff", width=size, height=size, dpi=96.0,
        skip_system_fonts=True,
    )  # fmt: skip
    return np.asarray(Image.open(io.BytesIO(png)).convert("RGB")).astype(np.int64)


def without_gradients(simplified: bytes) -> str:
    """Give all stops of each gradient their mean, as a page does, which knows one colour."""
    root = ElementTree.fromstring(simplified)
    for element in root.iter():
        stops = [child for child in element if child.tag.endswith("stop")]
        if not stops:
            continue
        values = [
            [
                *bytes.fromhex(stop.get("stop-color", "#000000")[1:]),
                float(stop.get("stop-opacity", "1")),
            ]
            for stop in stops
        ]
        *colour, alpha = np.mean(values, axis=0)
        for stop in stops:
            stop.set("stop-color", "#" + "".join(f"{round(c):02x}" for c in colour))
            stop.set("stop-opacity", str(alpha))
    return ElementTree.tostring(root, encoding="unicode")


def cause(page: Page, source: str, program: Usvg, size: int) -> str:
    """Say why a drawing differs: what is left without gradients, and in a raster 4 times finer.

    The renderer grades an edge in quarters, which alone is more than the difference allowed.
    """
    simplified, _ = program.run(source.encode(), "page")

    def fine(svg: str) -> np.ndarray:
        return pixels(svg, 4 * size).reshape(size, 4, size, 4, 3).mean(axis=(1, 3))

    ours = page_svg(page, max(page.width, page.height) / 20000.0)
    flat = without_gradients(simplified)
    plain = agreement(pixels(ours, size), pixels(flat, size))
    return f"without gradients {plain:.4f}, finer {agreement(fine(ours), fine(flat)):.4f}"


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    parser.add_argument("--each", type=int, default=120, help="files of each set")
    parser.add_argument("--folder", type=Path, help="where the archives are, or go")
    parser.add_argument("--size", type=int, default=400, help="pixels of the rasters")
    chosen = parser.parse_args()
    folder = chosen.folder or Path(tempfile.mkdtemp())
    everything: list[float] = []
    with Usvg() as program:
        for name in SETS:
            shares, missed, extra, times, odd = [], [], [], [], []
            for drawing, source in drawings(name, folder, chosen.each):
                source = STROKE_ENDS.sub("", source)
                start = time.perf_counter()
                page = read_svg(source.encode(), program, name=drawing)
                tolerance = max(page.width, page.height) / 8000.0
                lines = visible_lines(page, tolerance)
                times.append(time.perf_counter() - start)
                share = agreement(
                    pixels(page_svg(page, tolerance), chosen.size), pixels(source, chosen.size)
                )
                shares.append(share)
                picture = pixels(painter_svg(page, tolerance), 2 * chosen.size)
                errors = line_errors(picture, page, lines)
                missed.append(errors[0])
                extra.append(errors[1])
                if share < 0.99 or errors[0] > 0.005:
                    why = "; ".join(w.partition(": ")[2] for w in page.warnings)
                    why = f"{cause(page, source, program, chosen.size)} {why}"
                    odd.append(f"    {drawing}: {share:.4f}, missed {errors[0]:.4f}; {why}")
            everything += shares
            print(
                f"{name}: {len(shares)} files, agreement median {np.median(shares):.5f}, mean "
                f"{np.mean(shares):.5f}, least {min(shares):.4f}; lines missed mean "
                f"{np.mean(missed):.5f}, most {max(missed):.4f}; extra mean {np.mean(extra):.5f}, "
                f"most {max(extra):.4f}; {1e3 * np.median(times):.1f} ms a file",
                flush=True,
            )
            print("\n".join(odd), flush=True)
    print(f"all: {len(everything)} files, median {np.median(everything):.5f}")
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
