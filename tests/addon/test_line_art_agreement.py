# SPDX-License-Identifier: GPL-3.0-or-later
"""Visible lines against Blender's own Line Art, both ways.

Source of the reference: Blender's Line Art modifier, intersection lines off and its chaining
threshold at zero, so that it closes no gaps in the image. The tolerance is one step of
the 65,536 steps across the field; the bound is the project's own.
"""

from __future__ import annotations

from dataclasses import replace

import pytest
from beamwright.core.pipeline import visible_strokes
from benchmarks import scenes
from line_art import add_line_art, line_art_segments, stroke_segments, uncovered_length

TOLERANCE = 2.0 / 65536.0  # the field is 2 units wide
LARGEST_SHARE = 0.0005


@pytest.mark.parametrize(("name", "frames"), [("a", (1, 4)), ("b1", (2, 31)), ("c", (1,))])
def test_agrees_with_line_art(addon: object, name: str, frames: tuple[int, ...]) -> None:
    """Of each line set at most 0.05 % lies farther than the tolerance from the other."""
    from beamwright.addon.session import open_source

    scene = scenes.build(name)
    source = open_source()
    drawn = add_line_art(scene, intersections=False, bridging=False)
    for frame in frames:
        scene.frame_set(frame)
        reference = line_art_segments(scene, drawn)
        extracted = source.scene_at(frame)
        exact = replace(
            extracted.drawing, intersections=False, remove_coincident=False, tolerance_field=0.0
        )
        ours = stroke_segments(visible_strokes(replace(extracted, drawing=exact)))
        assert len(reference) > 50
        missing, expected = uncovered_length(reference, ours, TOLERANCE)
        extra, drawn_length = uncovered_length(ours, reference, TOLERANCE)
        assert missing <= LARGEST_SHARE * expected, f"{name}, frame {frame}: lines are missing"
        assert extra <= LARGEST_SHARE * drawn_length, f"{name}, frame {frame}: lines too many"
