# SPDX-License-Identifier: GPL-3.0-or-later
"""What renders: the flags of objects, collections and view layers.

Blender gives scripts only the viewport's dependency graph. `Visibility` picks out of it
what also renders; `render_state` switches the viewport to the state of a render for as long
as frames are read, so that hidden objects and render-only modifiers are there as well.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Any

import bpy

from ..compat import animated_paths

__all__ = ["Shown", "Visibility", "apply_render_state", "render_state", "restore_state"]


@dataclass(frozen=True, slots=True)
class Shown:
    """An object that takes part in the picture; a holdout hides but is not drawn."""

    holdout: bool = False


_SHOWN = Shown()
_HOLDOUT = Shown(holdout=True)


class Visibility:
    """Which objects of a view layer render."""

    def __init__(self, scene: bpy.types.Scene, view_layer: bpy.types.ViewLayer) -> None:
        self._shown: dict[str, Shown] = {}
        self._walk(view_layer.layer_collection, holdout=False)

    def _walk(self, layer: bpy.types.LayerCollection, holdout: bool) -> None:
        collection = layer.collection
        if layer.exclude or collection.hide_render:
            # An excluded collection's children may still be included; a disabled one's not.
            if collection.hide_render:
                return
        elif not layer.indirect_only:
            holdout = holdout or layer.holdout
            for item in collection.objects:
                known = self._shown.get(item.name_full)
                if known is None or (known.holdout and not holdout):
                    self._shown[item.name_full] = _HOLDOUT if holdout else _SHOWN
        for child in layer.children:
            self._walk(child, holdout)

    def of(
        self,
        instance: bpy.types.DepsgraphObjectInstance,
        owner: bpy.types.Object,
        parent: bpy.types.Object | None,
    ) -> Shown | None:
        """Return how an item of the graph takes part in the picture, or None."""
        if owner.hide_render or not owner.visible_camera:
            return None
        if parent is None:
            if not instance.is_instance and not _shows_itself(owner):
                return None
            base = self._shown.get(owner.original.name_full)
        else:
            if parent.hide_render or not parent.visible_camera:
                return None
            base = self._shown.get(parent.original.name_full)
        if base is None:
            return None
        if owner.is_holdout or (parent is not None and parent.is_holdout):
            return _HOLDOUT
        return base


def _shows_itself(owner: bpy.types.Object) -> bool:
    """Whether an object that makes instances is drawn beside them."""
    instancing = owner.instance_type not in {"NONE", "COLLECTION"} or len(owner.particle_systems)
    return owner.show_instancer_for_render if instancing else True


Change = tuple[Any, str, Any]


def _set(changes: list[Change], owner: Any, name: str, value: Any) -> None:
    old = getattr(owner, name)
    if old != value:
        setattr(owner, name, value)
        changes.append((owner, name, old))


def apply_render_state(scene: bpy.types.Scene, view_layer: bpy.types.ViewLayer) -> list[Change]:
    """Give the viewport of a scene the state of its renders; return what was changed.

    Objects and collections take their render visibility, modifiers their render switches
    and render levels. Nothing is touched that is alike already, which is the usual case.
    """
    changes: list[Change] = []
    for collection in bpy.data.collections:
        _set(changes, collection, "hide_viewport", collection.hide_render)
    pending = list(view_layer.layer_collection.children)
    while pending:
        layer = pending.pop()
        if not layer.exclude:
            _set(changes, layer, "hide_viewport", False)
        pending.extend(layer.children)
    for item in bpy.data.objects:
        # Keyed render visibility is asked for frame by frame.
        keyed = "hide_render" in animated_paths(item)
        _set(changes, item, "hide_viewport", item.hide_render and not keyed)
        _set(changes, item, "show_instancer_for_viewport", item.show_instancer_for_render)
        modifier: Any
        for modifier in item.modifiers:
            _set(changes, modifier, "show_viewport", modifier.show_render)
            if modifier.type in {"SUBSURF", "MULTIRES"}:
                _set(changes, modifier, "levels", modifier.render_levels)
    for item in scene.objects:
        if item.hide_get(view_layer=view_layer):
            item.hide_set(False, view_layer=view_layer)
            changes.append((item, "", view_layer))
    return changes


def restore_state(changes: list[Change]) -> None:
    """Put back what `apply_render_state` changed."""
    while changes:
        owner, name, old = changes.pop()
        try:
            if name:
                setattr(owner, name, old)
            else:
                owner.hide_set(True, view_layer=old)
        except ReferenceError:
            continue  # deleted meanwhile


@contextmanager
def render_state(scene: bpy.types.Scene, view_layer: bpy.types.ViewLayer) -> Iterator[None]:
    """Switch a scene to the state of its renders for the length of a ``with`` block."""
    changes = apply_render_state(scene, view_layer)
    try:
        yield
    finally:
        restore_state(changes)
