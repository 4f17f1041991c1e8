# SPDX-License-Identifier: GPL-3.0-or-later
"""A hash of everything a scene is made of, without evaluating it.

Blender writes the scene and all it depends on into a temporary file, as it would save them,
and that file is read back block by block. So whatever is saved counts: meshes, animation,
modifiers, nodes, poses, our own settings. Only what says nothing about the picture is left
out: addresses in memory (each becomes the number of the block it points to), the current
frame, selections, user counts. Linked libraries and other files outside count with their
content. Text blocks count too, since drivers may call them.
"""

from __future__ import annotations

import hashlib
import os
import struct
import tempfile
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import bpy
import numpy as np
from numpy.typing import NDArray

from ..compat import animation_curves

__all__ = ["file_digest", "scene_fingerprint"]

_SKIPPED = {b"GLOB", b"REND", b"TEST", b"DNA1", b"ENDB", b"USER"}

_IGNORED = {
    "ID": {
        "session_uid", "session_uuid", "us", "icon_id", "recalc", "recalc_up_to_undo_push",
        "recalc_after_undo_push", "tag", "flag", "py_instance", "runtime",
    },
    "FCurve": {"curval"},
    "ChannelDriver": {"curval"},
    "RenderData": {"cfra", "subframe"},
    "Base": {"flag", "flag_legacy", "flag_from_collection", "sx", "sy"},
    "Scene": {"cursor", "toolsettings", "basact"},
    "Object": {"base_flag", "base_local_view_bits"},
    "ViewLayer": {"basact"},
    # Made up anew when an older file is opened; what refers to a node says so itself.
    "bNode": {"identifier"},
    # Results of the last evaluation.
    "bPoseChannel": {
        "chan_mat", "pose_mat", "disp_mat", "disp_tail_mat", "constinv", "pose_head", "pose_tail",
    },
}  # fmt: skip
"""Members that say nothing about the picture, by struct."""


@dataclass(frozen=True, eq=False)
class _Block:
    code: bytes
    address: int
    kind: int
    count: int
    content: memoryview


class _Layout:
    """Where pointers and ignored members lie in each struct, from the file's own description."""

    def __init__(self, description: memoryview) -> None:
        text = bytes(description)
        self._place = 4
        self._text = text
        names = self._strings(b"NAME")
        types = self._strings(b"TYPE")
        self._expect(b"TLEN")
        sizes = struct.unpack_from(f"<{len(types)}H", text, self._place)
        self._place += 2 * len(types)
        self._expect(b"STRC")
        (count,) = struct.unpack_from("<I", text, self._place)
        self._place += 4
        self._types, self._sizes = types, sizes
        self._structs: list[tuple[int, list[tuple[int, str]]]] = []
        self._by_type: dict[int, int] = {}
        for number in range(count):
            kind, members = struct.unpack_from("<HH", text, self._place)
            pairs = struct.unpack_from(f"<{2 * members}H", text, self._place + 4)
            self._place += 4 + 4 * members
            self._structs.append(
                (kind, [(pairs[2 * i], names[pairs[2 * i + 1]]) for i in range(members)])
            )
            self._by_type[kind] = number
        self._known: dict[int, tuple[NDArray[np.int64], NDArray[np.bool_]]] = {}

    def _expect(self, tag: bytes) -> None:
        self._place += -self._place % 4
        if self._text[self._place : self._place + 4] != tag:
            raise ValueError(f"the description of the file lacks {tag!r}")
        self._place += 4

    def _strings(self, tag: bytes) -> list[str]:
        self._expect(tag)
        (count,) = struct.unpack_from("<I", self._text, self._place)
        self._place += 4
        found = []
        for _ in range(count):
            end = self._text.index(b"\0", self._place)
            found.append(self._text[self._place : end].decode())
            self._place = end + 1
        return found

    def size(self, number: int) -> int:
        return self._sizes[self._structs[number][0]]

    def of(self, number: int) -> tuple[NDArray[np.int64], NDArray[np.bool_]]:
        """Return the offsets of a struct's pointers, and a mask of its ignored bytes."""
        known = self._known.get(number)
        if known is None:
            pointers: list[int] = []
            mask = np.zeros(self.size(number), bool)
            self._walk(number, 0, pointers, mask)
            known = self._known[number] = (np.array(pointers, np.int64), mask)
        return known

    def _walk(self, number: int, start: int, pointers: list[int], mask: NDArray[np.bool_]) -> None:
        kind, members = self._structs[number]
        ignored = _IGNORED.get(self._types[kind], set())
        offset = start
        for member, declared in members:
            bare, _, rest = declared.partition("[")
            repeat = 1
            for part in rest.split("["):
                if part:
                    repeat *= int(part.rstrip("]"))
            is_pointer = bare.startswith(("*", "(*"))
            size = 8 if is_pointer else self._sizes[member]
            name = bare.strip("*()")
            if name in ignored or name == "runtime" or name.startswith("_pad"):
                mask[offset : offset + size * repeat] = True
            elif is_pointer:
                pointers.extend(range(offset, offset + 8 * repeat, 8))
            elif member in self._by_type:
                for place in range(repeat):
                    self._walk(self._by_type[member], offset + place * size, pointers, mask)
            offset += size * repeat


def _blocks(content: memoryview) -> Iterator[_Block]:
    """Walk through an uncompressed .blend file of 64-bit Blender 4 or 5."""
    text = bytes(content[:17])
    if text[:7] != b"BLENDER":
        raise ValueError("not a .blend file")
    if text[7:8] in (b"-", b"_"):
        head, place = struct.Struct("<4siQii"), 12
        order = (0, 2, 3, 1, 4)  # code, address, kind, length, count
    else:
        head, place = struct.Struct("<4siQqq"), int(text[7:9])
        order = (0, 2, 1, 3, 4)
    while place + head.size <= len(content):
        values = head.unpack_from(content, place)
        code, address, kind, length, count = (values[i] for i in order)
        place += head.size
        yield _Block(code, address, kind, count, content[place : place + length])
        place += length
        if code == b"ENDB":
            return


def _digest_of_blend(content: bytes) -> bytes:
    """Hash a written file without what differs from one session to the next."""
    blocks = list(_blocks(memoryview(content)))
    layout = _Layout(next(block.content for block in blocks if block.code == b"DNA1"))
    blocks = [block for block in blocks if block.code not in _SKIPPED]
    state = hashlib.blake2b(digest_size=20)
    pieces: list[NDArray[np.uint8]] = []
    places: list[NDArray[np.int64]] = []
    owners: list[NDArray[np.int64]] = []
    words: list[NDArray[np.int64]] = []
    word_owners: list[NDArray[np.int64]] = []
    numbers = _Numbers(blocks)
    start = 0
    for block, group in zip(blocks, numbers.groups.tolist(), strict=True):
        state.update(struct.pack("<4siqq", block.code, block.kind, block.count, len(block.content)))
        array = np.frombuffer(block.content, np.uint8)
        if block.kind == 0:
            if len(array) % 8 == 0:
                words.append(np.arange(start, start + len(array), 8))
                word_owners.append(np.full(len(words[-1]), group))
        elif len(array) == layout.size(block.kind) * block.count:
            pointers, mask = layout.of(block.kind)
            begins = start + layout.size(block.kind) * np.arange(block.count)
            places.append((begins[:, None] + pointers).ravel())
            owners.append(np.full(len(places[-1]), group))
            array = array.copy()
            array.reshape(block.count, -1)[:, mask] = 0
        padding = -len(array) % 8
        pieces += [array, np.zeros(padding, np.uint8)]
        start += len(array) + padding
    canonical = np.concatenate(pieces)
    at = np.concatenate(places)[:, None] + np.arange(8)
    addresses = canonical[at].view(np.uint64).ravel()
    named = numbers(addresses, np.concatenate(owners))
    canonical[at] = named.view(np.uint8).reshape(-1, 8)
    # What Blender writes without a description may be numbers or addresses: those of blocks are.
    if words:
        at = np.concatenate(words) // 8
        plain = canonical.view(np.uint64)
        named = numbers(plain[at], np.concatenate(word_owners))
        plain[at] = np.where(named != 0, named, plain[at])
    state.update(canonical)
    return state.digest()


class _Numbers:
    """Turns addresses into numbers of blocks.

    Addresses are unique only among the blocks of one data block, and among the data blocks
    themselves: what was written from a temporary copy may have had any place in memory.

    Attributes
    ----------
    groups : (n,) int64
        Which data block each block belongs to.
    """

    def __init__(self, blocks: list[_Block]) -> None:
        heads = np.array([block.code != b"DATA" for block in blocks], bool)
        addresses = np.array([block.address for block in blocks], np.uint64)
        self.groups = np.cumsum(heads).astype(np.int64)
        self._inner = self._table(addresses, self.groups, np.arange(len(blocks)))
        rows = np.flatnonzero(heads)
        self._outer = self._table(addresses[rows], np.zeros(len(rows), np.int64), rows)

    @staticmethod
    def _table(
        addresses: NDArray[np.uint64], groups: NDArray[np.int64], rows: NDArray[np.int64]
    ) -> tuple[NDArray[Any], NDArray[np.int64]]:
        keys = np.empty(len(rows), [("group", np.int64), ("address", np.uint64)])
        keys["group"], keys["address"] = groups, addresses
        order = np.argsort(keys, kind="stable", order=("group", "address"))
        return keys[order], rows[order]

    def __call__(
        self, addresses: NDArray[np.uint64], groups: NDArray[np.int64]
    ) -> NDArray[np.uint64]:
        """Number of the block at each address, from 1 on; 0 where none was written."""
        result = np.zeros(len(addresses), np.uint64)
        for (keys, rows), wanted in (
            (self._outer, np.zeros(len(addresses), np.int64)),
            (self._inner, groups),
        ):
            if not len(rows):
                continue
            sought = np.empty(len(addresses), keys.dtype)
            sought["group"], sought["address"] = wanted, addresses
            at = np.minimum(np.searchsorted(keys, sought), len(keys) - 1)
            hit = (keys[at] == sought) & (addresses != 0)
            result[hit] = rows[at[hit]].astype(np.uint64) + np.uint64(1)
        return result


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


def _reached(scene: bpy.types.Scene) -> set[bpy.types.ID]:
    """The scene and all data blocks it depends on, as Blender knows it."""
    uses: dict[Any, list[Any]] = {}
    for used, users in bpy.data.user_map().items():
        for user in users:
            uses.setdefault(user, []).append(used)
    reached: set[bpy.types.ID] = {scene}
    pending: list[Any] = [scene]
    while pending:
        for used in uses.get(pending.pop(), ()):
            if used not in reached:
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
    reached = _reached(scene)
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
    state.update(_digest_of_blend(content))
    for path, found in _outside(reached, digest):
        state.update(f"{path}\0{found}\0".encode())
    for text in bpy.data.texts:
        state.update(f"{text.name_full}\0{text.as_string()}\0".encode())
    return state.hexdigest()
