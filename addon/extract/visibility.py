# SPDX-License-Identifier: GPL-3.0-or-later
"""What renders: the flags of objects, collections and view layers.

Blender gives scripts only the viewport's dependency graph. `Visibility` picks out of it
what also renders; `render_state` switches the viewport to the state of a render for as long
as frames are read, so that hidden objects and render-only modifiers are there as well.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from typing import Any

import bpy

from ..compat import animation_curves
from .effects import needed_objects

__all__ = [
    "Shown",
    "Visibility",
    "apply_render_state",
    "follow_keyed_modifiers",
    "keyed_modifiers",
    "render_state",
    "restore_state",
]


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
        # What nodes or particles take from an object that is hidden itself renders: where the
        # graph has left out what does not, and an instance is still there, it is one of these.
        if owner.hide_render and (parent is None or not owner.hide_viewport):
            return None
        if not owner.visible_camera:
            return None
        if parent is None:
            if not instance.is_instance and not _shows_itself(owner):
                return None
            # On vertices and faces, renders show the copies alone.
            if owner.parent is not None and owner.parent.instance_type in {"VERTS", "FACES"}:
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


Address = tuple[str, int, Any, Any]
"""Where a setting lives: what it belongs to, the ID's session number, and names within the ID."""

Change = tuple[Address, str, Any]
"""Address, property, and the value it had. No reference to Blender's data: between reading and
putting back, an undo or another file may have taken it away."""


def _set(changes: list[Change], address: Address, owner: Any, name: str, value: Any) -> None:
    old = getattr(owner, name)
    if old != value:
        setattr(owner, name, value)
        changes.append((address, name, old))


def _viewport_path(path: str) -> bool:
    """Whether an animated path is one that renders do not look at."""
    return path in {"hide_viewport", "show_instancer_for_viewport"} or (
        path.startswith("modifiers[") and path.endswith((".show_viewport", ".levels"))
    )


def _curves(item: Any) -> Iterator[tuple[str, Any]]:
    """Yield an ID's drivers and F-curves, with what they are."""
    animation = item.animation_data
    if animation is None:
        return
    for driver in animation.drivers:
        yield "DRIVER", driver
    for curve in animation_curves(item):
        yield "CURVE", curve


def _keyed_modifiers(item: bpy.types.Object) -> set[str]:
    """Return the modifiers whose render switch or render levels are keyed or driven."""
    found = set()
    for _kind, curve in _curves(item):
        owner, _dot, name = curve.data_path.rpartition(".")
        if owner.startswith("modifiers[") and name in {"show_render", "render_levels"}:
            with suppress(ValueError):
                found.add(item.path_resolve(owner).name)
    return found


def keyed_modifiers() -> list[tuple[int, str]]:
    """Return what `follow_keyed_modifiers` looks after: objects' session numbers and names."""
    return [
        (item.session_uid, name)
        for item in bpy.data.objects
        for name in sorted(_keyed_modifiers(item))
    ]


def follow_keyed_modifiers(keyed: list[tuple[int, str]]) -> None:
    """Let the viewport's modifiers follow keyed render settings, after the frame was set.

    Only between `apply_render_state` and `restore_state`, which knows what they were.
    """
    if not keyed:
        return
    objects = {item.session_uid: item for item in bpy.data.objects}
    unnoted: list[Change] = []
    for uid, name in keyed:
        item = objects.get(uid)
        if item is not None and name in item.modifiers:
            _apply_to_modifier(unnoted, uid, item.modifiers[name])


def apply_render_state(
    scene: bpy.types.Scene, view_layer: bpy.types.ViewLayer, *, frames: bool = True
) -> list[Change]:
    """Give the viewport of a scene the state of its renders; return what was changed.

    Objects and collections take their render visibility, modifiers their render switches
    and render levels; what is keyed or driven for the viewport alone is muted. Nothing is
    touched that is alike already, which is the usual case. Where `frames` are going to be
    set, modifiers that follow keys are noted even if they are alike now.
    """
    changes: list[Change] = []
    address: Address
    for collection in bpy.data.collections:
        address = ("COLLECTION", collection.session_uid, None, None)
        _set(changes, address, collection, "hide_viewport", collection.hide_render)
    root: Any = view_layer.layer_collection
    if root is None:  # on 5.x, of a scene that was never looked at
        view_layer.update()
        root = view_layer.layer_collection
    pending = list(root.children)
    while pending:
        layer = pending.pop()
        if not layer.exclude:
            uid = layer.collection.session_uid
            address = ("LAYER", scene.session_uid, view_layer.name, uid)
            _set(changes, address, layer, "hide_viewport", False)
        pending.extend(layer.children)
    needed = needed_objects()
    for item in bpy.data.objects:
        if frames:
            for name in _keyed_modifiers(item):
                _note_modifier(changes, item.session_uid, item.modifiers[name])
        _apply_to_object(changes, item, item.name_full in needed)
    for item in scene.objects:
        if item.hide_get(view_layer=view_layer):
            item.hide_set(False, view_layer=view_layer)
            changes.append(
                (("EYE", scene.session_uid, view_layer.name, item.session_uid), "", True)
            )
    return changes


def _apply_to_object(changes: list[Change], item: bpy.types.Object, needed: bool) -> None:
    uid = item.session_uid
    keyed = False
    for kind, curve in _curves(item):
        path = curve.data_path
        # Keyed render visibility is asked for frame by frame.
        keyed = keyed or path == "hide_render"
        if _viewport_path(path):
            _set(changes, (kind, uid, path, curve.array_index), curve, "mute", True)
    address = ("OBJECT", uid, None, None)
    _set(changes, address, item, "hide_viewport", item.hide_render and not keyed and not needed)
    _set(changes, address, item, "show_instancer_for_viewport", item.show_instancer_for_render)
    modifier: Any
    for modifier in item.modifiers:
        _apply_to_modifier(changes, uid, modifier)


def _apply_to_modifier(changes: list[Change], uid: int, modifier: Any) -> None:
    address: Address = ("MODIFIER", uid, modifier.name, None)
    _set(changes, address, modifier, "show_viewport", modifier.show_render)
    if modifier.type in {"SUBSURF", "MULTIRES"}:
        _set(changes, address, modifier, "levels", modifier.render_levels)


def _note_modifier(changes: list[Change], uid: int, modifier: Any) -> None:
    address: Address = ("MODIFIER", uid, modifier.name, None)
    changes.append((address, "show_viewport", modifier.show_viewport))
    if modifier.type in {"SUBSURF", "MULTIRES"}:
        changes.append((address, "levels", modifier.levels))


def restore_state(changes: list[Change]) -> None:
    """Put back what `apply_render_state` changed, as far as it is still there."""
    if not changes:
        return
    known: dict[str, dict[int, Any]] = {
        "objects": {item.session_uid: item for item in bpy.data.objects},
        "collections": {item.session_uid: item for item in bpy.data.collections},
        "scenes": {item.session_uid: item for item in bpy.data.scenes},
    }
    while changes:
        address, name, old = changes.pop()
        if address[0] == "EYE":
            _kind, uid, layer_name, item_uid = address
            scene, item = known["scenes"].get(uid), known["objects"].get(item_uid)
            layer = scene.view_layers.get(layer_name) if scene is not None else None
            if item is not None and layer is not None and item.name in layer.objects:
                item.hide_set(True, view_layer=layer)
            continue
        for owner in _owners_at(address, known):
            setattr(owner, name, old)


def _owners_at(address: Address, known: dict[str, dict[int, Any]]) -> Iterator[Any]:
    """Yield what is found at an address: nothing where it is gone."""
    kind, uid, name, more = address
    if kind == "COLLECTION":
        place = "collections"
    elif kind == "LAYER":
        place = "scenes"
    else:
        place = "objects"
    owner = known[place].get(uid)
    if owner is None:
        return
    if kind in {"OBJECT", "COLLECTION"}:
        yield owner
    elif kind == "MODIFIER":
        if name in owner.modifiers:
            yield owner.modifiers[name]
    elif kind == "LAYER":
        view_layer = owner.view_layers.get(name)
        pending = list(view_layer.layer_collection.children) if view_layer is not None else []
        while pending:
            layer = pending.pop()
            if layer.collection.session_uid == more:
                yield layer
            pending.extend(layer.children)
    else:
        for found, curve in _curves(owner):
            if found == kind and curve.data_path == name and curve.array_index == more:
                yield curve


@contextmanager
def render_state(scene: bpy.types.Scene, view_layer: bpy.types.ViewLayer) -> Iterator[list[Change]]:
    """Switch a scene to the state of its renders for the length of a ``with`` block."""
    changes = apply_render_state(scene, view_layer)
    try:
        yield changes
    finally:
        restore_state(changes)
