# SPDX-License-Identifier: GPL-3.0-or-later
"""What goes into and comes out of the inner loops, whichever implementation serves."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["Body", "Chains", "CrossingEnds", "JoinInput", "Joined", "Pieces", "VisibilityInput"]


@dataclass(frozen=True, eq=False)
class VisibilityInput:
    """All edges and triangles of a scene, concatenated over its surfaces.

    ``nV, nT, nE`` count vertices, triangles, edges. All arrays are C-contiguous and of
    exactly these types.

    Attributes
    ----------
    positions : (nV, 3) float64
        World space.
    view_projection : (4, 4) float64
        `Camera.view_projection`: aspect folded in, so image lengths and angles are true.
    triangles : (nT, 3) int32
        Counter-clockwise seen from outside (mirrored surfaces already swapped).
    edges : (nE, 2) int32
        Vertex pairs: every mesh edge once, then forced segments (loose, intersection, contour).
        A dot is a vertex paired with itself: visible whole (t 0…1) or not at all.
    edge_faces : (nE, 2) int32
        The two triangles of an edge, -1 for none. A non-manifold edge names two of its faces.
        An intersection segment names the two triangles it lies in.
    triangle_edges : (nT, 3) int32
        Edge of the side from corner k to corner k + 1.
    edge_kind : (nE,) uint16
        `LineKind` bits known without the camera, masked by what the object draws. An edge
        with no bit is drawn only as a silhouette.
    edge_silhouette : (nE,) uint8
        1 where the edge is drawn when it is a silhouette.
    edge_flip : (nE,) uint8
        1 where the two faces wind the same way along the edge (inconsistent orientation).
    edge_rank : (nE,) int16
        Stacking rank of the edge.
    triangle_closed : (nT,) uint8
        1 where the triangle belongs to a closed, consistently oriented part, so that its
        back face need not occlude.
    triangle_occludes : (nT,) uint8
        0 where the object hides nothing.
    triangle_rank : (nT,) int16
        Stacking rank; a higher rank hides coplanar lines of a lower one.
    page : (4,) float64
        x min, x max, y min, y max of the clip rectangle in field coordinates.
    near, far : float
        Perspective: least and greatest distance along the view axis (clip w).
        Orthographic: least and greatest ``view_projection[2] @ (x, y, z, 1)``.
    bias : float
        Relative depth (orthographic: times the depth extent of the scene) within which a
        triangle does not hide. Between different ranks it is at least 1e-6.
    """

    positions: NDArray[np.float64]
    view_projection: NDArray[np.float64]
    triangles: NDArray[np.int32]
    edges: NDArray[np.int32]
    edge_faces: NDArray[np.int32]
    triangle_edges: NDArray[np.int32]
    edge_kind: NDArray[np.uint16]
    edge_silhouette: NDArray[np.uint8]
    edge_flip: NDArray[np.uint8]
    edge_rank: NDArray[np.int16]
    triangle_closed: NDArray[np.uint8]
    triangle_occludes: NDArray[np.uint8]
    triangle_rank: NDArray[np.int16]
    page: NDArray[np.float64]
    near: float
    far: float
    bias: float


@dataclass(frozen=True, eq=False)
class Pieces:
    """Visible pieces of edges, ordered by edge, then along it.

    Attributes
    ----------
    edge : (n,) int32
        Index into `VisibilityInput.edges`.
    kind : (n,) uint16
        `LineKind` bits, the silhouette included.
    t : (n, 2) float64
        Start and end on the edge, 0…1, linear **in the image** along the edge as cut by the
        near and far planes.
    xy : (n, 4) float64
        x0, y0, x1, y1 in field coordinates.
    """

    edge: NDArray[np.int32]
    kind: NDArray[np.uint16]
    t: NDArray[np.float64]
    xy: NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class Chains:
    """Pieces put end to end.

    A half-edge ``2 * piece + end`` stands for a piece walked away from that end: an even one
    from its stored start to its stored end, an odd one backwards.

    Attributes
    ----------
    half_edges : (n,) int64
        Every piece once, in the order of the walk.
    offsets : (k + 1,) int64
        Chain `i` is ``half_edges[offsets[i]:offsets[i + 1]]``.
    closed : (k,) uint8
        1 where the chain returns to the node it starts from and is joined there.
    """

    half_edges: NDArray[np.int64]
    offsets: NDArray[np.int64]
    closed: NDArray[np.uint8]


@dataclass(frozen=True, eq=False)
class JoinInput:
    """Visible pieces on their way into strokes; n of them.

    All arrays are C-contiguous and of exactly these types.

    Attributes
    ----------
    pieces
        As `visible_pieces` gave them.
    group : (n,) int32
        Only pieces of one group (object and colour) are joined. Not negative.
    priority : (n,) int64
        Where lines coincide the smaller stays; of equal ones the first.
    source : (n,) int64
        Stable number of the piece's edge within its owner.
    edges : (nE, 2) int32
        Vertices of the edges that `pieces.edge` counts.
    positions : (nV, 3) float64
        World space.
    height_row : (4,) float64
        Gives a vertex's clip distance.
    near, far
        A vertex whose clip distance is not between them is no end of a piece.
    coincident
        Widest gap between lines that are drawn once, field units; 0 keeps all lines.
    """

    pieces: Pieces
    group: NDArray[np.int32]
    priority: NDArray[np.int64]
    source: NDArray[np.int64]
    edges: NDArray[np.int32]
    positions: NDArray[np.float64]
    height_row: NDArray[np.float64]
    near: float
    far: float
    coincident: float


@dataclass(frozen=True, eq=False)
class Joined:
    """Strokes, ordered by the smallest piece in each; k of them. Dots are left out.

    Attributes
    ----------
    points : (m, 2) float64
    offsets : (k + 1,) int64
    first : (k,) int64
        A piece of each stroke.
    kind : (k,) uint16
        `LineKind` bits of all its pieces.
    smallest : (k,) int64
        Smallest `JoinInput.source` of them.
    """

    points: NDArray[np.float64]
    offsets: NDArray[np.int64]
    first: NDArray[np.int64]
    kind: NDArray[np.uint16]
    smallest: NDArray[np.int64]


@dataclass(frozen=True, eq=False)
class Body:
    """A surface, to be crossed with another. All arrays are C-contiguous.

    Attributes
    ----------
    positions : (nV, 3) float64
    triangles : (nT, 3) int32
    triangle_edges : (nT, 3) int32
        Edge of the side from corner k to corner k + 1.
    edges : (nE, 2) int32
    """

    positions: NDArray[np.float64]
    triangles: NDArray[np.int32]
    triangle_edges: NDArray[np.int32]
    edges: NDArray[np.int32]


@dataclass(frozen=True, eq=False)
class CrossingEnds:
    """Segments in which triangles of two bodies cross, ordered by triangle pair; n of them.

    Attributes
    ----------
    triangles : (n, 2) int32
        Of the first and of the second body.
    side : (n, 2) uint8
        Whose edge pierces the other's triangle at each end: 0 the first body's, 1 the second's.
    edge : (n, 2) int32
        That edge.
    u : (n, 2) float64
        Where on it.
    """

    triangles: NDArray[np.int32]
    side: NDArray[np.uint8]
    edge: NDArray[np.int32]
    u: NDArray[np.float64]
