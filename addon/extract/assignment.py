# SPDX-License-Identifier: GPL-3.0-or-later
"""Which settings an object follows: its own, those of its collections, or the default."""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass, replace
from typing import Any

import bpy

from ...core.lines.memory import Bounded
from ...core.scene import Assignment, LineSettings
from ..compat import animated_paths, stored_values
from ..properties import PROPERTY, assigned_names, exact

__all__ = ["ObjectSettings", "SettingsReader"]


@dataclass(frozen=True, slots=True)
class ObjectSettings:
    """What an object draws, in which colour, and for whom."""

    lines: LineSettings
    assignment: Assignment
    marks: frozenset[str]
    colour_source: str
    colour: tuple[float, float, float] | None

    def hiding_only(self) -> ObjectSettings:
        """The same, not drawn but hiding what lies behind."""
        return replace(self, lines=replace(self.lines, drawn=False, occludes=True))


@dataclass(frozen=True, slots=True)
class _Own:
    """Settings of one object or collection by itself."""

    names: tuple[str, ...]
    lines: LineSettings
    marks: frozenset[str]
    colour_source: str
    colour: tuple[float, float, float] | None
    inherit_lines: bool = False
    override_lines: bool = False
    priority: float = 0.0
    locked: bool = False


_own: Bounded[tuple[type, str], _Own] = Bounded(1024)
"""By what a data block stores, so that settings alike are read property by property once."""


def _own_settings(item: Any) -> _Own:
    stored = stored_values(item, PROPERTY)
    # What these hold is read elsewhere, and may refer to Blender's data.
    stored.pop("effects", None)
    stored.pop("artwork", None)
    key = (type(item), repr(stored))
    return _own.get(key) or _own.put(key, _read_own(item))


def _read_own(item: Any) -> _Own:
    settings = getattr(item, PROPERTY)
    lines = settings.lines
    red, green, blue = (exact(value) for value in lines.colour)
    names = assigned_names(item)
    to_core = lines.to_core()
    marks = frozenset(lines.marks)
    source = lines.colour_source
    colour = (red, green, blue) if source == "OWN" else None
    if isinstance(item, bpy.types.Collection):
        return _Own(names, to_core, marks, source, colour, override_lines=settings.override_lines)
    return _Own(
        names,
        to_core,
        marks,
        source,
        colour,
        inherit_lines=settings.inherit_lines,
        priority=exact(settings.priority),
        locked=settings.locked,
    )


class SettingsReader:
    """Resolves the settings of a scene's objects.

    An object goes to the projectors set on it; else to those of the nearest collection
    above it that names some; an instance then follows the object that instances it; else
    the default projector draws it. Line settings follow the nearest collection that sets
    lines for all its objects, unless the object stopped following collections.
    """

    def __init__(self, scene: bpy.types.Scene, projector_names: tuple[str, ...]) -> None:
        self._known = frozenset(projector_names)
        self._resolved: dict[tuple[str, str | None], ObjectSettings] = {}
        self._chains: dict[str, list[bpy.types.Collection]] = {}
        self._of_collections: dict[str, _Own] = {}
        self._parents: dict[str, list[bpy.types.Collection]] = {}
        self._collections: dict[str, list[bpy.types.Collection]] = {}
        for collection in (scene.collection, *bpy.data.collections):
            for child in collection.children:
                self._parents.setdefault(child.name_full, []).append(collection)
            for item in collection.objects:
                self._collections.setdefault(item.name_full, []).append(collection)

    def __call__(self, owner: bpy.types.Object, parent: bpy.types.Object | None) -> ObjectSettings:
        """Return the settings of an evaluated object, instanced by `parent` or not."""
        key = (owner.name_full, None if parent is None else parent.name_full)
        found = self._resolved.get(key)
        if found is None:
            found = self._resolved[key] = self._resolve(owner, parent)
        return found

    def _chain(self, item: bpy.types.Object) -> list[bpy.types.Collection]:
        """Collections above an object, nearest first."""
        name = item.original.name_full
        chain = self._chains.get(name)
        if chain is None:
            chain = []
            seen: set[str] = set()
            pending = deque(self._collections.get(name, ()))
            while pending:
                collection = pending.popleft()
                if collection.name_full in seen:
                    continue
                seen.add(collection.name_full)
                chain.append(collection)
                pending.extend(self._parents.get(collection.name_full, ()))
            self._chains[name] = chain
        return chain

    def _settings(self, owner: bpy.types.Object) -> Any:
        """Settings of an evaluated object.

        The evaluated copy is not told of settings changed by hand or by a script; the
        original is not told of animation outside of the active scene. So the original
        holds, except where the settings are animated.
        """
        original = owner.original
        return getattr(owner if self._animated(original) else original, PROPERTY)

    @staticmethod
    def _animated(original: bpy.types.Object) -> bool:
        return any(path.startswith(PROPERTY + ".") for path in animated_paths(original))

    def own(self, owner: bpy.types.Object) -> Any:
        """Return the stored settings of an evaluated object, animation applied."""
        return self._settings(owner)

    def known_names(self, names: tuple[str, ...]) -> tuple[str, ...]:
        """Return those of the names that are projectors or groups of the scene."""
        return tuple(name for name in names if name in self._known)

    def _of_collection(self, collection: bpy.types.Collection) -> _Own:
        name = collection.name_full
        found = self._of_collections.get(name)
        if found is None:
            found = self._of_collections[name] = _own_settings(collection)
        return found

    def _projectors(
        self, item: bpy.types.Object, stored: _Own, parent: bpy.types.Object | None
    ) -> tuple[str, ...]:
        names = self.known_names(stored.names)
        if names:
            return names
        for collection in self._chain(item):
            names = self.known_names(self._of_collection(collection).names)
            if names:
                return names
        if parent is None:
            return ()
        return self._projectors(parent, _own_settings(parent.original), None)

    def _lines(self, own: _Own, owner: bpy.types.Object, parent: bpy.types.Object | None) -> _Own:
        if own.inherit_lines:
            for item in (owner, parent):
                if item is None:
                    continue
                for collection in self._chain(item):
                    found = self._of_collection(collection)
                    if found.override_lines:
                        return found
        return own

    def _resolve(self, owner: bpy.types.Object, parent: bpy.types.Object | None) -> ObjectSettings:
        original = owner.original
        stored = own = _own_settings(original)
        if self._animated(original):
            own = _own_settings(owner)
        lines = self._lines(own, owner, parent)
        return ObjectSettings(
            lines=lines.lines,
            assignment=Assignment(
                projectors=self._projectors(owner, stored, parent),
                priority=own.priority,
                locked=own.locked,
            ),
            marks=lines.marks,
            colour_source=lines.colour_source,
            colour=lines.colour,
        )
