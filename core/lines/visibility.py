# SPDX-License-Identifier: GPL-3.0-or-later
"""Put a scene's edges before a camera and keep what is seen of them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ..errors import SceneError
from ..kernels import Pieces, VisibilityInput, visible_pieces
from ..scene import Camera, Surface
from .features import SceneArrays, near_far, open_parts

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
    """

    view: VisibilityInput
    pieces: Pieces
    surface: NDArray[np.int32]
    material: NDArray[np.int32]
    source: NDArray[np.int64]


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
    positions = [np.empty((0, 3)), *(surface.positions for surface in surfaces)]
    edges, faces, kinds = [arrays.edges], [arrays.edge_faces], [arrays.edge_kind]
    vertices = int(arrays.vertex_start[-1])
    for part in forced:
        positions.append(part.positions)
        edges.append(part.edges + np.int32(vertices))
        vertices += len(part.positions)
        faces.append(part.faces)
        kinds.append(part.kind)
    added = sum(len(part.edges) for part in forced)
    silhouette, flip, rank = arrays.edge_silhouette, arrays.edge_flip, arrays.edge_rank
    if added:
        none = np.zeros(added, np.uint8)
        silhouette = np.concatenate([silhouette, none])
        flip = np.concatenate([flip, none])
        surface_rank = np.array([surface.lines.rank for surface in surfaces], np.int16)
        rank = np.concatenate([rank, *(surface_rank[part.surface] for part in forced)])

    view = VisibilityInput(
        positions=np.ascontiguousarray(np.concatenate(positions), np.float64),
        view_projection=np.ascontiguousarray(camera.view_projection, np.float64),
        triangles=arrays.triangles,
        edges=np.concatenate(edges) if added else edges[0],
        edge_faces=np.concatenate(faces) if added else faces[0],
        triangle_edges=arrays.triangle_edges,
        edge_kind=np.concatenate(kinds) if added else kinds[0],
        edge_silhouette=silhouette,
        edge_flip=flip,
        edge_rank=rank,
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
    x_min, x_max, y_min, y_max = view.page
    np.clip(pieces.xy, [x_min, y_min] * 2, [x_max, y_max] * 2, out=pieces.xy)
    surface, material, source = _origins(arrays, forced, pieces)
    _take_front_material(arrays, camera, view, pieces, material)
    return SeenEdges(view=view, pieces=pieces, surface=surface, material=material, source=source)


def _origins(
    arrays: SceneArrays, forced: Sequence[ForcedEdges], pieces: Pieces
) -> tuple[NDArray[np.int32], NDArray[np.int32], NDArray[np.int64]]:
    """Return surface, material slot and edge number of each piece."""
    mesh_edges = len(arrays.edges)
    first = int(np.searchsorted(pieces.edge, mesh_edges))  # pieces are ordered by edge
    edge, other = pieces.edge[:first], pieces.edge[first:] - mesh_edges
    surface = arrays.edge_surface[edge]
    material = arrays.edge_material[edge]
    source = edge - arrays.edge_start[surface]
    if len(other):
        surface = np.concatenate(
            [surface, np.concatenate([part.surface for part in forced])[other]]
        )
        material = np.concatenate(
            [material, np.concatenate([part.material for part in forced])[other]]
        )
        source = np.concatenate([source, np.concatenate([part.source for part in forced])[other]])
    return surface, material, source


def _take_front_material(
    arrays: SceneArrays,
    camera: Camera,
    view: VisibilityInput,
    pieces: Pieces,
    material: NDArray[np.int32],
) -> None:
    """Between two materials, draw in that of the face which is seen; in place."""
    edge = pieces.edge[pieces.edge < len(arrays.edges)]
    f, g = arrays.edge_faces[edge].T
    two = np.flatnonzero((f >= 0) & (g >= 0))
    if len(two) == 0:
        return
    two = two[arrays.triangle_material[f[two]] != arrays.triangle_material[g[two]]]
    if len(two) == 0:
        return
    corners = view.triangles[f[two]]
    p0, p1, p2 = (view.positions[corners[:, k]] for k in range(3))
    to_eye = camera.eye - p0 if camera.perspective else -camera.direction
    front = np.sum(np.cross(p1 - p0, p2 - p0) * to_eye, axis=1) > 0.0
    # An edge of an open part may show its face's back; only a closed one has a hidden face.
    hidden = ~front & (view.triangle_closed[f[two]] != 0)
    material[two[hidden]] = arrays.triangle_material[g[two[hidden]]]
