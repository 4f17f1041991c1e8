# SPDX-License-Identifier: GPL-3.0-or-later
"""Evaluated objects and instances as surfaces: plain arrays in world space."""

from __future__ import annotations

from collections import OrderedDict
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import bpy
import numpy as np
from numpy.typing import NDArray

from ...core.lines.memory import Bounded
from ...core.scene import Surface, Topology
from .. import compat
from .artwork import KINDS, ArtworkReader
from .assignment import ObjectSettings, SettingsReader
from .effects import mask_names
from .hair import hair_lines, hair_topology
from .visibility import Visibility

__all__ = ["MeshReader"]

IntArray = NDArray[np.int32]
FloatArray = NDArray[np.float64]
WHITE = np.ones((1, 3))


@dataclass(eq=False)
class _KnownTopology:
    """A topology with the raw arrays that prove a mesh still has it.

    When polygons deform they may be cut another way: `split` holds the triangles where some
    have more than four sides, else `quads` the corners of those with four, with `turned`, which
    are cut from the second corner to the fourth. `edges` is there where some are loose or marked:
    faces do not tell which.
    """

    counts: tuple[int, int, int, int]
    corner_vert: IntArray
    material: IntArray | None
    sharp_face: NDArray[np.bool_] | None
    marked: NDArray[np.bool_] | None
    edges: IntArray | None
    split: IntArray | None
    quads: IntArray | None
    turned: NDArray[np.bool_] | None
    topology: Topology


class TopologyCache:
    """Topologies by content, so that objects, instances and frames share one instance.

    Core caches what it derives from a topology by the identity of that object.
    """

    def __init__(self, capacity: int = 512) -> None:
        self._capacity = capacity
        # With the positions of the last time, where the cut of quads depends on them.
        self._by_user: OrderedDict[str, tuple[_KnownTopology, NDArray[np.float32] | None]] = (
            OrderedDict()
        )
        self._by_counts: OrderedDict[tuple[int, int, int, int], list[_KnownTopology]] = (
            OrderedDict()
        )

    def clear(self) -> None:
        self._by_user.clear()
        self._by_counts.clear()

    def find(
        self,
        user: str,
        mesh: bpy.types.Mesh,
        marks: frozenset[str],
        local: NDArray[np.float32],
    ) -> Topology:
        """Return the topology of an evaluated mesh.

        Parameters
        ----------
        user
            Who asks; the same from frame to frame, so that one comparison is enough.
        mesh
            Evaluated mesh, not kept.
        marks
            Which of ``FREESTYLE``, ``SHARP`` and ``SEAM`` count as marked edges.
        local : (3 v,) float32
            Positions of the mesh's vertices; not changed afterwards.
        """
        probe = _Probe(mesh, marks, local)
        known, before = self._by_user.get(user, (None, None))
        if known is not None and _same(known, probe, before):
            if before is not None and not _equal(before, local):
                self._by_user[user] = known, local
            self._by_user.move_to_end(user)
            return known.topology
        for candidate in self._by_counts.get(probe.counts, ()):
            if candidate is not known and _same(candidate, probe):
                break
        else:
            candidate = _read_topology(probe)
            self._by_counts.setdefault(probe.counts, []).append(candidate)
        self._by_counts.move_to_end(probe.counts)
        self._by_user[user] = candidate, None if candidate.quads is None else local
        self._by_user.move_to_end(user)
        self._forget()
        return candidate.topology

    def _forget(self) -> None:
        while len(self._by_user) > 4 * self._capacity:
            self._by_user.popitem(last=False)
        while sum(map(len, self._by_counts.values())) > self._capacity:
            counts, oldest = next(iter(self._by_counts.items()))
            oldest.pop(0)
            if not oldest:
                del self._by_counts[counts]


class _Probe:
    """What decides whether a mesh still has a known topology."""

    def __init__(
        self, mesh: bpy.types.Mesh, marks: frozenset[str], local: NDArray[np.float32]
    ) -> None:
        corners = len(mesh.loops)
        self.mesh = mesh
        self.counts = (len(mesh.vertices), len(mesh.edges), corners, len(mesh.polygons))
        self.corner_vert = _read_ints(mesh, ".corner_vert", corners)
        self.material = _optional(mesh, "material_index", "FACE", "INT", np.int32)
        self.sharp_face = _optional(mesh, "sharp_face", "FACE", "BOOLEAN", np.bool_)
        self.marked = _marked(mesh, marks)
        self._triangles: IntArray | None = None
        self._edges: IntArray | None = None
        self.positions = local

    @property
    def edges(self) -> IntArray:
        """Vertices of the edges, flat; read at the first use."""
        if self._edges is None:
            self._edges = np.empty(2 * self.counts[1], np.int32)
            if self.counts[1]:
                edges: Any = self.mesh.attributes[".edge_verts"]
                edges.data.foreach_get("value", self._edges)
        return self._edges

    def turned(self, quads: IntArray) -> NDArray[np.bool_]:
        """Return which quads are cut from the second corner to the fourth.

        Where the first three and the last three corners turn opposite ways round the diagonal,
        as Blender decides it (its `is_quad_flip_v3_first_third_fast`).
        """
        first, second, third, fourth = self.positions.reshape(-1, 3)[quads.T]
        diagonal = third - first
        before, after = np.cross(second - first, diagonal), np.cross(fourth - first, diagonal)
        turned: NDArray[np.bool_] = np.einsum("ij,ij->i", before, after) > 0.0
        return turned

    @property
    def triangles(self) -> IntArray:
        """Vertices of the triangles, flat; read at the first use."""
        if self._triangles is None:
            self.mesh.calc_loop_triangles()
            self._triangles = np.empty(3 * len(self.mesh.loop_triangles), np.int32)
            self.mesh.loop_triangles.foreach_get("vertices", self._triangles)
        return self._triangles


def _equal(a: NDArray[Any] | None, b: NDArray[Any] | None) -> bool:
    if a is b:
        return True
    return a is not None and b is not None and a.shape == b.shape and bool((a == b).all())


def _same(
    known: _KnownTopology, probe: _Probe, positions: NDArray[np.float32] | None = None
) -> bool:
    """Whether a mesh still has a topology; `positions` are some for which it had it."""
    return (
        known.counts == probe.counts
        and _equal(known.corner_vert, probe.corner_vert)
        and _equal(known.material, probe.material)
        and _equal(known.sharp_face, probe.sharp_face)
        and _equal(known.marked, probe.marked)
        and (known.edges is None or _equal(known.edges, probe.edges))
        and (known.split is None or _equal(known.split, probe.triangles))
        and (
            known.quads is None
            or _equal(positions, probe.positions)
            or _equal(known.turned, probe.turned(known.quads))
            # Three corners in a line turn neither way, but for rounding: ask Blender itself.
            or _equal(known.topology.triangles.reshape(-1), probe.triangles)
        )
    )


def _read_ints(mesh: Any, name: str, count: int) -> IntArray:
    values = np.empty(count, np.int32)
    if count:
        mesh.attributes[name].data.foreach_get("value", values)
    return values


def _optional(mesh: bpy.types.Mesh, name: str, domain: str, kind: str, dtype: Any) -> Any:
    """Read an attribute that may be absent; None where it is, or says nothing."""
    attribute = mesh.attributes.get(name)
    if attribute is None or attribute.domain != domain or attribute.data_type != kind:
        return None
    values = np.empty(len(attribute.data), dtype)
    attribute.data.foreach_get("value", values)
    return values if values.any() else None


def _marked(mesh: bpy.types.Mesh, marks: frozenset[str]) -> NDArray[np.bool_] | None:
    found = []
    if "FREESTYLE" in marks:
        found.append(compat.freestyle_marks(mesh))
    if "SHARP" in marks:
        found.append(_optional(mesh, "sharp_edge", "EDGE", "BOOLEAN", np.bool_))
    if "SEAM" in marks:
        found.append(_optional(mesh, "uv_seam", "EDGE", "BOOLEAN", np.bool_))
    present = [values for values in found if values is not None]
    if not present:
        return None
    marked = np.logical_or.reduce(present)
    return marked if marked.any() else None


def _read_topology(probe: _Probe) -> _KnownTopology:
    mesh: Any = probe.mesh
    vertices, edges, corners, polygons = probe.counts
    triangles = probe.triangles
    count = len(triangles) // 3
    sides = np.zeros(polygons, np.int32)
    mesh.polygons.foreach_get("loop_total", sides)
    triangle_polygon = np.empty(count, np.int32)
    mesh.loop_triangles.foreach_get("polygon_index", triangle_polygon)
    material = (
        np.zeros(count, np.int32) if probe.material is None else probe.material[triangle_polygon]
    )
    smooth = (
        np.ones(count, bool) if probe.sharp_face is None else ~probe.sharp_face[triangle_polygon]
    )

    edge_vertices = np.empty((0, 2), np.int32)
    loose_edges = edge_vertices
    if edges:
        edge_vertices = probe.edges.reshape(-1, 2)
        used = np.zeros(edges, bool)
        if corners:
            used[_read_ints(mesh, ".corner_edge", corners)] = True
        loose_edges = edge_vertices[~used]
    with_edge = np.zeros(vertices, bool)
    with_edge[edge_vertices.ravel()] = True
    topology = Topology(
        vertex_count=vertices,
        triangles=triangles.reshape(-1, 3),
        triangle_polygon=triangle_polygon,
        triangle_material=np.ascontiguousarray(material, np.int32),
        triangle_smooth=np.ascontiguousarray(smooth),
        marked_edges=(
            np.empty((0, 2), np.int32) if probe.marked is None else edge_vertices[probe.marked]
        ),
        loose_edges=np.ascontiguousarray(loose_edges),
        loose_vertices=np.flatnonzero(~with_edge).astype(np.int32),
    )
    most = sides.max(initial=0)
    quads = None
    if most == 4:
        first = np.cumsum(sides)[sides == 4] - 4
        quads = probe.corner_vert[first[:, None] + np.arange(4)]
    return _KnownTopology(
        counts=probe.counts,
        corner_vert=probe.corner_vert,
        material=probe.material,
        sharp_face=probe.sharp_face,
        marked=probe.marked,
        edges=probe.edges if len(loose_edges) or probe.marked is not None else None,
        split=triangles if most > 4 else None,
        quads=quads,
        turned=None if quads is None else probe.turned(quads),
        topology=topology,
    )


@dataclass(frozen=True, eq=False)
class _KnownSurface:
    """A surface with what was read of Blender to make it."""

    local: NDArray[np.float32]
    matrix: tuple[float, ...]
    settings: ObjectSettings
    surface: Surface


KEPT_SURFACES = 4096
KEPT_BYTES = 1 << 28


class MeshReader:
    """Reads the surfaces of one scene, frame by frame, and keeps what does not change.

    Nothing of Blender's is kept between two calls: only arrays and names. A surface that is
    the same as in the frame before, in every array, is handed over as the same instance.

    Attributes
    ----------
    owners
        Of the frame read last: full names of the object each surface or drawing was read from
        and of what instances it, by identity.
    """

    def __init__(self) -> None:
        self.topologies = TopologyCache()
        self.owners: dict[str, tuple[str, ...]] = {}
        self._surfaces: Bounded[str, _KnownSurface] = Bounded(KEPT_SURFACES, KEPT_BYTES)
        self._shared: dict[tuple[int, frozenset[str]], tuple[Topology, NDArray[np.float32]]] = {}

    def clear(self) -> None:
        """Forget everything, as after an undo or a file load."""
        self.topologies.clear()
        self.owners = {}
        self._surfaces.clear()

    def read(
        self,
        scene: bpy.types.Scene,
        view_layer: bpy.types.ViewLayer,
        depsgraph: bpy.types.Depsgraph,
        projector_names: tuple[str, ...],
        artwork: ArtworkReader | None = None,
        frame: int | None = None,
    ) -> list[Surface]:
        """Return all surfaces that render, in the order of the dependency graph.

        Parameters
        ----------
        scene, view_layer, depsgraph
            Original scene and view layer, and the layer's own evaluated graph.
        projector_names
            Projectors of the scene and their groups; assignments to others are passed over.
        artwork
            Takes the flat artwork; without it, curves and text are read as meshes.
        frame
            Which frame the drawings show; default the scene's current one.
        """
        visibility = Visibility(scene, view_layer)
        settings_of = SettingsReader(scene, projector_names)
        masks = mask_names(scene)
        self.owners = {}
        self._shared = {}  # by address, which holds while this graph is walked
        surfaces: list[Surface] = []
        wires: list[tuple[int, Surface]] = []
        with_mesh: set[str] = set()
        taken: dict[str, int] = {}
        if artwork is not None:
            artwork.begin(depsgraph, scene.frame_current if frame is None else frame, settings_of)
        for instance in depsgraph.object_instances:
            item: Any = instance.object
            kind = item.type
            if kind not in {"MESH", "CURVE", "FONT", "SURFACE", "CURVES", "GREASEPENCIL"}:
                continue
            parent: Any = instance.parent if instance.is_instance else None
            # Text, curves and metaballs reach us as a mesh that their own object "instances".
            component = parent is not None and parent.original == item.original
            owner = parent if component else item
            if masks and owner.original.name_full in masks:
                continue
            flat = artwork is not None and owner.type in KINDS and artwork.wants(owner)
            if (flat and component) or (kind == "GREASEPENCIL" and not flat):
                continue
            shown = visibility.of(instance, owner, None if component else parent)
            if shown is None:
                continue
            settings = settings_of(owner, None if component else parent)
            if shown.holdout:
                settings = settings.hiding_only()
            if not settings.lines.drawn and not settings.lines.occludes:
                continue
            identity = _identity(instance, owner, parent)
            repeat = taken.get(identity, 0)
            taken[identity] = repeat + 1
            if repeat:
                identity = f"{identity}#{repeat}"
            behind = () if parent is None or component else (parent.original.name_full,)
            self.owners[identity] = (owner.original.name_full, *behind)
            if artwork is not None and flat:
                matrix = np.array(instance.matrix_world, np.float64)
                artwork.add(item, owner, identity, matrix, settings)
                continue
            for surface in self._surface(instance, owner, identity, settings, kind):
                if kind == "MESH":
                    with_mesh.add(owner.name_full)
                    surfaces.append(surface)
                elif kind == "CURVES":
                    surfaces.append(surface)
                else:
                    wires.append((len(surfaces), surface))
        self._shared = {}
        for place, surface in reversed(wires):
            if surface.name not in with_mesh:
                surfaces.insert(place, surface)
        return surfaces

    def _surface(
        self,
        instance: bpy.types.DepsgraphObjectInstance,
        owner: bpy.types.Object,
        identity: str,
        settings: ObjectSettings,
        kind: str,
    ) -> Iterator[Surface]:
        item: Any = instance.object
        if kind == "CURVES":
            local, edges = hair_lines(item.data)
            if len(local):
                hair = self._hair_topology(identity, local, edges)
                yield self._placed(instance, owner, item.data, identity, settings, hair, local)[0]
            return
        converted = kind != "MESH" or _needs_conversion(item)
        mesh: Any = item.to_mesh() if converted else item.data
        try:
            if mesh is None or not len(mesh.vertices):
                return
            if kind != "MESH" and len(mesh.polygons):
                return  # its faces come as a mesh of their own
            # Objects that share a mesh share its evaluated copy: it is read for the first one.
            # What an instancer makes for itself may not last until the next item.
            lasting = not converted and not instance.is_instance
            key = (mesh.as_pointer(), settings.marks)
            found = self._shared.get(key) if lasting else None
            if found is None:
                local = _local_positions(mesh)
                found = self.topologies.find(identity, mesh, settings.marks, local), local
            surface, local = self._placed(instance, owner, mesh, identity, settings, *found)
            if lasting:
                self._shared[key] = found[0], local
            yield surface
        finally:
            if converted:
                item.to_mesh_clear()

    def _hair_topology(
        self, identity: str, local: NDArray[np.float32], edges: IntArray
    ) -> Topology:
        """Return the known topology while the same points are joined."""
        known = self._surfaces.get(identity)
        if known is not None:
            topology = known.surface.topology
            if 3 * topology.vertex_count == len(local) and _equal(topology.loose_edges, edges):
                return topology
        return hair_topology(local, edges)

    def _placed(
        self,
        instance: bpy.types.DepsgraphObjectInstance,
        owner: bpy.types.Object,
        mesh: Any,
        identity: str,
        settings: ObjectSettings,
        topology: Topology,
        local: NDArray[np.float32],
    ) -> tuple[Surface, NDArray[np.float32]]:
        """Return the surface of an evaluated mesh, the known one while nothing changed.

        And its positions, as the array that was known where they are the same.
        """
        rows = instance.matrix_world
        matrix = (*rows[0], *rows[1], *rows[2], *rows[3])
        colours = _colours(instance.object, owner, mesh, settings)
        known = self._surfaces.get(identity)
        if known is not None and _equal(known.local, local):
            local = known.local
        world = np.array(matrix).reshape(4, 4)
        normals = None
        if settings.lines.smooth_contour and topology.triangle_smooth.any():
            normals = _normals(mesh, world)
        if (
            known is not None
            and known.surface.topology is topology
            and known.matrix == matrix
            and known.settings == settings
            and _equal(known.surface.colours, colours)
            and known.local is local
            and _equal(known.surface.vertex_normals, normals)
        ):
            return known.surface, local
        surface = Surface(
            name=owner.original.name_full,
            identity=identity,
            topology=topology,
            positions=_positions(local, world),
            colours=colours,
            mirrored=bool(np.linalg.det(world[:3, :3]) < 0.0),
            lines=settings.lines,
            assignment=settings.assignment,
            vertex_normals=normals,
        )
        size = local.nbytes + surface.positions.nbytes
        self._surfaces.put(identity, _KnownSurface(local, matrix, settings, surface), size)
        return surface, local


def _needs_conversion(item: bpy.types.Object) -> bool:
    """Whether an evaluated mesh may be only a stand-in for what is drawn.

    In edit mode it may wrap the mesh being edited; with subdivision on the graphics card
    it holds the cage.
    """
    if item.original.mode == "EDIT":
        return True
    if bpy.app.background or not bpy.context.preferences.system.use_gpu_subdivision:
        return False
    return any(modifier.type == "SUBSURF" for modifier in item.modifiers)


def _identity(
    instance: bpy.types.DepsgraphObjectInstance,
    owner: bpy.types.Object,
    parent: bpy.types.Object | None,
) -> str:
    name = owner.original.name_full
    if parent is None:
        return name
    numbers = [number for number in instance.persistent_id if number != 0x7FFFFFFF]
    path = ".".join(map(str, numbers))
    return f"{parent.original.name_full}/{name}/{path}"


def _local_positions(mesh: Any) -> NDArray[np.float32]:
    local = np.empty(3 * len(mesh.vertices), np.float32)
    mesh.attributes["position"].data.foreach_get("vector", local)
    return local


def _positions(local: NDArray[np.float32], matrix: FloatArray) -> FloatArray:
    world = local.reshape(-1, 3).astype(np.float64) @ matrix[:3, :3].T
    world += matrix[:3, 3]
    world.flags.writeable = False  # it is handed out again
    return world


def _normals(mesh: bpy.types.Mesh, matrix: FloatArray) -> FloatArray | None:
    local = np.empty(3 * len(mesh.vertices), np.float32)
    mesh.vertex_normals.foreach_get("vector", local)
    try:
        inverse = np.linalg.inv(matrix[:3, :3])
    except np.linalg.LinAlgError:
        return None
    normals = local.reshape(-1, 3).astype(np.float64) @ inverse
    lengths = np.linalg.norm(normals, axis=1, keepdims=True)
    return np.divide(normals, lengths, out=normals, where=lengths > 0.0)


def _colours(
    item: bpy.types.Object,
    owner: bpy.types.Object,
    mesh: Any,
    settings: ObjectSettings,
) -> FloatArray:
    """Return a colour for each material slot, (nC, 3), at least one row."""
    if settings.colour is not None:
        base = np.array([settings.colour], np.float64)
    elif settings.colour_source == "OBJECT":
        base = np.array([owner.color[:3]], np.float64)
    else:
        materials = [slot.material for slot in item.material_slots] or list(mesh.materials)
        if not materials:
            return WHITE
        base = np.array(
            [
                (1.0, 1.0, 1.0) if material is None else material.diffuse_color[:3]
                for material in materials
            ],
            np.float64,
        )
        return np.clip(base, 0.0, 1.0)
    slots = max(len(item.material_slots), len(mesh.materials), 1)
    return np.clip(np.repeat(base, slots, axis=0), 0.0, 1.0)
