# SPDX-License-Identifier: GPL-3.0-or-later
"""The screen grid: features and occluders by cell: reference in numpy."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from .numpy_features import Features, along
from .numpy_projection import Occluders

__all__ = [
    "PAIRS_AT_ONCE",
    "Cuts",
    "Grid",
    "cell_ranges",
    "cut_at_grid_lines",
    "entries_of",
    "grid_over",
]

FloatArray = NDArray[np.float64]
IndexArray = NDArray[np.int64]
BoolArray = NDArray[np.bool_]

LARGEST_CELL_RANGE = 256
PAIRS_AT_ONCE = 1 << 19


@dataclass(frozen=True, eq=False)
class Grid:
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
class Cuts:
    """Features cut at grid lines, sorted by cell."""

    feature: IndexArray
    t: FloatArray  # (2, n)
    box: FloatArray  # (4, n): x min, y min, -x max, -y max
    far: FloatArray
    cell: IndexArray


def grid_over(features: Features, cells: int) -> Grid:
    """Return a grid of about `cells` x `cells` square cells over the clipped features."""
    x = np.stack([along(features.x, features.t0), along(features.x, features.t1)])
    y = np.stack([along(features.y, features.t0), along(features.y, features.t1)])
    x0, y0 = float(np.min(x)), float(np.min(y))
    width, height = float(np.max(x)) - x0, float(np.max(y)) - y0
    span = max(width, height)
    # A little less than `cells`, so that the far border falls into the last cell.
    per_unit = cells * (1.0 - 1e-9) / span if span > 0.0 else 1.0
    return Grid(x0, y0, per_unit, int(width * per_unit) + 1, int(height * per_unit) + 1)


def cut_at_grid_lines(features: Features, grid: Grid) -> Cuts:
    """Cut features so that every piece lies in one cell."""
    count = len(features.edge)
    index = np.arange(count)
    owners, values = [index], [features.t0]
    for ends, origin, cell_of in (
        (features.x, grid.x0, grid.column),
        (features.y, grid.y0, grid.row),
    ):
        a = cell_of(along(ends, features.t0))
        b = cell_of(along(ends, features.t1))
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
    return Cuts(
        feature=owner[order],
        t=np.stack([start[order], end[order]]),
        box=box[:, order],
        far=far[order],
        cell=cell[order],
    )


def _short(cell: IndexArray, grid: Grid) -> NDArray[np.integer[Any]]:
    """Return cell numbers in the type numpy sorts by radix, where they fit."""
    return cell.astype(np.uint16) if grid.width * grid.height <= 1 << 16 else cell


def cell_ranges(occluders: Occluders) -> tuple[BoolArray, int]:
    """Tell small cell ranges from large, and count the entries of the small."""
    low, high = occluders.cell_low, occluders.cell_high
    area = (high[0] - low[0] + 1) * (high[1] - low[1] + 1)
    small = area <= LARGEST_CELL_RANGE
    return small, int(area[small].sum())


def entries_of(
    occluders: Occluders, grid: Grid, far: FloatArray, small: BoolArray
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
