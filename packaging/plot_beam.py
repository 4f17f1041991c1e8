# SPDX-License-Identifier: GPL-3.0-or-later
"""Plot wanted, commanded and simulated beam of a small drawing as an SVG.

python packaging/plot_beam.py docs/pictures/beam.svg

Two panels, planned and simple placement at nearly the same simulated error, each with a corner
enlarged. Every number in the picture is measured when it is drawn.
"""

from __future__ import annotations

import argparse
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Literal

import numpy as np
from beamwright.core.frame import Frame
from beamwright.core.points.plan import SHORTEST_FRAME_S, plan_strokes
from beamwright.core.points.projector import GENERIC_PROFILES, Aim, Projector
from beamwright.core.points.scanner import Beam, picture_error, simulate
from beamwright.core.strokes import Strokes
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]

PROFILE = GENERIC_PROFILES["30 kpps"]
ERROR_FIELD = 0.01
TOLERANCES = np.geomspace(0.001, 0.03, 69)

WIDTH, HEIGHT = 1000, 640
PANEL = 470
TOP = 92
FIELD_HALF = 0.86
INSET_HALF = 0.055
INSET = 150

INK, GREY = "#1f2328", "#57606a"
WANTED, LIT, MOVE, BEAM = "#b8bfc7", "#0b5cad", "#8250df", "#c2410c"


def sailing_boat() -> Strokes:
    """A boat on waves, gulls and a star: sharp corners, curves, and jumps between them."""
    angle = np.linspace(np.pi, 2.0 * np.pi, 25)
    keel = np.stack([0.02 + 0.6 * np.cos(angle), -0.36 + 0.22 * np.sin(angle)], axis=1)
    hull = np.concatenate([keel, [[0.72, -0.24], [-0.70, -0.24]], keel[:1]])
    sail = np.array([[0.0, -0.12], [0.0, 0.74], [0.50, -0.02], [0.0, -0.12]])
    jib = np.array([[-0.06, 0.46], [-0.06, -0.12], [-0.42, -0.06], [-0.06, 0.46]])
    turn = np.pi / 2.0 + np.arange(11) * np.pi / 5.0
    reach = np.where(np.arange(11) % 2 == 0, 0.16, 0.07)
    star = np.stack([-0.56 + reach * np.cos(turn), 0.62 + reach * np.sin(turn)], axis=1)
    star[-1] = star[0]
    wing = np.linspace(0.0, np.pi, 9)
    half = np.stack([0.1 * wing / np.pi, 0.045 * np.sin(wing)], axis=1)
    gull = np.concatenate([half * [-1.0, 1.0], half])
    gull[:9] = gull[8::-1]
    gulls = [gull[np.arange(18) != 8] + place for place in ([-0.70, 0.26], [-0.48, 0.36])]
    along = np.linspace(-0.76, 0.76, 61)
    waves = np.stack([along, -0.70 + 0.035 * np.abs(np.sin(along * 5.0 * np.pi))], axis=1)
    return Strokes.from_polylines([hull, sail, jib, star, *gulls, waves])


CORNER = (0.50, -0.02)
"""Of the sail; both panels enlarge it."""


@dataclass(frozen=True, eq=False)
class Drawn:
    frame: Frame
    beam: Beam
    error: float
    rounding: float


def fewest_points(strokes: Strokes, placement: Literal["planned", "simple"]) -> Drawn:
    """Place with the tolerance that needs the fewest points within `ERROR_FIELD`."""
    best: Drawn | None = None
    for tolerance in TOLERANCES.tolist():
        projector = Projector(
            profile=replace(PROFILE, tolerance_field=tolerance),
            target_refresh_hz=1.0,  # no budget binds
            aim=Aim(scale_x=1.0, scale_y=1.0),
            placement=placement,
        )
        frame = plan_strokes(strokes, [], projector).frame
        beam = simulate(frame, PROFILE, substeps=8)
        error = picture_error(beam, strokes)
        if error.quantile_99 <= ERROR_FIELD and (best is None or len(frame) < len(best.frame)):
            best = Drawn(frame, beam, error.quantile_99, error.corner_rounding)
    if best is None:
        raise RuntimeError(f"no tolerance reaches an error of {ERROR_FIELD:g} field units")
    if best.frame.duration_s <= SHORTEST_FRAME_S:
        raise RuntimeError("the drawing is too small: its frame is stretched, not placed")
    return best


class Canvas:
    """Maps a square of the field onto a square of the page and draws into it."""

    def __init__(
        self, left: float, top: float, size: float, centre: tuple[float, float], half: float
    ) -> None:
        self._origin = np.array([left + size / 2.0, top + size / 2.0])
        self._scale = np.array([1.0, -1.0]) * size / (2.0 * half)
        self._centre = np.array(centre)
        self._half = half

    def page(self, xy: FloatArray) -> FloatArray:
        result: FloatArray = self._origin + (xy - self._centre) * self._scale
        return result

    def lines(self, runs: Sequence[FloatArray], style: str) -> str:
        path = "".join(
            "M" + "L".join(f"{x:.1f} {y:.1f}" for x, y in self.page(run).tolist()) for run in runs
        )
        return f'<path d="{path}" fill="none" {style}/>'

    def dots(self, xy: FloatArray, radius: float, style: str) -> str:
        return "".join(
            f'<circle cx="{x:.1f}" cy="{y:.1f}" r="{radius:g}" {style}/>'
            for x, y in self.page(xy[self._near(xy)]).tolist()
        )

    def _near(self, xy: FloatArray) -> NDArray[np.bool_]:
        """Leave out what a clipped inset hides anyway."""
        result: NDArray[np.bool_] = np.all(np.abs(xy - self._centre) < 1.2 * self._half, axis=1)
        return result


def runs_of(xy: FloatArray, chosen: NDArray[np.bool_]) -> list[FloatArray]:
    """Return the looped path's pieces whose steps from row to next row are chosen."""
    count = len(xy)
    if chosen.all():
        return [np.concatenate([xy, xy[:1]])]
    first = int(np.flatnonzero(~chosen)[0])
    order = (np.arange(count) + first) % count
    steps = chosen[order].astype(np.int8)
    edges = np.diff(np.concatenate([[0], steps, [0]]))
    begins, ends = np.flatnonzero(edges == 1), np.flatnonzero(edges == -1)
    return [
        xy[(first + np.arange(begin, end + 1)) % count]
        for begin, end in zip(begins.tolist(), ends.tolist(), strict=True)
    ]


def layers(canvas: Canvas, strokes: Strokes, drawn: Drawn, zoom: float) -> str:
    """Draw wanted strokes, blank moves, simulated beam and commanded points."""
    frame, beam = drawn.frame, drawn.beam
    lit_beam = beam.lit & np.roll(beam.lit, -1)
    to_blanked = np.roll(frame.blanked, -1)
    wanted = [strokes.polyline(row) for row in range(len(strokes))]
    wide = 'stroke-linejoin="miter" stroke-miterlimit="3"'
    return "\n".join(
        [
            canvas.lines(wanted, f'stroke="{WANTED}" stroke-width="{6.0 * zoom:g}" {wide}'),
            canvas.lines(
                runs_of(frame.xy, to_blanked),
                f'stroke="{MOVE}" stroke-width="1" stroke-dasharray="5 4"',
            ),
            canvas.dots(frame.xy[frame.blanked], 1.7 * zoom, f'fill="#ffffff" stroke="{MOVE}"'),
            canvas.lines(
                runs_of(beam.xy, lit_beam), f'stroke="{BEAM}" stroke-width="{1.5 * zoom:g}"'
            ),
            canvas.dots(frame.xy[~frame.blanked], 2.0 * zoom, f'fill="{LIT}"'),
        ]
    )


def text(x: float, y: float, content: str, size: int = 15, style: str = "") -> str:
    return f'<text x="{x:g}" y="{y:g}" font-size="{size}" fill="{INK}" {style}>{content}</text>'


def panel(left: float, name: str, strokes: Strokes, drawn: Drawn) -> str:
    """Draw one placement with its caption and its enlarged corner."""
    canvas = Canvas(left, TOP, PANEL, (0.0, 0.06), FIELD_HALF)
    inset_left, inset_top = left + PANEL - INSET - 8, TOP + 14
    inset = Canvas(inset_left, inset_top, INSET, CORNER, INSET_HALF)
    mark = 2.0 * INSET_HALF * PANEL / (2.0 * FIELD_HALF)
    x, y = (canvas.page(np.array(CORNER)) - mark / 2.0).tolist()
    clip = f"inset-{name}"
    frame = drawn.frame
    figures = (
        f"{len(frame)} points, {frame.refresh_hz:.0f} pictures a second",
        f"error {drawn.error:.4f} (99th percentile); corners missed by {drawn.rounding:.4f}",
    )
    return "\n".join(
        [
            text(left + 4, TOP - 10, f"{name} placement", 18, 'font-weight="bold"'),
            layers(canvas, strokes, drawn, 1.0),
            f'<rect x="{x:.1f}" y="{y:.1f}" width="{mark:.1f}" height="{mark:.1f}" '
            f'fill="none" stroke="{INK}"/>',
            f'<path d="M{x + mark:.1f} {y:.1f}L{inset_left + INSET} {inset_top + INSET}" '
            f'stroke="{GREY}" fill="none"/>',
            f'<clipPath id="{clip}"><rect x="{inset_left}" y="{inset_top}" width="{INSET}" '
            f'height="{INSET}"/></clipPath>',
            f'<rect x="{inset_left}" y="{inset_top}" width="{INSET}" height="{INSET}" '
            'fill="#ffffff"/>',
            f'<g clip-path="url(#{clip})">{layers(inset, strokes, drawn, 1.7)}</g>',
            f'<rect x="{inset_left}" y="{inset_top}" width="{INSET}" height="{INSET}" '
            f'fill="none" stroke="{INK}"/>',
            text(left + 4, TOP + PANEL + 8, figures[0], 16, 'font-weight="bold"'),
            text(left + 4, TOP + PANEL + 30, figures[1]),
        ]
    )


def legend() -> str:
    y = 34
    return "\n".join(
        [
            f'<path d="M24 {y}h40" stroke="{WANTED}" stroke-width="6"/>',
            text(72, y + 5, "wanted"),
            "".join(f'<circle cx="{x}" cy="{y}" r="2.6" fill="{LIT}"/>' for x in (160, 173, 186)),
            text(198, y + 5, "commanded points, lit"),
            f'<path d="M376 {y}h44" stroke="{MOVE}" stroke-dasharray="5 4"/>',
            "".join(
                f'<circle cx="{x}" cy="{y}" r="2.4" fill="#ffffff" stroke="{MOVE}"/>'
                for x in (384, 398, 412)
            ),
            text(428, y + 5, "commanded points, dark"),
            f'<path d="M630 {y}h40" stroke="{BEAM}" stroke-width="2.2"/>',
            text(678, y + 5, "simulated beam, as the audience sees it"),
        ]
    )


def picture() -> str:
    """Return the SVG."""
    strokes = sailing_boat()
    planned, simple = fewest_points(strokes, "planned"), fewest_points(strokes, "simple")
    caption = (
        f"Scanners rated {PROFILE.rated_rate_hz:,.0f} points a second at "
        f"{PROFILE.rated_angle_deg:g}°, {PROFILE.field_deg:g}° field, half of it is 1 field unit. "
        f"Fewest points for an error up to {ERROR_FIELD:g} field units."
    )
    return "\n".join(
        [
            f'<svg xmlns="http://www.w3.org/2000/svg" width="{WIDTH}" height="{HEIGHT}" '
            f'viewBox="0 0 {WIDTH} {HEIGHT}" role="img" '
            'font-family="DejaVu Sans, Verdana, Helvetica, Arial, sans-serif">',
            "<!-- SPDX-License-Identifier: GPL-3.0-or-later -->",
            "<title>Wanted, commanded and simulated beam</title>",
            f'<rect width="{WIDTH}" height="{HEIGHT}" fill="#ffffff"/>',
            legend(),
            panel(20, "Planned", strokes, planned),
            panel(510, "Simple", strokes, simple),
            text(24, HEIGHT - 18, caption, 14),
            "</svg>\n",
        ]
    )


def main(arguments: Sequence[str] | None = None) -> int:
    """Draw it, and say where it is."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else None)
    parser.add_argument("out", type=Path, help="SVG file to be written")
    options = parser.parse_args(arguments)
    content = picture()
    unfinished = options.out.with_name(options.out.name + ".part")
    unfinished.write_text(content, encoding="utf-8")
    unfinished.replace(options.out)
    print(options.out)
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
