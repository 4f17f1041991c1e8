# SPDX-License-Identifier: GPL-3.0-or-later
"""Input for the line kernels as raw arrays, ordinary and nasty."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from beamwright.core.kernels.records import VisibilityInput

CREASE, BORDER, MATERIAL = 2, 4, 8


def edges_of(triangles):
    """Edges, their faces, edges of the sides, flips and face counts of a triangle list."""
    following = np.roll(triangles, -1, axis=1)
    low = np.minimum(triangles, following).ravel().astype(np.int64)
    high = np.maximum(triangles, following).ravel().astype(np.int64)
    _, first, edge, faces = np.unique(
        low << 32 | high, return_index=True, return_inverse=True, return_counts=True
    )
    edge = edge.ravel()
    order = np.argsort(edge, kind="stable")
    start = np.cumsum(faces) - faces
    two = faces >= 2
    edge_faces = np.full((len(first), 2), -1, np.int32)
    edge_faces[:, 0] = order[start] // 3
    edge_faces[two, 1] = order[start[two] + 1] // 3
    rising = (triangles < following).ravel()
    flip = np.zeros(len(first), np.uint8)
    flip[two] = rising[order[start[two]]] == rising[order[start[two] + 1]]
    edges = np.stack([low[first], high[first]], axis=1).astype(np.int32)
    return edges, edge_faces, edge.reshape(-1, 3).astype(np.int32), flip, faces


def view(vertices, triangles, matrix, *, every_edge=False, near=0.1, far=200.0, **columns):
    """Build the kernel's input; `columns` replace members of the record."""
    vertices = np.ascontiguousarray(vertices, np.float64).reshape(-1, 3)
    triangles = np.ascontiguousarray(triangles, np.int32).reshape(-1, 3)
    edges, faces, sides, flip, count = edges_of(triangles)
    with np.errstate(all="ignore"):
        corner = vertices[triangles]
        normal = np.cross(corner[:, 1] - corner[:, 0], corner[:, 2] - corner[:, 0])
        normal /= np.maximum(np.linalg.norm(normal, axis=1), 1e-300)[:, None]
        cosine = (normal[faces[:, 0]] * normal[faces[:, 1]]).sum(axis=1)
    kind = np.where(count != 2, BORDER, 0).astype(np.uint16)
    kind[(count == 2) & (np.where(flip, -cosine, cosine) < np.cos(np.radians(40.0)))] |= CREASE
    if every_edge:
        kind |= MATERIAL
    record = VisibilityInput(
        positions=vertices,
        view_projection=np.ascontiguousarray(matrix, np.float64),
        triangles=triangles,
        edges=edges,
        edge_faces=faces,
        triangle_edges=sides,
        edge_kind=kind,
        edge_silhouette=np.ones(len(edges), np.uint8),
        edge_flip=flip,
        edge_rank=np.zeros(len(edges), np.int16),
        triangle_closed=np.zeros(len(triangles), np.uint8),
        triangle_occludes=np.ones(len(triangles), np.uint8),
        triangle_rank=np.zeros(len(triangles), np.int16),
        page=np.array([-1.0, 1.0, -1.0, 1.0]),
        near=float(near),
        far=float(far),
        bias=1e-7,
    )
    return replace(record, **columns)


def with_edge(record, start, end):
    """Add one loose segment to a scene, drawn whatever it is; nothing else is drawn."""
    count = len(record.edges)
    vertices = len(record.positions)

    def longer(array, row):
        return np.concatenate([array, np.array([row], array.dtype)])

    return replace(
        record,
        positions=np.concatenate([record.positions, np.array([start, end], np.float64)]),
        edges=longer(record.edges, [vertices, vertices + 1]),
        edge_faces=longer(record.edge_faces, [-1, -1]),
        edge_kind=longer(np.zeros(count, np.uint16), 64),
        edge_silhouette=np.zeros(count + 1, np.uint8),
        edge_flip=longer(record.edge_flip, 0),
        edge_rank=longer(record.edge_rank, 0),
    )


def _axes(eye, target):
    eye = np.asarray(eye, float)
    ahead = np.asarray(target, float) - eye
    ahead /= np.linalg.norm(ahead)
    up = np.array([0.0, 0.0, 1.0]) if abs(ahead[2]) < 0.99 else np.array([0.0, 1.0, 0.0])
    right = np.cross(ahead, up)
    right /= np.linalg.norm(right)
    return eye, right, np.cross(right, ahead), ahead


def perspective(eye, target=(0.0, 0.0, 0.0), focal=2.75):
    """View-projection with clip w = distance along the view axis."""
    eye, right, up, ahead = _axes(eye, target)
    matrix = np.zeros((4, 4))
    matrix[0, :3], matrix[1, :3], matrix[2, :3], matrix[3, :3] = right, up, ahead, ahead
    matrix[:, :3] *= np.array([focal, focal, 1.0, 1.0])[:, None]
    matrix[:, 3] = -matrix[:, :3] @ eye
    matrix[2, 3] -= 0.2
    return matrix


def orthographic(eye, target=(0.0, 0.0, 0.0), scale=0.4):
    """View-projection whose third row is the distance along the view axis."""
    eye, right, up, ahead = _axes(eye, target)
    matrix = np.zeros((4, 4))
    matrix[0, :3], matrix[1, :3], matrix[2, :3] = right * scale, up * scale, ahead
    matrix[:, 3] = -matrix[:, :3] @ eye
    matrix[3, 3] = 1.0
    return matrix


def cube(size=1.0, centre=(0.0, 0.0, 0.0)):
    """Eight corners, twelve outward triangles."""
    corners = np.array([[x, y, z] for z in (-1, 1) for y in (-1, 1) for x in (-1, 1)], float)
    quads = [(0, 2, 3, 1), (4, 5, 7, 6), (0, 1, 5, 4), (2, 6, 7, 3), (0, 4, 6, 2), (1, 3, 7, 5)]
    triangles = [t for a, b, c, d in quads for t in ((a, b, c), (a, c, d))]
    return corners * size / 2 + np.asarray(centre, float), np.array(triangles, np.int32)


def merged(*meshes):
    """Put meshes into one vertex and triangle list."""
    shifts = np.cumsum([0, *(len(vertices) for vertices, _ in meshes[:-1])])
    return (
        np.concatenate([vertices for vertices, _ in meshes]),
        np.concatenate(
            [triangles + shift for (_, triangles), shift in zip(meshes, shifts, strict=True)]
        ).astype(np.int32),
    )


def lumpy_ball(level, seed=0, lumps=0.12):
    """A closed ball with folds: an icosahedron, subdivided, its radius modulated."""
    golden = (1 + 5**0.5) / 2
    base = [(-1, golden, 0), (1, golden, 0), (-1, -golden, 0), (1, -golden, 0)]
    vertices = np.array([np.roll(p, shift) for shift in (0, 1, 2) for p in base], float)
    vertices /= np.linalg.norm(vertices[0])
    near = np.linalg.norm(vertices[:, None] - vertices, axis=2) < 1.2
    triangles = np.array(
        [
            (a, b, c) if np.dot(np.cross(vertices[b], vertices[c]), vertices[a]) > 0 else (a, c, b)
            for a in range(12)
            for b in range(a + 1, 12)
            for c in range(b + 1, 12)
            if near[a, b] and near[b, c] and near[a, c]
        ]
    )
    for _ in range(level):
        sides = np.sort(
            np.concatenate([triangles[:, [0, 1]], triangles[:, [1, 2]], triangles[:, [2, 0]]]),
            axis=1,
        )
        unique, inverse = np.unique(sides, axis=0, return_inverse=True)
        middle = vertices[unique].mean(axis=1)
        middle /= np.linalg.norm(middle, axis=1)[:, None]
        ab, bc, ca = inverse.ravel().reshape(3, -1) + len(vertices)
        a, b, c = triangles.T
        triangles = np.concatenate(
            [np.stack(t, axis=1) for t in ((a, ab, ca), (b, bc, ab), (c, ca, bc), (ab, bc, ca))]
        )
        vertices = np.concatenate([vertices, middle])
    random = np.random.default_rng(seed)
    waves, phase = random.normal(0, 4, (8, 3)), random.uniform(0, 6, 8)
    swell = 1 + 0.5 * lumps * np.sin(vertices @ waves.T + phase).sum(axis=1)
    return vertices * swell[:, None], triangles.astype(np.int32)


def crowd(level=2, seed=7, lumps=0.12, columns=5):
    """Balls on a wobbly square grid, turned at random."""
    random = np.random.default_rng(seed)
    balls = []
    for i in range(columns * columns):
        vertices, triangles = lumpy_ball(level, i, lumps)
        turn, _ = np.linalg.qr(random.normal(size=(3, 3)))
        turn[0] *= np.sign(np.linalg.det(turn))
        place = random.uniform(-0.3, 0.3, 3)
        place[:2] += 2.1 * (np.array(divmod(i, columns)) - (columns - 1) / 2)
        balls.append((vertices @ turn.T + place, triangles))
    return merged(*balls)


def triangle_soup(random, kind):
    """Random triangles that share vertices: crossing, repeated, non-manifold, folded.

    `kind` is one of `SOUPS`; on lattices many triangles are coplanar, edges collinear and
    image coincidences exact.
    """
    vertex_count, triangle_count = int(random.integers(3, 40)), int(random.integers(1, 60))
    lattice = kind.startswith("lattice")
    vertices = (
        random.integers(-3, 4, (vertex_count, 3)).astype(float)
        if lattice
        else random.normal(0, 1, (vertex_count, 3))
    )
    triangles = random.integers(0, vertex_count, (triangle_count, 3))
    keep = (triangles != np.roll(triangles, 1, axis=1)).all(axis=1)
    keep[0] = True
    triangles[0] = (0, 1, 2)
    triangles = triangles[keep]
    near = 0.1
    if kind == "lattice on axis":
        matrix = np.round(perspective((0, -8, 0), focal=2.0) * 64) / 64
    elif kind == "lattice on axis, orthographic":
        matrix = orthographic((0, -8, 0), scale=0.25)
    elif kind == "orthographic":
        matrix = orthographic(random.normal(0, 3, 3))
    elif kind == "through the near plane":
        matrix, near = perspective(random.normal(0, 0.5, 3), random.normal(0, 1, 3), 1.0), 0.05
    else:
        matrix = perspective(random.normal(0, 1, 3) + np.array([5, 4, 3]), focal=2.5)
    if lattice:
        # Whether a triangle seen edge-on hides is a matter of rounding: leave those out.
        clip = vertices @ matrix[[0, 1, 3], :3].T + matrix[[0, 1, 3], 3]
        triangles = triangles[np.abs(np.linalg.det(clip[triangles])) > 1e-9]
    record = view(
        vertices, triangles, matrix, near=near, far=30.0, every_edge=bool(random.integers(2))
    )
    if kind != "flags":
        return record
    faces, edges = len(record.triangles), len(record.edges)
    occludes = random.integers(0, 2, faces).astype(np.uint8)
    return replace(
        record,
        triangle_occludes=occludes,
        triangle_closed=random.integers(0, 2, faces).astype(np.uint8) & occludes,
        triangle_rank=random.integers(-2, 3, faces).astype(np.int16),
        edge_rank=random.integers(-2, 3, edges).astype(np.int16),
        edge_silhouette=random.integers(0, 2, edges).astype(np.uint8),
        edge_kind=random.integers(0, 5, edges).astype(np.uint16),
        edge_flip=random.integers(0, 2, edges).astype(np.uint8),
        bias=1e-6,
    )


SOUPS = (
    "general",
    "orthographic",
    "through the near plane",
    "flags",
    "lattice",
    "lattice on axis",
    "lattice on axis, orthographic",
)
