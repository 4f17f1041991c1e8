# SPDX-License-Identifier: GPL-3.0-or-later
"""One scene frame for all projectors: cameras, assignment, groups, memory."""

from __future__ import annotations

import pickle
from dataclasses import replace

import numpy as np
import pytest
import scenes
from beamwright.core import pipeline
from beamwright.core.points.projector import Projector
from beamwright.core.safety.limits import SafetyLimits
from beamwright.core.safety.zones import KeepOut
from beamwright.core.scene import (
    Assignment,
    Camera,
    DrawingSettings,
    Scene,
    Surface,
    Topology,
)
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


# --- with real geometry ------------------------------------------------------------------


def harbour(frame: int = 1, **drawing: bool) -> Scene:
    return Scene(
        name="harbour",
        frame=frame,
        surfaces=(
            scenes.box((1, 1, 1), name="Whale", assignment=Assignment(("pair",))),
            scenes.plate(
                1,
                0.4,
                centre=(0, -2, 0.9),
                axes=((1, 0, 0), (0, 0, 1)),
                name="Title",
                assignment=Assignment(("Slow",)),
            ),
        ),
        camera=scenes.look_at((0.5, -5.0, 2.0), aspect=16 / 9),
        drawing=DrawingSettings(**drawing),
    )


def test_keep_outs_stay_dark_and_charged() -> None:
    scene = harbour()
    free = pipeline.draw_frame(scene, [FAST, TWIN, SLOW])
    lit = free["Slow"].frame.xy[~free["Slow"].frame.blanked]
    middle = lit[:, 0].mean()
    low, high = lit.min(axis=0) - 0.05, lit.max(axis=0) + 0.05
    corners = tuple((float(x), float(y)) for x in (middle, high[0]) for y in (low[1], high[1]))
    corners = (corners[0], corners[1], corners[3], corners[2])
    limits = {"Slow": SafetyLimits(zones=(KeepOut("stalls", corners),))}
    result = pipeline.draw_frame(scene, [FAST, TWIN, SLOW], limits=limits)
    slow = result["Slow"]
    assert slow.figures.darkened > 0
    assert slow.figures.darkened == free["Slow"].figures.lit - slow.figures.lit
    assert np.all(slow.frame.xy[~slow.frame.blanked, 0] < middle)
    # The guard only darkens: nothing moves, nobody else changes.
    assert np.array_equal(slow.frame.xy, free["Slow"].frame.xy)
    assert sum(slow.figures.cost.values()) == slow.figures.points
    for name in ("Fast", "Twin"):
        assert np.array_equal(result[name].frame.rgb, free[name].frame.rgb)


def test_the_page_border_belongs_to_no_object() -> None:
    scene = harbour(page_border=True)
    first = pipeline.draw_frame(scene, [FAST, TWIN, SLOW])
    border = [name for name in first if np.any(first[name].strokes.object_index == -1)]
    assert len(border) == 1
    assert border[0] in ("Fast", "Twin")  # like what has no assignment: to the first's group
    assert first[border[0]].figures.cost[""] > 0.0
    assert not np.any(first["Slow"].strokes.object_index == -1)
    second = pipeline.draw_frame(
        scene, [FAST, TWIN, SLOW], {name: share.memory for name, share in first.items()}
    )
    assert np.any(second[border[0]].strokes.object_index == -1)


def test_an_empty_scene_is_dark_but_for_its_border() -> None:
    view = scenes.look_at((0.5, -5.0, 2.0), aspect=16 / 9)
    bare = pipeline.draw_frame(Scene("night", 1, (), view), [FAST, TWIN, SLOW])
    for share in bare.values():
        assert share.frame.blanked.all()
        assert not share.frame.rgb.any()
        assert share.figures.strokes == 0
        assert share.measured(SLOW.profile).error_field == 0.0
    framed = Scene("night", 1, (), view, drawing=DrawingSettings(page_border=True))
    result = pipeline.draw_frame(framed, [FAST, TWIN, SLOW])
    assert sum(share.figures.strokes for share in result.values()) == 1
    alone = pipeline.draw_frame(framed, [SLOW])["Slow"]
    assert alone.figures.cost == {"": alone.figures.points}


def test_measured_figures_are_those_of_the_beam() -> None:
    for name, share in pipeline.draw_frame(harbour(), [FAST, TWIN, SLOW]).items():
        figures = share.measured(SLOW.profile)
        fine = share.error(SLOW.profile)
        assert figures.error_field == pytest.approx(fine.quantile_99, abs=5e-4), name
        assert figures.error_worst_field == pytest.approx(fine.worst, abs=5e-4)
        assert figures.corner_rounding_field == pytest.approx(fine.corner_rounding, abs=5e-4)
        assert 0.0 < figures.brightness_evenness <= 1.0
        assert 0.0 < figures.acceleration_share < 1.0
        bare = replace(
            figures,
            error_field=None,
            error_worst_field=None,
            corner_rounding_field=None,
            brightness_evenness=None,
            acceleration_share=None,
        )
        assert bare == share.figures


def test_a_frame_without_any_light_left_is_not_measured() -> None:
    limits = {"Slow": SafetyLimits(brightness_max=0.0)}
    slow = pipeline.draw_frame(harbour(), [SLOW], limits=limits)["Slow"]
    assert slow.frame.blanked.all()
    assert slow.measured(SLOW.profile) == slow.figures
