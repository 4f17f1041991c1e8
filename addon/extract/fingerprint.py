# SPDX-License-Identifier: GPL-3.0-or-later
"""A hash of everything a scene is made of, without evaluating it.

Blender writes the scene and all it depends on into a temporary file, as it would save them,
and that file is read back block by block. So whatever is saved counts: meshes, animation,
modifiers, nodes, poses, our own settings. Only what says nothing about the picture is left
out: addresses in memory (each becomes the number of the block it points to), the current
frame, selections, user counts. Linked libraries and other files outside count with their
content. Text blocks count too, since drivers may call them. Results do not count: baked strokes
with what only they use, and the report of the timeline, but for curves of it that lie in an
action of the artist's.
"""

from __future__ import annotations

import hashlib
import os
import tempfile
from collections.abc import Callable, Iterable, Iterator, Set
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any

import bpy

from ..compat import animation_curves
from ..properties import PROPERTY
from ..timeline import MARKERS, PREFIX, report_action
from .blend_digest import Results, digest_of_blend

__all__ = ["file_digest", "scene_fingerprint"]

_CODES = {
    "OBJECT": b"OB", "COLLECTION": b"GR", "GREASEPENCIL": b"GP", "GREASEPENCIL_V3": b"GP",
    "MATERIAL": b"MA", "ACTION": b"AC", "NODETREE": b"NT",
}  # fmt: skip
"""Letters of what baked strokes are made of, by Blender's name of the type."""

_RESULTS = Results(
    properties=(PREFIX.encode(), b"worst_frames", b"active_worst_frame"),
    markers=tuple(name.encode() for name in MARKERS),
)


def file_digest(path: str | Path) -> str:
    """Return a hash of a file's content, or a note that it is not there."""
    state = hashlib.blake2b(digest_size=20)
    try:
        with open(path, "rb") as stream:
            while part := stream.read(1 << 20):
                state.update(part)
    except OSError:
        return "missing"
    return state.hexdigest()


def _baked(scene: bpy.types.Scene) -> set[bpy.types.ID]:
    """Baked strokes of a scene, and the collections that hold nothing else."""
    items: set[Any] = {item for item in scene.objects if getattr(item, PROPERTY).baked}
    collections = {
        collection
        for collection in scene.collection.children_recursive
        if len(collection.objects)
        and not len(collection.children)
        and all(item in items for item in collection.objects)
    }
    return items | collections


def _reached(
    scene: bpy.types.Scene, passed_over: Set[bpy.types.ID] = frozenset()
) -> set[bpy.types.ID]:
    """The scene and all data blocks it depends on, as Blender knows it."""
    uses: dict[Any, list[Any]] = {}
    for used, users in bpy.data.user_map().items():
        for user in users:
            uses.setdefault(user, []).append(used)
    reached: set[bpy.types.ID] = {scene}
    pending: list[Any] = [scene]
    while pending:
        for used in uses.get(pending.pop(), ()):
            if used not in reached and used not in passed_over:
                reached.add(used)
                pending.append(used)
    return reached


def _outside(
    reached: Iterable[bpy.types.ID], digest: Callable[[str], str]
) -> Iterator[tuple[str, str]]:
    """Name and hash of every file outside that the data blocks refer to."""
    paths: set[str] = set()
    for found in bpy.data.file_path_map(subset=reached, include_libraries=True).values():
        paths.update(found)
    for item in reached:
        library: bpy.types.Library | None = item.library
        while library is not None:
            paths.add(bpy.path.abspath(library.filepath))
            library = library.parent
    for path in sorted(paths):
        # Numbered files of a sequence, caches in folders: the folder's listing counts.
        if os.path.isdir(path):
            listing = sorted(
                (entry.name, entry.stat().st_size, entry.stat().st_mtime_ns)
                for entry in os.scandir(path)
            )
            yield path, repr(listing)
        else:
            yield os.path.basename(path), digest(path)


@contextmanager
def _at_rest(reached: Iterable[bpy.types.ID], frame: int) -> Iterator[None]:
    """Give animated properties the value of one certain frame while the block runs.

    What an animated property holds between evaluations is left over from the frame that was
    looked at last; its animation is what counts.
    """
    before: list[tuple[Any, Any, Any]] = []

    def rest(owner: Any, path: str, index: int, value: float) -> None:
        with suppress(Exception):  # enumerations, missing properties: they then count as they are
            prefix, dot, name = path.rpartition(".")
            if path.endswith("]"):
                prefix, _, name = path.rpartition("[")
                target, key = (owner.path_resolve(prefix) if prefix else owner), name[1:-2]
                old = target[key]
                if not isinstance(old, float | int):
                    old[index], before_item = value, (old, index, old[index])
                    before.append(before_item)
                    return
                target[key] = type(old)(value)
                before.append((target, key, old))
                return
            target = owner.path_resolve(prefix) if dot else owner
            old = getattr(target, name)
            if isinstance(old, bool | int | float):
                setattr(target, name, type(old)(value))
                before.append((target, f".{name}", old))
            else:
                kept = old[index]
                old[index] = value
                before.append((old, index, kept))

    for item in reached:
        if item.library is not None or not hasattr(item, "animation_data"):
            continue  # a linked file counts as it is on the disk
        for curve in animation_curves(item):
            if not curve.mute:
                rest(item, curve.data_path, curve.array_index, curve.evaluate(frame))
        if item.animation_data is not None:
            for driver in item.animation_data.drivers:
                rest(item, driver.data_path, driver.array_index, 0.0)
    try:
        yield
    finally:
        for target, name, old in reversed(before):
            with suppress(Exception):
                if isinstance(name, str) and name.startswith("."):
                    setattr(target, name[1:], old)
                else:
                    target[name] = old


def scene_fingerprint(scene: bpy.types.Scene, digest: Callable[[str], str] = file_digest) -> str:
    """Return a hash that changes with whatever may change a frame of the scene.

    Parameters
    ----------
    scene
    digest
        Hashes a file; a caller may remember results.
    """
    left_out = _baked(scene)
    report = report_action(scene)
    if report is not None:
        left_out.add(report)
    reached = _reached(scene, left_out)
    hidden = {
        _CODES[item.id_type] + item.name.encode()
        for item in (_reached(scene) - reached if left_out else ())
        if item.id_type in _CODES and item.library is None
    }
    handle, name = tempfile.mkstemp(suffix=".blend")
    os.close(handle)
    try:
        with _at_rest(reached, scene.frame_start):
            bpy.data.libraries.write(name, {scene}, path_remap="NONE", compress=False)
        content = Path(name).read_bytes()
    finally:
        os.unlink(name)
    state = hashlib.blake2b(digest_size=20)
    state.update(bpy.app.version_string.encode())
    state.update(bpy.app.build_hash)
    state.update(digest_of_blend(content, hidden, _RESULTS))
    for path, found in _outside(reached, digest):
        state.update(f"{path}\0{found}\0".encode())
    for text in bpy.data.texts:
        state.update(f"{text.name_full}\0{text.as_string()}\0".encode())
    return state.hexdigest()
