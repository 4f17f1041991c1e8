# SPDX-License-Identifier: GPL-3.0-or-later
"""Flat pages in space: they become surfaces that hide and are hidden like any mesh.

What is decided within a page is decided flat, where it is exact: its lines are cut by stacking
order first (`occlusion`). What is left goes into the scene as loose edges, and the opaque
regions as one triangulated surface that draws nothing and hides what lies behind. All surfaces
of a plane share a rank, so the page's own fills, which lie in the plane of its lines, hide none
of them; between pages in one plane the higher rank wins. Hidden-line removal then treats pages
turned in space, crossing one another, and meshes alike.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import shapely
from numpy.typing import ArrayLike, NDArray

from ..errors import SettingError
from ..scene import Assignment, Camera, LineKind, LineSettings, Surface, Topology
from ..writing import WriteSettings
from .ink import ArtworkCache, ArtworkSettings, Recent
from .occlusion import PageLines, visible_lines
from .regions import Geometries
from .shapes import Page

__all__ = ["Card", "CardCache", "card_surfaces", "page_tolerance", "plane_through"]

FloatArray = NDArray[np.float64]
TIP_COLOUR = (1.0, 1.0, 1.0)
LOWEST_RANK = -32768
MOST_STEPS_ACROSS = 200_000


@dataclass(frozen=True, eq=False)
class Card:
    """A page placed in the world.

    Attributes
    ----------
    name
        The object's name.
    page
        What is drawn on it.
    matrix : (4, 4) float64
        Page space (x, y, 0, 1) to world space.
    layer_matrices
        By layer name, for layers that stand elsewhere (parallax); they replace `matrix`.
    rank
        Decides between pages in one plane: the higher lies on top.
    settings
        How the page becomes lines.
    hides
        The fills hide what lies behind the page.
    assignment, layer_assignments
        Where the lines go; by layer name where a layer goes elsewhere.
    writing
        Write-on state of the whole page, or by layer name.
    tip_colour
        Colour of the beam dot where a line is being written on; None for no dot.
    reversed_behind
        From behind, the stacking order is reversed, as with cut paper; else it is the same
        from both sides.
    blank_behind
        From behind nothing is drawn: only the fills hide. In one plane the side that faces the
        viewer lies on top, so two such pages back to back are the two sides of one card.
    """

    name: str
    page: Page
    matrix: FloatArray
    layer_matrices: Mapping[str, FloatArray] = field(default_factory=dict)
    rank: int = 0
    settings: ArtworkSettings = field(default_factory=ArtworkSettings)
    hides: bool = True
    assignment: Assignment = field(default_factory=Assignment)
    layer_assignments: Mapping[str, Assignment] = field(default_factory=dict)
    writing: WriteSettings | Mapping[str, WriteSettings] | None = None
    tip_colour: tuple[float, float, float] | None = None
    reversed_behind: bool = False
    blank_behind: bool = False

    def __post_init__(self) -> None:
        if not LOWEST_RANK <= self.rank <= 32767:
            raise SettingError(f"The rank of {self.name} is {self.rank}; the limit is ±32767.")


@dataclass(frozen=True, eq=False)
class _Wire:
    """Lines of one layer and colour, as loose edges, or its dots."""

    layer: int
    colour: FloatArray
    topology: Topology
    points: FloatArray
    what: str = ""


@dataclass(frozen=True, eq=False)
class _Sheet:
    """All of a page that stands in one plane, in page space."""

    wires: tuple[_Wire, ...]
    cover: Topology | None
    cover_points: FloatArray
    tip: FloatArray
    tip_layer: NDArray[np.int32]


class CardCache:
    """Keeps pages' geometry from frame to frame: one for each card."""

    def __init__(self, capacity: int = 4096) -> None:
        self.artwork = ArtworkCache(capacity)
        self.sheets: Recent[_Sheet] = Recent(16)
        self.covers: Recent[tuple[FloatArray, Topology]] = Recent(16)


def plane_through(points: ArrayLike, tolerance: float) -> FloatArray | None:
    """Return the matrix of the plane some points lie in, None where they lie in none.

    Parameters
    ----------
    points : (n, 3)
        World space.
    tolerance
        Largest distance from the plane, world units.

    Returns
    -------
    (4, 4) float64
        Page space (x, y, 0, 1) to world space, a rotation and a shift: its origin in the middle
        of the points, its y axis as far upwards (world z) as the plane allows. Coordinates of
        the points in the plane are ``(inverse @ point)[:2]``. Points on a line, or too few, get
        the most upright plane through them.
    """
    points = np.asarray(points, np.float64).reshape(-1, 3)
    matrix = np.eye(4)
    if len(points) == 0:
        return matrix
    middle = points.mean(axis=0)
    _, spread, axes = np.linalg.svd(points - middle, full_matrices=True)
    normal = axes[2]
    if len(spread) < 2 or spread[1] <= tolerance:
        along = axes[0] if len(spread) and spread[0] > tolerance else np.array([1.0, 0.0, 0.0])
        # Any plane through the line will do: the one that stands most upright.
        sideways = np.array([0.0, 0.0, 1.0]) if abs(along[2]) < 0.9 else np.array([1.0, 0.0, 0.0])
        normal = np.cross(along, sideways)
    normal = normal / np.linalg.norm(normal)
    if np.abs((points - middle) @ normal).max() > tolerance:
        return None
    up = np.array([0.0, 0.0, 1.0]) - normal[2] * normal
    if np.linalg.norm(up) < 1e-6:  # the plane lies flat: y away from the viewer
        up = np.array([0.0, 1.0, 0.0]) - normal[1] * normal
    up = up / np.linalg.norm(up)
    # Seen from -y, as Blender's front view does, or from above.
    if normal[1] > 1e-9 or (abs(normal[1]) <= 1e-9 and normal.sum() < 0.0):
        normal = -normal
    matrix[:3, 0], matrix[:3, 1], matrix[:3, 2] = np.cross(up, normal), up, normal
    flat = (points - middle) @ matrix[:3, :2]
    matrix[:3, 3] = middle + matrix[:3, :2] @ (flat.min(axis=0) + flat.max(axis=0)) / 2.0
    return matrix


def page_tolerance(page: Page, matrix: ArrayLike, camera: Camera, tolerance_field: float) -> float:
    """Return the flattening tolerance in page units that gives `tolerance_field` on the screen.

    Taken where the page (its drawing, if it has no size) is seen largest, and rounded down to
    a half power of two, so that a moving camera rarely makes the curves anew.
    """
    matrix = np.asarray(matrix, np.float64)
    if page.bounded:
        half = np.array([page.width, page.height]) / 2.0
        low, high = -half, half
    elif len(page.knots):
        low, high = page.knots[:, 1].min(axis=0), page.knots[:, 1].max(axis=0)
    else:
        return float(tolerance_field)
    across = np.linspace(0.0, 1.0, 5)
    x, y = np.meshgrid(*(low[:, None] + (high - low)[:, None] * across))
    flat = np.stack([x.ravel(), y.ravel(), np.zeros(25), np.ones(25)], axis=1)
    whole = camera.view_projection @ matrix
    clip = flat @ whole.T
    w = np.maximum(clip[:, 3:], camera.clip_start) if camera.perspective else clip[:, 3:]
    # Derivative of clip.xy / clip.w by page x and y, its largest stretch.
    columns = [(whole[:2, axis] - clip[:, :2] / w * whole[3, axis]) / w for axis in (0, 1)]
    singular = np.linalg.svd(np.stack(columns, axis=2), compute_uv=False)
    stretch = float(np.max(singular, initial=0.0))
    extent = float(np.max(high - low, initial=0.0))
    finest = extent / MOST_STEPS_ACROSS
    tolerance = tolerance_field / stretch if stretch > 0.0 else extent
    tolerance = min(max(tolerance, finest), max(extent, finest))
    return float(2.0 ** (math.floor(2.0 * math.log2(tolerance)) / 2.0)) if tolerance > 0 else 1.0


def card_surfaces(
    card: Card,
    camera: Camera | Sequence[Camera],
    tolerance_field: float,
    cache: CardCache | None = None,
) -> list[Surface]:
    """Return the surfaces that stand for a card in a `Scene`.

    For each plane one surface that only hides, then the lines, one surface for each layer and
    colour, named after card and layer. While the page does not change, the topologies are the
    same objects from frame to frame.

    Parameters
    ----------
    camera
        The view; of several the one that sees the page largest decides how fine its curves are
        made, and the first from which side it is seen.
    tolerance_field
        Largest deviation of a flattened curve on the screen, field units.
    cache
        Keep one for each card.
    """
    cache = cache or CardCache()
    cameras = [camera] if isinstance(camera, Camera) else list(camera)
    page = card.page
    result: list[Surface] = []
    for number, (matrix, layers) in enumerate(_planes(card)):
        on_plane = np.isin(page.layer, layers)
        if not on_plane.any():
            continue
        part = page if on_plane.all() else page.take(on_plane)
        behind = (card.reversed_behind or card.blank_behind) and _from_behind(matrix, cameras[0])
        blank = behind and card.blank_behind
        if behind and not blank:
            part = part.take(np.arange(len(part))[::-1])
        tolerance = min(page_tolerance(page, matrix, view, tolerance_field) for view in cameras)
        sheet = _sheet(part, tolerance, card, cache)
        mirrored = bool(np.linalg.det(matrix[:3, :3]) < 0.0)
        if sheet.cover is not None and card.hides:
            result.append(
                Surface(
                    name=card.name,
                    identity=f"{card.name}/cover {number}",
                    topology=sheet.cover,
                    positions=_placed(sheet.cover_points, matrix),
                    colours=np.ones((1, 3)),
                    mirrored=mirrored,
                    lines=LineSettings(
                        kinds=LineKind(0), drawn=False, rank=LOWEST_RANK if blank else card.rank
                    ),
                    assignment=card.assignment,
                )
            )
        if blank:
            continue
        for wire in sheet.wires:
            colour = "".join(f"{round(255 * c):02x}" for c in wire.colour)
            result.append(
                _lines_surface(
                    card,
                    wire.layer,
                    f"#{colour}{wire.what}",
                    wire.topology,
                    wire.points,
                    matrix,
                    wire.colour,
                )
            )
        for layer in np.unique(sheet.tip_layer) if card.tip_colour is not None else ():
            tip = sheet.tip[sheet.tip_layer == layer]
            result.append(
                _lines_surface(
                    card,
                    int(layer),
                    "tip",
                    _dots(len(tip)),
                    tip,
                    matrix,
                    np.array(card.tip_colour or TIP_COLOUR),
                )
            )
    return result


def _from_behind(matrix: FloatArray, camera: Camera) -> bool:
    """Whether a camera sees the back of a page: its x axis × its y axis points away."""
    normal = np.cross(matrix[:3, 0], matrix[:3, 1])
    if np.linalg.det(matrix[:3, :3]) < 0.0:
        normal = -normal
    to_eye = camera.eye - matrix[:3, 3] if camera.perspective else -camera.direction
    return bool(normal @ to_eye < 0.0)


def _planes(card: Card) -> list[tuple[FloatArray, list[int]]]:
    """Group the layers by where they stand: matrix and layer indices."""
    groups: dict[bytes, tuple[FloatArray, list[int]]] = {}
    for index, layer in enumerate(card.page.layer_names):
        matrix = np.asarray(card.layer_matrices.get(layer, card.matrix), np.float64)
        groups.setdefault(matrix.tobytes(), (matrix, []))[1].append(index)
    return list(groups.values())


def _placed(points: FloatArray, matrix: FloatArray) -> FloatArray:
    return np.ascontiguousarray(points @ matrix[:3, :2].T + matrix[:3, 3])


def _lines_surface(
    card: Card,
    layer: int,
    what: str,
    topology: Topology,
    points: FloatArray,
    matrix: FloatArray,
    colour: FloatArray,
) -> Surface:
    label = card.page.layer_names[layer]
    name = f"{card.name}/{label}" if label else card.name
    return Surface(
        name=name,
        identity=f"{name}/{what}",
        topology=topology,
        positions=_placed(points, matrix),
        colours=np.asarray(colour, np.float64).reshape(1, 3),
        lines=LineSettings(kinds=LineKind.DRAWN | LineKind.DOT, occludes=False, rank=card.rank),
        assignment=card.layer_assignments.get(label, card.assignment),
    )


def _sheet(page: Page, tolerance: float, card: Card, cache: CardCache) -> _Sheet:
    writing = card.writing
    frozen = tuple(sorted(writing.items())) if isinstance(writing, Mapping) else writing
    key = (
        tuple(page.digests()),
        page.fill.tobytes(),
        page.stroke.tobytes(),
        page.layer.tobytes(),
        page.layer_names,
        (page.width, page.height, tolerance, card.settings, frozen),
    )
    known = cache.sheets.get(key)
    if known is not None:
        return known
    lines = visible_lines(page, tolerance, card.settings, cache.artwork, writing)
    cover_points, cover = _cover(lines.hiding, cache)
    sheet = _Sheet(
        wires=(*_wires(page, lines), *_dot_wires(page, lines)),
        cover=cover,
        cover_points=cover_points,
        tip=lines.tip,
        tip_layer=page.layer[lines.tip_shape],
    )
    cache.sheets.put(key, sheet)
    return sheet


def _wires(page: Page, lines: PageLines) -> list[_Wire]:
    """Split lines by layer and colour into loose edges over shared vertices."""
    if len(lines) == 0:
        return []
    layer = np.where(lines.shape >= 0, page.layer[np.maximum(lines.shape, 0)], page.layer[0])
    looks = np.column_stack([layer, np.round(lines.colour * 255.0)])
    looks, group = np.unique(looks, axis=0, return_inverse=True)
    group = group.reshape(-1)
    counts = np.diff(lines.offsets)
    first, last = lines.offsets[:-1], lines.offsets[1:] - 1
    closed = (counts > 3) & np.all(lines.points[first] == lines.points[last], axis=1)
    # A closed line's last point is its first; the others are numbered within their group.
    kept, starts = np.ones((2, len(lines.points)), bool)
    kept[last[closed]] = False
    starts[last] = False
    point_group = np.repeat(group, counts)
    order = np.flatnonzero(kept)[np.argsort(point_group[kept], kind="stable")]
    bounds = np.searchsorted(point_group[order], np.arange(len(looks) + 1))
    vertex = np.empty(len(lines.points), np.int32)
    vertex[order] = np.arange(len(order)) - bounds[point_group[order]]
    vertex[last[closed]] = vertex[first[closed]]
    start = np.flatnonzero(starts)
    start = start[np.argsort(point_group[start], kind="stable")]
    edges = np.stack([vertex[start], vertex[start + 1]], axis=1)
    edge_bounds = np.searchsorted(point_group[start], np.arange(len(looks) + 1))
    _, example = np.unique(group, return_index=True)
    return [
        _Wire(
            layer=int(look[0]),
            colour=lines.colour[example[number]],
            topology=_wire_topology(
                int(bounds[number + 1] - bounds[number]),
                edges[edge_bounds[number] : edge_bounds[number + 1]],
            ),
            points=lines.points[order[bounds[number] : bounds[number + 1]]],
        )
        for number, look in enumerate(looks)
    ]


def _dot_wires(page: Page, lines: PageLines) -> list[_Wire]:
    """Split the dots by layer and colour."""
    if len(lines.dot) == 0:
        return []
    looks = np.column_stack([page.layer[lines.dot_shape], np.round(lines.dot_colour * 255.0)])
    _, example, group = np.unique(looks, axis=0, return_index=True, return_inverse=True)
    group = group.reshape(-1)
    return [
        _Wire(
            layer=int(looks[row, 0]),
            colour=lines.dot_colour[row],
            topology=_dots(int((group == number).sum())),
            points=lines.dot[group == number],
            what=" dots",
        )
        for number, row in enumerate(example.tolist())
    ]


def _wire_topology(vertices: int, edges: NDArray[np.int32]) -> Topology:
    return Topology(
        **_no_triangles(), vertex_count=vertices, loose_edges=edges, loose_kind=LineKind.DRAWN
    )


def _dots(vertices: int) -> Topology:
    return Topology(
        **_no_triangles(),
        vertex_count=vertices,
        loose_vertices=np.arange(vertices, dtype=np.int32),
    )


def _no_triangles() -> dict[str, Any]:
    none = np.empty(0, np.int32)
    return {
        "triangles": np.empty((0, 3), np.int32),
        "triangle_polygon": none,
        "triangle_material": none,
        "triangle_smooth": np.empty(0, bool),
    }


def _union(regions: Geometries) -> Any:
    """Unite regions; those within one of the largest, as on a backdrop, cost next to nothing."""
    rest = regions[np.argsort(-shapely.area(regions), kind="stable")]
    kept = []
    for _ in range(4):
        if len(rest) < 2:
            break
        largest, rest = rest[0], rest[1:]
        shapely.prepare(largest)
        kept.append(largest)
        rest = rest[~shapely.covers(largest, rest)]
    return shapely.union_all([*kept, *rest])


def _cover(regions: Geometries, cache: CardCache) -> tuple[FloatArray, Topology | None]:
    """Triangulate the union of the regions over its own corners, nothing added."""
    if len(regions) == 0:
        return np.empty((0, 2)), None
    union = _union(regions)
    key = shapely.to_wkb(union)
    known = cache.covers.get(key)
    if known is not None:
        return known
    triangles = shapely.get_parts(shapely.constrained_delaunay_triangles(union))
    if len(triangles) == 0:
        return np.empty((0, 2)), None
    corners = shapely.get_coordinates(triangles).reshape(-1, 4, 2)[:, :3]
    step, other = corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0]
    clockwise = step[:, 0] * other[:, 1] < step[:, 1] * other[:, 0]
    corners[clockwise] = corners[clockwise][:, ::-1]
    points, index = np.unique(corners.reshape(-1, 2), axis=0, return_inverse=True)
    count = len(triangles)
    topology = Topology(
        vertex_count=len(points),
        triangles=index.reshape(-1, 3).astype(np.int32),
        triangle_polygon=np.zeros(count, np.int32),
        triangle_material=np.zeros(count, np.int32),
        triangle_smooth=np.zeros(count, bool),
    )
    cache.covers.put(key, (points, topology))
    return points, topology
