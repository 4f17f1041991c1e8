# SPDX-License-Identifier: GPL-3.0-or-later
"""Projection, facing and the choice of occluding triangles, in numpy."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Protocol

import numpy as np
from numpy.typing import NDArray

from .records import VisibilityInput

__all__ = ["Occluders", "Projection", "occluders_near", "project"]

FloatArray = NDArray[np.float64]
IndexArray = NDArray[np.int64]
BoolArray = NDArray[np.bool_]

FLAT = 1e-6
"""Of the largest depth: the least extent of a scene that counts."""


class Grid(Protocol):
    """The part of the screen grid used here."""

    @property
    def x0(self) -> float: ...
    @property
    def y0(self) -> float: ...
    @property
    def cells_per_unit(self) -> float: ...
    @property
    def width(self) -> int: ...
    @property
    def height(self) -> int: ...


@dataclass(frozen=True, eq=False)
class Projection:
    """Vertices in the image, and which way triangles face.

    Attributes
    ----------
    clip : (3, nV) float64
        x w, y w, w.
    height : (nV,) float64
        What the near and far planes bound: w in perspective, else row 2 of the matrix.
    x, y, depth : (nV,) float64
        Image and depth, larger = farther; meaningless where `height` < near.
    corners : (3, nT) int64
        Vertex of corner k.
    sign : (nT,) int8
        1 front, -1 back, 0 edge-on.
    edge_face_sign : (2, nE) int8
        `sign` of the faces of an edge; 0 for none.
    sliced : (nT,) bool or None
        Triangles with a vertex before the near plane; None where there is none.
    reach
        The scene's extent in depth, by which orthographic bias is measured; of a flat one
        enough to cover rounding.
    """

    perspective: bool
    near: float
    clip: FloatArray
    height: FloatArray
    x: FloatArray
    y: FloatArray
    depth: FloatArray
    corners: IndexArray
    sign: NDArray[np.int8]
    edge_face_sign: NDArray[np.int8]
    sliced: BoolArray | None
    reach: float

    def between(
        self, a: NDArray[np.integer[Any]], b: NDArray[np.integer[Any]], height: FloatArray | float
    ) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Return x, y and depth of the points of the edges a→b at a height."""
        u = (height - self.height[a]) / (self.height[b] - self.height[a])
        clip = self.clip[:, a] + u * (self.clip[:, b] - self.clip[:, a])
        at = np.broadcast_to(np.asarray(height, np.float64), u.shape)
        if self.perspective:
            return clip[0] / at, clip[1] / at, -1.0 / at
        return clip[0] / clip[2], clip[1] / clip[2], at.copy()


@dataclass(frozen=True, eq=False)
class Occluders:
    """Triangles that may hide something, near to far; area positive in the image.

    Attributes
    ----------
    triangle : (n,) int32
    vertex : (3, n) int32
        -1 for a corner made by the near plane.
    x, y, depth : (3, n) float64
    interior : (3, n) bool
        Side k (to corner k + 1) has a neighbour on its other side in the image.
    area2, near : (n,) float64
        Twice the area; least depth.
    rank : (n,) int16
    ranked
        Ranks differ within the scene.
    cell_low, cell_high : (2, n) int64
        Range of grid columns and rows, both ends included.
    """

    triangle: NDArray[np.int32]
    vertex: NDArray[np.int32]
    x: FloatArray
    y: FloatArray
    depth: FloatArray
    interior: BoolArray
    area2: FloatArray
    near: FloatArray
    rank: NDArray[np.int16]
    ranked: bool
    cell_low: IndexArray
    cell_high: IndexArray


def project(scene: VisibilityInput) -> Projection:
    """Project all vertices and find the facing of all triangles.

    A triangle with a vertex before the near plane takes its facing from the clip-space
    determinant, which needs no division.
    """
    matrix = scene.view_projection
    rows = matrix[[0, 1, 3]]
    clip = rows[:, :3] @ scene.positions.T + rows[:, 3:]
    perspective = bool(np.any(matrix[3, :3] != 0.0))
    height = clip[2] if perspective else matrix[2, :3] @ scene.positions.T + matrix[2, 3]
    before = height < scene.near
    any_before = bool(np.any(before))
    w = np.where(before, 1.0, clip[2]) if any_before and perspective else clip[2]
    inverse = 1.0 / w
    x, y = clip[0] * inverse, clip[1] * inverse
    depth = -inverse if perspective else height
    corners = np.ascontiguousarray(scene.triangles.T).astype(np.int64)
    area2 = _area2(*(np.take(values, corner) for corner in corners for values in (x, y)))
    sliced = None
    if any_before:
        sliced = before[corners[0]] | before[corners[1]] | before[corners[2]]
        if perspective:
            some = np.flatnonzero(sliced)
            area2[some] = _determinant(clip, corners[:, some])
    sign = (area2 > 0.0).astype(np.int8) - (area2 < 0.0).astype(np.int8)
    padded = np.append(sign, np.int8(0))  # face -1 reads the last
    return Projection(
        perspective=perspective,
        near=scene.near,
        clip=clip,
        height=height,
        x=x,
        y=y,
        depth=depth,
        corners=corners,
        sign=sign,
        edge_face_sign=np.take(padded, np.ascontiguousarray(scene.edge_faces.T), mode="wrap"),
        sliced=sliced,
        reach=(
            max(float(np.ptp(height)), FLAT * float(np.abs(height).max())) if len(height) else 0.0
        ),
    )


def _area2(
    x0: FloatArray, y0: FloatArray, x1: FloatArray, y1: FloatArray, x2: FloatArray, y2: FloatArray
) -> FloatArray:
    """Twice the signed area."""
    return (x1 - x0) * (y2 - y0) - (x2 - x0) * (y1 - y0)


def _determinant(clip: FloatArray, corners: IndexArray) -> FloatArray:
    """Determinant of the three clip-space points, (m,)."""
    (ax, ay, aw), (bx, by, bw), (cx, cy, cw) = (clip[:, corner] for corner in corners)
    determinant: FloatArray = (
        ax * (by * cw - bw * cy) - ay * (bx * cw - bw * cx) + aw * (bx * cy - by * cx)
    )
    return determinant


def occluders_near(
    scene: VisibilityInput, projection: Projection, grid: Grid, far: FloatArray
) -> Occluders:
    """Pick the triangles that can hide a feature.

    Parameters
    ----------
    far : (height, width) float64
        Depth of the farthest feature in each grid cell, -inf where there is none.
    """
    sign = projection.sign
    may_hide = (scene.triangle_occludes != 0) & (sign != 0)
    may_hide &= (sign > 0) | (scene.triangle_closed == 0)
    if projection.sliced is None:
        whole = np.flatnonzero(may_hide)
        sliced = np.empty(0, np.int64)
    else:
        whole = np.flatnonzero(may_hide & ~projection.sliced)
        sliced = np.flatnonzero(may_hide & projection.sliced)

    # Vertex cells first: a triangle's range is then three integer minima and maxima.
    table = np.zeros((grid.height + 1, grid.width + 1), np.int32)
    table[1:, 1:] = np.cumsum(np.cumsum(far > -np.inf, axis=0, dtype=np.int32), axis=1)
    column = _cells(projection.x, grid.x0, grid.cells_per_unit, grid.width)
    row = _cells(projection.y, grid.y0, grid.cells_per_unit, grid.height)
    corners = projection.corners
    if len(whole) < corners.shape[1]:
        corners = corners[:, whole]
    c0, c1, c2 = (np.take(column, corner) for corner in corners)
    low_x = np.minimum(np.minimum(c0, c1), c2)
    high_x = np.maximum(np.maximum(c0, c1), c2)
    r0, r1, r2 = (np.take(row, corner) for corner in corners)
    low_y = np.minimum(np.minimum(r0, r1), r2)
    high_y = np.maximum(np.maximum(r0, r1), r2)
    kept = np.flatnonzero(
        (high_x >= 0) & (low_x < grid.width) & (high_y >= 0) & (low_y < grid.height)
    )
    low_x = np.maximum(low_x[kept], 0).astype(np.int64)
    low_y = np.maximum(low_y[kept], 0).astype(np.int64)
    high_x = np.minimum(high_x[kept], grid.width - 1).astype(np.int64)
    high_y = np.minimum(high_y[kept], grid.height - 1).astype(np.int64)
    stride = grid.width + 1
    flat = table.reshape(-1)
    above, below = (high_y + 1) * stride, low_y * stride
    occupied = (
        np.take(flat, above + high_x + 1)
        - np.take(flat, above + low_x)
        - np.take(flat, below + high_x + 1)
        + np.take(flat, below + low_x)
    ) > 0
    kept = kept[occupied]
    corner = corners[:, kept]
    near = np.take(projection.depth, corner[0])
    for k in (1, 2):
        np.minimum(near, np.take(projection.depth, corner[k]), out=near)
    # Up to 2 x 2 cells is the common case: the farthest of them decides. Else: of all.
    low = np.stack([low_x[occupied], low_y[occupied]])
    high = np.stack([high_x[occupied], high_y[occupied]])
    limit = np.full(len(kept), np.max(far))
    few = np.flatnonzero((high[0] - low[0] <= 1) & (high[1] - low[1] <= 1))
    corner_far = [far[y[few], x[few]] for y in (low[1], high[1]) for x in (low[0], high[0])]
    limit[few] = np.maximum(
        np.maximum(corner_far[0], corner_far[1]), np.maximum(corner_far[2], corner_far[3])
    )
    before = np.flatnonzero(near < limit)
    corner = corner[:, before]
    depth = projection.depth[corner]
    triangle = whole[kept[before]]
    parts = _Parts(
        triangle=triangle,
        vertex=corner.astype(np.int32),
        x=projection.x[corner],
        y=projection.y[corner],
        depth=depth,
        interior=_interior_sides(scene, projection, triangle),
        low=low[:, before],
        high=high[:, before],
    )
    if len(sliced):
        parts = parts.joined(_slice(projection, sliced, grid))
    return _finish(scene, parts)


@dataclass(frozen=True, eq=False)
class _Parts:
    """Triangles as they come, not yet turned and ordered."""

    triangle: IndexArray
    vertex: NDArray[np.int32]
    x: FloatArray
    y: FloatArray
    depth: FloatArray
    interior: BoolArray
    low: IndexArray
    high: IndexArray

    def joined(self, other: _Parts) -> _Parts:
        return _Parts(
            **{
                name: np.concatenate([getattr(self, name), getattr(other, name)], axis=-1)
                for name in self.__dataclass_fields__
            }
        )


def _finish(scene: VisibilityInput, parts: _Parts) -> Occluders:
    """Turn all triangles counter-clockwise and order them near to far."""
    area2 = _area2(*(values[k] for k in range(3) for values in (parts.x, parts.y)))
    near = np.minimum(np.minimum(parts.depth[0], parts.depth[1]), parts.depth[2])
    solid = np.flatnonzero(area2 != 0.0)
    order = solid[np.argsort(near[solid], kind="stable")]
    vertex, interior = parts.vertex[:, order], parts.interior[:, order]
    x, y, depth, area2 = parts.x[:, order], parts.y[:, order], parts.depth[:, order], area2[order]
    back = np.flatnonzero(area2 < 0.0)
    if len(back):
        for values in (vertex, x, y, depth):
            values[1:, back] = values[:0:-1, back]
        interior[:, back] = interior[::-1, back]
        area2[back] = -area2[back]
    triangle = parts.triangle[order]
    ranks = scene.triangle_rank
    ranked = bool(len(ranks)) and bool(
        np.any(ranks != ranks[0]) or np.any(scene.edge_rank != ranks[0])
    )
    return Occluders(
        triangle=triangle.astype(np.int32),
        vertex=vertex,
        x=x,
        y=y,
        depth=depth,
        interior=interior,
        area2=area2,
        near=near[order],
        rank=ranks[triangle],
        ranked=ranked,
        cell_low=parts.low[:, order],
        cell_high=parts.high[:, order],
    )


def _cells(values: FloatArray, origin: float, per_unit: float, count: int) -> NDArray[np.int16]:
    """Grid column or row of each value: -1 below, `count` above."""
    cells: NDArray[np.int16] = np.floor(
        np.clip((values - origin) * per_unit, -1.0, float(count))
    ).astype(np.int16)
    return cells


def _interior_sides(
    scene: VisibilityInput, projection: Projection, triangle: IndexArray
) -> BoolArray:
    """Tell which sides have their edge's other face on the other side in the image, (3, n)."""
    edge = np.ascontiguousarray(scene.triangle_edges[triangle].T)
    first = np.take(projection.edge_face_sign[0], edge)
    second = np.take(projection.edge_face_sign[1], edge)
    turned = np.take(scene.edge_flip, edge) != 0
    product = first * second
    interior: BoolArray = np.where(turned, product < 0, product > 0)
    return interior


def _slice(projection: Projection, triangle: IndexArray, grid: Grid) -> _Parts:
    """Cut triangles by the near plane into one or two, in clip space."""
    corners = projection.corners[:, triangle]
    before = projection.height[corners] < projection.near
    count = before.sum(axis=0)
    pieces = []

    def corner(which: IndexArray) -> tuple[FloatArray, FloatArray, FloatArray, NDArray[np.int32]]:
        return (
            projection.x[which], projection.y[which], projection.depth[which],
            which.astype(np.int32),
        )  # fmt: skip

    def cut(
        a: IndexArray, b: IndexArray
    ) -> tuple[FloatArray, FloatArray, FloatArray, NDArray[np.int32]]:
        return (*projection.between(a, b, projection.near), np.full(len(a), -1, np.int32))

    for k in range(3):
        one = np.flatnonzero((count == 1) & before[k])
        a, b, c = (corners[(k + j) % 3, one] for j in range(3))
        # The cut's own diagonal is interior: nothing may leak through it.
        pieces.append((triangle[one], cut(a, b), corner(b), corner(c), (False, False, True)))
        pieces.append((triangle[one], cut(a, b), corner(c), cut(a, c), (True, False, False)))
        two = np.flatnonzero((count == 2) & ~before[k])
        a, b, c = (corners[(k + j) % 3, two] for j in range(3))
        pieces.append((triangle[two], corner(a), cut(b, a), cut(c, a), (False, False, False)))
    owner = np.concatenate([piece[0] for piece in pieces])
    x, y, depth, vertex = (
        np.stack([np.concatenate([piece[1 + k][part] for piece in pieces]) for k in range(3)])
        for part in range(4)
    )
    interior = np.stack(
        [np.concatenate([np.full(len(p[0]), p[4][k], bool) for p in pieces]) for k in range(3)]
    )
    column = _cells(x, grid.x0, grid.cells_per_unit, grid.width).astype(np.int64)
    row = _cells(y, grid.y0, grid.cells_per_unit, grid.height).astype(np.int64)
    low = np.stack([column.min(axis=0), row.min(axis=0)])
    high = np.stack([column.max(axis=0), row.max(axis=0)])
    limit = np.array([[grid.width], [grid.height]])
    inside = np.all((high >= 0) & (low < limit), axis=0)
    return _Parts(
        triangle=owner[inside],
        vertex=vertex[:, inside],
        x=x[:, inside],
        y=y[:, inside],
        depth=depth[:, inside],
        interior=interior[:, inside],
        low=np.maximum(low[:, inside], 0),
        high=np.minimum(high[:, inside], limit - 1),
    )
