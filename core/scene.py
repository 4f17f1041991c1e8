# SPDX-License-Identifier: GPL-3.0-or-later
"""Plain input records: one frame of a scene as arrays, free of Blender.

Spaces
------
world
    Right-handed, z up, scene units.
field
    The picture: centre (0, 0), y up, x to the right as the audience sees it. The longer
    side of the render frame spans -1…1, so lengths and angles are true (no aspect left in
    them). The page (the render frame) is the rectangle ±`Camera.half_width`, ±`Camera.half_height`.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from enum import IntFlag
from typing import TYPE_CHECKING, Any, Protocol

import numpy as np
from numpy.typing import NDArray

if TYPE_CHECKING:
    from .points.projector import Projector

__all__ = [
    "Assignment",
    "Camera",
    "DrawingSettings",
    "Effect",
    "LineKind",
    "LineSettings",
    "Mask",
    "Morph",
    "Reveal",
    "Scene",
    "SceneSource",
    "Surface",
    "Topology",
]

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int32]
BoolArray = NDArray[np.bool_]


class LineKind(IntFlag):
    """Why a line is drawn. A piece may carry several bits."""

    SILHOUETTE = 1
    CREASE = 2
    BORDER = 4
    MATERIAL = 8
    MARK = 16
    INTERSECTION = 32
    LOOSE = 64
    DOT = 128
    DRAWN = 256

    @property
    def label(self) -> str:
        """Name of the most telling bit, in lower case (for reports and JSON)."""
        order = (
            LineKind.DRAWN,
            LineKind.DOT,
            LineKind.SILHOUETTE,
            LineKind.BORDER,
            LineKind.CREASE,
            LineKind.INTERSECTION,
            LineKind.MATERIAL,
            LineKind.MARK,
            LineKind.LOOSE,
        )
        for kind in order:
            if kind in self:
                return str(kind.name).lower()
        return "none"


DEFAULT_KINDS = (
    LineKind.SILHOUETTE
    | LineKind.CREASE
    | LineKind.BORDER
    | LineKind.MATERIAL
    | LineKind.MARK
    | LineKind.INTERSECTION
    | LineKind.LOOSE
)


@dataclass(frozen=True, slots=True)
class LineSettings:
    """What is drawn of one object, and what it hides.

    Attributes
    ----------
    kinds
        Line kinds to draw; `LineKind.DOT` (loose vertices as beam dots) is off by default.
    crease_angle_rad
        An edge is a crease where its two faces turn by more than this (0 = coplanar).
    crease_on_smooth
        Also between two smooth-shaded faces.
    occludes
        The object hides what lies behind it.
    drawn
        The object's lines are drawn. Off and `occludes` on: it only hides.
    smooth_contour
        Silhouettes from interpolated normals instead of mesh edges; smooth-shaded meshes only.
    rank
        Decides between coplanar surfaces: the higher rank lies on top.
    """

    kinds: LineKind = DEFAULT_KINDS
    crease_angle_rad: float = math.radians(40.0)
    crease_on_smooth: bool = False
    occludes: bool = True
    drawn: bool = True
    smooth_contour: bool = False
    rank: int = 0


@dataclass(frozen=True, slots=True)
class Assignment:
    """Where an object's strokes go.

    Attributes
    ----------
    projectors
        Names of the projectors that draw it; empty means the show's default projector.
    priority
        Strokes of lower priority are dropped first when a frame does not fit.
    locked
        Never dropped.
    """

    projectors: tuple[str, ...] = ()
    priority: float = 0.0
    locked: bool = False


@dataclass(frozen=True, eq=False)
class Topology:
    """Connectivity of a mesh. One instance serves all frames and instances that share it.

    Derived arrays (edges, adjacency) are cached by the identity of this object, so
    whoever builds it must hand over the same instance while nothing changed.

    Attributes
    ----------
    vertex_count
        Number of vertices.
    triangles : (nT, 3) int32
        Vertex indices, counter-clockwise seen from outside.
    triangle_polygon : (nT,) int32
        The polygon a triangle was cut from; an edge inside one polygon is no feature but a
        silhouette (non-planar polygons).
    triangle_material : (nT,) int32
        Material slot.
    triangle_smooth : (nT,) bool
        Smooth-shaded.
    marked_edges : (nM, 2) int32
        Vertex pairs the artist marked.
    loose_edges : (nL, 2) int32
        Edges without faces.
    loose_vertices : (nP,) int32
        Vertices without edges.
    loose_kind
        What the loose edges are: `LineKind.DRAWN` for the lines of flat artwork.
    """

    vertex_count: int
    triangles: IntArray
    triangle_polygon: IntArray
    triangle_material: IntArray
    triangle_smooth: BoolArray
    marked_edges: IntArray = field(default_factory=lambda: np.empty((0, 2), np.int32))
    loose_edges: IntArray = field(default_factory=lambda: np.empty((0, 2), np.int32))
    loose_vertices: IntArray = field(default_factory=lambda: np.empty(0, np.int32))
    loose_kind: LineKind = LineKind.LOOSE


@dataclass(frozen=True, eq=False)
class Surface:
    """One object, or one instance of it, in world space.

    Attributes
    ----------
    name
        The object's name, as the report gives it; instances of one object share it.
    identity
        Unique within the scene and the same from frame to frame.
    topology
        Connectivity, shared.
    positions : (nV, 3) float64
        World positions.
    mirrored
        The world matrix has a negative determinant, so windings are reversed.
    colours : (nC, 3) float64
        RGB 0…1 for each material slot, at least one row.
    vertex_normals : (nV, 3) float64 or None
        World-space unit normals, needed for `LineSettings.smooth_contour` only.
    """

    name: str
    identity: str
    topology: Topology
    positions: FloatArray
    colours: FloatArray
    mirrored: bool = False
    lines: LineSettings = LineSettings()
    assignment: Assignment = Assignment()
    vertex_normals: FloatArray | None = None


@dataclass(frozen=True, eq=False)
class Camera:
    """A view, its aspect folded in.

    Attributes
    ----------
    view_projection : (4, 4) float64
        Row-major; clip = M @ (x, y, z, 1), field = clip[:2] / clip[3]. Perspective where
        M[3, :3] is not zero; then clip[3] is the distance along the view axis.
    half_width, half_height
        The page in field units; the larger is 1.
    clip_start, clip_end
        Distances along the view axis in world units.
    eye : (3,) float64
        Camera position.
    direction : (3,) float64
        Unit view axis, from the eye into the scene.
    """

    view_projection: FloatArray
    half_width: float
    half_height: float
    clip_start: float
    clip_end: float
    eye: FloatArray
    direction: FloatArray

    @property
    def perspective(self) -> bool:
        return bool(np.any(self.view_projection[3, :3] != 0.0))


@dataclass(frozen=True, slots=True)
class DrawingSettings:
    """Scene-wide settings of the line stages.

    Attributes
    ----------
    intersections
        Draw lines where two objects pass through each other.
    self_intersections
        Also where an object passes through itself (slower).
    remove_coincident
        Draw lines that lie on one another once.
    page_border
        Draw the page's outline too.
    tolerance_field
        Largest deviation of a simplified stroke, in field units.
    depth_bias
        Relative depth below which two surfaces count as touching.
    """

    intersections: bool = True
    self_intersections: bool = False
    remove_coincident: bool = True
    page_border: bool = False
    tolerance_field: float = 1.0 / 4096.0
    depth_bias: float = 1e-7


@dataclass(frozen=True, slots=True)
class Reveal:
    """Draw only a part of some objects' strokes, by arc length.

    Attributes
    ----------
    objects
        Indices into `Scene.surfaces`.
    start, end
        Shares 0…1; what lies between is drawn. Running `end` up draws on, running `start` up
        wipes off, running both makes a streak.
    together
        Each stroke by its own length; otherwise one stroke after the other.
    shuffle_seed
        Where one stroke comes after the other: a random order, the same for the same number;
        None takes the order of `Strokes.identity`.
    """

    objects: frozenset[int]
    start: float = 0.0
    end: float = 1.0
    together: bool = True
    shuffle_seed: int | None = None


@dataclass(frozen=True, eq=False)
class Mask:
    """Draw some objects only where another one, seen by the camera, covers them.

    Attributes
    ----------
    objects
        Indices into `Scene.surfaces`.
    positions : (nV, 3) float64
        Vertices of the covering object, world space. It is neither drawn nor hiding.
    triangles : (nT, 3) int32
    outside
        Keep what it does not cover instead.
    """

    objects: frozenset[int]
    positions: FloatArray
    triangles: IntArray
    outside: bool = False


@dataclass(frozen=True, slots=True)
class Morph:
    """Strokes of some objects turn into those of others.

    Attributes
    ----------
    sources, targets
        Indices into `Scene.surfaces`. Neither hides the other.
    factor
        0 draws the sources alone, 1 the targets alone.
    """

    sources: frozenset[int]
    targets: frozenset[int]
    factor: float = 0.0


Effect = Reveal | Mask | Morph


@dataclass(frozen=True, eq=False)
class Scene:
    """One frame of a scene.

    Attributes
    ----------
    surfaces
        In a stable order; `Strokes.object_index` counts them.
    camera
        The scene's camera.
    projector_cameras
        Cameras of the projectors that have their own, by projector name.
    effects
        Transitions on the visible strokes: reveals and masks in this order, then the morphs. So
        what morphs is what the others left of either side, and nothing jumps at the ends.
    """

    name: str
    frame: int
    surfaces: Sequence[Surface]
    camera: Camera
    drawing: DrawingSettings = DrawingSettings()
    projector_cameras: Mapping[str, Camera] = field(default_factory=dict)
    effects: Sequence[Effect] = ()


class SceneSource(Protocol):
    """Where frames come from: a Blender scene, or a test's arrays.

    Attributes
    ----------
    limits : Mapping of SafetyLimits by projector name
        Not in the protocol's checked part: a source may leave it out, and projectors that are
        missing in it have the default limits.
    lasers : Mapping of LaserSetup by projector name
        The same; projectors that are missing in it get no hazard figures.
    """

    name: str
    fps: float
    frame_start: int
    frame_end: int
    projectors: tuple[Projector, ...]

    def scene_at(self, frame: int) -> Scene:
        """Evaluate one frame.

        Raises
        ------
        SceneError
            Where the scene cannot be drawn; the message says why and what to do.
        """
        ...

    def details(self) -> Mapping[str, Any]:
        """Facts for the report's head (file name, Blender version)."""
        ...
