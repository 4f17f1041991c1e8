# SPDX-License-Identifier: GPL-3.0-or-later
"""Scanner profiles: ratings, the artist's own, and files shared with the command line."""

import bpy
import pytest
from beamwright.addon import profiles
from beamwright.core.cli import main
from beamwright.core.points.projector import (
    GENERIC_PROFILES,
    ScannerProfile,
    profile_from_json,
    profile_to_json,
)

OPERATORS = bpy.ops.beamwright

PICTURE = "field"

TUNED = ScannerProfile(
    label="Left tower / tuned",
    point_rate_hz=28000.0,
    field_deg=32.5,
    rated_rate_hz=30000.0,
    rated_angle_deg=7.0,
    natural_frequency_hz=2310.5,
    damping=0.83,
    acceleration_max_deg_s2=3.5e8,
    velocity_max_deg_s=8.25e4,
    colour_delay_us=(12.5, 0.0, -3.0),
    rise_us=7.5,
    settle=False,
    tolerance_field=0.006,
    minimum_level=0.12,
    tuned=True,
)
"""Every field differs from its default, so that a forgotten one shows."""


@pytest.fixture
def group(scene):
    """The scanner profile of the scene's only projector; no profile is stored."""
    scene.beamwright.add_projector("Tower")
    yield scene.beamwright.projectors[0].profile
    for path in profiles.stored().values():
        path.unlink()


def fails(operator, **keywords):
    with pytest.raises(RuntimeError) as caught:
        operator(**keywords)
    return str(caught.value).strip().removeprefix("Error: ")


def test_no_default_in_the_example():
    """The example tells every field apart from its default."""
    default = ScannerProfile()
    same = [
        name
        for name in ScannerProfile.__dataclass_fields__
        if getattr(TUNED, name) == getattr(default, name)
    ]
    assert same == ["rated_rate_hz"]


@pytest.mark.parametrize("name", GENERIC_PROFILES)
def test_ratings(group, name):
    """A rating brings its values and keeps the scan angle."""
    group.field_deg = 25.0
    assert OPERATORS.profile_apply(name=name) == {"FINISHED"}
    expected = GENERIC_PROFILES[name].converted(field_deg=25.0)
    assert group.to_core().natural_frequency_hz == pytest.approx(
        expected.natural_frequency_hz, rel=1e-6
    )
    assert group.field_deg == 25.0
    assert group.bl_rna.properties["rating"].enum_items[group.rating].name == name


def test_saved_profile(scene, group):
    """What is saved comes back exactly, on any projector; the file is the command line's."""
    group.set_from(TUNED)
    assert OPERATORS.profile_store() == {"FINISHED"}
    (name,) = profiles.stored()
    assert name == "Left tower _ tuned"
    text = profiles.stored()[name].read_text(encoding="utf-8")
    assert profile_from_json(text) == TUNED
    assert text == profile_to_json(TUNED)
    other = scene.beamwright.add_projector("Other").profile
    assert OPERATORS.profile_apply(name=name, saved=True) == {"FINISHED"}
    assert other.to_core() == TUNED
    other.damping = 0.9
    OPERATORS.profile_store(name=name)
    assert profiles.read(profiles.stored()[name]).damping == 0.9
    assert OPERATORS.profile_delete(name=name) == {"FINISHED"}
    assert not profiles.stored()
    assert "no saved profile" in fails(OPERATORS.profile_delete, name=name)
    assert "no saved profile" in fails(OPERATORS.profile_apply, name=name, saved=True)


def test_files(group, tmp_path):
    """A file written here plays test pictures in the terminal, and is read again."""
    path = tmp_path / "tower.json"
    group.set_from(TUNED)
    assert OPERATORS.profile_export(filepath=str(path)) == {"FINISHED"}
    out = tmp_path / "pictures"
    assert main(["pattern", PICTURE, "--profile", str(path), "--out", str(out)]) == 0
    assert list(out.glob("*.ild"))
    group.set_from(ScannerProfile())
    assert OPERATORS.profile_import(filepath=str(path)) == {"FINISHED"}
    assert group.to_core() == TUNED


@pytest.mark.parametrize(
    ("content", "words"),
    [
        (None, "No such file"),
        ("{", "not valid JSON"),
        ("{}", "schema"),
        (profile_to_json(TUNED).replace("0.83", "9.0"), "damping"),
    ],
)
def test_broken_files(group, tmp_path, content, words):
    """One sentence says what is wrong; nothing is taken over."""
    path = tmp_path / "broken.json"
    if content is not None:
        path.write_text(content, encoding="utf-8")
    before = group.to_core()
    message = fails(OPERATORS.profile_import, filepath=str(path))
    assert words in message
    assert "Traceback" not in message
    assert group.to_core() == before


def test_unknown_rating(group):
    assert "30 kpps" in fails(OPERATORS.profile_apply, name="31 kpps")


def test_nothing_selected(scene):
    """Without a projector every one of them is off and says why."""
    for name in ("apply", "store", "import", "export"):
        operator = getattr(OPERATORS, f"profile_{name}")
        assert not operator.poll()
        assert "projector" in fails(operator)


@pytest.mark.parametrize(
    ("label", "name"),
    [("a/b\\c:d", "a_b_c_d"), ("  .. ", "Profile"), ("", "Profile"), ("Größe", "Größe")],
)
def test_file_names(label, name):
    assert profiles.file_name(label) == name


def test_undo(addon):
    """What changes a projector is a step of undo."""
    assert "UNDO" in bpy.types.BEAMWRIGHT_OT_profile_apply.bl_options
    assert "UNDO" in bpy.types.BEAMWRIGHT_OT_profile_import.bl_options
