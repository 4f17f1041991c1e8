# SPDX-License-Identifier: GPL-3.0-or-later
"""Strokes: a ragged array of polylines with one row of columns for each."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from numpy.typing import ArrayLike, NDArray

__all__ = ["Strokes"]

FloatArray = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class Strokes:
    """Polylines in field coordinates (see `scene`), or in a projector's field once aimed.

    Stroke `i` is ``points[offsets[i]:offsets[i + 1]]``. A closed stroke repeats its first
    point at the end, bit for bit. A stroke of a single point is a beam dot.

    Attributes
    ----------
    points : (n, 2) float64
    offsets : (k + 1,) int64
        Rising, from 0 to n; every stroke has at least one point.
    colour : (k, 3) float64
        RGB, 0…1.
    kind : (k,) uint16
        `LineKind` bits.
    object_index : (k,) int32
        Index into `Scene.surfaces` and `object_names`.
    identity : (k,) int64
        Stable from frame to frame as far as the geometry is (object and smallest source edge).
    object_names
        One for each surface of the scene.
    """

    points: FloatArray
    offsets: NDArray[np.int64]
    colour: FloatArray
    kind: NDArray[np.uint16]
    object_index: NDArray[np.int32]
    identity: NDArray[np.int64]
    object_names: tuple[str, ...] = ()

    def __len__(self) -> int:
        return len(self.offsets) - 1

    @cached_property
    def counts(self) -> NDArray[np.int64]:
        """Points of each stroke, (k,)."""
        return np.diff(self.offsets)

    @cached_property
    def closed(self) -> NDArray[np.bool_]:
        """True where a stroke of three points or more ends exactly where it starts, (k,)."""
        if len(self) == 0:
            return np.zeros(0, bool)
        first = self.points[self.offsets[:-1]]
        last = self.points[self.offsets[1:] - 1]
        result: NDArray[np.bool_] = (self.counts > 2) & np.all(first == last, axis=1)
        return result

    @property
    def lengths(self) -> FloatArray:
        """Arc length of each stroke in field units, (k,)."""
        if len(self.points) == 0:
            return np.zeros(len(self))
        step = np.zeros(len(self.points))
        step[1:] = np.hypot(*np.diff(self.points, axis=0).T)
        step[self.offsets[:-1]] = 0.0
        lengths: FloatArray = np.add.reduceat(step, self.offsets[:-1])
        return lengths

    @property
    def stroke_of_point(self) -> NDArray[np.int64]:
        """Stroke index of each point, (n,)."""
        return np.repeat(np.arange(len(self), dtype=np.int64), self.counts)

    def polyline(self, index: int) -> FloatArray:
        """Points of one stroke, (m, 2); a view."""
        return self.points[self.offsets[index] : self.offsets[index + 1]]

    def with_points(self, points: FloatArray) -> Strokes:
        """Return the same strokes with moved points, (n, 2)."""
        return replace(self, points=np.ascontiguousarray(points, np.float64))

    def take(self, indices: ArrayLike) -> Strokes:
        """Return the strokes at `indices` (integers or a boolean mask), in that order."""
        rows = np.asarray(indices)
        if rows.dtype == bool:
            rows = np.flatnonzero(rows)
        rows = rows.astype(np.int64)
        counts = self.counts[rows]
        offsets = np.concatenate([[0], np.cumsum(counts)]).astype(np.int64)
        source = np.repeat(self.offsets[rows] - offsets[:-1], counts) + np.arange(offsets[-1])
        return Strokes(
            points=self.points[source],
            offsets=offsets,
            colour=self.colour[rows],
            kind=self.kind[rows],
            object_index=self.object_index[rows],
            identity=self.identity[rows],
            object_names=self.object_names,
        )

    @classmethod
    def empty(cls, object_names: Sequence[str] = ()) -> Strokes:
        """No strokes at all."""
        return cls.from_polylines([], object_names=object_names)

    @classmethod
    def from_polylines(
        cls,
        polylines: Sequence[ArrayLike],
        *,
        colour: ArrayLike = (1.0, 1.0, 1.0),
        kind: ArrayLike = 256,
        object_index: ArrayLike = 0,
        identity: ArrayLike | None = None,
        object_names: Sequence[str] = ("",),
    ) -> Strokes:
        """Build strokes from a list of (m, 2) arrays; columns are broadcast.

        `kind` defaults to `LineKind.DRAWN`, `identity` to the position in the list.
        """
        count = len(polylines)
        arrays = [np.asarray(line, np.float64).reshape(-1, 2) for line in polylines]
        offsets = np.zeros(count + 1, np.int64)
        if count:
            offsets[1:] = np.cumsum([len(line) for line in arrays])
        points = np.concatenate(arrays) if count else np.empty((0, 2))
        return cls(
            points=np.ascontiguousarray(points),
            offsets=offsets,
            colour=np.broadcast_to(np.asarray(colour, np.float64), (count, 3)).copy(),
            kind=np.broadcast_to(np.asarray(kind, np.uint16), (count,)).copy(),
            object_index=np.broadcast_to(np.asarray(object_index, np.int32), (count,)).copy(),
            identity=(
                np.arange(count, dtype=np.int64)
                if identity is None
                else np.broadcast_to(np.asarray(identity, np.int64), (count,)).copy()
            ),
            object_names=tuple(object_names),
        )

    @classmethod
    def concatenate(cls, parts: Sequence[Strokes]) -> Strokes:
        """Join stroke sets that share their `object_names`."""
        if not parts:
            return cls.empty()
        shifts = np.cumsum([0, *(len(part.points) for part in parts[:-1])])
        return cls(
            points=np.concatenate([part.points for part in parts]),
            offsets=np.concatenate(
                [
                    [0],
                    *(part.offsets[1:] + shift for part, shift in zip(parts, shifts, strict=True)),
                ]
            ).astype(np.int64),
            colour=np.concatenate([part.colour for part in parts]),
            kind=np.concatenate([part.kind for part in parts]),
            object_index=np.concatenate([part.object_index for part in parts]),
            identity=np.concatenate([part.identity for part in parts]),
            object_names=parts[0].object_names,
        )
