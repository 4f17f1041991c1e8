# SPDX-License-Identifier: GPL-3.0-or-later
"""Layers into one picture: fades as brightness, wipes as moving crop edges on the strokes."""

from __future__ import annotations

import hashlib
import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from ..strokes import Strokes
from .timeline import DARK, Crop

__all__ = ["Part", "Region", "cropped", "mixed", "region_of"]

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

SHORTEST_PIECE = 1e-9
"""Pieces of a stroke below this length, in field units, are rounding and left out."""


@dataclass(frozen=True, slots=True)
class Region:
    """Part of the page that is kept.

    Attributes
    ----------
    lines
        Half-planes ``nx x + ny y > c``, each as (nx, ny, c); none for the whole page.
    radius
        Of a circle about the centre, instead of lines.
    every
        A point must be in all half-planes; otherwise one is enough.
    outside
        Keep all but this, so that two regions that differ in nothing else share the page.
    """

    lines: tuple[tuple[float, float, float], ...] = ()
    radius: float | None = None
    every: bool = True
    outside: bool = False

    def holds(self, points: FloatArray) -> BoolArray:
        """Return which points, (n, 2), are kept."""
        if self.radius is not None:
            inside = np.hypot(points[:, 0], points[:, 1]) < self.radius
        elif not self.lines:
            inside = np.ones(len(points), bool)
        else:
            sides = [points[:, 0] * nx + points[:, 1] * ny > c for nx, ny, c in self.lines]
            combine = np.logical_and if self.every else np.logical_or
            inside = combine.reduce(sides)
        return ~inside if self.outside else inside

    def crossings(self, begin: FloatArray, end: FloatArray) -> FloatArray:
        """Return where segments cross the edges, (n, m) in 0…1, NaN where they do not."""
        step = end - begin
        if self.radius is None and not self.lines:
            return np.full((len(begin), 1), np.nan)
        with np.errstate(divide="ignore", invalid="ignore"):
            if self.radius is None:
                found = [
                    (c - begin[:, 0] * nx - begin[:, 1] * ny) / (step[:, 0] * nx + step[:, 1] * ny)
                    for nx, ny, c in self.lines
                ]
            else:
                a = np.einsum("ij,ij->i", step, step)
                b = np.einsum("ij,ij->i", begin, step)
                c = np.einsum("ij,ij->i", begin, begin) - self.radius**2
                root = np.sqrt(b * b - a * c)
                found = [(-b - root) / a, (-b + root) / a]
        places = np.stack(found, axis=1)
        places[~((places > 0.0) & (places < 1.0))] = np.nan
        return places


def region_of(crop: Crop, half_width: float, half_height: float) -> Region:
    """Return what a wipe keeps of a strip on a page of this half size.

    The edges run as Blender's sequencer draws them.
    """
    wipe, t = crop.wipe, crop.progress
    w, h = half_width, half_height
    turn = abs(wipe.angle_rad)
    nx, ny = math.sin(turn), math.cos(turn)
    # How far the edge goes from the centre, to the corner it leaves last.
    reach = nx * w + ny * h
    if wipe.angle_rad < 0.0:
        nx = -nx
    if wipe.kind == "single":
        place = (2.0 * t - 1.0) * reach
        line = (nx, ny, place) if wipe.inward else (-nx, -ny, place)
        return Region(lines=(line,), outside=crop.coming)
    # The others open or close about the centre: what is inside goes, or comes.
    outside = wipe.inward == crop.coming
    size = 1.0 - t if wipe.inward else t
    if wipe.kind == "double":
        gap = size * reach
        return Region(lines=((nx, ny, -gap), (-nx, -ny, -gap)), outside=outside)
    if wipe.kind == "iris":
        full = math.hypot(w, h) if wipe.iris_to_corner else math.sqrt(2.0) * w
        return Region(radius=full * size, outside=outside)
    if size >= 1.0:
        return Region(outside=outside)
    # A hand that turns counter-clockwise from the positive x axis.
    angle = 2.0 * math.pi * size
    hand = (math.sin(angle), -math.cos(angle), 0.0)
    return Region(lines=((0.0, 1.0, 0.0), hand), every=size <= 0.5, outside=outside)


def cropped(strokes: Strokes, region: Region) -> Strokes:
    """Return the parts of strokes inside a region; pieces keep their stroke's columns.

    A closed stroke that is cut opens; its pieces that meet at the old seam are joined. Edges
    add no line of their own.
    """
    if len(strokes) == 0:
        return strokes
    inside = region.holds(strokes.points)
    stroke = strokes.stroke_of_point
    begin, end = strokes.points[:-1], strokes.points[1:]
    joined = stroke[:-1] == stroke[1:]
    places = region.crossings(begin, end)
    crossed = np.zeros(len(strokes), bool)
    np.logical_or.at(crossed, stroke[:-1], joined & ~np.isnan(places).all(axis=1))
    first = strokes.offsets[:-1]
    whole = inside[first] & ~crossed
    pieces: list[FloatArray] = []
    rows: list[int] = []
    for row in range(len(strokes)):
        if whole[row]:
            pieces.append(strokes.polyline(row))
            rows.append(row)
        elif crossed[row]:
            low, high = int(strokes.offsets[row]), int(strokes.offsets[row + 1])
            for piece in _cut(strokes.points[low:high], places[low : high - 1], region):
                pieces.append(piece)
                rows.append(row)
    kept = np.array(rows, np.int64)
    counts = [len(piece) for piece in pieces]
    return replace(
        strokes,
        points=np.concatenate(pieces) if pieces else np.empty((0, 2)),
        offsets=np.concatenate([[0], np.cumsum(counts)]).astype(np.int64),
        colour=strokes.colour[kept],
        kind=strokes.kind[kept],
        object_index=strokes.object_index[kept],
        identity=strokes.identity[kept],
    )


def _cut(line: FloatArray, places: FloatArray, region: Region) -> list[FloatArray]:
    """Cut one polyline; `places` holds the crossings of each of its segments."""
    points: list[FloatArray] = [line[0]]
    for position in range(len(line) - 1):
        for place in np.sort(places[position][~np.isnan(places[position])]).tolist():
            points.append(line[position] + place * (line[position + 1] - line[position]))
        points.append(line[position + 1])
    dense = np.array(points)
    kept = region.holds(0.5 * (dense[:-1] + dense[1:]))
    edges = np.flatnonzero(np.diff(np.concatenate([[False], kept, [False]]).astype(np.int8)))
    pieces = [dense[low : high + 1] for low, high in zip(edges[::2], edges[1::2], strict=True)]
    closed = len(line) > 2 and np.array_equal(line[0], line[-1])
    if closed and len(pieces) > 1 and kept[0] and kept[-1]:
        pieces = [np.concatenate([pieces[-1], pieces[0][1:]]), *pieces[1:-1]]
    return [
        piece
        for piece in pieces
        if float(np.hypot(*np.diff(piece, axis=0).T).sum()) > SHORTEST_PIECE
    ]


@dataclass(frozen=True, eq=False)
class Part:
    """A layer's strokes on their way into a picture.

    Attributes
    ----------
    scene
        Name of the scene; tells equal identities of two scenes apart.
    strokes
        In field coordinates.
    half_width, half_height
        The scene's page in field units.
    brightness
        Factor of the colours.
    crops
    first_object
        Index of its first object in the picture's table.
    """

    scene: str
    strokes: Strokes
    half_width: float
    half_height: float
    brightness: float = 1.0
    crops: tuple[Crop, ...] = ()
    first_object: int = 0


def mixed(parts: Sequence[Part], object_names: Sequence[str]) -> Strokes:
    """Return all parts as one picture.

    Parameters
    ----------
    parts
    object_names
        The picture's table of objects, which `Part.first_object` counts.

    Returns
    -------
    Strokes
        Faded and cropped. Strokes too dark for a step of an 8-bit colour are left out.
    """
    names = tuple(object_names)
    ready = []
    for part in parts:
        strokes = part.strokes
        for crop in part.crops:
            strokes = cropped(strokes, region_of(crop, part.half_width, part.half_height))
        if part.brightness != 1.0:
            colour = np.clip(strokes.colour * part.brightness, 0.0, 1.0)
            strokes = replace(strokes, colour=colour).take(colour.max(axis=1, initial=0.0) >= DARK)
        # Object -1 (the page's border) belongs to no object of any scene.
        owner = strokes.object_index
        owner = np.where(owner < 0, owner, owner + part.first_object).astype(np.int32)
        salt = int.from_bytes(hashlib.blake2b(part.scene.encode(), digest_size=7).digest())
        ready.append(
            replace(
                strokes,
                object_index=owner,
                identity=strokes.identity ^ np.int64(salt),
                object_names=names,
            )
        )
    return Strokes.concatenate(ready) if ready else Strokes.empty(names)
