# SPDX-License-Identifier: GPL-3.0-or-later
"""Draw the gull sequence: 48 small SVG pages of a gull flying past the moon, in a loop.

    python sample_scenes/artwork/build_gull.py

Writes gull_0001.svg … gull_0048.svg beside this file. Two seconds at 24 frames a second, three
wing beats; the first frame follows on the last. Far wing, body and near wing are groups, so
that they arrive as layers.
"""

from __future__ import annotations

import math
from pathlib import Path

FRAMES = 48
BEATS = 3
WIDTH, HEIGHT = 1280, 720

PAPER, SHADE, TIP, BILL, MOON = "#f4f8ff", "#a8bcd8", "#4c6088", "#ffb030", "#ffe9a0"


def path(points: str, fill: str, identifier: str = "") -> str:
    name = f' id="{identifier}"' if identifier else ""
    return f'<path{name} fill="{fill}" d="{points}"/>'


def curve(*points: tuple[float, float]) -> str:
    """Write a start point and cubic pieces."""
    pairs = [f"{x:.1f} {y:.1f}" for x, y in points]
    pieces = [" ".join(pairs[i : i + 3]) for i in range(1, len(pairs), 3)]
    return f"M{pairs[0]}" + "".join(f"C{piece}" for piece in pieces) + "Z"


def wing(beat: float, side: float, fill: str) -> str:
    """Return a wing with its shoulder at 0, 0: an arm, and a hand that follows it later.

    Seen from a little ahead and above: what reaches towards the viewer (side 1) runs back and
    down the page, what reaches away (side -1) the other way.
    """
    out = (-0.50 * side, 0.34 * side)

    def reach(length: float, elevation: float) -> tuple[float, float]:
        flat, up = length * math.cos(elevation), length * math.sin(elevation)
        return (flat * out[0], flat * out[1] - up)

    arm = reach(122.0, math.radians(16.0 + 40.0 * math.sin(beat)))
    hand = reach(168.0, math.radians(8.0 + 58.0 * math.sin(beat - 0.85)))
    tip = (arm[0] + hand[0] - 66.0, arm[1] + hand[1])

    def on_arm(share: float, x: float, y: float = 0.0) -> tuple[float, float]:
        return (share * arm[0] + x, share * arm[1] + y)

    def on_hand(share: float, x: float, y: float = 0.0) -> tuple[float, float]:
        return (arm[0] + share * hand[0] + x, arm[1] + share * hand[1] + y)

    outline = curve(
        (48.0, -6.0),
        on_arm(0.4, 56.0, -4.0), on_arm(0.8, 58.0), on_hand(0.0, 44.0),
        on_hand(0.35, 34.0), on_hand(0.75, -16.0), tip,
        on_hand(0.70, -58.0), on_hand(0.35, -46.0), on_hand(0.0, -46.0),
        on_arm(0.75, -44.0), on_arm(0.4, -54.0), (-56.0, 14.0),
        (-30.0, 22.0), (10.0, 16.0), (48.0, -6.0),
    )  # fmt: skip
    black = curve(
        on_hand(0.60, 4.0),
        on_hand(0.74, -12.0), on_hand(0.88, -36.0), tip,
        on_hand(0.86, -64.0), on_hand(0.74, -57.0), on_hand(0.62, -52.0),
        on_hand(0.66, -34.0), on_hand(0.66, -14.0), on_hand(0.60, 4.0),
    )  # fmt: skip
    return path(outline, fill) + path(black, TIP)


BODY = (
    path("M-96 10C-132 2 -166 4 -196 -8C-188 8 -186 14 -192 30C-160 34 -130 32 -96 28Z", SHADE)
    + path("M-112 16C-70 -24 20 -40 78 -34C92 -58 132 -60 146 -34C148 -22 140 -10 124 -4"
           "C88 34 -30 56 -112 16Z", PAPER)
    + path("M144 -36C160 -36 176 -30 186 -18C170 -18 156 -18 142 -20Z", BILL)
    + '<circle cx="122" cy="-36" r="5.500" fill="#203050"/>'
    + '<path fill="none" stroke="#a8bcd8" stroke-width="3" d="M-60 30C-10 40 50 30 92 8"/>'
)  # fmt: skip


def cloud(x: float, y: float, scale: float, fill: str) -> str:
    shape = "M-120 40a42 42 0 0 1 6 -83a70 70 0 0 1 128 -22a52 52 0 0 1 82 46a34 34 0 0 1 14 59Z"
    return (
        f'<path fill="{fill}" transform="translate({x:.1f} {y:.1f}) scale({scale})" d="{shape}"/>'
    )


def page(frame: int) -> str:
    """Return the SVG text of one frame, 0 … 47."""
    turn = 2.0 * math.pi * frame / FRAMES
    beat = BEATS * turn
    # The gull glides on the spot; the clouds pass behind and before it.
    x, y = (
        600.0 + 46.0 * math.sin(turn),
        392.0 + 26.0 * math.sin(2.0 * turn) + 20.0 * math.sin(beat),
    )
    lean = 4.0 * math.cos(turn) - 3.0 * math.cos(beat)
    share = frame / FRAMES
    far = "".join(
        cloud((place - 640.0 * share) % 1920.0 - 320.0, height, 0.8, "#8ea6d0")
        for place, height in ((300, 250), (940, 250), (1580, 250))
    )
    near = "".join(
        cloud((place - 1920.0 * share) % 1920.0 - 320.0, 596, 1.5, "#c8d6f0") for place in (760,)
    )
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{WIDTH}" height="{HEIGHT}">'
        f'<g id="moon"><circle cx="820" cy="260" r="170" fill="{MOON}"/>'
        '<circle cx="770" cy="200" r="30" fill="#ffd870"/>'
        '<circle cx="880" cy="300" r="42" fill="#ffd870"/></g>'
        f'<g id="far_clouds">{far}</g>'
        f'<g id="gull" transform="translate({x:.1f} {y:.1f}) rotate({lean:.2f})">'
        f'<g transform="translate(8 -22)">{wing(beat, -1.0, SHADE)}</g>'
        f"{BODY}"
        f'<g transform="translate(-6 -12)">{wing(beat, 1.0, PAPER)}</g></g>'
        f'<g id="near_clouds">{near}</g></svg>\n'
    )


def main() -> None:
    folder = Path(__file__).resolve().parent
    for frame in range(FRAMES):
        (folder / f"gull_{frame + 1:04}.svg").write_text(page(frame), "utf-8", newline="\n")
    print(f"{FRAMES} pages written")


if __name__ == "__main__":
    main()
