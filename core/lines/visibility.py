# SPDX-License-Identifier: GPL-3.0-or-later
"""Put a scene's edges before a camera and keep what is seen of them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ..errors import SceneError
from ..kernels import Pieces, VisibilityInput, visible_pieces
from ..scene import Camera, Surface
from .features import SceneArrays, near_far, open_parts
from .memory import ByParts

__all__ = ["ForcedEdges", "SeenEdges", "see"]

FloatArray = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class ForcedEdges:
    """Segments that are no mesh edges: intersections and smooth contours.

    Attributes
    ----------
    positions : (nP, 3) float64
        World space; segments that meet share a point.
    edges : (n, 2) int32
        Into `positions`.
    faces : (n, 2) int32
        Triangles of the scene the segment lies in, -1 for none.
    kind : (n,) uint16
    surface : (n,) int32
        Owner.
    material : (n,) int32
    source : (n,) int64
        Stable number within the owner, at least 2**31 so that no mesh edge has it.
    """

    positions: FloatArray
    edges: NDArray[np.int32]
    faces: NDArray[np.int32]
    kind: NDArray[np.uint16]
    surface: NDArray[np.int32]
    material: NDArray[np.int32]
    source: NDArray[np.int64]

    @classmethod
    def none(cls) -> ForcedEdges:
        """No segments at all."""
        empty = np.empty(0, np.int32)
        return cls(
            positions=np.empty((0, 3)),
            edges=np.empty((0, 2), np.int32),
            faces=np.empty((0, 2), np.int32),
            kind=np.empty(0, np.uint16),
            surface=empty,
            material=empty,
            source=np.empty(0, np.int64),
        )


@dataclass(frozen=True, eq=False)
class SeenEdges:
    """Visible pieces and what is known of their edges.

    Attributes
    ----------
    view
        What the kernel was given.
    pieces
        What it gave back.
    surface, material : (n,) int32
        Owner and material slot of each piece.
    source : (n,) int64
        Number of the piece's edge within its owner.
    surface_rank : (nS,) int64
        Stacking rank of each surface of the scene.
    """

    view: VisibilityInput
    pieces: Pieces
    surface: NDArray[np.int32]
    material: NDArray[np.int32]
    source: NDArray[np.int64]
    surface_rank: NDArray[np.int64]


@dataclass(frozen=True, eq=False)
class _Assembled:
    """A scene's edges with the forced ones behind them; everything but the camera."""

    positions: FloatArray
    edges: NDArray[np.int32]
    edge_faces: NDArray[np.int32]
    edge_kind: NDArray[np.uint16]
    edge_silhouette: NDArray[np.uint8]
    edge_flip: NDArray[np.uint8]
    edge_rank: NDArray[np.int16]
    edge_surface: NDArray[np.int32]
    edge_material: NDArray[np.int32]
    edge_source: NDArray[np.int64]


_assembled: ByParts[_Assembled] = ByParts(2)


def see(
    arrays: SceneArrays,
    surfaces: Sequence[Surface],
    camera: Camera,
    forced: Sequence[ForcedEdges] = (),
    depth_bias: float = 1e-7,
) -> SeenEdges:
    """Return the visible pieces of a scene's edges.

    Parameters
    ----------
    arrays
        `features.collect(surfaces)`.
    forced
        Further segments.
    depth_bias
        Relative depth below which two surfaces count as touching.

    Raises
    ------
    SceneError
        Where the camera's clip distances leave nothing to see.
    """
    near, far = near_far(camera)
    room = near < far and camera.clip_start < camera.clip_end
    if not (room and (near > 0.0 or not camera.perspective)):
        raise SceneError(
            f"The camera's clip distances {camera.clip_start:g} to {camera.clip_end:g} leave no "
            "room to see anything: the start must be above 0 and below the end"
        )
    parts = (arrays, *surfaces, *forced)
    # While nothing moves but the camera, all of this stays as it is.
    scene = _assembled.get(parts) or _assembled.put(parts, _assemble(arrays, surfaces, forced))
    view = VisibilityInput(
        positions=scene.positions,
        view_projection=np.ascontiguousarray(camera.view_projection, np.float64),
        triangles=arrays.triangles,
        edges=scene.edges,
        edge_faces=scene.edge_faces,
        triangle_edges=arrays.triangle_edges,
        edge_kind=scene.edge_kind,
        edge_silhouette=scene.edge_silhouette,
        edge_flip=scene.edge_flip,
        edge_rank=scene.edge_rank,
        triangle_closed=open_parts(arrays, surfaces, camera),
        triangle_occludes=arrays.triangle_occludes,
        triangle_rank=arrays.triangle_rank,
        page=np.array(
            [-camera.half_width, camera.half_width, -camera.half_height, camera.half_height]
        ),
        near=near,
        far=far,
        bias=depth_bias,
    )
    pieces = visible_pieces(view)
    # Where the page cuts, rounding may leave a point outside by a last digit.
    corner = np.array([camera.half_width, camera.half_height] * 2)
    np.maximum(np.minimum(pieces.xy, corner, out=pieces.xy), -corner, out=pieces.xy)
    material = scene.edge_material[pieces.edge]
    if arrays.two_materials is not None:
        _take_front_material(arrays, arrays.two_materials, camera, view, pieces, material)
    return SeenEdges(
        view=view,
        pieces=pieces,
        surface=scene.edge_surface[pieces.edge],
        material=material,
        source=scene.edge_source[pieces.edge],
        surface_rank=arrays.surface_rank,
    )


def _assemble(
    arrays: SceneArrays, surfaces: Sequence[Surface], forced: Sequence[ForcedEdges]
) -> _Assembled:
    positions = [surface.positions for surface in surfaces] + [part.positions for part in forced]
    starts = np.cumsum([arrays.vertex_start[-1], *(len(part.positions) for part in forced)])
    shifted = [
        part.edges + np.int32(start) for part, start in zip(forced, starts[:-1], strict=True)
    ]
    none = np.zeros(sum(len(part.edges) for part in forced), np.uint8)
    rank = [arrays.surface_rank[part.surface].astype(np.int16) for part in forced]

    def joined(first: NDArray[Any], rest: Sequence[NDArray[Any]]) -> NDArray[Any]:
        return np.concatenate([first, *rest]) if rest else first

    return _Assembled(
        positions=np.ascontiguousarray(np.concatenate([np.empty((0, 3)), *positions])),
        edges=joined(arrays.edges, shifted),
        edge_faces=joined(arrays.edge_faces, [part.faces for part in forced]),
        edge_kind=joined(arrays.edge_kind, [part.kind for part in forced]),
        edge_silhouette=joined(arrays.edge_silhouette, [none] if len(none) else []),
        edge_flip=joined(arrays.edge_flip, [none] if len(none) else []),
        edge_rank=joined(arrays.edge_rank, rank),
        edge_surface=joined(arrays.edge_surface, [part.surface for part in forced]),
        edge_material=joined(arrays.edge_material, [part.material for part in forced]),
        edge_source=joined(arrays.edge_source, [part.source for part in forced]),
    )


def _take_front_material(
    arrays: SceneArrays,
    two_materials: NDArray[np.bool_],
    camera: Camera,
    view: VisibilityInput,
    pieces: Pieces,
    material: NDArray[np.int32],
) -> None:
    """Between two materials, draw in that of the face which is seen; in place."""
    mesh_pieces = int(np.searchsorted(pieces.edge, len(arrays.edges)))  # ordered by edge
    edge = pieces.edge[:mesh_pieces]
    two = np.flatnonzero(two_materials[edge])
    if len(two) == 0:
        return
    f, g = arrays.edge_faces[edge].T
    corners = view.triangles[f[two]]
    p0, p1, p2 = (view.positions[corners[:, k]] for k in range(3))
    to_eye = camera.eye - p0 if camera.perspective else -camera.direction
    front = np.sum(np.cross(p1 - p0, p2 - p0) * to_eye, axis=1) > 0.0
    # An edge of an open part may show its face's back; only a closed one has a hidden face.
    hidden = ~front & (view.triangle_closed[f[two]] != 0)
    material[two[hidden]] = arrays.triangle_material[g[two[hidden]]]
