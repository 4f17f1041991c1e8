# SPDX-License-Identifier: GPL-3.0-or-later
"""Drawn edges in the image, cut by the planes and the page: reference in numpy."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ..scene import LineKind
from .numpy_projection import Projection
from .records import VisibilityInput

__all__ = ["LEAST_PIECE", "Features", "along", "clip_to_page", "features_of"]

FloatArray = NDArray[np.float64]
IndexArray = NDArray[np.int64]
BoolArray = NDArray[np.bool_]

LEAST_PIECE = 4e-9
"""Shorter pieces (in t) are dropped."""
RANKED_BIAS = 1e-6
"""Bias between surfaces of different ranks is at least this."""


@dataclass(frozen=True, eq=False)
class Features:
    """Drawn edges in the image, cut by the near and far planes; n of them."""

    edge: IndexArray
    kind: NDArray[np.uint16]
    x: FloatArray  # (2, n) start, end
    y: FloatArray
    depth: FloatArray
    vertex: NDArray[np.int32]  # (2, n), -1 where the end was cut
    face: NDArray[np.int32]  # (2, n)
    rank: NDArray[np.int16]
    bias: FloatArray
    ranked_bias: FloatArray
    t0: FloatArray  # the part within the page
    t1: FloatArray

    def take(self, rows: BoolArray) -> Features:
        return Features(
            **{name: getattr(self, name)[..., rows] for name in self.__dataclass_fields__}
        )


def features_of(scene: VisibilityInput, projection: Projection) -> Features:
    """Pick the drawn edges and cut them by the near and far planes."""
    sign = projection.edge_face_sign
    two_faces = (scene.edge_faces[:, 0] >= 0) & (scene.edge_faces[:, 1] >= 0)
    front = sign > 0
    silhouette = two_faces & ((front[0] != front[1]) ^ (scene.edge_flip != 0))
    silhouette &= scene.edge_silhouette != 0
    kind = scene.edge_kind | silhouette * np.uint16(LineKind.SILHOUETTE)
    edge = np.flatnonzero(kind)
    if len(scene.triangles):
        # An edge between two back faces of a closed part cannot be seen.
        face = scene.edge_faces[edge]
        closed = np.all(scene.triangle_closed[face] != 0, axis=1) & two_faces[edge]
        edge = edge[~(closed & ~front[0, edge] & ~front[1, edge])]

    vertex = np.ascontiguousarray(scene.edges[edge].T)
    height = projection.height[vertex]
    inside = (height >= scene.near) & (height <= scene.far)
    if not np.all(inside):
        below = np.all(height < scene.near, axis=0) | np.all(height > scene.far, axis=0)
        edge, vertex, height, inside = (
            edge[~below], vertex[:, ~below], height[:, ~below], inside[:, ~below],
        )  # fmt: skip
    x, y, depth = projection.x[vertex], projection.y[vertex], projection.depth[vertex]
    cut = np.flatnonzero(~np.all(inside, axis=0))
    if len(cut):
        for end in (0, 1):
            here, there = vertex[end, cut], vertex[1 - end, cut]
            at = np.clip(height[end, cut], scene.near, scene.far)
            outside = ~inside[end, cut]
            moved = cut[outside]
            x[end, moved], y[end, moved], depth[end, moved] = projection.between(
                here[outside], there[outside], at[outside]
            )
        vertex[~inside] = -1
    face = np.ascontiguousarray(scene.edge_faces[edge].T)
    reach = np.full(len(edge), projection.reach)
    if projection.perspective and len(edge):
        reach = np.abs(depth).max(axis=0)
    return Features(
        edge=edge,
        kind=kind[edge],
        x=x,
        y=y,
        depth=depth,
        vertex=vertex,
        face=face,
        rank=scene.edge_rank[edge],
        bias=scene.bias * reach,
        ranked_bias=max(scene.bias, RANKED_BIAS) * reach,
        t0=np.zeros(len(edge)),
        t1=np.ones(len(edge)),
    )


def clip_to_page(features: Features, page: FloatArray) -> Features:
    """Find the part of each feature within the page.

    Liang-Barsky parametric clipping (ACM Transactions on Graphics 3(1), 1984, from memory).
    """
    x_min, x_max, y_min, y_max = (float(value) for value in page)
    x, y = features.x, features.y
    inside = (x >= x_min) & (x <= x_max) & (y >= y_min) & (y <= y_max)
    crossing = np.flatnonzero(~np.all(inside, axis=0))
    if len(crossing) == 0:
        return features
    t0, t1 = features.t0.copy(), features.t1.copy()
    x, y = x[:, crossing], y[:, crossing]
    low, high = np.zeros(len(crossing)), np.ones(len(crossing))
    dx, dy = x[1] - x[0], y[1] - y[0]
    for step, room in (
        (-dx, x[0] - x_min),
        (dx, x_max - x[0]),
        (-dy, y[0] - y_min),
        (dy, y_max - y[0]),
    ):
        ratio = np.divide(room, step, out=np.zeros_like(step), where=step != 0.0)
        low = np.where(step < 0.0, np.maximum(low, ratio), low)
        high = np.where(step > 0.0, np.minimum(high, ratio), high)
        high = np.where((step == 0.0) & (room < 0.0), -1.0, high)
    t0[crossing], t1[crossing] = low, high
    kept = t1 - t0 > LEAST_PIECE
    clipped = Features(**{**features.__dict__, "t0": t0, "t1": t1})
    return clipped if np.all(kept) else clipped.take(kept)


def along(ends: FloatArray, t: FloatArray) -> FloatArray:
    """Interpolate between ends[0] and ends[1], exact at t = 0 and t = 1."""
    step = ends[1] - ends[0]
    point: FloatArray = np.where(t > 0.5, ends[1] - step * (1.0 - t), ends[0] + step * t)
    return point
