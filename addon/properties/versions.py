# SPDX-License-Identifier: GPL-3.0-or-later
"""Versions of the stored settings, and what brings an older file up to date."""

from typing import Any

import bpy

from .assignment import PROPERTY

DATA_VERSION = 1
"""Version of the stored settings; `migrate` brings older files up to it."""


def stamp() -> None:
    """Write the version of the settings into every scene that holds some."""
    for scene in bpy.data.scenes:
        settings = getattr(scene, PROPERTY)
        if len(settings.projectors) and scene.library is None:
            settings.data_version = DATA_VERSION


MIGRATIONS: dict[int, Any] = {}
"""Version → function of a scene that brings its settings to the next version."""


def migrate() -> None:
    """Bring the settings of all scenes in the open file up to `DATA_VERSION`."""
    for scene in bpy.data.scenes:
        settings = getattr(scene, PROPERTY)
        version = settings.data_version
        if version == 0 or version >= DATA_VERSION or scene.library is not None:
            continue
        while version < DATA_VERSION:
            step = MIGRATIONS.get(version)
            if step is not None:
                step(scene)
            version += 1
        settings.data_version = DATA_VERSION
