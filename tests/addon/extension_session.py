# SPDX-License-Identifier: GPL-3.0-or-later
"""Install a built zip in a fresh Blender, use it, switch it off; write down what was seen.

Run in a process of its own, with BLENDER_USER_RESOURCES set to an empty folder::

    python extension_session.py ZIP RESULT.json [FOLDER]

FOLDER, where given, holds the only third-party packages that this Python may see: the
bundled wheels must then serve for the rest.
"""

from __future__ import annotations

import json
import sys
from pathlib import Path
from typing import Any

if len(sys.argv) > 3:
    sys.path.insert(0, sys.argv[3])

import bpy

MODULE = "bl_ext.user_default.beamwright"


def our_names() -> dict[str, list[str]]:
    """Return everything of ours that Blender knows: classes, properties, operators, handlers."""
    classes = [name for name in dir(bpy.types) if name.upper().startswith("BEAMWRIGHT")]
    classes += [
        kind.__name__
        for base in (
            bpy.types.PropertyGroup,
            bpy.types.Panel,
            bpy.types.Operator,
            bpy.types.Menu,
            bpy.types.UIList,
            bpy.types.AddonPreferences,
        )
        for kind in base.__subclasses__()
        if kind.__module__.startswith(MODULE) and getattr(kind, "is_registered", False)
    ]
    properties = [
        f"{kind.__name__}.{entry.identifier}"
        for kind in (bpy.types.Scene, bpy.types.Object, bpy.types.Collection, bpy.types.Material)
        for entry in kind.bl_rna.properties
        if entry.identifier.startswith("beamwright")
    ]
    handlers = [
        name
        for name in dir(bpy.app.handlers)
        if isinstance(getattr(bpy.app.handlers, name), list)
        for function in getattr(bpy.app.handlers, name)
        if function.__module__.startswith(MODULE)
    ]
    return {
        "classes": sorted(set(classes)),
        "properties": properties,
        "operators": [name for name in dir(bpy.ops.beamwright) if not name.startswith("_")],
        "handlers": handlers,
    }


def add_scene() -> None:
    """Lay out a cube before a camera."""
    mesh = bpy.data.meshes.new("Cube")
    corners = [(x, y, z) for x in (-1, 1) for y in (-1, 1) for z in (-1, 1)]
    faces = [(0, 1, 3, 2), (4, 6, 7, 5), (0, 4, 5, 1), (2, 3, 7, 6), (0, 2, 6, 4), (1, 5, 7, 3)]
    mesh.from_pydata(corners, [], faces)
    scene = bpy.context.scene
    scene.collection.objects.link(bpy.data.objects.new("Cube", mesh))
    camera = bpy.data.objects.new("Camera", bpy.data.cameras.new("Camera"))
    camera.location, camera.rotation_euler = (6.0, -6.5, 5.0), (1.1, 0.0, 0.75)
    scene.collection.objects.link(camera)
    scene.camera = camera
    scene.frame_end = 3


def shapely_origin() -> str:
    """Return where shapely comes from."""
    try:
        import shapely
    except ImportError:
        return ""
    return str(Path(shapely.__file__))


def main() -> None:
    """Install, enable, use, disable."""
    import addon_utils

    bpy.ops.wm.read_factory_settings(use_empty=True)
    seen: dict[str, Any] = {"blender": bpy.app.version_string, "before": our_names()}
    installed = bpy.ops.extensions.package_install_files(
        repo="user_default", filepath=sys.argv[1], enable_on_install=True
    )
    seen["installed"] = sorted(installed)
    seen["enabled"] = MODULE in bpy.context.preferences.addons
    seen["registered"] = our_names()
    add_scene()
    seen["analyzed"] = sorted(bpy.ops.beamwright.analyze_frame())
    seen["shapely"] = shapely_origin()
    # Blender's own list of rules an extension breaks, as its preferences show it.
    addon_utils._is_first_reset()
    seen["warnings"] = {
        name: list(texts) for name, texts in addon_utils._extensions_warnings_get().items()
    }
    addon_utils.disable(MODULE, default_set=True)
    seen["after"] = our_names()
    addon_utils.enable(MODULE, default_set=True)
    seen["again"] = our_names()
    Path(sys.argv[2]).write_text(json.dumps(seen), encoding="utf-8")


if __name__ == "__main__":
    main()
