# SPDX-License-Identifier: GPL-3.0-or-later
"""Meshes and cameras for tests, as plain arrays."""

from __future__ import annotations

import numpy as np
from beamwright.core.scene import Camera, DrawingSettings, LineSettings, Scene, Surface, Topology

WHITE = np.ones((1, 3))


def triangulate(faces):
    """Fan-cut polygons: (nT, 3) triangles and their polygons."""
    triangles, polygon = [], []
    for number, face in enumerate(faces):
        for k in range(1, len(face) - 1):
            triangles.append([face[0], face[k], face[k + 1]])
            polygon.append(number)
    return np.array(triangles, np.int32).reshape(-1, 3), np.array(polygon, np.int32)


def surface(
    vertices,
    faces=(),
    name="object",
    *,
    identity=None,
    material=None,
    smooth=False,
    colours=WHITE,
    normals=None,
    mirrored=False,
    marked=(),
    loose_edges=(),
    loose_vertices=(),
    assignment=None,
    **lines,
):
    """Build a `Surface` from polygons; further keywords go to `LineSettings`."""
    vertices = np.array(vertices, float).reshape(-1, 3)
    triangles, polygon = triangulate(faces)
    material = np.zeros(len(faces), np.int32) if material is None else np.asarray(material)
    topology = Topology(
        vertex_count=len(vertices),
        triangles=triangles,
        triangle_polygon=polygon,
        triangle_material=material[polygon].astype(np.int32),
        triangle_smooth=np.full(len(triangles), smooth),
        marked_edges=np.array(marked, np.int32).reshape(-1, 2),
        loose_edges=np.array(loose_edges, np.int32).reshape(-1, 2),
        loose_vertices=np.array(loose_vertices, np.int32).reshape(-1),
    )
    return Surface(
        name=name,
        identity=identity or name,
        topology=topology,
        positions=vertices,
        colours=np.asarray(colours, float),
        mirrored=mirrored,
        lines=LineSettings(**lines),
        vertex_normals=normals,
        **({"assignment": assignment} if assignment else {}),
    )


def box(size=(1, 1, 1), centre=(0, 0, 0), rotation=None, name="box", **kw):
    """A box of six quads, outward."""
    corner = np.array([[x, y, z] for x in (-1, 1) for y in (-1, 1) for z in (-1, 1)]) * 0.5
    vertices = corner * np.asarray(size, float)
    if rotation is not None:
        vertices = vertices @ np.asarray(rotation).T
    faces = [
        [0, 1, 3, 2], [4, 6, 7, 5], [0, 4, 5, 1], [2, 3, 7, 6], [0, 2, 6, 4], [1, 5, 7, 3],
    ]  # fmt: skip
    return surface(vertices + np.asarray(centre, float), faces, name, **kw)


def plate(width=1.0, height=1.0, centre=(0, 0, 0), axes=((1, 0, 0), (0, 1, 0)), name="plate", **kw):
    """A single quad facing axes[0] x axes[1]."""
    x, y = np.asarray(axes, float) * 0.5 * np.array([[width], [height]])
    c = np.asarray(centre, float)
    return surface([c - x - y, c + x - y, c + x + y, c - x + y], [[0, 1, 2, 3]], name, **kw)


def grid_plate(n, size, checker=False, name="grid", rotation=None, centre=(0, 0, 0), **kw):
    """An n x n plate of quads in the plane z = 0; optionally two materials as a checker."""
    line = np.linspace(-size / 2, size / 2, n + 1)
    vertices = np.array([[x, y, 0.0] for y in line for x in line])
    if rotation is not None:
        vertices = vertices @ np.asarray(rotation).T
    faces, material = [], []
    for j in range(n):
        for i in range(n):
            a = j * (n + 1) + i
            faces.append([a, a + 1, a + n + 2, a + n + 1])
            material.append((i + j) % 2 if checker else 0)
    return surface(vertices + np.asarray(centre, float), faces, name, material=material, **kw)


def ico_sphere(subdivisions, radius=1.0, centre=(0, 0, 0), name="sphere", smooth=True, **kw):
    """An icosahedron, each triangle cut into four `subdivisions` times, pushed to the sphere."""
    g = (1 + 5**0.5) / 2
    v = np.array(
        [[-1, g, 0], [1, g, 0], [-1, -g, 0], [1, -g, 0], [0, -1, g], [0, 1, g],
         [0, -1, -g], [0, 1, -g], [g, 0, -1], [g, 0, 1], [-g, 0, -1], [-g, 0, 1]], float,
    )  # fmt: skip
    v /= np.linalg.norm(v[0])
    t = np.array(
        [[0, 11, 5], [0, 5, 1], [0, 1, 7], [0, 7, 10], [0, 10, 11], [1, 5, 9], [5, 11, 4],
         [11, 10, 2], [10, 7, 6], [7, 1, 8], [3, 9, 4], [3, 4, 2], [3, 2, 6], [3, 6, 8],
         [3, 8, 9], [4, 9, 5], [2, 4, 11], [6, 2, 10], [8, 6, 7], [9, 8, 1]]
    )  # fmt: skip
    for _ in range(subdivisions):
        half = np.sort(np.concatenate([t[:, [0, 1]], t[:, [1, 2]], t[:, [2, 0]]]), axis=1)
        pairs, index = np.unique(half, axis=0, return_inverse=True)
        middle = v[pairs].mean(axis=1)
        ab, bc, ca = index.reshape(3, -1) + len(v)
        a, b, c = t.T
        v = np.concatenate([v, middle / np.linalg.norm(middle, axis=1, keepdims=True)])
        t = np.concatenate(
            [np.stack(s, axis=1) for s in ((a, ab, ca), (ab, b, bc), (ca, bc, c), (ab, bc, ca))]
        )
    return surface(
        v * radius + np.asarray(centre, float), t, name, smooth=smooth, normals=v.copy(), **kw
    )


def torus(around, across, major=1.0, minor=0.35, name="torus", smooth=True, spin=0.0, **kw):
    """A torus about z; quads."""
    u = np.arange(around) * 2 * np.pi / around + spin
    w = np.arange(across) * 2 * np.pi / across
    u, w = (m.reshape(-1) for m in np.meshgrid(u, w, indexing="ij"))
    ring = major + minor * np.cos(w)
    vertices = np.stack([ring * np.cos(u), ring * np.sin(u), minor * np.sin(w)], axis=1)
    normals = np.stack([np.cos(w) * np.cos(u), np.cos(w) * np.sin(u), np.sin(w)], axis=1)
    faces = [
        [i * across + j, (i + 1) % around * across + j,
         (i + 1) % around * across + (j + 1) % across, i * across + (j + 1) % across]
        for i in range(around) for j in range(across)
    ]  # fmt: skip
    return surface(vertices, faces, name, smooth=smooth, normals=normals, **kw)


def cylinder(sides, radius=1.0, depth=2.0, centre=(0, 0, 0), rotation=None, name="cylinder", **kw):
    """A cylinder about z with polygon caps."""
    a = np.arange(sides) * 2 * np.pi / sides
    ring = np.stack([radius * np.cos(a), radius * np.sin(a)], axis=1)
    vertices = np.concatenate(
        [np.column_stack([ring, np.full(sides, z)]) for z in (-depth / 2, depth / 2)]
    )
    if rotation is not None:
        vertices = vertices @ np.asarray(rotation).T
    faces = [[i, (i + 1) % sides, (i + 1) % sides + sides, i + sides] for i in range(sides)]
    faces += [list(range(sides - 1, -1, -1)), list(range(sides, 2 * sides))]
    return surface(vertices + np.asarray(centre, float), faces, name, **kw)


def look_at(
    eye,
    target=(0, 0, 0),
    *,
    up=(0, 0, 1),
    angle_rad=0.6981317007977318,
    near=0.1,
    far=1000.0,
    orthographic=None,
    aspect=1.0,
):
    """A camera; `angle_rad` across the longer side, or `orthographic` world units across it."""
    eye, target = np.asarray(eye, float), np.asarray(target, float)
    forward = (target - eye) / np.linalg.norm(target - eye)
    right = np.cross(forward, np.asarray(up, float))
    if np.linalg.norm(right) < 1e-9:
        right = np.cross(forward, [0.0, 1.0, 0.0])
    right /= np.linalg.norm(right)
    above = np.cross(right, forward)
    view = np.eye(4)
    view[:3, :3] = [right, above, forward]
    view[:3, 3] = -view[:3, :3] @ eye
    matrix = np.zeros((4, 4))
    if orthographic is None:
        focal = 1.0 / np.tan(angle_rad / 2)
        matrix[0, 0] = matrix[1, 1] = focal
        matrix[2, 2:] = [(far + near) / (far - near), -2 * far * near / (far - near)]
        matrix[3, 2] = 1.0
    else:
        matrix[0, 0] = matrix[1, 1] = 2.0 / orthographic
        matrix[2, 2:] = [2.0 / (far - near), -(far + near) / (far - near)]
        matrix[3, 3] = 1.0
    return Camera(
        view_projection=matrix @ view,
        half_width=min(1.0, aspect),
        half_height=min(1.0, 1.0 / aspect),
        clip_start=near,
        clip_end=far,
        eye=eye,
        direction=forward,
    )


def scene(*surfaces, camera, **drawing):
    """One frame."""
    return Scene("test", 1, list(surfaces), camera, DrawingSettings(**drawing))


def rotation(rng):
    """A uniformly random rotation (QR of a normal matrix)."""
    q, r = np.linalg.qr(rng.normal(size=(3, 3)))
    q = q * np.sign(np.diag(r))
    return q if np.linalg.det(q) > 0 else q[:, ::-1] * 1.0


def seen_edges(*surfaces, camera, bias=1e-7, forced=()):
    """Visible pieces of some surfaces."""
    from beamwright.core.lines import features, visibility

    return visibility.see(features.collect(surfaces), surfaces, camera, forced, bias)


def visible_length(view, pieces, edge=None):
    """Total of t over the pieces, of one edge or of all."""
    rows = slice(None) if edge is None else pieces.edge == edge
    return float(np.sum(pieces.t[rows, 1] - pieces.t[rows, 0]))


def ray_hits(origin, target, triangles, positions, slack):
    """Parameters along origin→target (0…1) of all crossings, brute force.

    Moeller-Trumbore (1997), written apart from the code under test. A positive `slack` leaves
    out crossings near a triangle's border, a negative one lets them in.
    """
    a, b, c = (positions[triangles[:, k]] for k in range(3))
    d = np.asarray(target) - origin
    e1, e2 = b - a, c - a
    p = np.cross(np.broadcast_to(d, e2.shape), e2)
    det = np.einsum("ij,ij->i", e1, p)
    with np.errstate(divide="ignore", invalid="ignore"):
        s = origin - a
        u = np.einsum("ij,ij->i", s, p) / det
        q = np.cross(s, e1)
        v = np.einsum("j,ij->i", d, q) / det
        t = np.einsum("ij,ij->i", e2, q) / det
        return t[(det != 0) & (u > slack) & (v > slack) & (u + v < 1 - slack)]


def _cut_edges(view):
    """World ends of all edges cut by the near and far planes, their heights, which are left."""
    row = view.view_projection[3]
    perspective = bool(np.any(row[:3] != 0))
    if not perspective:
        row = view.view_projection[2]
    a, b = (view.positions[view.edges[:, k]] for k in (0, 1))
    ha, hb = (p @ row[:3] + row[3] for p in (a, b))
    with np.errstate(divide="ignore", invalid="ignore"):
        ua = np.where(ha < view.near, (view.near - ha) / (hb - ha), 0.0)
        ua = np.where(ha > view.far, (view.far - ha) / (hb - ha), ua)
        ub = np.where(hb < view.near, (view.near - ha) / (hb - ha), 1.0)
        ub = np.where(hb > view.far, (view.far - ha) / (hb - ha), ub)
        first, last = a + ua[:, None] * (b - a), a + ub[:, None] * (b - a)
        wa, wb = ha + ua * (hb - ha), ha + ub * (hb - ha)
    left = ~((ha < view.near) & (hb < view.near)) & ~((ha > view.far) & (hb > view.far))
    return first, last, wa, wb, left, perspective


def world_points(view, edge, t):
    """World points at image parameters t of edges."""
    first, last, wa, wb, _, perspective = _cut_edges(view)
    s = (t / wb[edge]) / ((1 - t) / wa[edge] + t / wb[edge]) if perspective else t
    return first[edge] + s[:, None] * (last[edge] - first[edge])


def ray_check(view, pieces, camera, margin=1e-6):
    """Hold the middles of all visible and all removed stretches against brute-force rays.

    Returns
    -------
    wrong_visible, wrong_removed, visible, removed
        Counts. Stretches within the margin of a decision are not counted as wrong.
    """
    positions = view.positions
    triangles = view.triangles[view.triangle_occludes != 0]
    _, _, _, _, left, perspective = _cut_edges(view)

    def hidden(point, slack):
        if perspective:
            depth = (point - camera.eye) @ camera.direction
            origin = camera.eye + (point - camera.eye) * (camera.clip_start / depth)
        else:
            depth = (point - camera.eye) @ camera.direction
            origin = point - camera.direction * (depth - camera.clip_start)
        hits = ray_hits(origin, point, triangles, positions, slack)
        edge_of = 1.0 - (margin if slack > 0 else 1e-10)
        return bool(np.any((hits > 0) & (hits < edge_of)))

    middle = pieces.t.mean(axis=1)
    points = world_points(view, pieces.edge, middle)
    wrong_visible = sum(hidden(point, 1e-6) for point in points)

    # Drawn edges, facing told by plane normals and the eye.
    p0, p1, p2 = (positions[view.triangles[:, k]] for k in range(3))
    normal = np.cross(p1 - p0, p2 - p0)
    to_eye = (camera.eye - p0) if perspective else np.broadcast_to(-camera.direction, p0.shape)
    front = np.append(np.einsum("ij,ij->i", normal, to_eye) > 0, False)
    f = view.edge_faces
    silhouette = (f >= 0).all(axis=1) & ((front[f[:, 0]] != front[f[:, 1]]) ^ (view.edge_flip > 0))
    drawn = (view.edge_kind != 0) | (silhouette & (view.edge_silhouette != 0))
    wrong_removed = removed = 0
    x_min, x_max, y_min, y_max = view.page
    for edge in np.flatnonzero(drawn & left & (view.edges[:, 0] != view.edges[:, 1])):
        spans = pieces.t[pieces.edge == edge]
        bounds = np.concatenate([[0.0], spans.reshape(-1), [1.0]]).reshape(-1, 2)
        # Look in several places, since the page may cut a stretch.
        for start, end in bounds[bounds[:, 1] - bounds[:, 0] > 1e-4]:
            ts = start + (end - start) * np.array([0.03, 0.31, 0.5, 0.77])
            for point in world_points(view, np.full(4, edge), ts):
                clip = view.view_projection @ np.append(point, 1.0)
                x, y = clip[:2] / clip[3]
                if not (x_min < x < x_max and y_min < y < y_max):
                    continue
                removed += 1
                wrong_removed += not hidden(point, -1e-6)
    return wrong_visible, wrong_removed, len(pieces.edge), removed
