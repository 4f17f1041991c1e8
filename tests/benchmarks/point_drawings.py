# SPDX-License-Identifier: GPL-3.0-or-later
"""Drawings to measure ordering and placement on: lettering, meshes, random strokes.

Lettering needs the package Hershey-Fonts, meshes need trimesh; `drawing` returns None where
they are missing.
"""

from __future__ import annotations

import importlib.util

import numpy as np
from numpy.typing import NDArray

Polylines = list[NDArray[np.float64]]

TEXTS = {
    "text20": ("rowmans", ["HELLO", "WORLD"]),
    "text60": ("rowmans", ["The quick brown", "fox jumps over"]),
    "text130": (
        "rowmans",
        [
            "The quick brown fox",
            "jumps over the lazy",
            "dog 0123456789",
            "Laser & light, 2026",
        ],
    ),
    "text250": (
        "rowmans",
        [
            "The quick brown fox",
            "jumps over the lazy",
            "dog 0123456789",
            "Laser & light, 2026",
            "Grumpy wizards make",
            "toxic brew for the",
            "evil Queen and Jack",
        ],
    ),
    "script60": ("scripts", ["Sphinx of black", "quartz, judge", "my vow"]),
}
MESHES = {
    "ico1": (0.4, 0.5),
    "ico2": (0.4, 0.5),
    "cyl": (0.4, 0.6),
    "torus": (0.4, 0.9),
}
RANDOM = {"rand100": 100, "rand300": 300}


def drawing(name: str) -> Polylines | None:
    """Return a drawing's polylines in the field, or None where its package is missing."""
    if name in TEXTS:
        return _lettering(*TEXTS[name]) if importlib.util.find_spec("HersheyFonts") else None
    if name in MESHES:
        if importlib.util.find_spec("trimesh") is None:
            return None
        polylines, _ = mesh_edges(name, *MESHES[name])
        return polylines
    rng = np.random.default_rng(3)
    for random_name, count in RANDOM.items():
        start = rng.uniform(-0.9, 0.9, (count, 2))
        step = rng.normal(0, 0.07, (count, 2))
        if random_name == name:
            return [np.stack([a, a + b]) for a, b in zip(start, step, strict=True)]
    raise KeyError(name)


def fitted(polylines: Polylines) -> Polylines:
    """Centre the bounding box and scale its larger half-extent to 0.92."""
    points = np.concatenate(polylines)
    low, high = points.min(axis=0), points.max(axis=0)
    scale = 0.92 / (0.5 * (high - low)).max()
    return _cleaned([(line - 0.5 * (low + high)) * scale for line in polylines], 1e-6)


def _cleaned(polylines: Polylines, shortest: float) -> Polylines:
    result = []
    for line in polylines:
        keep = np.ones(len(line), bool)
        keep[1:] = np.hypot(*np.diff(line, axis=0).T) >= shortest
        if keep.sum() >= 2:
            result.append(line[keep])
    return result


def _lettering(face: str, lines: list[str]) -> Polylines:
    from HersheyFonts import HersheyFonts

    fonts = HersheyFonts()
    fonts.load_default_font(face)
    fonts.normalize_rendering(20)
    polylines = []
    for row, text in enumerate(lines):
        for stroke in fonts.strokes_for_text(text):
            polylines.append(np.array(list(stroke), np.float64) - [0.0, 30.0 * row])
    return fitted(polylines)


def mesh_edges(name: str, a: float, b: float) -> tuple[Polylines, list[int]]:
    """Return the edges of a primitive that are not flat and not turned away, and their numbers."""
    import trimesh

    mesh = {
        "ico1": lambda: trimesh.creation.icosphere(1),
        "ico2": lambda: trimesh.creation.icosphere(2),
        "cyl": lambda: trimesh.creation.cylinder(0.7, 1.8, sections=16),
        "torus": lambda: trimesh.creation.torus(1.0, 0.4, major_sections=14, minor_sections=8),
    }[name]()
    turn_y = np.array([[np.cos(a), 0, np.sin(a)], [0, 1, 0], [-np.sin(a), 0, np.cos(a)]])
    turn_x = np.array([[1, 0, 0], [0, np.cos(b), -np.sin(b)], [0, np.sin(b), np.cos(b)]])
    rotation = turn_x @ turn_y
    vertices = mesh.vertices @ rotation.T
    normals = mesh.face_normals @ rotation.T
    image = vertices[:, :2] * (4.0 / (4.0 - vertices[:, 2:])) * (0.92 / 1.55)
    front = normals[mesh.face_adjacency, 2] > 0.0
    shown = (mesh.face_adjacency_angles > 1e-3) & front.any(axis=1)
    numbers = np.flatnonzero(shown)
    edges = mesh.face_adjacency_edges[numbers]
    return [image[edge].copy() for edge in edges], numbers.tolist()
