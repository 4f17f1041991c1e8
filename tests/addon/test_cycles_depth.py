# SPDX-License-Identifier: GPL-3.0-or-later
"""Visible lines of a crowded scene against a depth image that Cycles renders.

Source of the reference: Blender's path tracer with one sample in the middle of each pixel,
every material replaced by light whose strength is the depth along the view axis.
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import bpy
import numpy as np
from beamwright.core.lines import features, visibility
from benchmarks import scenes
from numpy.typing import NDArray

SIZE = 1000
MARGIN = 0.02  # scene units; the scene is some 12 units deep
SPACING = 8.0 / SIZE  # four pixels
LARGEST_SHARE = 0.0005


def render_depth(scene: Any, folder: Path) -> NDArray[np.float64]:
    """Return the depth along the view axis in each pixel, top row last, (SIZE, SIZE)."""
    material = bpy.data.materials.new("Depth")
    if material.node_tree is None:  # 4.5; later ones have nodes from the start
        material.use_nodes = True
    nodes, links = material.node_tree.nodes, material.node_tree.links
    nodes.clear()
    camera = nodes.new("ShaderNodeCameraData")
    light = nodes.new("ShaderNodeEmission")
    output = nodes.new("ShaderNodeOutputMaterial")
    links.new(camera.outputs["View Z Depth"], light.inputs["Strength"])
    links.new(light.outputs["Emission"], output.inputs["Surface"])
    scene.view_layers[0].material_override = material
    world = bpy.data.worlds.new("Black")
    if world.node_tree is None:
        world.use_nodes = True
    world.node_tree.nodes["Background"].inputs["Strength"].default_value = 0.0
    scene.world = world
    scene.render.engine = "CYCLES"
    scene.cycles.samples = 1
    scene.cycles.use_denoising = False
    scene.cycles.use_adaptive_sampling = False
    scene.cycles.max_bounces = 0
    scene.cycles.pixel_filter_type = "BOX"
    scene.render.filter_size = 0.01
    scene.cycles.filter_width = 0.01
    settings = scene.render.image_settings
    settings.file_format = "OPEN_EXR"
    settings.color_depth = "32"
    scene.view_settings.view_transform = "Raw"
    scene.render.filepath = str(folder / "depth.exr")
    bpy.ops.render.render(write_still=True)
    image = bpy.data.images.load(scene.render.filepath)
    image.colorspace_settings.name = "Non-Color"
    flat = np.empty(SIZE * SIZE * 4, np.float32)
    image.pixels.foreach_get(flat)
    depth = flat.reshape(SIZE, SIZE, 4)[:, :, 0].astype(np.float64)
    depth[depth == 0.0] = np.inf
    return depth


def sample(
    seen: Any,
) -> tuple[NDArray[np.int32], NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """Return edge, parameter, point and depth every `SPACING` along the pieces.

    The inverse of the distance along the view axis is linear in the image (perspective).
    """
    pieces, view = seen.pieces, seen.view
    homogeneous = np.column_stack([view.positions, np.ones(len(view.positions))])
    distance = homogeneous @ view.view_projection[3]
    length = np.hypot(*(pieces.xy[:, 2:] - pieces.xy[:, :2]).T)
    count = np.maximum(1, (length / SPACING).astype(np.int64))
    row = np.repeat(np.arange(len(length)), count)
    place = np.arange(len(row)) - np.repeat(np.cumsum(count) - count, count)
    s = ((place + 0.5) / count[row])[:, None]
    points = pieces.xy[row, :2] * (1.0 - s) + pieces.xy[row, 2:] * s
    t = pieces.t[row, 0] * (1.0 - s[:, 0]) + pieces.t[row, 1] * s[:, 0]
    ends = view.edges[pieces.edge[row]]
    depth = 1.0 / ((1.0 - t) / distance[ends[:, 0]] + t / distance[ends[:, 1]])
    return pieces.edge[row], t, points, depth


def around(
    depth: NDArray[np.float64], points: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.bool_]]:
    """Return the nine pixels around each point, (n, 9), and which points have all nine."""
    pixel = np.floor((points + 1.0) * 0.5 * SIZE).astype(np.int64)
    fits = np.all((pixel >= 1) & (pixel < SIZE - 1), axis=1)
    pixel = pixel[fits]
    steps = np.array([(dx, dy) for dx in (-1, 0, 1) for dy in (-1, 0, 1)])
    x, y = (pixel[:, None, :] + steps[None]).transpose(2, 0, 1)
    return depth[y, x], fits


def test_depth_image_agrees_with_visibility(addon: object, tmp_path: Path) -> None:
    """No visible piece lies behind what Cycles sees, no hidden part of an edge before it."""
    from beamwright.addon.session import open_source

    scene = scenes.build("c")
    extracted = open_source().scene_at(1)
    surfaces = extracted.surfaces
    bias = extracted.drawing.depth_bias
    seen = visibility.see(features.collect(surfaces), surfaces, extracted.camera, (), bias)
    # The same edges where nothing hides them: the whole features.
    bare = [replace(s, lines=replace(s.lines, occludes=False)) for s in surfaces]
    whole = visibility.see(features.collect(bare), bare, extracted.camera, (), bias)
    depth = render_depth(scene, tmp_path)
    assert np.isfinite(depth).mean() > 0.1

    _, _, points, own = sample(seen)
    pixels, fits = around(depth, points)
    assert fits.sum() > 2000
    covered = np.all(pixels < own[fits, None] - MARGIN, axis=1)
    assert covered.mean() <= LARGEST_SHARE

    edge, t, points, own = sample(whole)
    order = np.searchsorted(
        seen.pieces.edge * 2.0 + seen.pieces.t[:, 0], edge * 2.0 + t, side="right"
    )
    previous = np.maximum(order - 1, 0)
    shown = (order > 0) & (seen.pieces.edge[previous] == edge) & (t <= seen.pieces.t[previous, 1])
    assert (~shown).sum() > 5000
    pixels, fits = around(depth, points[~shown])
    bare_before = np.all(pixels > own[~shown][fits, None] + MARGIN, axis=1)
    assert bare_before.mean() <= LARGEST_SHARE
