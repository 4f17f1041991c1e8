# SPDX-License-Identifier: GPL-3.0-or-later
"""Versions of the stored settings, and what brings an older file up to date.

Version 1 kept assignments as lists of names; version 2 keeps one text for each owner; version 3
adds effects, which an older Beamwright would leave out of the picture.
"""

from collections.abc import Callable, Iterator, Mapping
from typing import Any

import bpy

from .assignment import PROPERTY, assign

__all__ = ["DATA_VERSION", "MIGRATIONS", "from_newer_version", "migrate", "stamp", "stored"]

DATA_VERSION = 3
"""Version of the stored settings; `migrate` brings older files up to it."""


def stored(group: Any) -> Mapping[str, Any]:
    """Return the raw values of a property group by name, also of properties that are gone."""
    values = getattr(group, "bl_system_properties_get", None)
    if values is None:
        return group  # type: ignore[no-any-return]  # up to 4.5 the group itself is the store
    return values() or {}


def _owners() -> Iterator[Any]:
    yield from bpy.data.objects
    yield from bpy.data.collections
    for scene in bpy.data.scenes:
        yield scene.collection


def _assignments_as_text() -> None:
    for owner in _owners():
        group = getattr(owner, PROPERTY)
        values = stored(group)
        if "projectors" not in values:
            continue
        names = [entry["name"] for entry in values["projectors"] if entry.get("name")]
        if names and not group.drawn_by:
            assign(owner, *names)
        if owner.library is None:
            del values["projectors"]  # type: ignore[attr-defined]  # a mapping that can be written


MIGRATIONS: dict[int, Callable[[], None]] = {1: _assignments_as_text}
"""Version → what brings the whole open file to the next version. May run more than once."""


def _holds_settings(group: Any) -> bool:
    """Whether anything in a property group was set."""
    for item in group.bl_rna.properties:
        name = item.identifier
        if name in {"rna_type", "data_version"}:
            continue
        if item.type == "POINTER" and isinstance(item.fixed_type, bpy.types.PropertyGroup):
            if _holds_settings(getattr(group, name)):
                return True
        elif item.type == "COLLECTION":
            if len(getattr(group, name)):
                return True
        elif group.is_property_set(name):
            return True
    return False


def stamp() -> None:
    """Write the version into all scenes of the file, where it holds any settings of ours.

    Objects and collections carry none of their own: all of a file is of one version.
    """
    owners = [item for item in (*bpy.data.scenes, *_owners()) if item.library is None]
    if not any(_holds_settings(getattr(item, PROPERTY)) for item in owners):
        return
    for item in owners:
        if isinstance(item, bpy.types.Scene):
            getattr(item, PROPERTY).data_version = DATA_VERSION
        else:
            # Looked at, the group is stored: 5.2 can only override one that the library has.
            _ = getattr(item, PROPERTY).lines


def migrate() -> None:
    """Bring the settings in the open file up to `DATA_VERSION`.

    Data linked from older files is brought up in memory. Files of a later version are left
    as they are; see `from_newer_version`.
    """
    versions = {getattr(scene, PROPERTY).data_version for scene in bpy.data.scenes}
    oldest = min((version for version in versions if version > 0), default=DATA_VERSION)
    if any(scene.library is None for scene in bpy.data.scenes) and bpy.data.libraries:
        oldest = 1  # what a library's scene would say is not linked with its objects
    for version in range(oldest, DATA_VERSION):
        step = MIGRATIONS.get(version)
        if step is not None:
            step()
    for scene in bpy.data.scenes:
        settings = getattr(scene, PROPERTY)
        if 0 < settings.data_version < DATA_VERSION and scene.library is None:
            settings.data_version = DATA_VERSION


def from_newer_version(scene: bpy.types.Scene) -> bool:
    """Whether a later Beamwright wrote the scene, whose settings we know only in part."""
    return bool(getattr(scene, PROPERTY).data_version > DATA_VERSION)
