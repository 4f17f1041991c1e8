# SPDX-License-Identifier: GPL-3.0-or-later
"""Pages for the artwork tests: drawings of SVG features, and rasters to compare with."""

from __future__ import annotations

import struct
import zlib

import numpy as np
import pytest
import shapely
from beamwright.core.artwork.ink import ArtworkCache, clip_regions
from beamwright.core.artwork.regions import fill_regions
from beamwright.core.artwork.shapes import flatten
from beamwright.core.artwork.usvg import Usvg, usvg_missing

SVG = 'xmlns="http://www.w3.org/2000/svg" xmlns:xlink="http://www.w3.org/1999/xlink"'
STAR = "M100 20L147 165L24 75H176L53 165Z"


def wrap(body: str, head: str = 'width="200" height="200"') -> str:
    return f"<svg {SVG} {head}>{body}</svg>"


# Number, drawing, and the least share of inked pixels that agree with resvg.
# Those below 0.99 differ by design: one colour for a gradient, no masks, no patterns.
CASES = {
    "1 overlap": (wrap(
        '<rect x="20" y="30" width="110" height="90" fill="red" stroke="black" stroke-width="6"/>'
        '<circle cx="130" cy="120" r="50" fill="green" stroke="blue" stroke-width="8"/>'), 0.99),
    "2 hole by even-odd": (wrap(
        '<path fill-rule="evenodd" fill="navy" d="M20 20H180V180H20ZM60 60H140V140H60Z"/>'), 0.99),
    "3 hole by direction": (wrap(
        '<path fill="navy" d="M20 20H180V180H20ZM60 60V140H140V60Z"/>'), 0.99),
    "4 no hole": (wrap('<path fill="navy" d="M20 20H180V180H20ZM60 60H140V140H60Z"/>'), 0.99),
    "5 star, non-zero": (wrap(f'<path fill="teal" d="{STAR}"/>'), 0.99),
    "6 star, even-odd": (wrap(f'<path fill="teal" fill-rule="evenodd" d="{STAR}"/>'), 0.99),
    "7 style sheet": (wrap(
        "<style>.hull{fill:#a52}.sail{fill:none;stroke:#17d;stroke-width:5}g.sea rect{fill:#3bb}"
        '</style><path class="hull" d="M30 120H170L140 160H60Z"/>'
        '<path class="sail" d="M100 20V110L40 110Z"/>'
        '<g class="sea"><rect y="150" width="200" height="50"/></g>'), 0.99),
    "8 use": (wrap(
        '<defs><path id="gull" d="M0 10q10 -20 20 0q10 -20 20 0" fill="none" stroke="#333"/>'
        '<symbol id="buoy" viewBox="0 0 10 20"><circle cx="5" cy="5" r="5" fill="red"/>'
        '<rect x="4" y="8" width="2" height="12"/></symbol></defs>'
        '<use xlink:href="#gull" x="20" y="20"/>'
        '<use href="#gull" transform="translate(60 80) rotate(20) scale(2)"/>'
        '<use href="#buoy" x="120" y="110" width="40" height="80"/>'), 0.99),
    "9 clip path": (wrap(
        '<clipPath id="porthole"><circle cx="100" cy="100" r="60"/></clipPath>'
        '<g clip-path="url(#porthole)"><rect x="20" y="70" width="160" height="90" fill="#29c"/>'
        '<path d="M20 40L180 160" stroke="#e62" stroke-width="14"/></g>'), 0.99),
    "10 nested transforms": (wrap(
        '<g transform="translate(40 30)"><g transform="rotate(15) skewX(20)">'
        '<rect width="60" height="40" fill="#c3a"/><g transform="matrix(2 0 0 .7 30 60)">'
        '<rect width="40" height="60" fill="none" stroke="#222" stroke-width="6"/></g></g></g>'),
        0.78),
    "11 gradient": (wrap(
        '<linearGradient id="dusk"><stop offset="0" stop-color="red"/>'
        '<stop offset="1" stop-color="blue"/></linearGradient>'
        '<rect x="20" y="20" width="160" height="160" fill="url(#dusk)"/>'), 0.3),
    "12 opacity": (wrap(
        '<rect x="10" y="90" width="180" height="30" fill="black"/>'
        '<g opacity=".5"><circle cx="70" cy="100" r="50" fill="red"/></g>'
        '<circle cx="130" cy="100" r="50" fill="blue" fill-opacity=".3"/>'), 0.99),
    "14 hidden": (wrap(
        '<g style="display:none"><rect width="200" height="200" fill="red"/></g>'
        '<rect width="100" height="100" fill="blue" visibility="hidden"/>'
        '<rect x="60" y="60" width="80" height="80" fill="green"/>'), 0.99),
    "15 viewBox with negative origin": (wrap(
        '<circle r="30" fill="orange"/><rect x="20" y="20" width="60" height="60" fill="purple"/>',
        'width="200" height="200" viewBox="-50 -50 100 100"'), 0.99),
    "16 nested page": (wrap(
        '<svg x="50" y="60" width="100" height="80" viewBox="0 0 50 40">'
        '<rect x="-20" y="-20" width="60" height="45" fill="#585"/>'
        '<circle cx="45" cy="35" r="18" fill="#d55"/></svg>'), 0.99),
    "17 relative commands": (wrap(
        '<path fill="#88d" stroke="#114" stroke-width="3" d="m30 100a40 30 20 0 1 70 -10'
        't30 20q20 -30 40 0s-20 60 -50 50s-40 -20 -60 0z"/>'), 0.99),
    "18 inheritance": (wrap(
        '<g fill="gold" stroke="brown" stroke-width="6">'
        '<rect x="20" y="20" width="60" height="60"/>'
        '<g fill="none"><circle cx="130" cy="60" r="35"/>'
        '<rect x="40" y="110" width="120" height="60" stroke="teal"/></g></g>'), 0.99),
    "19 mask": (wrap(
        '<mask id="fog"><rect width="100" height="200" fill="white"/></mask>'
        '<g mask="url(#fog)"><rect x="20" y="20" width="160" height="160" fill="#c60"/></g>'), 0.4),
    "20 colours": (wrap(
        '<g color="rebeccapurple"><rect x="10" y="10" width="80" height="80" fill="currentColor"/>'
        '</g><rect x="110" y="10" width="80" height="80" fill="hsl(150,60%,40%)"/>'
        '<rect x="10" y="110" width="80" height="80" fill="rgb(80%,20%,10%)"/>'), 0.99),
    "21 dashes": (wrap(
        '<path d="M20 100H180" stroke="black" stroke-width="8" stroke-dasharray="20 10"/>'
        '<rect x="20" y="130" width="160" height="50" fill="#38a"/>'), 0.93),
    "22 basic shapes": (wrap(
        '<polygon points="20,20 80,30 50,80" fill="#a33"/>'
        '<polyline points="100,20 130,70 160,20 190,70" fill="none" stroke="#33a" '
        'stroke-width="4"/>'
        '<line x1="20" y1="100" x2="180" y2="110" stroke="#383" stroke-width="6"/>'
        '<ellipse cx="60" cy="150" rx="40" ry="25" fill="#882"/>'
        '<rect x="120" y="130" width="60" height="50" rx="15" fill="#288"/>'), 0.99),
    "23 percent and centimetres": (wrap(
        '<rect x="10%" y="20%" width="50%" height="30%" fill="#774"/>'
        '<circle cx="70%" cy="70%" r="1cm" fill="#447"/>'), 0.99),
    "24 layers of an editor": (
        f'<svg {SVG} xmlns:edit="http://example.org/editor" width="52.917mm" height="52.917mm" '
        'viewBox="0 0 52.917 52.917"><defs><clipPath id="c1"><path d="m 5,5 h 43 v 43 h -43 z"/>'
        '</clipPath></defs><g edit:groupmode="layer" edit:label="Harbour wall" id="layer1">'
        '<path style="fill:#665544;fill-opacity:1;stroke:#221100;stroke-width:1" '
        'd="m 4,30 c 8,-6 14,4 22,0 l 20,2 v 16 h -42 z"/></g>'
        '<g edit:groupmode="layer" edit:label="Notes" id="layer2" style="display:none">'
        '<rect width="50" height="50"/></g><g edit:label="Lamp" id="layer3" '
        'clip-path="url(#c1)"><path style="fill:#ffcc00" '
        'd="M 48,12 A 9,9 0 0 1 39,21 9,9 0 0 1 30,12 9,9 0 0 1 39,3 9,9 0 0 1 48,12 Z"/>'
        '</g></svg>',
        0.99),
    "25 shared selectors": (wrap(
        '<style type="text/css">.st0{clip-path:url(#window);}.st1{fill:#2B6A9B;}'
        ".st2{fill-rule:evenodd;clip-rule:evenodd;fill:#E0B050;}.st3,.st4{stroke:#402010;"
        'stroke-width:4;}.st4{fill:none;}</style><defs><rect id="frame" x="30" y="40" width="140" '
        'height="110"/></defs><clipPath id="window"><use xlink:href="#frame" '
        'style="overflow:visible;"/></clipPath><g class="st0"><circle class="st1" cx="60" cy="60" '
        'r="60"/><path class="st2" d="M90 70h90v90h-90zM110 90v40h40v-40z"/></g>'
        '<path class="st4" d="M20 180C60 150 140 210 180 170"/>'), 0.99),
    "26 symbols of an animation tool": (wrap(
        '<defs><g id="shape0"><path fill="#335577" d="M0 0Q20 -30 40 0 60 30 40 50 10 60 0 0Z"/>'
        '</g><path id="stroke0" fill="none" stroke="#ffaa00" stroke-width="2" '
        'd="M0 0Q20 -30 40 0 60 30 40 50"/><clipPath id="mask0"><rect width="60" height="40" '
        'y="-20"/></clipPath></defs><g transform=" matrix( 1.5, 0, 0, 1.5, 40, 60) ">'
        '<g clip-path="url(#mask0)"><use xlink:href="#shape0" transform="matrix(1 .2 -.2 1 0 0)"/>'
        '</g><use xlink:href="#stroke0" transform="matrix( 1 0 0 1 20 20 )"/></g>'), 0.98),
    "27 pattern": (wrap(
        '<pattern id="net" width="10" height="10" patternUnits="userSpaceOnUse">'
        '<rect width="5" height="10" fill="#383"/></pattern>'
        '<rect x="20" y="20" width="160" height="160" fill="url(#net)"/>'), 0.4),
    "28 entities": (
        '<!DOCTYPE svg PUBLIC "-//W3C//DTD SVG 1.1//EN" '
        '"http://www.w3.org/Graphics/SVG/1.1/DTD/svg11.dtd" [<!ENTITY ns '
        '"http://www.w3.org/2000/svg"><!ENTITY ink "#aa2244">]><svg xmlns="&ns;" width="200" '
        'height="200"><circle cx="100" cy="100" r="70" fill="&ink;"/></svg>', 0.99),
    "29 markers": (wrap(
        '<marker id="tip" viewBox="0 0 10 10" refX="5" refY="5" markerWidth="6" markerHeight="6" '
        'orient="auto"><path d="M0 0L10 5L0 10z"/></marker><path d="M30 150C60 20 140 20 160 120" '
        'fill="none" stroke="black" stroke-width="4" marker-end="url(#tip)"/>'), 0.99),
    "30 switch and link": (wrap(
        '<switch><g requiredExtensions="http://example.org/none"><rect width="200" height="200" '
        'fill="red"/></g><circle cx="70" cy="70" r="50" fill="#269"/></switch>'
        '<a xlink:href="http://example.org/"><rect x="110" y="110" width="70" height="70" '
        'fill="#962"/></a>'), 0.99),
    "31 letterboxed": (wrap(
        '<rect width="400" height="400" fill="#cde"/>'
        '<circle cx="200" cy="200" r="150" fill="#246"/>',
        'width="100" height="200" viewBox="0 0 400 400"'), 0.99),
}  # fmt: skip
# Case 13, text, is in test_svg.py: set in the lettering font it has no area to compare.


@pytest.fixture(scope="session")
def usvg(tmp_path_factory):
    """The SVG preprocessor, or a skip that says what is missing."""
    if reason := usvg_missing():
        pytest.skip(reason)
    # One folder for all modules: the program is compiled once in a run of the tests.
    with Usvg(tmp_path_factory.getbasetemp() / "usvg") as program:
        yield program


def resvg(svg: str, zoom: float = 2.0) -> np.ndarray:
    """Render with resvg on white, (h, w, 3) int."""
    renderer = pytest.importorskip("resvg_py", reason="rasters to compare with need resvg_py")
    return png_pixels(
        renderer.svg_to_bytes(
            svg_string=svg, background="#ffffff", zoom=zoom, dpi=96.0, skip_system_fonts=True
        )
    )


def png_pixels(content: bytes) -> np.ndarray:
    """Decode an 8-bit RGBA or RGB PNG without interlacing (ISO/IEC 15948), (h, w, 3) int."""
    assert content[:8] == b"\x89PNG\r\n\x1a\n"
    place, packed = 8, b""
    width = height = channels = 0
    while place < len(content):
        size, kind = struct.unpack_from(">I4s", content, place)
        chunk = content[place + 8 : place + 8 + size]
        if kind == b"IHDR":
            width, height, depth, colour, _, _, interlaced = struct.unpack(">IIBBBBB", chunk)
            assert (depth, interlaced) == (8, 0)
            channels = {2: 3, 6: 4}[colour]
        elif kind == b"IDAT":
            packed += chunk
        place += size + 12
    raw = np.frombuffer(zlib.decompress(packed), np.uint8).reshape(height, -1)
    rows = np.zeros((height, width, channels), np.uint8)
    above = rows[0]
    for y in range(height):
        row, method = raw[y, 1:].reshape(width, channels), raw[y, 0]
        if method == 1:
            row = np.cumsum(row, axis=0, dtype=np.uint8)
        elif method == 2:
            row = row + above
        elif method in (3, 4):
            row = _unfiltered(row, above, method)
        rows[y] = above = row
    return rows[..., :3].astype(np.int64)


def _unfiltered(row: np.ndarray, above: np.ndarray, method: int) -> np.ndarray:
    """Undo the filters that need the byte to the left: 3 is the average, 4 Paeth."""
    channels = row.shape[1]
    result = np.empty_like(row)
    for channel in range(channels):
        left = corner = 0
        line = []
        for byte, up in zip(row[:, channel].tolist(), above[:, channel].tolist(), strict=True):
            if method == 3:
                guess = (left + up) // 2
            else:
                a, b = abs(up - corner), abs(left - corner)
                c = abs(left + up - 2 * corner)
                guess = left if a <= b and a <= c else up if b <= c else corner
            left, corner = (byte + guess) & 255, up
            line.append(left)
        result[:, channel] = line
    return result


def page_svg(page, tolerance: float = 0.02) -> str:
    """Write a page's regions and centre lines back as plain polygons and polylines."""
    points, offsets = flatten(page.knots, page.contour_offsets, page.contour_closed, tolerance)
    regions = fill_regions(
        np.round(points / page.grid) * page.grid, offsets, page.shape_offsets, page.even_odd
    )
    clips = clip_regions(page, tolerance, ArtworkCache())
    shift = np.array([page.width, page.height]) / 2.0

    def ring(points):
        return "M" + "L".join(f"{x:.4f} {y:.4f}" for x, y in points * [1, -1] + shift)

    def area(region):
        rings = [r for p in shapely.get_parts(region) for r in shapely.get_rings(p)]
        return "".join(ring(shapely.get_coordinates(r)) + "Z" for r in rings)

    body = [
        f'<clipPath id="c{i}"><path clip-rule="evenodd" d="{area(clip)}"/></clipPath>'
        for i, clip in enumerate(clips)
    ]

    def paint(kind, rgba):
        colour = "".join(f"{round(255 * c):02x}" for c in rgba[:3])
        return f'{kind}="#{colour}" {kind}-opacity="{rgba[3]:.4f}"'

    for i in range(len(page)):
        clip = f' clip-path="url(#c{page.clip[i]})"' if page.clip[i] >= 0 else ""
        body.append(f"<g{clip}>")
        if page.fill[i, 3] > 0:
            body.append(
                f'<path fill-rule="evenodd" {paint("fill", page.fill[i])} d="{area(regions[i])}"/>'
            )
        if page.stroke[i, 3] > 0:
            first, last = page.shape_offsets[i], page.shape_offsets[i + 1]
            lines = "".join(
                ring(points[offsets[k] : offsets[k + 1]]) + ("Z" if page.contour_closed[k] else "")
                for k in range(first, last)
            )
            body.append(
                f'<path fill="none" {paint("stroke", page.stroke[i])} '
                f'stroke-width="{page.line_width[i]:.4f}" d="{lines}"/>'
            )
        body.append("</g>")
    return wrap("".join(body), f'width="{page.width:g}" height="{page.height:g}"')


def agreement(ours: np.ndarray, truth: np.ndarray) -> float:
    """Share of the pixels inked in either raster whose channels differ by less than 48."""
    assert ours.shape == truth.shape
    inked = np.any((ours < 250) | (truth < 250), axis=2)
    close = np.abs(ours - truth).max(axis=2) < 48
    return float(close[inked].mean()) if inked.any() else 1.0


def painter_svg(page, tolerance: float = 0.02, pixels: float = 800.0) -> str:
    """Write a page as a painter would paint its lines: each shape's region in white over what
    is there, then its line in black two pixels wide.

    Independent of the occlusion under test: whatever is hidden is painted over.
    """
    points, offsets = flatten(page.knots, page.contour_offsets, page.contour_closed, tolerance)
    regions = fill_regions(
        np.round(points / page.grid) * page.grid, offsets, page.shape_offsets, page.even_odd
    )
    clips = clip_regions(page, tolerance, ArtworkCache())
    shift = np.array([page.width, page.height]) / 2.0
    width = 2.0 * max(page.width, page.height) / pixels

    def ring(points):
        return "M" + "L".join(f"{x:.4f} {y:.4f}" for x, y in points * [1, -1] + shift)

    def area(region):
        rings = [r for p in shapely.get_parts(region) for r in shapely.get_rings(p)]
        return "".join(ring(shapely.get_coordinates(r)) + "Z" for r in rings)

    body = [
        f'<clipPath id="c{i}"><path clip-rule="evenodd" d="{area(clip)}"/></clipPath>'
        for i, clip in enumerate(clips)
    ]
    for i in range(len(page)):
        clip = f' clip-path="url(#c{page.clip[i]})"' if page.clip[i] >= 0 else ""
        first, last = page.shape_offsets[i], page.shape_offsets[i + 1]
        centre = "".join(ring(points[offsets[k] : offsets[k + 1]]) for k in range(first, last))
        outline = area(regions[i])
        body.append(f"<g{clip}>")
        if page.fill[i, 3] >= 0.5:
            body.append(f'<path fill-rule="evenodd" fill="white" d="{outline}"/>')
        line = centre if page.stroke[i, 3] > 0 else outline if page.fill[i, 3] > 0 else ""
        body.append(
            f'<path fill="none" stroke="black" stroke-width="{width:.5f}" stroke-linejoin="round" '
            f'd="{line}"/></g>'
        )
    return wrap("".join(body), f'width="{page.width:g}" height="{page.height:g}"')


def line_errors(picture: np.ndarray, page, lines, reach: float = 3.0) -> tuple[float, float]:
    """Share of the painter's black pixels no line of ours is near, and of our lines' length
    with no black near; near is within `reach` pixels."""
    height, width = picture.shape[:2]
    scale = width / page.width
    black = picture.max(axis=2) < 100
    samples = [
        np.column_stack([np.interp(at, along, xy[:, k]) for k in (0, 1)])
        for i in range(len(lines))
        for xy in [lines.points[lines.offsets[i] : lines.offsets[i + 1]]]
        for along in [np.concatenate([[0], np.cumsum(np.hypot(*np.diff(xy, axis=0).T))])]
        for at in [np.linspace(0, along[-1], max(2, int(along[-1] * scale)))]
    ]
    ours = np.concatenate(samples) if samples else np.empty((0, 2))
    ours = (ours * [1, -1] + np.array([page.width, page.height]) / 2.0) * scale
    there = np.argwhere(black)[:, ::-1] + 0.5

    def alone(points, others):
        if len(points) == 0:
            return 0.0
        if len(others) == 0:
            return 1.0
        tree = shapely.STRtree(shapely.points(others))
        near, _ = tree.query(shapely.points(points), predicate="dwithin", distance=reach)
        return 1.0 - len(np.unique(near)) / len(points)

    # The picture's edge may cut a line's pixels, and our lines are cropped there.
    inner = np.all((there > reach) & (there < [width - reach, height - reach]), axis=1)
    return alone(there[inner], ours), alone(ours, there)
