# SPDX-License-Identifier: GPL-3.0-or-later
"""Layers of a Grease Pencil drawing become one page: planes sorted out, masks applied."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ...core.artwork.cards import plane_through
from ...core.artwork.masks import with_masks
from ...core.artwork.pencil import PencilArrays, page_from_pencil
from ...core.artwork.shapes import Page, flatten
from ...core.scene import LineKind, LineSettings, Surface, Topology
from .pencil import PencilLayer

__all__ = ["Drawing", "pencil_drawing"]

FloatArray = NDArray[np.float64]

MASK_FINENESS = 8192.0
"""Extent of a page over the largest deviation of a mask's edge."""
FLAT = 2e-6
"""Depth of a plane's points over their extent: single precision."""


@dataclass(frozen=True, eq=False)
class Drawing:
    """What an object draws, in its own space; kept by content.

    Attributes
    ----------
    page
        All that lies in planes.
    planes
        Page space to the object's space, by layer name.
    wires
        The rest, in the object's space.
    """

    page: Page
    planes: dict[str, FloatArray]
    wires: tuple[Surface, ...] = ()


def _page_plane(scale: float) -> FloatArray:
    """Page space to the object's space: the page stands in the plane XZ and faces -y."""
    plane = np.zeros((4, 4))
    plane[0, 0], plane[2, 1], plane[1, 2], plane[3, 3] = scale, scale, -scale, 1.0
    return plane


def pencil_drawing(
    layers: Sequence[PencilLayer],
    width: float,
    height: float,
    scale: float,
    clip_borders: bool,
    colour: tuple[float, float, float] | None,
    alpha_min: float,
) -> Drawing:
    """Sort layers by the planes they stand in, and make one page of them."""
    page_plane = _page_plane(scale)
    inverse = np.linalg.inv(page_plane)
    planes: dict[str, FloatArray] = {}
    parts: list[tuple[PencilLayer, str, FloatArray]] = []
    wires: list[Surface] = []
    bounded = True
    depths = [0.0]
    for layer in layers:
        if layer.opacity <= 0.0:  # it only masks
            continue
        found = _plane_of(layer, page_plane, inverse, depths)
        if found is not None:
            plane, flat, on_page = found
            bounded &= on_page
            planes[layer.name] = plane
            parts.append((layer, layer.name, flat))
        else:
            bounded = False
            wires.extend(_loose(layer, colour))
    names = [name for _, name, _ in parts]
    page = page_from_pencil(
        _joined(parts, clip_borders),
        names,
        width if bounded else np.inf,
        height if bounded else np.inf,
    )
    page = _masked(page, layers, planes, alpha_min)
    if colour is not None:
        page = replace(
            page,
            fill=np.hstack([np.tile(colour, (len(page), 1)), page.fill[:, 3:]]),
            stroke=np.hstack([np.tile(colour, (len(page), 1)), page.stroke[:, 3:]]),
        )
    return Drawing(page, planes, tuple(wires))


def _masked(
    page: Page, layers: Sequence[PencilLayer], planes: dict[str, FloatArray], alpha_min: float
) -> Page:
    """Clip the layers that are masked; what masks them is seen straight on from their plane."""
    masks = {layer.name: layer.masks for layer in layers if layer.masks is not None}
    if not masks:
        return page
    masking = {name for names in masks.values() for name, _ in names}
    sources: dict[str, dict[str, Page]] = {}
    seen: dict[bytes, dict[str, Page]] = {}
    for name in masks.keys() & planes.keys():
        plane = planes[name]
        # Planes that are only shifted see the same.
        key = plane[:3, :3].tobytes() + np.round(plane[:3, 3] @ plane[:3, :2], 9).tobytes()
        if key not in seen:
            seen[key] = {
                layer.name: _as_mask(layer, plane) for layer in layers if layer.name in masking
            }
        sources[name] = seen[key]
    extent = float(np.abs(page.knots).max(initial=0.0))
    tolerance = max(extent, 1e-9) / MASK_FINENESS
    return with_masks(page, sources, masks, tolerance, alpha_min)


def _as_mask(layer: PencilLayer, plane: FloatArray) -> Page:
    """Return a layer as a plane sees it, its pen as wide all along as it is on the average."""
    whole = np.linalg.inv(plane) @ layer.matrix
    flat = (layer.knots @ whole[:3, :3].T + whole[:3, 3])[:, :, :2]
    scale = 1.0 / float(np.sqrt(np.prod(np.linalg.norm(plane[:3, :2], axis=0))))
    counts = np.maximum(layer.counts, 1)
    sums = np.bincount(
        np.repeat(np.arange(len(counts)), layer.counts), layer.radius, minlength=len(counts)
    )
    even = np.repeat(sums / counts * scale, layer.counts)
    plain = replace(layer, radius=even, opacity=1.0)
    return page_from_pencil(_joined([(plain, layer.name, flat)], True), [layer.name])


def _plane_of(
    layer: PencilLayer, page_plane: FloatArray, inverse: FloatArray, depths: list[float]
) -> tuple[FloatArray, FloatArray, bool] | None:
    """Return a layer's plane, its knots in that plane, and whether it stays in the page's.

    Layers shifted within the page keep its plane and move their knots, so that they still
    hide one another by stacking order; layers at one depth share one plane.
    """
    for to_object, turned in ((np.eye(4), False), (layer.matrix, True)):
        whole = inverse if turned else inverse @ layer.matrix
        local = layer.knots @ whole[:3, :3].T + whole[:3, 3]
        extent = float(np.abs(local).max(initial=0.0)) + 1e-12
        depth = local[:, :, 2]
        middle = float(depth[:, 1].mean())
        if np.abs(depth - middle).max() <= FLAT * extent:
            if not turned:
                near = min(depths, key=lambda known: abs(known - middle))
                if abs(near - middle) <= FLAT * extent:
                    middle = near
                else:
                    depths.append(middle)
            shift = np.eye(4)
            shift[2, 3] = middle
            return to_object @ page_plane @ shift, local[:, :, :2], True
    local = layer.knots @ layer.matrix[:3, :3].T + layer.matrix[:3, 3]
    extent = float(np.ptp(local.reshape(-1, 3), axis=0).max(initial=0.0)) + 1e-12
    plane = plane_through(local[:, 1], FLAT * extent)
    if plane is None:
        return None
    flat = (local - plane[:3, 3]) @ plane[:3, :3]
    if np.abs(flat[:, :, 2]).max() > 4.0 * FLAT * extent:
        return None
    return plane, flat[:, :, :2], False


def _loose(layer: PencilLayer, colour: tuple[float, float, float] | None) -> list[Surface]:
    """Return the lines of a layer that bends through space, as wires.

    Its strokes lie on no page, so they have no stacking order and its fills hide nothing.
    """
    offsets = np.concatenate([[0], np.cumsum(layer.counts)]).astype(np.int64)
    knots = layer.knots @ layer.matrix[:3, :3].T + layer.matrix[:3, 3]
    extent = float(np.ptp(knots.reshape(-1, 3), axis=0).max(initial=0.0)) + 1e-12
    points, bounds = flatten(knots, offsets, layer.closed, extent / 4096.0)
    line = np.repeat(np.arange(len(layer.counts)), np.diff(bounds))
    drawn = ~layer.hide_stroke | (layer.fill_id > 0)
    start = np.flatnonzero((line[1:] == line[:-1]) & drawn[line[1:]])
    first = np.minimum(offsets[:-1], max(len(layer.stroke_colour) - 1, 0))
    looks = np.where(
        layer.hide_stroke[:, None], layer.fill_colour[:, :3], layer.stroke_colour[first, :3]
    )
    if colour is not None:
        looks[:] = colour
    looks, group = np.unique(np.round(looks, 6), axis=0, return_inverse=True)
    group = group.reshape(-1)[line[start]]
    none = np.empty(0, np.int32)
    return [
        Surface(
            name=layer.name,
            identity=f"{layer.name}/wire {number}",
            topology=Topology(
                vertex_count=len(points),
                triangles=np.empty((0, 3), np.int32),
                triangle_polygon=none,
                triangle_material=none,
                triangle_smooth=np.empty(0, bool),
                loose_edges=np.column_stack([start, start + 1])[group == number].astype(np.int32),
                loose_kind=LineKind.DRAWN,
            ),
            positions=points,
            colours=look.reshape(1, 3),
            lines=LineSettings(kinds=LineKind.DRAWN, occludes=False),
        )
        for number, look in enumerate(looks)
        if (group == number).any()
    ]


def _joined(
    parts: Sequence[tuple[PencilLayer, str, FloatArray]], clip_borders: bool
) -> PencilArrays:
    """Put layers one upon the other."""
    layers = [layer for layer, _, _ in parts]

    def joined(values: list[Any], shape: tuple[int, ...], dtype: Any) -> Any:
        return np.concatenate(values) if values else np.empty(shape, dtype)

    knots = joined([flat for _, _, flat in parts], (0, 3, 2), np.float64)
    counts = joined([layer.counts for layer in layers], (0,), np.int32)
    outlined = joined([layer.outlined for layer in layers], (0,), bool)
    return PencilArrays(
        counts=counts,
        position=knots[:, 1],
        handle_left=knots[:, 0],
        handle_right=knots[:, 2],
        cyclic=joined([layer.cyclic for layer in layers], (0,), bool),
        closed=joined([layer.closed for layer in layers], (0,), bool),
        vertex_colour=joined(
            [layer.stroke_colour * (1.0, 1.0, 1.0, layer.opacity) for layer in layers],
            (0, 4),
            np.float64,
        ),
        fill_colour=joined(
            [layer.fill_colour * (1.0, 1.0, 1.0, layer.opacity) for layer in layers],
            (0, 4),
            np.float64,
        ),
        radius=joined([layer.radius for layer in layers], (0,), np.float64),
        fill_id=joined([layer.fill_id for layer in layers], (0,), np.int32),
        rank=np.arange(len(counts), dtype=np.int32),
        hide_stroke=joined([layer.hide_stroke for layer in layers], (0,), bool),
        outlined=np.ones(len(outlined), bool) if clip_borders else outlined,
        layer=joined(
            [np.full(len(layer.counts), i, np.int32) for i, layer in enumerate(layers)],
            (0,),
            np.int32,
        ),
    )
