# SPDX-License-Identifier: GPL-3.0-or-later
"""Visible pieces become strokes: duplicates go, the rest is joined end to end."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from ..kernels import COINCIDENT_FIELD, JoinInput, joined_pieces
from ..scene import LineKind, Surface
from ..strokes import Strokes
from .memory import Bounded
from .visibility import SeenEdges

__all__ = ["chain_strokes"]

# When lines coincide, the kind that stands first stays.
_KIND_ORDER = (
    LineKind.SILHOUETTE,
    LineKind.BORDER,
    LineKind.CREASE,
    LineKind.INTERSECTION,
    LineKind.MATERIAL,
    LineKind.MARK,
    LineKind.DRAWN,
    LineKind.LOOSE,
)
_KIND_PLACE = np.full(2 * int(LineKind.DRAWN), len(_KIND_ORDER), np.int64)
for _place, _kind in reversed(list(enumerate(_KIND_ORDER))):
    _KIND_PLACE[(np.arange(len(_KIND_PLACE)) & int(_kind)) != 0] = _place

STRETCH_SHIFT = 52
"""Bits of `Strokes.identity` from here on number the strokes of one edge."""
LARGEST_GROUP = 2**31 - 1


def chain_strokes(
    seen: SeenEdges, surfaces: Sequence[Surface], remove_coincident: bool = True
) -> Strokes:
    """Join visible pieces into strokes of one object and one colour each.

    Parameters
    ----------
    seen
        Visible pieces.
    surfaces
        Of the scene, for colours and names.
    remove_coincident
        Draw lines that lie on one another once.

    Returns
    -------
    Strokes
        Field coordinates. `kind` holds the bits of all pieces of a stroke; `identity` is
        ``stretch << 52 | object << 32 | smallest edge number`` of them, where the stretch
        counts the strokes that begin with the same edge, along it.
    """
    names = tuple(surface.name for surface in surfaces)
    pieces = seen.pieces
    if len(pieces.edge) == 0:
        return Strokes.empty(names)
    view = seen.view
    matrix = view.view_projection
    table, colour = _colours(seen, surfaces)
    priority = _KIND_PLACE[pieces.kind] << 32
    if np.any(seen.surface_rank):
        priority -= seen.surface_rank[seen.surface]
    joined = joined_pieces(
        JoinInput(
            pieces=pieces,
            group=_groups(seen.surface, colour, len(surfaces), len(table)),
            priority=priority,
            source=seen.source,
            edges=view.edges,
            positions=view.positions,
            height_row=matrix[3] if np.any(matrix[3, :3] != 0.0) else matrix[2],
            near=view.near,
            far=view.far,
            coincident=COINCIDENT_FIELD if remove_coincident else 0.0,
        )
    )
    points, offsets = joined.points, joined.offsets
    first, kind, smallest = joined.first, joined.kind, joined.smallest
    dots = np.flatnonzero(pieces.kind & np.uint16(LineKind.DOT))
    if len(dots):
        points = np.concatenate([points, pieces.xy[dots, :2]])
        offsets = np.concatenate([offsets, offsets[-1] + np.arange(1, len(dots) + 1)])
        first = np.concatenate([first, dots])
        kind = np.concatenate([kind, pieces.kind[dots]])
        smallest = np.concatenate([smallest, seen.source[dots]])
    owner = seen.surface[first]
    return Strokes(
        points=points,
        offsets=offsets,
        colour=table[colour[first]],
        kind=kind,
        object_index=owner,
        identity=_distinct(owner.astype(np.int64) << 32 | smallest),
        object_names=names,
    )


def _distinct(identity: NDArray[np.int64]) -> NDArray[np.int64]:
    """Number strokes of one identity; they come in the order of their pieces, along the edge."""
    order = np.argsort(identity, kind="stable")
    ordered = identity[order]
    again = ordered[1:] == ordered[:-1]
    if not again.any():
        return identity
    place = np.arange(len(ordered))
    start = place.copy()
    start[1:][again] = 0
    stretch = place - np.maximum.accumulate(start)
    result = np.empty_like(identity)
    result[order] = ordered | stretch << STRETCH_SHIFT
    return result


_Palette = tuple[NDArray[np.float64], NDArray[np.int64], NDArray[np.int64], NDArray[np.int64]]
_palettes: Bounded[tuple[bytes, ...], _Palette] = Bounded(8)


def _palette(surfaces: Sequence[Surface]) -> _Palette:
    """Return the distinct colours of a scene and, for each of its slots, the row there.

    Then the first slot of each surface, and the last counted from there.
    """
    key = tuple(surface.colours.tobytes() for surface in surfaces)
    known = _palettes.get(key)
    if known is None:
        slots = np.array([len(surface.colours) for surface in surfaces], np.int64)
        table, row_of = np.unique(
            np.concatenate([surface.colours for surface in surfaces]), axis=0, return_inverse=True
        )
        base = np.concatenate([[0], np.cumsum(slots)])[:-1]
        known = _palettes.put(key, (table, row_of.reshape(-1), base, slots - 1))
    return known


def _colours(
    seen: SeenEdges, surfaces: Sequence[Surface]
) -> tuple[NDArray[np.float64], NDArray[np.int64]]:
    """Return the distinct colours of the scene, and the row of each piece."""
    table, row_of, base, last = _palette(surfaces)
    if len(table) == 1:
        return table, np.zeros(len(seen.surface), np.int64)
    slot = np.minimum(seen.material, last[seen.surface])
    return table, row_of[base[seen.surface] + np.maximum(slot, 0)]


def _groups(
    surface: NDArray[np.int32], colour: NDArray[np.int64], surfaces: int, colours: int
) -> NDArray[np.int32]:
    """Number the pairs of object and colour, (n,)."""
    if colours == 1:
        return surface
    group = surface.astype(np.int64) * colours + colour
    if surfaces * colours > LARGEST_GROUP:
        _, group = np.unique(group, return_inverse=True)
    return group.reshape(-1).astype(np.int32)
