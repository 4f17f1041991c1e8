# SPDX-License-Identifier: GPL-3.0-or-later
"""Colours by index: the standard's suggested palette, nearest colours, palettes of our own."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

__all__ = ["DEFAULT_PALETTE", "PALETTE_SIZE_MAX", "OwnPalette", "nearest_hue"]

ByteArray = NDArray[np.uint8]
PALETTE_SIZE_MAX = 256


def _default_palette() -> ByteArray:
    # IDTF rev 011, suggested default palette (from memory): regular ramps but for entry 38.
    red_to_yellow = [(255, 16 * step, 0) for step in range(16)]
    yellow_to_green = [(255, 255, 0)] + [(level, 255, 0) for level in range(224, 0, -32)]
    green_to_cyan = [(0, 255, level) for level in (0, 36, 73, 109, 146, 182, 219)]
    cyan_to_blue = [(0, level, 255) for level in (255, 227, 198, 170, 142, 113, 85, 56, 28)]
    blue_to_magenta = [(0, 0, 255)] + [(level, 0, 255) for level in range(32, 225, 32)]
    magenta_to_white = [(255, 0, 255)] + [(255, level, 255) for level in range(32, 225, 32)]
    white_to_red = [(255, 255, 255)] + [(255, level, level) for level in range(224, 31, -32)]
    ramps = (
        red_to_yellow
        + yellow_to_green
        + green_to_cyan
        + cyan_to_blue
        + blue_to_magenta
        + magenta_to_white
        + white_to_red
    )
    palette = np.array(ramps, np.uint8)
    palette.flags.writeable = False
    return palette


#: The 64 colours that indexed frames use where no palette was written, (64, 3) uint8.
DEFAULT_PALETTE = _default_palette()


def nearest_hue(colours: ByteArray, palette: ByteArray = DEFAULT_PALETTE) -> ByteArray:
    """Return for each colour, (n, 3), the index of the palette's nearest hue, (n,).

    Both are compared at full brightness (largest channel 255), because the suggested palette
    has bright colours only: a dim grey would otherwise turn pink. The brightness is lost.
    Black gives index 0.
    """
    unique, inverse = np.unique(colours.reshape(-1, 3), axis=0, return_inverse=True)

    def bright(rows: ByteArray) -> NDArray[np.float64]:
        top = rows.max(axis=1, keepdims=True).astype(np.float64)
        return rows * (255.0 / np.where(top == 0.0, 1.0, top))

    difference = bright(unique)[:, None, :] - bright(palette)[None, :, :]
    index = np.argmin((difference**2).sum(axis=2), axis=1).astype(np.uint8)
    index[unique.max(axis=1) == 0] = 0
    result: ByteArray = index[inverse.reshape(-1)]
    return result


def _median_cut(colours: ByteArray, counts: NDArray[np.int64], limit: int) -> ByteArray:
    """Reduce distinct colours, (n, 3), to at most `limit` by Heckbert's median cut (1982)."""
    boxes = [np.arange(len(colours))]
    while len(boxes) < limit:
        spans = [np.ptp(colours[box].astype(np.int64), axis=0) for box in boxes]
        widest = max(range(len(boxes)), key=lambda place: int(spans[place].max()))
        if spans[widest].max() == 0:
            break
        box = boxes.pop(widest)
        channel = int(spans[widest].argmax())
        box = box[np.argsort(colours[box, channel], kind="stable")]
        weight = np.cumsum(counts[box])
        cut = int(np.searchsorted(weight, weight[-1] / 2.0)) + 1
        cut = min(max(cut, 1), len(box) - 1)
        boxes += [box[:cut], box[cut:]]
    means = [np.average(colours[box], axis=0, weights=counts[box]) for box in boxes]
    return np.unique(np.rint(means).astype(np.uint8), axis=0)


class OwnPalette:
    """A palette that grows with the colours of the frames.

    Black is always entry 0. A frame whose colours do not fit beside the earlier ones starts
    a new palette; a frame of more than 255 lit colours is reduced to 255.

    Attributes
    ----------
    colours : (k, 3) uint8
        Between 2 and 256 entries.
    """

    def __init__(self) -> None:
        self.colours: ByteArray = np.zeros((0, 3), np.uint8)

    def indices(self, colours: ByteArray) -> tuple[ByteArray, bool]:
        """Return the indices of a frame's colours, (n, 3), and whether the palette changed."""
        wanted, inverse, counts = np.unique(
            np.concatenate([np.zeros((1, 3), np.uint8), colours.reshape(-1, 3)]),
            axis=0,
            return_inverse=True,
            return_counts=True,
        )
        inverse = inverse.reshape(-1)[1:]
        if len(wanted) > PALETTE_SIZE_MAX:
            lit = _median_cut(wanted[1:], counts[1:].astype(np.int64), PALETTE_SIZE_MAX - 1)
            reduced = np.concatenate([np.zeros((1, 3), np.uint8), lit[lit.max(axis=1) > 0]])
            squared = (
                (wanted[:, None, :].astype(np.int64) - reduced[None, :, :].astype(np.int64)) ** 2
            ).sum(axis=2)
            nearest = squared.argmin(axis=1)
            # A lit colour stays lit, however dark.
            nearest[1:] = squared[1:, 1:].argmin(axis=1) + 1
            wanted, inverse = reduced, nearest[inverse]
        known = {tuple(row): place for place, row in enumerate(self.colours.tolist())}
        fresh = [row for row in wanted.tolist() if tuple(row) not in known]
        changed = bool(fresh)
        if changed:
            kept = self.colours.tolist() if len(known) + len(fresh) <= PALETTE_SIZE_MAX else []
            rows = kept + fresh if kept else wanted.tolist()
            if len(rows) < 2:
                rows.append([255, 255, 255])
            self.colours = np.array(rows, np.uint8)
            known = {tuple(row): place for place, row in enumerate(rows)}
        table = np.array([known[tuple(row)] for row in wanted.tolist()], np.uint8)
        result: ByteArray = table[inverse]
        return result, changed
