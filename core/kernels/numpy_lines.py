# SPDX-License-Identifier: GPL-3.0-or-later
"""Visible pieces of edges: reference implementation in numpy.

Every drawn edge is a segment in the image; each triangle before it takes one interval of the
segment's parameter away. A uniform screen grid finds the candidates. No sampling.

Depth is ``-1 / w`` in perspective, linear over the image of any plane, so that a hidden
interval is an intersection of four half-lines: three sides and one depth plane.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ..scene import LineKind
from .numpy_projection import Occluders, Projection, occluders_near, project
from .records import Pieces, VisibilityInput

__all__ = ["visible_pieces"]

FloatArray = NDArray[np.float64]
IndexArray = NDArray[np.int64]
BoolArray = NDArray[np.bool_]

SEAM = 1e-9
"""Hidden intervals grow by this in t, to close the seams between neighbouring triangles."""
LEAST_PIECE = 4e-9
"""Shorter pieces (in t) are dropped."""
RANKED_BIAS = 1e-6
"""Bias between surfaces of different ranks is at least this."""
COLLINEAR = 1e-12
"""An image point this close (times the side's length) to an interior side lies on it."""
GRID_SCALE = 0.5
LARGEST_GRID = 512
ENTRIES_PER_TRIANGLE = 32
LARGEST_CELL_RANGE = 256
PAIRS_AT_ONCE = 1 << 19
BLOCK = 1 << 15


@dataclass(frozen=True, eq=False)
class _Features:
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

    def take(self, rows: BoolArray) -> _Features:
        return _Features(
            **{name: getattr(self, name)[..., rows] for name in self.__dataclass_fields__}
        )


@dataclass(frozen=True, eq=False)
class _Grid:
    x0: float
    y0: float
    cells_per_unit: float
    width: int
    height: int

    def column(self, x: FloatArray) -> IndexArray:
        cells: IndexArray = np.floor((x - self.x0) * self.cells_per_unit).astype(np.int64)
        return cells

    def row(self, y: FloatArray) -> IndexArray:
        cells: IndexArray = np.floor((y - self.y0) * self.cells_per_unit).astype(np.int64)
        return cells


@dataclass(frozen=True, eq=False)
class _Cuts:
    """Features cut at grid lines, sorted by cell."""

    feature: IndexArray
    t: FloatArray  # (2, n)
    box: FloatArray  # (4, n): x min, y min, -x max, -y max
    far: FloatArray
    cell: IndexArray


def visible_pieces(scene: VisibilityInput) -> Pieces:
    """Return the visible pieces of all drawn edges.

    Parameters
    ----------
    scene
        See `VisibilityInput`.

    Returns
    -------
    Pieces
        Ordered by edge, then along it.

    Notes
    -----
    Quantitative invisibility is replaced by subtraction of intervals; compare A. Appel, "The
    notion of quantitative invisibility and the machine rendering of solids", 1967 (cited from
    memory).
    """
    projection = project(scene)
    features = _clip_to_page(_features(scene, projection), scene.page)
    count = len(features.edge)
    if count == 0:
        return Pieces(
            np.empty(0, np.int32), np.empty(0, np.uint16), np.empty((0, 2)), np.empty((0, 4))
        )
    hidden = [np.empty(0, np.int64)], [np.empty(0)], [np.empty(0)]
    cells = min(max(GRID_SCALE * np.sqrt(len(scene.triangles)), 8), LARGEST_GRID)
    while True:
        grid = _grid_over(features, int(cells))
        cuts = _cut_at_grid_lines(features, grid)
        far = np.full(grid.width * grid.height, -np.inf)
        first = np.flatnonzero(np.diff(cuts.cell, prepend=-1))
        far[cuts.cell[first]] = np.maximum.reduceat(cuts.far, first)
        occluders = occluders_near(scene, projection, grid, far.reshape(grid.height, grid.width))
        small, entries = _cell_ranges(occluders)
        if entries <= ENTRIES_PER_TRIANGLE * len(scene.triangles) + 65536 or cells <= 8:
            break
        cells = cells / 2
    if len(occluders.triangle):
        cell, order = _entries(occluders, grid, far, small)
        _subtract(features, cuts, occluders, cell, order, hidden)
    feature, start, end = _gaps(
        np.concatenate(hidden[0]), np.concatenate(hidden[1]), np.concatenate(hidden[2]), features
    )
    return _pieces(features, feature, start, end)


def _features(scene: VisibilityInput, projection: Projection) -> _Features:
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
    return _Features(
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


def _clip_to_page(features: _Features, page: FloatArray) -> _Features:
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
    clipped = _Features(**{**features.__dict__, "t0": t0, "t1": t1})
    return clipped if np.all(kept) else clipped.take(kept)


def _along(ends: FloatArray, t: FloatArray) -> FloatArray:
    """Interpolate between ends[0] and ends[1], exact at t = 0 and t = 1."""
    step = ends[1] - ends[0]
    point: FloatArray = np.where(t > 0.5, ends[1] - step * (1.0 - t), ends[0] + step * t)
    return point


def _grid_over(features: _Features, cells: int) -> _Grid:
    """Return a grid of about `cells` x `cells` square cells over the clipped features."""
    x = np.stack([_along(features.x, features.t0), _along(features.x, features.t1)])
    y = np.stack([_along(features.y, features.t0), _along(features.y, features.t1)])
    x0, y0 = float(np.min(x)), float(np.min(y))
    width, height = float(np.max(x)) - x0, float(np.max(y)) - y0
    span = max(width, height)
    # A little less than `cells`, so that the far border falls into the last cell.
    per_unit = cells * (1.0 - 1e-9) / span if span > 0.0 else 1.0
    return _Grid(x0, y0, per_unit, int(width * per_unit) + 1, int(height * per_unit) + 1)


def _cut_at_grid_lines(features: _Features, grid: _Grid) -> _Cuts:
    """Cut features so that every piece lies in one cell."""
    count = len(features.edge)
    index = np.arange(count)
    owners, values = [index], [features.t0]
    for ends, origin, cell_of in (
        (features.x, grid.x0, grid.column),
        (features.y, grid.y0, grid.row),
    ):
        a = cell_of(_along(ends, features.t0))
        b = cell_of(_along(ends, features.t1))
        crossings = np.abs(b - a)
        owner = np.repeat(index, crossings)
        local = np.arange(len(owner)) - np.repeat(np.cumsum(crossings) - crossings, crossings)
        line = origin + (np.minimum(a, b)[owner] + 1 + local) / grid.cells_per_unit
        start = ends[0][owner]
        t = (line - start) / (ends[1][owner] - start)
        owners.append(owner)
        values.append(np.clip(t, features.t0[owner], features.t1[owner]))
    owner, start = np.concatenate(owners), np.concatenate(values)
    if len(owner) > count:
        order = np.argsort(2.0 * owner + start, kind="stable")
        owner, start = owner[order], start[order]
    end = np.empty_like(start)
    end[:-1] = start[1:]
    last = np.flatnonzero(np.diff(owner, append=-1))
    end[last] = features.t1[owner[last]]

    step_x = (features.x[1] - features.x[0])[owner]
    step_y = (features.y[1] - features.y[0])[owner]
    step_depth = (features.depth[1] - features.depth[0])[owner]
    x, y, depth = features.x[0][owner], features.y[0][owner], features.depth[0][owner]
    middle = 0.5 * (start + end)
    column = np.clip(grid.column(x + step_x * middle), 0, grid.width - 1)
    row = np.clip(grid.row(y + step_y * middle), 0, grid.height - 1)
    cell = row * grid.width + column
    xa, xb = x + step_x * start, x + step_x * end
    ya, yb = y + step_y * start, y + step_y * end
    far = np.maximum(depth + step_depth * start, depth + step_depth * end)
    far += features.ranked_bias[owner]
    box = np.stack(
        [np.minimum(xa, xb), np.minimum(ya, yb), -np.maximum(xa, xb), -np.maximum(ya, yb)]
    )
    box -= 1e-12  # the products above are rounded
    order = np.argsort(_short(cell, grid), kind="stable")
    return _Cuts(
        feature=owner[order],
        t=np.stack([start[order], end[order]]),
        box=box[:, order],
        far=far[order],
        cell=cell[order],
    )


def _short(cell: IndexArray, grid: _Grid) -> NDArray[np.integer]:
    """Return cell numbers in the type numpy sorts by radix, where they fit."""
    return cell.astype(np.uint16) if grid.width * grid.height <= 1 << 16 else cell


def _cell_ranges(occluders: Occluders) -> tuple[BoolArray, int]:
    """Tell small cell ranges from large, and count the entries of the small."""
    low, high = occluders.cell_low, occluders.cell_high
    area = (high[0] - low[0] + 1) * (high[1] - low[1] + 1)
    small = area <= LARGEST_CELL_RANGE
    return small, int(area[small].sum())


def _entries(
    occluders: Occluders, grid: _Grid, far: FloatArray, small: BoolArray
) -> tuple[IndexArray, IndexArray]:
    """List the occluders of every cell, near to far: (m,) cell and (m,) occluder."""
    low, high = occluders.cell_low, occluders.cell_high
    rows = np.flatnonzero(small)
    width = high[0, rows] - low[0, rows] + 1
    total = width * (high[1, rows] - low[1, rows] + 1)
    owner = np.repeat(np.arange(len(rows)), total)
    local = np.arange(len(owner)) - np.repeat(np.cumsum(total) - total, total)
    width = width[owner]
    down = local // width
    owner = rows[owner]
    cell = (low[1, owner] + down) * grid.width + low[0, owner] + (local - down * width)
    kept = occluders.near[owner] < far[cell]
    cell, owner = cell[kept], owner[kept]
    large = np.flatnonzero(~small)
    if len(large) == 0:
        order = np.argsort(_short(cell, grid), kind="stable")
        return cell[order], owner[order]

    # A large triangle is tried against the occupied cells, not against its whole box.
    cells, owners = [cell], [owner]
    occupied = np.flatnonzero(far > -np.inf)
    row, column = np.divmod(occupied, grid.width)
    at_once = max(1, PAIRS_AT_ONCE // len(occupied))
    size = 1.0 / grid.cells_per_unit
    x, y = grid.x0 + column * size, grid.y0 + row * size
    for first in range(0, len(large), at_once):
        some = large[first : first + at_once]
        hit = occluders.near[some, None] < far[occupied]
        for k in range(3):
            j = (k + 1) % 3
            xk, yk = occluders.x[k, some, None], occluders.y[k, some, None]
            ex, ey = occluders.x[j, some, None] - xk, occluders.y[j, some, None] - yk
            # The corner of the cell farthest inside decides; a cell's width of slack is plenty.
            side = ex * (y + size * (ex > 0) - yk) - ey * (x + size * (ey < 0) - xk)
            hit &= side >= -1e-9 * (np.abs(ex) + np.abs(ey))
        which, where = np.nonzero(hit)
        owners.append(some[which])
        cells.append(occupied[where])
    cell, owner = np.concatenate(cells), np.concatenate(owners)
    order = np.argsort(cell * len(occluders.near) + owner, kind="stable")
    return cell[order], owner[order]


def _subtract(
    features: _Features,
    cuts: _Cuts,
    occluders: Occluders,
    cell: IndexArray,
    order: IndexArray,
    hidden: tuple[list[IndexArray], list[FloatArray], list[FloatArray]],
) -> None:
    """Collect the hidden intervals of all pieces, the nearest triangles first."""
    count = len(occluders.near)
    key = cell * (count + 1) + order
    begin = np.searchsorted(key, cuts.cell * (count + 1))
    deepest = np.searchsorted(occluders.near, cuts.far)
    finish = np.searchsorted(key, cuts.cell * (count + 1) + deepest)
    piece = np.flatnonzero(finish > begin)
    begin, finish = begin[piece], finish[piece]
    occluder_box = np.stack(
        [occluders.x.max(axis=0), occluders.y.max(axis=0),
         -occluders.x.min(axis=0), -occluders.y.min(axis=0)]
    )  # fmt: skip
    batch = 12
    while len(piece):
        stop = np.minimum(begin + batch, finish)
        bounds = np.concatenate([[0], np.cumsum(stop - begin)])
        low = 0
        while low < len(piece):
            high = int(np.searchsorted(bounds, bounds[low] + PAIRS_AT_ONCE, side="right")) - 1
            high = max(high, low + 1)
            lengths = stop[low:high] - begin[low:high]
            pair_piece = np.repeat(piece[low:high], lengths)
            shift = begin[low:high] - (bounds[low:high] - bounds[low])
            pair_entry = np.arange(len(pair_piece)) + np.repeat(shift, lengths)
            found = _hidden_intervals(
                features, cuts, occluders, occluder_box, pair_piece, order[pair_entry]
            )
            for store, values in zip(hidden, found, strict=True):
                store.append(values)  # type: ignore[attr-defined]  # three lists, three types
            low = high
        more = stop < finish
        piece, begin, finish = piece[more], stop[more], finish[more]
        if len(piece):
            seen = _still_visible(features, cuts, hidden, piece)
            piece, begin, finish = piece[seen], begin[seen], finish[seen]
        batch = PAIRS_AT_ONCE


def _still_visible(
    features: _Features,
    cuts: _Cuts,
    hidden: tuple[list[IndexArray], list[FloatArray], list[FloatArray]],
    piece: IndexArray,
) -> BoolArray:
    """Return a mask of the pieces that are not yet hidden wholly."""
    owner, start, end = _gaps(
        np.concatenate(hidden[0]), np.concatenate(hidden[1]), np.concatenate(hidden[2]), features
    )
    feature = cuts.feature[piece]
    if len(owner) == 0:
        return np.zeros(len(piece), bool)
    following = np.searchsorted(2.0 * owner + end, 2.0 * feature + cuts.t[0, piece], side="right")
    inside = np.minimum(following, len(owner) - 1)
    seen: BoolArray = (following < len(owner)) & (
        2.0 * owner[inside] + start[inside] < 2.0 * feature + cuts.t[1, piece]
    )
    return seen


def _hidden_intervals(
    features: _Features,
    cuts: _Cuts,
    occluders: Occluders,
    occluder_box: FloatArray,
    piece: IndexArray,
    occluder: IndexArray,
) -> tuple[IndexArray, FloatArray, FloatArray]:
    """Hide features by triangles, pair by pair: (m,) feature, start and end in t."""
    near = np.take(cuts.box[0], piece) <= np.take(occluder_box[0], occluder)
    for k in range(1, 4):
        near &= np.take(cuts.box[k], piece) <= np.take(occluder_box[k], occluder)
    hit = np.flatnonzero(near)
    feature, occluder = np.take(cuts.feature, np.take(piece, hit)), np.take(occluder, hit)

    touches = []
    for end in (0, 1):
        vertex = np.take(features.vertex[end], feature)
        corner = np.take(occluders.vertex[0], occluder) == vertex
        for k in (1, 2):
            corner |= np.take(occluders.vertex[k], occluder) == vertex
        touches.append(corner & (vertex >= 0))
    triangle = np.take(occluders.triangle, occluder)
    own = np.take(features.face[0], feature) == triangle
    own |= np.take(features.face[1], feature) == triangle
    hit = np.flatnonzero(~(own | (touches[0] & touches[1])))
    feature, occluder = np.take(feature, hit), np.take(occluder, hit)
    touch_a, touch_b = np.take(touches[0], hit), np.take(touches[1], hit)

    xa, xb = np.take(features.x[0], feature), np.take(features.x[1], feature)
    ya, yb = np.take(features.y[0], feature), np.take(features.y[1], feature)
    x = [np.take(occluders.x[k], occluder) for k in range(3)]
    y = [np.take(occluders.y[k], occluder) for k in range(3)]
    crosses = np.ones(len(feature), bool)
    sides = []
    for k in range(3):
        j = (k + 1) % 3
        ex, ey = x[j] - x[k], y[j] - y[k]
        a = ex * (ya - y[k]) - ey * (xa - x[k])
        b = ex * (yb - y[k]) - ey * (xb - x[k])
        interior = np.take(occluders.interior[k], occluder)
        slack = -COLLINEAR * (np.abs(ex) + np.abs(ey))
        a[interior & (a < 0.0) & (a > slack)] = 0.0
        b[interior & (b < 0.0) & (b > slack)] = 0.0
        # Open half-planes, but a point on an interior side is inside.
        crosses &= (np.maximum(a, b) > 0.0) | (interior & (a == 0.0) & (b == 0.0))
        sides.append((a, b))
    hit = np.flatnonzero(crosses)
    feature, occluder = np.take(feature, hit), np.take(occluder, hit)
    touch_a, touch_b = np.take(touch_a, hit), np.take(touch_b, hit)
    sides = [(np.take(a, hit), np.take(b, hit)) for a, b in sides]

    bias = np.take(features.bias, feature)
    if occluders.ranked:
        rank, own_rank = np.take(occluders.rank, occluder), np.take(features.rank, feature)
        ranked = np.take(features.ranked_bias, feature)
        bias = np.where(rank == own_rank, bias, np.where(rank > own_rank, -ranked, ranked))
    depths = [np.take(occluders.depth[k], occluder) for k in range(3)]
    behind = []
    for end, touch in ((0, touch_a), (1, touch_b)):
        s0, s1, s2 = (side[end] for side in sides)
        plane = (s1 * depths[0] + s2 * depths[1] + s0 * depths[2]) / np.take(
            occluders.area2, occluder
        )
        distance = np.take(features.depth[end], feature) - plane - bias
        behind.append(np.where(touch, 0.0, distance))
    sides.append((behind[0], behind[1]))
    start, stop = np.take(features.t0, feature), np.take(features.t1, feature)
    hides = (behind[0] > 0.0) | (behind[1] > 0.0)
    for a, b in sides:
        step = a - b
        turn = np.divide(a, step, out=np.zeros_like(a), where=step != 0.0)
        # Where both are 0 (along an interior side) there is no bound.
        start = np.where((a <= 0.0) & (step != 0.0), np.maximum(start, turn), start)
        stop = np.where((b <= 0.0) & (step != 0.0), np.minimum(stop, turn), stop)
    hit = np.flatnonzero(hides & (stop > start))
    return np.take(feature, hit), np.take(start, hit) - SEAM, np.take(stop, hit) + SEAM


def _gaps(
    owner: IndexArray, start: FloatArray, end: FloatArray, features: _Features
) -> tuple[IndexArray, FloatArray, FloatArray]:
    """Return what a union of intervals leaves of [t0, t1], ordered by feature and t."""
    count = len(features.edge)
    found = []
    # In blocks, because the sort key spends the digits of t on the feature's number.
    for first in range(0, count, BLOCK):
        last = min(first + BLOCK, count)
        rows = np.flatnonzero((owner >= first) & (owner < last)) if count > BLOCK else slice(None)
        every = np.arange(last - first)
        index = np.concatenate([every, owner[rows] - first, every])
        low = np.concatenate([np.full(len(every), -0.25), start[rows], features.t1[first:last]])
        high = np.concatenate([features.t0[first:last], end[rows], np.full(len(every), 1.25)])
        base = 2.0 * index
        order = np.argsort(base + low, kind="stable")
        index, low = index[order], low[order]
        reached = np.maximum.accumulate((base + high)[order])[:-1] - 2.0 * index[:-1]
        gap = np.flatnonzero((low[1:] - reached > LEAST_PIECE) & (index[1:] == index[:-1]))
        found.append((index[gap] + first, reached[gap], low[gap + 1]))
    return (
        np.concatenate([part[0] for part in found]),
        np.concatenate([part[1] for part in found]),
        np.concatenate([part[2] for part in found]),
    )


def _pieces(features: _Features, feature: IndexArray, start: FloatArray, end: FloatArray) -> Pieces:
    """Turn visible intervals into the records that go out."""
    x, y = features.x[:, feature], features.y[:, feature]
    return Pieces(
        edge=features.edge[feature].astype(np.int32),
        kind=features.kind[feature],
        t=np.stack([start, end], axis=1),
        xy=np.stack([_along(x, start), _along(y, start), _along(x, end), _along(y, end)], axis=1),
    )
