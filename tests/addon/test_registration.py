# SPDX-License-Identifier: GPL-3.0-or-later
"""Everything registered is well described, and goes away again."""

import subprocess
import sys

import bpy
import pytest
from beamwright.addon import handlers, operators, properties

WITHOUT_BLENDER = """
import sys
sys.modules["bpy"] = None
import beamwright, beamwright.addon, beamwright.addon.command
print(beamwright.addon.ROOT_PACKAGE)
"""


def our_handlers():
    return [
        function
        for name in dir(bpy.app.handlers)
        if isinstance(getattr(bpy.app.handlers, name), list)
        for function in getattr(bpy.app.handlers, name)
        if function.__module__.startswith("beamwright")
    ]


def traces():
    """All that Blender knows of us."""
    owners = (bpy.types.Scene, bpy.types.Object, bpy.types.Collection)
    return {
        "types": [name for name in dir(bpy.types) if name.upper().startswith("BEAMWRIGHT")],
        "operators": list(dir(bpy.ops.beamwright)),
        "properties": [owner for owner in owners if hasattr(owner, "beamwright")],
        "handlers": our_handlers(),
    }


def test_unregister_leaves_nothing(addon):
    """Three rounds of on and off; off means no trace."""
    registered = traces()
    assert registered["operators"]
    assert len(registered["properties"]) == 3
    assert len(registered["handlers"]) == len(handlers._HANDLERS)
    for _ in range(3):
        addon.unregister()
        assert not any(traces().values()), traces()
        addon.register()
    assert traces() == registered


def test_headless_registers_once(addon):
    """Where the settings are known already, the command line adds nothing."""
    before = traces()
    addon.register_headless()
    assert traces() == before


def test_headless_alone(addon):
    """Settings and their handlers, no interface."""
    addon.unregister()
    try:
        addon.register_headless()
        assert properties.is_registered()
        assert not dir(bpy.ops.beamwright)
        addon.unregister_headless()
        assert not any(traces().values())
    finally:
        if not properties.is_registered():
            addon.register()


def test_headless_ends_quietly():
    """A process that used the settings ends without complaints from Blender."""
    script = "import beamwright.addon as addon; addon.register_headless()"
    result = subprocess.run(
        [sys.executable, "-c", script], capture_output=True, text=True, check=False, timeout=60
    )
    assert result.returncode == 0
    assert "Not freed" not in result.stdout + result.stderr


def test_importable_without_blender():
    """The console script can be imported where there is no Blender."""
    result = subprocess.run(
        [sys.executable, "-c", WITHOUT_BLENDER], capture_output=True, text=True, check=False
    )
    assert result.stdout.strip() == "beamwright", result.stderr


@pytest.mark.parametrize("cls", operators.CLASSES)
def test_operators_are_described(addon, cls):
    """Name, label and tooltip follow Blender's own rules for its interface."""
    assert cls.bl_idname.startswith("beamwright.")
    assert cls.bl_label == cls.bl_label.title().replace(" To ", " to ")
    operator = getattr(bpy.ops.beamwright, cls.bl_idname.split(".")[1])
    description = operator.get_rna_type().description
    assert description[0].isupper()
    assert not description.endswith(".")
    assert "\n" not in description
    assert len(description) > 20


def test_settings_are_described(addon):
    """Every setting has a name, and a tooltip without a final point."""
    checked = 0
    for cls in properties.CLASSES:
        for name in cls.__annotations__:
            item = cls.bl_rna.properties[name]
            if item.type in {"POINTER", "COLLECTION"}:
                continue
            checked += 1
            assert item.name, (cls, name)
            assert item.description[0].isupper(), (cls, name)
            assert not item.description.endswith("."), (cls, name)
            if item.type == "ENUM":
                assert all(
                    entry.identifier == entry.identifier.upper() for entry in item.enum_items
                )
    assert checked > 60
