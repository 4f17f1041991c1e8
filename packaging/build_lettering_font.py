# SPDX-License-Identifier: GPL-3.0-or-later
"""Build the single-stroke lettering font, core/artwork/fonts/beamwright-stroke.ttf.

Blender and SVG renderers load outline fonts only. A pen stroke therefore becomes a closed
contour of no area that runs out and back along the same points; `core/artwork/lettering.py`
takes the first half of each. Needs fontTools (a build tool, not needed at run time)::

    python -m pip install fonttools
    python packaging/build_lettering_font.py

Glyph data: Newstroke, GPL-2.0-or-later, out of the PyPI wheel `gerbonara`, pinned by version
and hash. In it each character is a string of coordinate pairs, one byte a coordinate with the
letter R as zero, y downwards, the first pair the left and right bearing, and the pair blank-R
lifting the pen. Capitals are 21 units high. The output is the same, byte for byte, each time.
"""

from __future__ import annotations

import argparse
import re
import tempfile
import zipfile
from collections.abc import Iterator
from pathlib import Path

from fetch_usvg import download_wheel
from fontTools.fontBuilder import FontBuilder
from fontTools.pens.ttGlyphPen import TTGlyphPen

PACKAGE = "gerbonara"
VERSION = "1.5.0"
WHEEL_SHA256 = "6dfb7d6be49f081654fcc271161458aaeadbe19f9db23e57042eb3032570326b"
MEMBER = "gerbonara/data/newstroke_font.cpp"
TARGET = Path(__file__).resolve().parents[1] / "core" / "artwork" / "fonts"

FAMILY = "Beamwright Stroke"
UNITS_PER_EM = 1000
UNIT = 700 / 21  # font units for one unit of the glyph data: capitals 0.7 em high
BASELINE = 9
ORIGIN = ord("R")
PLACEHOLDER = "F^K[KFYFY[K["  # the box drawn for a character the data lack
CREATED = 3_786_825_600  # seconds since 1904: 2024-01-01, fixed so that the output is

RANGES = (
    (0x0020, 0x007E),  # ASCII
    (0x00A0, 0x024F),  # Latin-1, Latin Extended-A and -B
    (0x0250, 0x036F),  # phonetic, spacing modifiers, combining marks
    (0x0370, 0x052F),  # Greek, Cyrillic
    (0x1E00, 0x1FFF),  # Latin Extended Additional, Greek Extended
    (0x2000, 0x206F),  # punctuation
    (0x2070, 0x20CF),  # super- and subscripts, currency
    (0x2100, 0x22FF),  # letter-like, number forms, arrows, operators
    (0x25A0, 0x25FF),  # geometric shapes
    (0x3000, 0x30FF),  # punctuation and kana
)
BLANKS = {0x20, 0xA0, 0x3000, *range(0x2000, 0x200C), 0x202F, 0x205F}

Polyline = list[tuple[int, int]]


def read_glyphs(source: str) -> Iterator[tuple[int, str]]:
    """Yield (character code, glyph string): the strings count up from the blank."""
    code = 0x20
    for line in source[re.search(r"char.*\*", source).end() :].splitlines():
        if found := re.search(r'"(.*)"', line):
            yield code, found[1].replace("\\\\", "\\")
            code += 1
        elif "}" in line:
            return


def decode_glyph(text: str) -> tuple[int, list[Polyline]]:
    """Return the advance width and the pen strokes in font units, y upwards."""
    left, right = ord(text[0]) - ORIGIN, ord(text[1]) - ORIGIN
    strokes: list[Polyline] = []
    for part in text[2:].split(" R"):
        pairs = zip(part[::2], part[1::2], strict=True)
        points: Polyline = []
        for x, y in pairs:
            point = (
                round((ord(x) - ORIGIN - left) * UNIT),
                round((BASELINE - (ord(y) - ORIGIN)) * UNIT),
            )
            if not points or points[-1] != point:
                points.append(point)
        if len(points) == 1:  # a dot: one unit long
            points.append((points[0][0] + 1, points[0][1]))
        if points:
            strokes.append(points)
    return round((right - left) * UNIT), strokes


def draw(strokes: list[Polyline]):
    """Return the TrueType glyph: each stroke out, and back without the end points."""
    pen = TTGlyphPen(None)
    for points in strokes:
        pen.moveTo(points[0])
        for point in points[1:] + points[-2:0:-1]:
            pen.lineTo(point)
        pen.closePath()
    return pen.glyph(dropImpliedOnCurves=False)  # keep every point


def licence_text(source: str) -> str:
    """Return the notices at the head of the glyph data, comment signs removed."""
    notices = re.findall(r"/\*+(.*?)\*/", source[: source.index("#include")], re.S)
    lines = "\n".join(notices).splitlines()
    return "\n".join(re.sub(r"^ \* ?", "", line).rstrip() for line in lines).strip()


def build(source: str, target: Path) -> int:
    """Write the font and its licence into the folder `target`; return the glyph count."""
    glyphs = {".notdef": decode_glyph(PLACEHOLDER)}
    cmap: dict[int, str] = {}
    for code, text in read_glyphs(source):
        if not any(low <= code <= high for low, high in RANGES) or text == PLACEHOLDER:
            continue
        width, strokes = decode_glyph(text)
        if strokes or code in BLANKS:
            cmap[code] = f"uni{code:04X}"
            # The data give thin blanks no width of their own.
            glyphs[cmap[code]] = (width or round(0.3 * UNITS_PER_EM), strokes)
    builder = FontBuilder(UNITS_PER_EM, isTTF=True)
    builder.font.recalcTimestamp = False
    builder.setupGlyphOrder(list(glyphs))
    builder.setupCharacterMap(cmap)
    builder.setupGlyf({name: draw(strokes) for name, (_, strokes) in glyphs.items()})
    table = builder.font["glyf"]
    builder.setupHorizontalMetrics(
        {name: (width, getattr(table[name], "xMin", 0)) for name, (width, _) in glyphs.items()}
    )
    builder.setupHorizontalHeader(ascent=950, descent=-350)
    builder.setupNameTable(
        {
            "copyright": "Glyphs: Newstroke, copyright 2010 vladimir uryvaev, "
            "1992-2019 KiCad Developers",
            "familyName": FAMILY,
            "styleName": "Regular",
            "uniqueFontIdentifier": f"{FAMILY} 1.0",
            "fullName": FAMILY,
            "version": "Version 1.000",
            "psName": "BeamwrightStroke",
            "licenseDescription": "GNU General Public License, version 2 or (at your option) "
            "any later version; see beamwright-stroke-LICENSE.txt",
            "licenseInfoURL": "https://www.gnu.org/licenses/old-licenses/gpl-2.0.html",
        }
    )
    builder.setupOS2(
        sTypoAscender=950,
        sTypoDescender=-350,
        sTypoLineGap=0,
        usWinAscent=1200,
        usWinDescent=400,
        sCapHeight=700,
        sxHeight=467,
    )
    builder.setupPost(keepGlyphNames=False)
    builder.font["head"].created = builder.font["head"].modified = CREATED
    target.mkdir(parents=True, exist_ok=True)
    builder.save(target / "beamwright-stroke.ttf")
    heading = (
        f"{FAMILY} (beamwright-stroke.ttf)\n\nBuilt by packaging/build_lettering_font.py from "
        f"the Newstroke glyph data\n({MEMBER.rpartition('/')[2]} in the PyPI package {PACKAGE} "
        f"{VERSION}). The font is under the same licence:\nGNU General Public License, version "
        "2 or (at your option) any later version; see LICENSE at the\nroot for version 3. The "
        "ideographs mentioned below are not in the font.\n\nThe notices of the glyph data "
        "follow.\n\n" + "-" * 80 + "\n\n"
    )
    licence = target / "beamwright-stroke-LICENSE.txt"
    licence.write_text(heading + licence_text(source) + "\n", "utf-8")
    return len(glyphs)


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    parser.add_argument("--target", type=Path, default=TARGET)
    target = parser.parse_args().target
    with tempfile.TemporaryDirectory() as folder:
        wheel = download_wheel(PACKAGE, VERSION, WHEEL_SHA256, Path(folder))
        source = zipfile.ZipFile(wheel).read(MEMBER).decode("utf-8")
    print(build(source, target), "glyphs")
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
