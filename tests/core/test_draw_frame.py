# SPDX-License-Identifier: GPL-3.0-or-later
"""One scene frame for all projectors: cameras, assignment, groups, memory."""

from __future__ import annotations

import pickle
from dataclasses import replace

import numpy as np
import pytest
from beamwright.core import pipeline
from beamwright.core.points.projector import Projector
from beamwright.core.safety.limits import SafetyLimits
from beamwright.core.scene import Assignment, Camera, Scene, Surface, Topology
from beamwright.core.strokes import Strokes


def surface(name: str, *projectors: str) -> Surface:
    topology = Topology(
        vertex_count=0,
        triangles=np.empty((0, 3), np.int32),
        triangle_polygon=np.empty(0, np.int32),
        triangle_material=np.empty(0, np.int32),
        triangle_smooth=np.empty(0, bool),
    )
    return Surface(
        name=name,
        identity=name,
        topology=topology,
        positions=np.empty((0, 3)),
        colours=np.ones((1, 3)),
        assignment=Assignment(projectors=projectors),
    )


def camera() -> Camera:
    return Camera(np.eye(4), 1.0, 0.75, 0.1, 100.0, np.zeros(3), np.array([0.0, 0.0, -1.0]))


SURFACES = (surface("boat"), surface("letters", "Slow"), surface("sea", "pair"))
FAST = Projector(name="Fast", group="pair")
TWIN = Projector(name="Twin", group="pair")
SLOW = Projector(name="Slow")


@pytest.fixture
def drawn(monkeypatch: pytest.MonkeyPatch) -> list[Camera]:
    """Stand in for the line stages: three objects, ten strokes each; note the cameras asked."""
    asked: list[Camera] = []

    def visible(scene: Scene, camera: Camera | None = None) -> Strokes:
        asked.append(scene.camera if camera is None else camera)
        rng = np.random.default_rng(1)
        start = rng.uniform(-0.8, 0.8, (30, 2))
        lines = np.stack([start, start + rng.normal(0.0, 0.1, (30, 2))], axis=1)
        return Strokes.from_polylines(
            lines,
            object_index=np.repeat([0, 1, 2], 10),
            object_names=tuple(entry.name for entry in scene.surfaces),
        )

    monkeypatch.setattr(pipeline, "visible_strokes", visible)
    return asked


def test_every_object_on_its_projectors(drawn: list[Camera]) -> None:
    scene = Scene("scene", 7, SURFACES, camera())
    result = pipeline.draw_frame(scene, [FAST, TWIN, SLOW])
    assert list(result) == ["Fast", "Twin", "Slow"]
    assert len(drawn) == 1  # all see the same camera
    owners = {name: set(share.strokes.object_index.tolist()) for name, share in result.items()}
    assert owners["Slow"] == {1}
    assert owners["Fast"] | owners["Twin"] == {0, 2}
    taken = [*result["Fast"].strokes.identity.tolist(), *result["Twin"].strokes.identity.tolist()]
    assert sorted(taken) == [*range(10), *range(20, 30)]
    assert all(share.figures.frame == 7 for share in result.values())
    assert set(result["Slow"].figures.cost) <= {"letters", ""}


def test_a_projectors_own_camera(drawn: list[Camera]) -> None:
    own = camera()
    scene = Scene("scene", 1, SURFACES, camera(), projector_cameras={"Slow": own})
    pipeline.draw_frame(scene, [replace(FAST, group=""), SLOW])
    assert len(drawn) == 2
    assert drawn[1] is own


def test_memory_goes_from_frame_to_frame(drawn: list[Camera]) -> None:
    scene = Scene("scene", 1, SURFACES, camera())
    show = [FAST, TWIN, SLOW]
    first = pipeline.draw_frame(scene, show)
    memories = pickle.loads(pickle.dumps({name: share.memory for name, share in first.items()}))
    second = pipeline.draw_frame(scene, show, memories)
    for name in first:
        assert second[name].memory.plan.tour.keys == first[name].memory.plan.tour.keys
    assert second["Fast"].memory.share.owner == first["Fast"].memory.share.owner


def test_limits_reach_the_guard(drawn: list[Camera]) -> None:
    scene = Scene("scene", 1, SURFACES, camera())
    window = SafetyLimits(window=(-1.0, -1.0, 0.0, 1.0))
    result = pipeline.draw_frame(scene, [SLOW, FAST], limits={"Slow": window})
    slow, fast = result["Slow"], result["Fast"]
    assert slow.figures.darkened > 0
    assert np.all(slow.frame.xy[~slow.frame.blanked, 0] <= 1e-9)
    assert fast.figures.darkened == 0
    assert sum(slow.figures.cost.values()) == slow.figures.points
