# SPDX-License-Identifier: GPL-3.0-or-later
"""Which settings an object follows: its own, those of its collections, or the default."""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass, replace
from typing import Any

import bpy

from ...core.scene import Assignment, LineSettings
from ..compat import animated_paths
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
        animated = any(path.startswith(PROPERTY + ".") for path in animated_paths(original))
        return getattr(owner if animated else original, PROPERTY)

    def own(self, owner: bpy.types.Object) -> Any:
        """Return the stored settings of an evaluated object, animation applied."""
        return self._settings(owner)

    def known_names(self, names: tuple[str, ...]) -> tuple[str, ...]:
        """Return those of the names that are projectors or groups of the scene."""
        return tuple(name for name in names if name in self._known)

    def _names(self, owner: Any) -> tuple[str, ...]:
        return tuple(name for name in assigned_names(owner) if name in self._known)

    def _projectors(
        self, owner: bpy.types.Object, parent: bpy.types.Object | None
    ) -> tuple[str, ...]:
        for item in (owner, parent):
            if item is None:
                continue
            names = self._names(item.original)
            if names:
                return names
            for collection in self._chain(item):
                names = self._names(collection)
                if names:
                    return names
        return ()

    def _lines(
        self, settings: Any, owner: bpy.types.Object, parent: bpy.types.Object | None
    ) -> Any:
        if settings.inherit_lines:
            for item in (owner, parent):
                if item is None:
                    continue
                for collection in self._chain(item):
                    if getattr(collection, PROPERTY).override_lines:
                        return getattr(collection, PROPERTY).lines
        return settings.lines

    def _resolve(self, owner: bpy.types.Object, parent: bpy.types.Object | None) -> ObjectSettings:
        settings = self._settings(owner)
        lines = self._lines(settings, owner, parent)
        red, green, blue = (exact(value) for value in lines.colour)
        return ObjectSettings(
            lines=lines.to_core(),
            assignment=Assignment(
                projectors=self._projectors(owner, parent),
                priority=exact(settings.priority),
                locked=settings.locked,
            ),
            marks=frozenset(lines.marks),
            colour_source=lines.colour_source,
            colour=(red, green, blue) if lines.colour_source == "OWN" else None,
        )
