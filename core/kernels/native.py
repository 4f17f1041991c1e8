# SPDX-License-Identifier: GPL-3.0-or-later
"""The native kernels: loading, checking, and calling them on numpy arrays."""

from __future__ import annotations

import ctypes
import threading
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ..errors import BeamwrightError, HostError, SceneError, SettingError
from .build import host_platform, library_name
from .numpy_chaining import LARGEST_DEGREE, LEAST_COSINE
from .numpy_coincident import COINCIDENT_FIELD
from .numpy_points import BLEND_ROUNDS, response_step
from .records import Body, Chains, CrossingEnds, Joined, JoinInput, Pieces, VisibilityInput

__all__ = ["ABI_VERSION", "NativeKernels", "default_library", "load"]

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int32]

ABI_VERSION = 4
"""Twin of ``BW_ABI_VERSION`` in the C header."""


def default_library() -> Path:
    """Return where the library for this platform lies, or would."""
    return Path(__file__).resolve().parent / library_name(host_platform())


def load(path: Path | None = None) -> NativeKernels:
    """Load the library, check its version and let it draw a cube.

    Raises
    ------
    HostError
        With a reason of one line, when the numpy implementation has to serve.
    """
    path = default_library() if path is None else path
    if not path.is_file():
        raise HostError("library not found")
    try:
        library = ctypes.CDLL(str(path))
    except OSError as error:
        raise HostError(f"library cannot be loaded ({str(error).splitlines()[0]})") from error
    try:
        version = library.bw_abi_version
    except AttributeError as error:
        raise HostError("library has no version") from error
    version.restype = ctypes.c_int32
    version.argtypes = []
    if version() != ABI_VERSION:
        raise HostError(f"library has version {version()}, {ABI_VERSION} is needed")
    try:
        kernels = NativeKernels(library)
    except AttributeError as error:
        raise HostError(f"library is incomplete ({error})") from error
    try:
        problem = _self_test(kernels)
    except (BeamwrightError, ValueError, MemoryError) as error:
        problem = str(error)
    if problem:
        raise HostError(f"self-test failed ({problem})")
    return kernels


class _VisibilityStruct(ctypes.Structure):
    """Twin of ``bw_visibility_input``."""

    _fields_ = (
        *((name, ctypes.c_int64) for name in ("vertex_count", "triangle_count", "edge_count")),
        *(
            (name, ctypes.c_void_p)
            for name in (
                *("positions", "view_projection", "triangles", "edges", "edge_faces"),
                *("triangle_edges", "edge_kind", "edge_silhouette", "edge_flip", "edge_rank"),
                *("triangle_closed", "triangle_occludes", "triangle_rank", "page"),
            )
        ),
        *((name, ctypes.c_double) for name in ("near_clip", "far_clip", "bias")),
    )


class _JoinStruct(ctypes.Structure):
    """Twin of ``bw_join_input``."""

    _fields_ = (
        *((name, ctypes.c_int64) for name in ("count", "vertex_count", "edge_count")),
        *(
            (name, ctypes.c_void_p)
            for name in (
                *("edge", "kind", "t", "xy", "group", "priority", "source"),
                *("edges", "positions"),
            )
        ),
        ("height_row", ctypes.c_double * 4),
        *((name, ctypes.c_double) for name in ("near_clip", "far_clip", "coincident")),
        ("least_cosine", ctypes.c_double),
        ("largest_degree", ctypes.c_int32),
    )


class _BodyStruct(ctypes.Structure):
    """Twin of ``bw_body``."""

    _fields_ = (
        *((name, ctypes.c_int64) for name in ("vertex_count", "triangle_count", "edge_count")),
        *(
            (name, ctypes.c_void_p)
            for name in ("positions", "triangles", "triangle_edges", "edges")
        ),
    )

    @classmethod
    def of(cls, body: Body) -> _BodyStruct:
        counts = len(body.positions), len(body.triangles), len(body.edges)
        return cls(
            *counts,
            _pointer(body.positions, np.float64, (counts[0], 3), "positions"),
            _pointer(body.triangles, np.int32, (counts[1], 3), "triangles"),
            _pointer(body.triangle_edges, np.int32, (counts[1], 3), "triangle_edges"),
            _pointer(body.edges, np.int32, (counts[2], 2), "edges"),
        )


class _Workspace:
    """Scratch memory of one thread, freed with the thread."""

    def __init__(self, library: ctypes.CDLL) -> None:
        self._free: Callable[[int], None] = library.bw_workspace_free
        self.handle: int = library.bw_workspace_new() or 0
        if not self.handle:
            raise MemoryError("no memory for the line kernels")

    def __del__(self) -> None:
        handle, self.handle = getattr(self, "handle", 0), 0
        if handle:
            self._free(handle)


def _pointer(array: NDArray[Any], dtype: type, shape: tuple[int, ...], name: str) -> int:
    """Return the address of an array that is exactly what C expects."""
    if array.dtype != dtype or array.shape != shape or not array.flags.c_contiguous:
        raise ValueError(
            f"{name} must be a C-contiguous {np.dtype(dtype)} array of shape {shape}, "
            f"not {array.dtype} {array.shape}"
        )
    return _address(array)


def _address(array: NDArray[Any]) -> int:
    address: int = array.__array_interface__["data"][0]
    return address


def _floats(array: FloatArray, shape: tuple[int, ...], name: str) -> tuple[FloatArray, int]:
    """Return an array that C can read, and its address; keep the array while C runs."""
    ready = np.ascontiguousarray(array, np.float64)
    return ready, _pointer(ready, np.float64, shape, name)


class NativeKernels:
    """The loaded library. Its functions may be called from any number of threads."""

    def __init__(self, library: ctypes.CDLL) -> None:
        void, i32, i64, f64 = ctypes.c_void_p, ctypes.c_int32, ctypes.c_int64, ctypes.c_double
        signatures: dict[str, tuple[Any, list[Any]]] = {
            "bw_workspace_new": (void, []),
            "bw_workspace_free": (None, [void]),
            "bw_workspace_bytes": (i64, [void]),
            "bw_visible_pieces": (i64, [void, void, void]),
            "bw_take_pieces": (i64, [void, i64, void, void, void, void]),
            "bw_chain": (
                i64,
                [void, i64, i64, void, void, void, f64, i32, void, void, void],
            ),
            "bw_crossings": (i64, [void, void, void, i32, f64]),
            "bw_take_crossings": (i64, [void, i64, *[void] * 4]),
            "bw_uncovered": (i64, [void, i64, void, void, f64]),
            "bw_take_stretches": (i64, [void, i64, void, void]),
            "bw_join": (i64, [void, void, void]),
            "bw_take_joined": (i64, [void, i64, i64, *[void] * 5]),
            "bw_simplified": (i64, [void, i64, void, void, f64, void, void]),
            "bw_link_costs": (i64, [void, i64, void, void, void, *[f64] * 7, void]),
            "bw_neighbour_lists": (i64, [i64, i32, void, void]),
            "bw_greedy_tour": (i64, [void, i64, i32, void, void, void]),
            "bw_improve_tour": (i64, [void, i64, i32, void, void, i64, ctypes.c_uint32, void]),
            "bw_clock_durations": (
                i64,
                [void, i64, *[void] * 9, f64, void, i32, *[void] * 5],
            ),
            "bw_saturating_response": (i64, [i64, void, void, f64, f64, i32, i32, void, void]),
        }
        for name, (result, arguments) in signatures.items():
            function = getattr(library, name)
            function.restype = result
            function.argtypes = arguments
        self._library = library
        self._local = threading.local()

    def _workspace(self) -> int:
        workspace = getattr(self._local, "workspace", None)
        if workspace is None:
            workspace = self._local.workspace = _Workspace(self._library)
        handle: int = workspace.handle
        return handle

    def workspace_bytes(self) -> int:
        """Return how much scratch memory this thread holds."""
        return int(self._library.bw_workspace_bytes(self._workspace()))

    def release_workspace(self) -> None:
        """Give this thread's scratch memory back."""
        self._local.workspace = None

    def visible_pieces(self, scene: VisibilityInput) -> Pieces:
        """Return the visible pieces of all drawn edges; see `numpy_lines.visible_pieces`."""
        return self.visible_pieces_counted(scene)[0]

    def visible_pieces_counted(self, scene: VisibilityInput) -> tuple[Pieces, NDArray[np.int64]]:
        """Return the pieces and eight figures on the work done.

        These are: features, their parts by cell, occluders kept, grid entries, entries
        scanned, exact tests, grid width, grid height.
        """
        vertices, triangles, edges = len(scene.positions), len(scene.triangles), len(scene.edges)
        i32, i16, u8, f64 = np.int32, np.int16, np.uint8, np.float64
        record = _VisibilityStruct(
            vertices,
            triangles,
            edges,
            _pointer(scene.positions, f64, (vertices, 3), "positions"),
            _pointer(scene.view_projection, f64, (4, 4), "view_projection"),
            _pointer(scene.triangles, i32, (triangles, 3), "triangles"),
            _pointer(scene.edges, i32, (edges, 2), "edges"),
            _pointer(scene.edge_faces, i32, (edges, 2), "edge_faces"),
            _pointer(scene.triangle_edges, i32, (triangles, 3), "triangle_edges"),
            _pointer(scene.edge_kind, np.uint16, (edges,), "edge_kind"),
            _pointer(scene.edge_silhouette, u8, (edges,), "edge_silhouette"),
            _pointer(scene.edge_flip, u8, (edges,), "edge_flip"),
            _pointer(scene.edge_rank, i16, (edges,), "edge_rank"),
            _pointer(scene.triangle_closed, u8, (triangles,), "triangle_closed"),
            _pointer(scene.triangle_occludes, u8, (triangles,), "triangle_occludes"),
            _pointer(scene.triangle_rank, i16, (triangles,), "triangle_rank"),
            _pointer(scene.page, f64, (4,), "page"),
            scene.near,
            scene.far,
            scene.bias,
        )
        workspace = self._workspace()
        counters = np.empty(8, np.int64)
        count = self._library.bw_visible_pieces(workspace, ctypes.byref(record), _address(counters))
        if count < 0:
            _raise(count)
        pieces = Pieces(
            edge=np.empty(count, i32),
            kind=np.empty(count, np.uint16),
            t=np.empty((count, 2)),
            xy=np.empty((count, 4)),
        )
        self._library.bw_take_pieces(
            workspace,
            count,
            _address(pieces.edge),
            _address(pieces.kind),
            _address(pieces.t),
            _address(pieces.xy),
        )
        return pieces, counters

    def chain(
        self,
        nodes: NDArray[np.int64],
        node_count: int,
        group: NDArray[np.int32],
        xy: NDArray[np.float64],
        least_cosine: float = LEAST_COSINE,
    ) -> Chains:
        """Join pieces at common nodes; see `numpy_chaining.chain`."""
        count = len(nodes)
        half_edges = np.empty(count, np.int64)
        offsets = np.empty(count + 1, np.int64)
        closed = np.empty(count, np.uint8)
        chains = self._library.bw_chain(
            self._workspace(),
            count,
            node_count,
            _pointer(nodes, np.int64, (count, 2), "nodes"),
            _pointer(group, np.int32, (count,), "group"),
            _pointer(xy, np.float64, (count, 4), "xy"),
            least_cosine,
            LARGEST_DEGREE,
            _address(half_edges),
            _address(offsets),
            _address(closed),
        )
        if chains < 0:
            _raise(chains)
        return Chains(half_edges, offsets[: chains + 1].copy(), closed[:chains].copy())

    def crossing_ends(self, a: Body, b: Body, within: bool, contact: float) -> CrossingEnds:
        """Find where triangles cross; see `numpy_crossings.crossing_ends`."""
        first, second = _BodyStruct.of(a), _BodyStruct.of(b)
        workspace = self._workspace()
        count = self._library.bw_crossings(
            workspace, ctypes.byref(first), ctypes.byref(second), within, contact
        )
        _check(count)
        ends = CrossingEnds(
            triangles=np.empty((count, 2), np.int32),
            side=np.empty((count, 2), np.uint8),
            edge=np.empty((count, 2), np.int32),
            u=np.empty((count, 2)),
        )
        _check(
            self._library.bw_take_crossings(
                *(workspace, count, _address(ends.triangles), _address(ends.side)),
                *(_address(ends.edge), _address(ends.u)),
            )
        )
        return ends

    def uncovered(
        self,
        xy: FloatArray,
        priority: NDArray[np.integer[Any]],
        tolerance: float = COINCIDENT_FIELD,
    ) -> tuple[NDArray[np.int64], FloatArray]:
        """Take from each piece what others draw; see `numpy_coincident.uncovered`."""
        count = len(xy)
        places, places_at = _floats(xy, (count, 4), "xy")
        order = np.ascontiguousarray(priority, np.int64)
        left = self._library.bw_uncovered(
            *(self._workspace(), count, places_at),
            *(_pointer(order, np.int64, (count,), "priority"), tolerance),
        )
        _check(left)
        piece, u = np.empty(left, np.int64), np.empty((left, 2))
        _check(
            self._library.bw_take_stretches(self._workspace(), left, _address(piece), _address(u))
        )
        del places  # alive until here
        return piece, u

    def joined_pieces(self, given: JoinInput) -> Joined:
        """Join visible pieces into strokes; see `numpy_joining.joined_pieces`."""
        pieces = given.pieces
        count, edges, vertices = len(pieces.edge), len(given.edges), len(given.positions)
        i32, i64, f64 = np.int32, np.int64, np.float64
        record = _JoinStruct(
            count,
            vertices,
            edges,
            _pointer(pieces.edge, i32, (count,), "edge"),
            _pointer(pieces.kind, np.uint16, (count,), "kind"),
            _pointer(pieces.t, f64, (count, 2), "t"),
            _pointer(pieces.xy, f64, (count, 4), "xy"),
            _pointer(given.group, i32, (count,), "group"),
            _pointer(given.priority, i64, (count,), "priority"),
            _pointer(given.source, i64, (count,), "source"),
            _pointer(given.edges, i32, (edges, 2), "edges"),
            _pointer(given.positions, f64, (vertices, 3), "positions"),
            (ctypes.c_double * 4)(*given.height_row.tolist()),
            given.near,
            given.far,
            given.coincident,
            LEAST_COSINE,
            LARGEST_DEGREE,
        )
        point_count = ctypes.c_int64()
        workspace = self._workspace()
        strokes = self._library.bw_join(workspace, ctypes.byref(record), ctypes.byref(point_count))
        _check(strokes)
        joined = Joined(
            points=np.empty((point_count.value, 2)),
            offsets=np.empty(strokes + 1, i64),
            first=np.empty(strokes, i64),
            kind=np.empty(strokes, np.uint16),
            smallest=np.empty(strokes, i64),
        )
        _check(
            self._library.bw_take_joined(
                *(workspace, strokes, point_count.value, _address(joined.points)),
                *(_address(joined.offsets), _address(joined.first), _address(joined.kind)),
                _address(joined.smallest),
            )
        )
        return joined

    def simplified(
        self, points: FloatArray, offsets: NDArray[np.int64], tolerance: float
    ) -> tuple[FloatArray, NDArray[np.int64]]:
        """Drop vertices within a tolerance; see `numpy_joining.simplified`."""
        count = len(offsets) - 1
        places, places_at = _floats(points, (len(points), 2), "points")
        offsets_at = _pointer(offsets, np.int64, (count + 1,), "offsets")
        if int(offsets[-1]) != len(points):
            raise ValueError(f"offsets must end at {len(points)}, not {offsets[-1]}")
        left, new_offsets = np.empty((len(points), 2)), np.empty(count + 1, np.int64)
        kept = self._library.bw_simplified(
            *(self._workspace(), count, offsets_at, places_at, tolerance),
            *(_address(left), _address(new_offsets)),
        )
        _check(kept)
        del places  # alive until here
        return left[:kept].copy(), new_offsets

    def link_costs(
        self,
        xy: FloatArray,
        tangent: FloatArray,
        room: FloatArray,
        acceleration: float,
        speed: float,
        blend: float,
        jump_acceleration: float,
        jump_speed: float,
        settle: float,
        join: float,
    ) -> IntArray:
        """Price all links; see `numpy_points.link_costs`."""
        count = len(xy)
        places, places_at = _floats(xy, (count, 2), "xy")
        tangents, tangents_at = _floats(tangent, (count, 2), "tangent")
        rooms, rooms_at = _floats(room, (count,), "room")
        costs = np.empty((count, count), np.int32)
        _check(
            self._library.bw_link_costs(
                *(self._workspace(), count, places_at, tangents_at, rooms_at),
                *(acceleration, speed, blend, jump_acceleration, jump_speed, settle, join),
                _address(costs),
            )
        )
        del places, tangents, rooms  # alive until here
        return costs

    def neighbour_lists(self, costs: IntArray, size: int = 8) -> IntArray:
        """List the cheapest partners of each node; see `numpy_points.neighbour_lists`."""
        count = len(costs)
        size = min(size, max(count - 2, 0))
        neighbours = np.empty((count, size), np.int32)
        if size:
            at = _pointer(costs, np.int32, (count, count), "costs")
            _check(self._library.bw_neighbour_lists(count, size, at, _address(neighbours)))
        return neighbours

    def greedy_tour(self, costs: IntArray, neighbours: IntArray) -> IntArray:
        """Link the cheapest ends first; see `numpy_points.greedy_tour`."""
        count, size = len(costs), neighbours.shape[1]
        tour = np.empty(count // 2, np.int32)
        _check(
            self._library.bw_greedy_tour(
                *(self._workspace(), count, size),
                _pointer(costs, np.int32, (count, count), "costs"),
                _pointer(neighbours, np.int32, (count, size), "neighbours"),
                _address(tour),
            )
        )
        return tour

    def improve_tour(
        self,
        costs: IntArray,
        neighbours: IntArray,
        tour: IntArray,
        kicks: int,
        seed: int,
        sweeps: int = 60,
    ) -> IntArray:
        """Shorten a tour; see `numpy_points.improve_tour`.

        Unlike there, `sweeps` bounds nothing: moves are found on the neighbour lists, and
        each gains at least 1/1024 sample. The tour found is another one, as good or better.
        """
        del sweeps
        count, size = len(costs), neighbours.shape[1]
        result = np.array(tour, np.int32)
        if result.shape != (count // 2,):
            raise ValueError(f"tour must have {count // 2} entries, not {result.shape}")
        _check(
            self._library.bw_improve_tour(
                *(self._workspace(), count, size),
                _pointer(costs, np.int32, (count, count), "costs"),
                _pointer(neighbours, np.int32, (count, size), "neighbours"),
                *(kicks, seed & 0xFFFFFFFF, _address(result)),
            )
        )
        return result

    def clock_durations(
        self,
        length: FloatArray,
        blend_room: FloatArray,
        half_turn: FloatArray,
        arriving: FloatArray,
        leaving: FloatArray,
        inner: NDArray[np.bool_],
        acceleration: FloatArray,
        segment_acceleration: FloatArray,
        segment_speed: FloatArray,
        blend: float,
        hold: FloatArray,
    ) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray, FloatArray]:
        """Time the fastest motion along a route; see `numpy_points.clock_durations`."""
        n = len(length)
        if inner.shape != (n,) or inner.dtype != np.bool_:
            raise ValueError(f"inner must be {n} booleans")
        inside = np.ascontiguousarray(inner)
        held = [
            _floats(array, shape, name)
            for name, array, shape in (
                ("length", length, (n,)),
                ("blend_room", blend_room, (n,)),
                ("half_turn", half_turn, (n,)),
                ("arriving", arriving, (n, 2)),
                ("leaving", leaving, (n, 2)),
                ("acceleration", acceleration, (n,)),
                ("segment_acceleration", segment_acceleration, (n,)),
                ("segment_speed", segment_speed, (n,)),
                ("hold", hold, (n,)),
            )
        ]
        at = [address for _, address in held]
        durations = np.empty((n, 4))
        half_blend, speed_in, speed_out, peak = (np.empty(n) for _ in range(4))
        _check(
            self._library.bw_clock_durations(
                *(self._workspace(), n, *at[:5], _address(inside), *at[5:8]),
                *(blend, at[8], BLEND_ROUNDS, _address(durations)),
                *(_address(half_blend), _address(speed_in), _address(speed_out), _address(peak)),
            )
        )
        return durations, half_blend, speed_in, speed_out, peak

    def saturating_response(
        self,
        command: FloatArray,
        natural_frequency: float,
        damping: float,
        acceleration_max: float,
        speed_max: float,
        substeps: int,
        passes: int = 2,
    ) -> tuple[FloatArray, FloatArray]:
        """Beam of a looped command; see `numpy_points.saturating_response`."""
        count = len(command)
        commands, commands_at = _floats(command, (count, 2), "command")
        step = np.array(response_step(natural_frequency, damping, 1.0 / substeps))
        position = np.empty((count * substeps, 2))
        velocity = np.empty_like(position)
        _check(
            self._library.bw_saturating_response(
                *(count, commands_at, _address(step), acceleration_max, speed_max),
                *(substeps, passes, _address(position), _address(velocity)),
            )
        )
        del commands  # alive until here
        return position, velocity


def _check(status: int) -> None:
    if status < 0:
        _raise(status)


def _raise(status: int) -> None:
    if status == -1:
        raise MemoryError("no memory for the line kernels")
    if status == -3:
        raise SceneError(
            "A vertex or a camera value is not a finite number; "
            "look for NaN in modifiers, drivers and shape keys."
        )
    if status == -4:
        raise SettingError(
            "The camera's clip start must be above 0 (perspective) and below its clip end."
        )
    raise ValueError(f"an index or a count is out of range (status {status})")


def cube_input() -> VisibilityInput:
    """Return a cube seen from outside so that three faces show: nine whole edges."""
    corners = np.array([[x, y, z] for z in (0, 1) for y in (0, 1) for x in (0, 1)], np.float64)
    quads = [(0, 2, 3, 1), (4, 5, 7, 6), (0, 1, 5, 4), (2, 6, 7, 3), (0, 4, 6, 2), (1, 3, 7, 5)]
    triangles = np.array(
        [t for a, b, c, d in quads for t in ((a, b, c), (a, c, d))],
        np.int32,
    )
    edges: list[tuple[int, int]] = []
    faces: list[list[int]] = []
    sides = np.empty((12, 3), np.int32)
    for index, triangle in enumerate(triangles.tolist()):
        for side in range(3):
            start, end = triangle[side], triangle[(side + 1) % 3]
            key = (min(start, end), max(start, end))
            if key not in edges:
                edges.append(key)
                faces.append([])
            sides[index, side] = edges.index(key)
            faces[edges.index(key)].append(index)
    # Looking along -z from (0.3, 0.2, 4) at a cube turned by a shear-free rotation.
    a, b = 0.6, 0.5
    turn = np.array(
        [
            [np.cos(a), -np.sin(a), 0.0],
            [np.sin(a) * np.cos(b), np.cos(a) * np.cos(b), -np.sin(b)],
            [np.sin(a) * np.sin(b), np.cos(a) * np.sin(b), np.cos(b)],
        ]
    )
    view_projection = np.diag([2.0, 2.0, -1.0, 0.0])
    view_projection[2, 3] = -0.2
    view_projection[3] = (0.0, 0.0, -1.0, 5.0)
    view_projection[:2, 3] = (-0.3, -0.2)
    diagonal = np.array([bin(start ^ end).count("1") > 1 for start, end in edges])
    count = len(edges)
    return VisibilityInput(
        positions=np.ascontiguousarray((corners - 0.5) @ turn.T),
        view_projection=view_projection,
        triangles=triangles,
        edges=np.array(edges, np.int32),
        edge_faces=np.array(faces, np.int32),
        triangle_edges=sides,
        edge_kind=np.where(diagonal, 0, 2).astype(np.uint16),
        edge_silhouette=np.ones(count, np.uint8),
        edge_flip=np.zeros(count, np.uint8),
        edge_rank=np.zeros(count, np.int16),
        triangle_closed=np.zeros(12, np.uint8),
        triangle_occludes=np.ones(12, np.uint8),
        triangle_rank=np.zeros(12, np.int16),
        page=np.array([-1.0, 1.0, -1.0, 1.0]),
        near=0.1,
        far=100.0,
        bias=1e-7,
    )


def _self_test(kernels: NativeKernels) -> str:
    """Return what went wrong, or an empty text."""
    pieces = kernels.visible_pieces(cube_input())
    if len(pieces.edge) != 9:
        return f"a cube shows {len(pieces.edge)} edges, not 9"
    if not np.array_equal(pieces.t, np.broadcast_to([0.0, 1.0], (9, 2))):
        return "an edge of a cube is cut"
    corners = np.unique(np.round(pieces.xy.reshape(-1, 2), 9), axis=0)
    if len(corners) != 7:
        return f"a cube shows {len(corners)} corners, not 7"
    return ""
