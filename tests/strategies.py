# SPDX-License-Identifier: GPL-3.0-or-later
"""Hypothesis strategies for strokes, frames and projectors, and the settings tests share."""

from __future__ import annotations

import numpy as np
from beamwright.core.frame import Frame
from beamwright.core.points.projector import (
    Aim,
    Projector,
    ScannerProfile,
    profile_from_rating,
)
from beamwright.core.strokes import Strokes
from hypothesis import HealthCheck, settings
from hypothesis import strategies as st

# The same examples on every run and machine; few, because the whole suite is to stay quick.
STEADY = settings(
    derandomize=True,
    deadline=None,
    max_examples=40,
    suppress_health_check=[HealthCheck.too_slow, HealthCheck.data_too_large],
)

coordinates = st.floats(-1.0, 1.0, allow_nan=False, width=32)
levels = st.sampled_from([0.0, 0.25, 0.5, 1.0])
colours = st.tuples(levels, levels, levels).filter(lambda colour: max(colour) > 0.0)


@st.composite
def polylines(draw: st.DrawFn, extent: float = 0.9, most_points: int = 12) -> np.ndarray:
    """Draw a polyline: a walk of steps between 0.01 and 0.4, open or closed, or a dot."""
    shape = draw(st.sampled_from(["walk", "walk", "loop", "straight", "dot"]))
    seed = draw(st.integers(0, 2**32 - 1))
    rng = np.random.default_rng(seed)
    start = rng.uniform(-extent, extent, 2)
    if shape == "dot":
        return start[None]
    if shape == "straight":
        return np.clip(np.stack([start, start + rng.normal(0.0, 0.4, 2)]), -extent, extent)
    count = draw(st.integers(3, most_points))
    steps = rng.uniform(-1.0, 1.0, (count, 2)) * rng.uniform(0.01, 0.4, (count, 1))
    line = np.clip(start + np.cumsum(steps, axis=0), -extent, extent)
    return np.concatenate([line, line[:1]]) if shape == "loop" else line


@st.composite
def strokes(
    draw: st.DrawFn, min_size: int = 1, max_size: int = 12, extent: float = 0.9, objects: int = 3
) -> Strokes:
    """Draw strokes of some objects; some share endpoints."""
    count = draw(st.integers(min_size, max_size))
    lines = [draw(polylines(extent)) for _ in range(count)]
    for row in range(1, count):
        if draw(st.integers(0, 3)) == 0 and len(lines[row]) > 1 and len(lines[row - 1]) > 1:
            was_closed = len(lines[row]) > 2 and np.array_equal(lines[row][0], lines[row][-1])
            lines[row] = lines[row].copy()
            lines[row][0] = lines[row - 1][-1]
            if was_closed:
                lines[row][-1] = lines[row][0]
    return Strokes.from_polylines(
        lines,
        colour=np.array([draw(colours) for _ in range(count)]).reshape(-1, 3),
        object_index=np.array([draw(st.integers(0, objects - 1)) for _ in range(count)], int),
        object_names=tuple(f"object {number}" for number in range(objects)),
    )


@st.composite
def profiles(draw: st.DrawFn) -> ScannerProfile:
    """Draw a profile from a rating, at any field angle, tuned a little."""
    rating = draw(st.sampled_from([12000.0, 20000.0, 30000.0, 40000.0, 60000.0]))
    profile = profile_from_rating(
        rating,
        field_deg=draw(st.sampled_from([8.0, 20.0, 40.0, 60.0])),
        damping=draw(st.sampled_from([0.6, 0.71, 0.85])),
    )
    return ScannerProfile(
        **{
            **{name: getattr(profile, name) for name in profile.__dataclass_fields__},
            "colour_delay_us": draw(
                st.sampled_from([(0.0, 0.0, 0.0), (20.0, 20.0, 20.0), (0.0, 30.0, 200.0)])
            ),
            "settle": draw(st.booleans()),
            "minimum_level": draw(st.sampled_from([0.0, 0.1])),
        }
    )


@st.composite
def aims(draw: st.DrawFn) -> Aim:
    """Draw a possible aim without leaving the horizon."""
    shift = st.floats(-0.3, 0.3)
    corners = tuple(
        (x + draw(shift), y + draw(shift)) for x, y in ((-1, -1), (1, -1), (1, 1), (-1, 1))
    )
    return Aim(
        scale_x=draw(st.floats(0.2, 1.3)),
        scale_y=draw(st.floats(0.2, 1.3)),
        rotation_rad=draw(st.floats(-3.2, 3.2)),
        offset_x=draw(st.floats(-0.5, 0.5)),
        offset_y=draw(st.floats(-0.5, 0.5)),
        mirror_x=draw(st.booleans()),
        mirror_y=draw(st.booleans()),
        corners=corners if draw(st.booleans()) else Aim().corners,
    )


@st.composite
def projectors(draw: st.DrawFn) -> Projector:
    """Draw a projector with its picture straight in the field."""
    return Projector(
        name="Projector",
        profile=draw(profiles()),
        target_refresh_hz=draw(st.sampled_from([10.0, 25.0, 50.0, 100.0])),
        placement=draw(st.sampled_from(["planned", "planned", "simple"])),
    )


@st.composite
def frames(draw: st.DrawFn, most_points: int = 64) -> Frame:
    """Draw any valid frame: positions in the field, dark at both ends."""
    count = draw(st.integers(1, most_points))
    rng = np.random.default_rng(draw(st.integers(0, 2**32 - 1)))
    blanked = rng.random(count) < 0.4
    blanked[[0, -1]] = True
    rgb = np.where(blanked[:, None], 0.0, rng.choice([0.0, 0.5, 1.0], (count, 3)))
    rgb[~blanked, 0] = 1.0
    xy = rng.uniform(-1.0, 1.0, (count, 2))
    xy[-1] = xy[0]
    return Frame(
        xy=xy,
        rgb=rgb,
        blanked=blanked,
        stroke=np.where(blanked, -1, 0).astype(np.int32),
        object_index=np.zeros(count, np.int32),
        point_rate_hz=draw(st.sampled_from([12000.0, 30000.0, 60000.0])),
    )
