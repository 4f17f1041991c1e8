# SPDX-License-Identifier: GPL-3.0-or-later
"""Lines, light and text on the graphics card, in pixels of a region."""

from __future__ import annotations

from collections import OrderedDict
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

import blf
import gpu
import numpy as np
from mathutils import Matrix
from numpy.typing import NDArray

from . import shaders
from .layers import Light, Lines

__all__ = ["Canvas", "pixel_matrix", "release"]

Rgba = tuple[float, float, float, float]

KEPT_BATCHES = 96
HALO_REDUCTION = 4
"""The halo is drawn this many times smaller; it is too soft to show it."""
HALO = 0.32
"""Light of the halo at full glow, beside the spot's own."""
HALO_SIZE = 5.5
SPOT_FIELD = 0.0021
"""Standard deviations: of the halo in those of the spot, and of the spot in field units."""
FONT = 0

_BATCHES: OrderedDict[int, tuple[Any, Any]] = OrderedDict()
"""Batches by the identity of the arrays they were made of, which are kept beside them."""
_CORNER = np.arange(4, dtype=np.float32)


def release() -> None:
    """Give back all that lies on the graphics card."""
    _BATCHES.clear()
    _TARGETS.clear()
    shaders.forget()


def pixel_matrix(width: float, height: float) -> Matrix:
    """Return the matrix from pixels of a region to clip space."""
    return Matrix(
        ((2.0 / width, 0, 0, -1.0), (0, 2.0 / height, 0, -1.0), (0, 0, 1.0, 0), (0, 0, 0, 1.0))
    )


def _batch(name: tuple[str, ...], columns: list[NDArray[np.float32]]) -> Any:
    """Make a batch of four corners a piece."""
    layout = gpu.types.GPUVertFormat()
    for entry in name:
        layout.attr_add(id=entry, comp_type="F32", len=4, fetch_mode="FLOAT")
    count = len(columns[0]) // 4
    vertices = gpu.types.GPUVertBuf(layout, 4 * count)
    for entry, column in zip(name, columns, strict=True):
        vertices.attr_fill(entry, np.ascontiguousarray(column))
    first = 4 * np.arange(count, dtype=np.int32)[:, None]
    corners = (first + np.array([[0, 1, 2, 2, 1, 3]], np.int32)).reshape(-1, 3)
    indices = gpu.types.GPUIndexBuf(type="TRIS", seq=np.ascontiguousarray(corners))
    return gpu.types.GPUBatch(type="TRIS", buf=vertices, elem=indices)


def _line_batch(lines: Lines) -> Any:
    style = np.empty((len(lines), 4, 4), np.float32)
    style[:, :, 0] = _CORNER
    style[:, :, 1] = lines.along[:, None]
    style[:, :, 2] = lines.width[:, None]
    style[:, :, 3] = lines.pattern[:, None]
    return _batch(
        ("ends", "colour", "style"),
        [
            np.repeat(lines.ends, 4, axis=0),
            np.repeat(lines.colour, 4, axis=0),
            style.reshape(-1, 4),
        ],
    )


def _light_batch(light: Light) -> Any:
    energy = np.empty((len(light), 4, 4), np.float32)
    energy[:, :, :3] = light.energy[:, None]
    energy[:, :, 3] = _CORNER
    return _batch(("ends", "energy"), [np.repeat(light.ends, 4, axis=0), energy.reshape(-1, 4)])


def _kept_batch(arrays: Lines | Light) -> Any:
    known = _BATCHES.get(id(arrays))
    if known is not None:
        _BATCHES.move_to_end(id(arrays))
        return known[1]
    batch = _line_batch(arrays) if isinstance(arrays, Lines) else _light_batch(arrays)
    _BATCHES[id(arrays)] = (arrays, batch)
    while len(_BATCHES) > KEPT_BATCHES:
        _BATCHES.popitem(last=False)
    return batch


_Target = tuple[Any, Any, int, int]
"""Texture, framebuffer, width, height."""

_TARGETS: OrderedDict[tuple[int, int], tuple[_Target, _Target]] = OrderedDict()


def _target(width: int, height: int) -> _Target:
    # Not a GPUOffScreen: making one takes the bound framebuffer away from whoever draws.
    texture = gpu.types.GPUTexture((width, height), format="RGBA16F")
    return texture, gpu.types.GPUFrameBuffer(color_slots=texture), width, height


def _targets(width: int, height: int) -> tuple[_Target, _Target]:
    """Return the off-screen pictures of core and halo for a region of this size."""
    known = _TARGETS.get((width, height))
    if known is None:
        small = (max(1, width // HALO_REDUCTION), max(1, height // HALO_REDUCTION))
        known = _TARGETS[width, height] = (_target(width, height), _target(*small))
        while len(_TARGETS) > 4:
            _TARGETS.popitem(last=False)
    _TARGETS.move_to_end((width, height))
    return known


@contextmanager
def _state(blend: str) -> Iterator[None]:
    """Set blending and no depth test for a while."""
    old_blend, old_test = gpu.state.blend_get(), gpu.state.depth_test_get()
    old_mask = gpu.state.depth_mask_get()
    gpu.state.blend_set(blend)
    gpu.state.depth_test_set("NONE")
    gpu.state.depth_mask_set(False)
    try:
        yield
    finally:
        gpu.state.blend_set(old_blend)
        gpu.state.depth_test_set(old_test)
        gpu.state.depth_mask_set(old_mask)


class Canvas:
    """Draws into the region whose framebuffer is bound, pixels being set as its matrices.

    Parameters
    ----------
    width, height
        Of the region, in pixels.
    unit
        Pixels of a unit of width: the interface's scale.
    """

    def __init__(self, width: int, height: int, unit: float) -> None:
        self.width, self.height, self.unit = width, height, unit
        self._pixels = pixel_matrix(width, height)

    def lines(self, lines: Lines, to_clip: Matrix, field_px: float, scale: float = 1.0) -> None:
        """Draw lines that lie in a plane.

        Parameters
        ----------
        to_clip
            From the plane, z = 0, to clip space.
        field_px
            About how many pixels a unit of the plane is long; patterns go by it.
        scale
            Of all widths.
        """
        if len(lines) == 0:
            return
        shader = shaders.line_shader()
        batch = _kept_batch(lines)
        with _state("ALPHA"):
            shader.bind()
            shader.uniform_float("to_clip", to_clip)
            screen = (self.width, self.height, self.unit * scale, field_px)
            shader.uniform_float("screen", screen)
            batch.draw(shader)

    def shapes(self, lines: Lines) -> None:
        """Draw lines given in pixels; they are not kept."""
        if len(lines) == 0:
            return
        shader = shaders.line_shader()
        batch = _line_batch(lines)
        with _state("ALPHA"):
            shader.bind()
            shader.uniform_float("to_clip", self._pixels)
            shader.uniform_float("screen", (self.width, self.height, self.unit, 1.0))
            batch.draw(shader)

    def polygon(self, corners: NDArray[np.float64], colour: Rgba) -> None:
        """Fill a convex polygon, (n, 2), in pixels."""
        shader = gpu.shader.from_builtin("UNIFORM_COLOR")
        layout = gpu.types.GPUVertFormat()
        layout.attr_add(id="pos", comp_type="F32", len=3, fetch_mode="FLOAT")
        places = np.zeros((len(corners), 3), np.float32)
        places[:, :2] = corners
        vertices = gpu.types.GPUVertBuf(layout, len(places))
        vertices.attr_fill("pos", places)
        fan = np.arange(1, len(corners) - 1, dtype=np.int32)
        seq = np.stack([np.zeros_like(fan), fan, fan + 1], axis=1)
        indices = gpu.types.GPUIndexBuf(type="TRIS", seq=np.ascontiguousarray(seq))
        batch = gpu.types.GPUBatch(type="TRIS", buf=vertices, elem=indices)
        with _state("ALPHA"):
            shader.bind()
            shader.uniform_float("color", colour)
            batch.draw(shader)

    def light(
        self,
        lights: list[tuple[Light, Matrix, float]],
        spot_px: float,
        halo: float,
        darken: float,
    ) -> None:
        """Draw simulated beams: light adds up, and the view behind it is darkened.

        Parameters
        ----------
        lights
            Each with its plane's matrix to clip space and the pixels of a unit of the plane.
        spot_px
            Least standard deviation of the spot, in units of width.
        halo
            Strength of the glow around it, 0 to 1.
        darken
            Share of the view that is taken away, 0 to 1.
        """
        core, soft = _targets(self.width, self.height)
        widest = max((field_px for _light, _matrix, field_px in lights), default=0.0)
        sigma = max(spot_px * self.unit, SPOT_FIELD * widest, 0.5)
        self._expose(core, lights, sigma, 1.0)
        if halo > 0.0:
            self._expose(soft, lights, HALO_SIZE * sigma / HALO_REDUCTION, 1.0 / HALO_REDUCTION)
        shader = shaders.compose_shader()
        corners = np.array([(-1, -1), (3, -1), (-1, 3)], np.float32)
        layout = gpu.types.GPUVertFormat()
        layout.attr_add(id="corner", comp_type="F32", len=2, fetch_mode="FLOAT")
        vertices = gpu.types.GPUVertBuf(layout, 3)
        vertices.attr_fill("corner", corners)
        batch = gpu.types.GPUBatch(type="TRIS", buf=vertices)
        with _state("ALPHA_PREMULT"):
            shader.bind()
            shader.uniform_sampler("core", core[0])
            shader.uniform_sampler("halo", (soft if halo > 0.0 else core)[0])
            shader.uniform_float("amount", (1.0, HALO * halo, darken, 0.0))
            batch.draw(shader)

    def _expose(
        self,
        target: _Target,
        lights: list[tuple[Light, Matrix, float]],
        sigma: float,
        reduction: float,
    ) -> None:
        """Add the light of all beams in an off-screen picture."""
        shader = shaders.glow_shader()
        _texture, framebuffer, width, height = target
        with framebuffer.bind():
            framebuffer.clear(color=(0.0, 0.0, 0.0, 0.0))
            with _state("ADDITIVE"):
                shader.bind()
                for light, to_clip, field_px in lights:
                    if len(light) == 0:
                        continue
                    shader.uniform_float("to_clip", to_clip)
                    screen = (width, height, sigma, field_px * reduction)
                    shader.uniform_float("screen", screen)
                    _kept_batch(light).draw(shader)

    def measure(self, text: str, size: float) -> float:
        """Return the width of a text in pixels."""
        blf.size(FONT, size * self.unit)
        return blf.dimensions(FONT, text)[0]

    def text(self, x: float, y: float, text: str, size: float, colour: Rgba) -> None:
        """Write one line from its baseline's left end, in pixels; `size` in units."""
        blf.size(FONT, size * self.unit)
        blf.enable(FONT, blf.SHADOW)
        blf.shadow(FONT, 3, 0.0, 0.0, 0.0, 0.6)
        blf.shadow_offset(FONT, 0, -1)
        blf.color(FONT, *colour)
        blf.position(FONT, x, y, 0.0)
        blf.draw(FONT, text)
        blf.disable(FONT, blf.SHADOW)
