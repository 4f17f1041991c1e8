# SPDX-License-Identifier: GPL-3.0-or-later
"""Settings: defaults from core and back, names, ratings, versions."""

import math

import bpy
import numpy as np
import pytest
from beamwright.addon import properties
from beamwright.addon.properties import versions
from beamwright.core.points.projector import GENERIC_PROFILES, Projector, ScannerProfile
from beamwright.core.scene import DEFAULT_KINDS, DrawingSettings, LineKind, LineSettings
from blender_scenes import add_collection, add_cube
from hypothesis import given, settings
from hypothesis import strategies as st


def test_defaults_are_cores(scene):
    """Untouched settings are core's own defaults, to the last bit."""
    projector = scene.beamwright.add_projector()
    assert projector.to_core() == Projector()
    assert scene.beamwright.drawing.to_core() == DrawingSettings()
    item = add_cube()
    assert item.beamwright.lines.to_core() == LineSettings()
    assert add_collection("C").beamwright.lines.to_core() == LineSettings()


def test_one_projector_where_there_is_none(scene):
    assert scene.beamwright.projectors_to_core() == (Projector(name="Projector"),)


TYPED = st.floats(-1e6, 1e6).map(lambda value: float(f"{value:.5g}"))


@given(TYPED.filter(lambda value: value == 0.0 or abs(value) > 1e-30))
@settings(max_examples=60, derandomize=True, deadline=None)
def test_exact_gives_back_what_was_typed(value):
    """Numbers of up to six digits survive single precision."""
    assert properties.exact(np.float32(value)) == value


def test_every_projector_setting_arrives(scene):
    """Each field set to something else is found in the core record."""
    projector = scene.beamwright.add_projector("Left")
    projector.target_refresh_hz = 41.5
    projector.number = 7
    projector.placement = "SIMPLE"
    projector.group = " Twins "
    profile, aim = projector.profile, projector.aim
    profile.label = "Measured"
    profile.point_rate_hz, profile.field_deg = 35000, 33.3
    profile.rated_rate_hz, profile.rated_angle_deg = 38000, 7.5
    profile.natural_frequency_hz, profile.damping = 2222.5, 0.8
    profile.acceleration_max_deg_s2, profile.velocity_max_deg_s = 3.5e8, 9.5e4
    profile.colour_delay_us, profile.rise_us = (10.5, -20.0, 30.25), 12.5
    profile.settle, profile.tolerance_field, profile.minimum_level = False, 0.006, 0.05
    aim.scale_x, aim.scale_y, aim.rotation = 0.8, 0.7, math.radians(30)
    aim.offset_x, aim.offset_y, aim.mirror_x, aim.mirror_y = 0.1, -0.2, True, True
    aim.corner_bottom_left, aim.corner_bottom_right = (-0.9, -1.1), (0.8, -0.7)
    aim.corner_top_right, aim.corner_top_left = (1.1, 0.9), (-1.0, 0.6)
    core = projector.to_core()
    assert core.name == "Left"
    assert core.budget == int(35000 / 41.5)
    assert (core.number, core.placement, core.group) == (7, "simple", "Twins")
    assert core.profile == ScannerProfile(
        label="Measured",
        point_rate_hz=35000.0,
        field_deg=33.3,
        rated_rate_hz=38000.0,
        rated_angle_deg=7.5,
        natural_frequency_hz=2222.5,
        damping=0.8,
        acceleration_max_deg_s2=3.5e8,
        velocity_max_deg_s=9.5e4,
        colour_delay_us=(10.5, -20.0, 30.25),
        rise_us=12.5,
        settle=False,
        tolerance_field=0.006,
        minimum_level=0.05,
    )
    assert (core.aim.scale_x, core.aim.scale_y) == (0.8, 0.7)
    assert core.aim.rotation_rad == pytest.approx(math.radians(30), rel=1e-6)
    assert (core.aim.offset_x, core.aim.offset_y) == (0.1, -0.2)
    assert (core.aim.mirror_x, core.aim.mirror_y) == (True, True)
    assert core.aim.corners == ((-0.9, -1.1), (0.8, -0.7), (1.1, 0.9), (-1.0, 0.6))


@pytest.mark.parametrize("rating", sorted(properties.RATINGS))
def test_rating_fills_in_the_profile(scene, rating):
    """A rating takes over the generic profile, at the field angle already set."""
    projector = scene.beamwright.add_projector()
    projector.profile.field_deg = 30.0
    projector.profile.rating = rating
    expected = GENERIC_PROFILES[properties.RATINGS[rating]].converted(field_deg=30.0)
    core = projector.profile.to_core()
    assert projector.profile.rating == rating
    assert core.label == expected.label
    for name in ("point_rate_hz", "field_deg", "natural_frequency_hz", "velocity_max_deg_s"):
        assert getattr(core, name) == pytest.approx(getattr(expected, name), rel=1e-6)
    assert core.acceleration_max_deg_s2 == pytest.approx(expected.acceleration_max_deg_s2, rel=1e-6)


def test_rating_follows_the_values(scene):
    """The rating shown is the one whose values are set; another value makes it custom."""
    assert scene.beamwright.add_projector("New").profile.rating == "K30"
    profile = scene.beamwright.add_projector().profile
    profile.set_from(GENERIC_PROFILES["20 kpps"].converted(field_deg=8.0))
    assert profile.rating == "K20"
    profile.damping = 0.9
    assert profile.rating == "CUSTOM"
    profile.rating = "CUSTOM"
    assert profile.to_core().damping == 0.9
    profile.rating = "K20"
    assert profile.to_core().damping == 0.71


@pytest.mark.parametrize("name", sorted(properties.KIND_PROPERTIES))
def test_each_kind_is_its_own_switch(scene, name):
    lines = add_cube().beamwright.lines
    setattr(lines, name, not getattr(lines, name))
    assert lines.to_core().kinds == DEFAULT_KINDS ^ properties.KIND_PROPERTIES[name]


def test_all_kinds_but_drawn_can_be_switched():
    switched = LineKind(0)
    for kind in properties.KIND_PROPERTIES.values():
        switched |= kind
    assert switched == ~LineKind.DRAWN & LineKind(511)


def test_projector_names_are_unique(scene):
    """Two projectors never share a name; an empty one is filled in."""
    first, second = (scene.beamwright.add_projector() for _ in range(2))
    assert (first.name, second.name) == ("Projector", "Projector.001")
    second = scene.beamwright.projectors[1]
    second.name = "Projector"
    assert second.name == "Projector.001"
    second.name = "  "
    assert second.name == "Projector.001"
    assert [projector.number for projector in scene.beamwright.projectors] == [0, 1]


def test_renaming_keeps_assignments(scene):
    """Objects and collections follow a projector's new name."""
    scene.beamwright.add_projector("Pictures")
    scene.beamwright.add_projector("Words")
    item, collection = add_cube(), add_collection("Titles")
    properties.assign(item, "Words", "Pictures")
    properties.assign(collection, "Words")
    scene.beamwright.projectors["Words"].name = "Lettering"
    assert properties.assigned_names(item) == ("Lettering", "Pictures")
    assert properties.assigned_names(collection) == ("Lettering",)


def test_settings_survive_the_file(scene, tmp_path):
    """What is saved comes back, stamped with the version of the settings."""
    scene.beamwright.add_projector("Words").profile.rating = "K20"
    item = add_cube()
    item.beamwright.lines.crease_angle = 1.0
    item.beamwright.lines.colour_source = "OWN"
    properties.assign(item, "Words")
    core = scene.beamwright.projectors_to_core()
    path = str(tmp_path / "saved.blend")
    bpy.ops.wm.save_as_mainfile(filepath=path)
    bpy.ops.wm.read_homefile(use_empty=True)
    bpy.ops.wm.open_mainfile(filepath=path)
    again = bpy.context.scene.beamwright
    assert again.projectors_to_core() == core
    assert again.data_version == versions.DATA_VERSION
    item = bpy.data.objects["Cube"]
    assert item.beamwright.lines.to_core().crease_angle_rad == 1.0
    assert properties.assigned_names(item) == ("Words",)


def test_older_settings_are_migrated(scene, tmp_path, monkeypatch):
    """Each step runs once on loading, in order; files without settings are left alone."""
    scene.beamwright.add_projector("Words")
    path = str(tmp_path / "old.blend")
    bpy.ops.wm.save_as_mainfile(filepath=path)
    calls = []
    first = versions.DATA_VERSION
    steps = {first + k: lambda k=k: calls.append(k) for k in (0, 1)}
    monkeypatch.setattr(versions, "MIGRATIONS", steps)
    monkeypatch.setattr(versions, "DATA_VERSION", first + 2)
    bpy.ops.wm.open_mainfile(filepath=path)
    assert calls == [0, 1]
    assert bpy.context.scene.beamwright.data_version == first + 2
    properties.migrate()
    assert len(calls) == 2


def test_saving_leaves_other_files_alone(empty, tmp_path):
    bpy.ops.wm.save_as_mainfile(filepath=str(tmp_path / "plain.blend"))
    assert bpy.context.scene.beamwright.data_version == 0
