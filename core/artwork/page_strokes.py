# SPDX-License-Identifier: GPL-3.0-or-later
"""Visible lines of a page as strokes, each layer an object of its own."""

from __future__ import annotations

import hashlib
from collections.abc import Sequence

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ..scene import LineKind
from ..strokes import Strokes
from .occlusion import PageLines
from .shapes import Page

__all__ = ["layer_object_names", "page_strokes", "shape_identities"]

IntArray = NDArray[np.int64]


def page_strokes(
    page: Page,
    lines: PageLines,
    name: str,
    first_object: int = 0,
    object_names: Sequence[str] = (),
    tip_colour: ArrayLike | None = None,
) -> Strokes:
    """Return the lines of a page that fills the picture as strokes in field coordinates.

    Each layer is an object of its own, so that layers can go to different projectors:
    `Strokes.object_index` is `first_object` plus the layer's index.

    Parameters
    ----------
    name
        Name of the page; with the layer's it makes the object's name.
    object_names
        Names of all objects of the frame; default those of this page.
    tip_colour
        Add a beam dot of this colour where a line is being written on.
    """
    names = tuple(object_names) or layer_object_names(page, name)
    shape = lines.shape
    layer = np.where(shape >= 0, page.layer[np.maximum(shape, 0)], 0) if len(page) else shape * 0
    identity = shape_identities(page, name)[np.maximum(shape, 0)] if len(page) else shape
    # Pieces of one shape count up from the shape's own number.
    order = np.arange(len(shape)) - np.searchsorted(shape, shape) if len(shape) else shape
    points = lines.points * page.field_scale
    parts = [
        Strokes(
            points=np.ascontiguousarray(points),
            offsets=lines.offsets,
            colour=lines.colour,
            kind=np.full(len(lines), int(LineKind.DRAWN), np.uint16),
            object_index=(layer + first_object).astype(np.int32),
            identity=(identity + np.abs(order)).astype(np.int64),
            object_names=names,
        )
    ]
    if len(lines.dot):
        parts.append(
            Strokes.from_polylines(
                list(lines.dot * page.field_scale),
                colour=lines.dot_colour,
                kind=int(LineKind.DRAWN | LineKind.DOT),
                object_index=page.layer[lines.dot_shape] + first_object,
                identity=shape_identities(page, name)[lines.dot_shape]
                + 0x8000
                + np.arange(len(lines.dot))
                - np.searchsorted(lines.dot_shape, lines.dot_shape),
                object_names=names,
            )
        )
    if tip_colour is not None and len(lines.tip):
        parts.append(
            Strokes.from_polylines(
                list(lines.tip * page.field_scale),
                colour=tip_colour,
                kind=int(LineKind.DRAWN | LineKind.DOT),
                object_index=page.layer[lines.tip_shape] + first_object,
                identity=shape_identities(page, name)[lines.tip_shape] - 1,
                object_names=names,
            )
        )
    return Strokes.concatenate(parts)


def layer_object_names(page: Page, name: str) -> tuple[str, ...]:
    """Object name of each layer: the page's alone where it has one nameless layer."""
    return tuple(f"{name}/{layer}" if layer else name for layer in page.layer_names)


def shape_identities(page: Page, name: str) -> IntArray:
    """A number for each shape that stays the same while its id or place in the layer does."""
    counts: dict[str, int] = {}
    result = np.empty(len(page), np.int64)
    for i, (shape, layer) in enumerate(zip(page.names, page.layer.tolist(), strict=True)):
        label = f"{name}\n{page.layer_names[layer]}\n{shape}"
        place = counts[label] = counts.get(label, 0) + 1
        digest = hashlib.blake2b(f"{label}\n{place}".encode(), digest_size=8).digest()
        # The low bits are free for the pieces of the shape.
        result[i] = (int.from_bytes(digest, "little") >> 1) & ~0xFFFF
    return result
