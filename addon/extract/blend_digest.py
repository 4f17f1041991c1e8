# SPDX-License-Identifier: GPL-3.0-or-later
"""A hash of a written .blend file, block by block.

Addresses in memory become the numbers of the blocks they point to; what says nothing about
the picture is left out.
"""

from __future__ import annotations

import hashlib
import struct
from collections.abc import Iterator, Mapping, Set
from dataclasses import dataclass
from functools import lru_cache
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

__all__ = ["Results", "digest_of_blend"]

_SKIPPED = {b"GLOB", b"REND", b"TEST", b"DNA1", b"ENDB", b"USER"}

_IGNORED = {
    "ID": {
        "session_uid", "session_uuid", "us", "icon_id", "recalc", "recalc_up_to_undo_push",
        "recalc_after_undo_push", "tag", "flag", "py_instance", "runtime",
    },
    "FCurve": {"curval", "color", "color_mode", "prev_norm_factor", "prev_offset"},
    "ChannelDriver": {"curval"},
    "RenderData": {"cfra", "subframe"},
    "Base": {"flag", "flag_legacy", "flag_from_collection", "sx", "sy"},
    "Scene": {"cursor", "toolsettings", "basact"},
    "Object": {"base_flag", "base_local_view_bits"},
    "ViewLayer": {"basact", "active_collection"},
    # Counted up each time a file is opened.
    "CurveProfile": {"changed_timestamp"},
    "CurveMapping": {"changed_timestamp"},
    # Made up anew when an older file is opened; what refers to a node says so itself.
    "bNode": {"identifier"},
    # Of a group, how many it holds, idle ones included; of others the content says it.
    "IDProperty": {"len", "totallen"},
    # Results of the last evaluation.
    "bPoseChannel": {
        "chan_mat", "pose_mat", "disp_mat", "disp_tail_mat", "constinv", "pose_head", "pose_tail",
    },
}  # fmt: skip
"""Members that say nothing about the picture, by struct."""

_PLACES = {
    "Base": "object", "LayerCollection": "collection",
    "CollectionObject": "ob", "CollectionChild": "collection",
}  # fmt: skip
"""Members of lists that only say where a data block lies, with the pointer to it."""

_MAY_NOT_COUNT = {"AnimData", "IDProperty", "TimeMarker", *_PLACES}

_LONGEST_NAME = 258
_IDP_GROUP, _IDP_IDPARRAY = 6, 9


@dataclass(frozen=True)
class Results:
    """Beginnings of the names of what is kept in a scene as a result of it.

    Attributes
    ----------
    properties
        Custom properties and settings.
    markers
        Markers of the timeline; those with a camera bound to them count all the same.
    """

    properties: tuple[bytes, ...] = ()
    markers: tuple[bytes, ...] = ()


class _Block(NamedTuple):
    code: bytes
    address: int
    kind: int
    structs: int
    content: memoryview


class _Layout:
    """Where pointers and ignored members lie in each struct, from the file's own description."""

    def __init__(self, description: bytes) -> None:
        self._place = 4
        self._text = text = description
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
        self._places: dict[int, dict[str, int]] = {}
        self._known: dict[int, tuple[NDArray[np.int64], NDArray[np.bool_], NDArray[np.bool_]]] = {}

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

    def name(self, number: int) -> str:
        return self._types[self._structs[number][0]]

    def id_name(self, content: memoryview) -> bytes:
        """Return the name that a data block starts with: two letters of its type come first."""
        start = self.place_of(self._by_type[self._types.index("ID")], "name")
        return bytes(content[start : start + _LONGEST_NAME]).partition(b"\0")[0]

    def place_of(self, number: int, member: str) -> int:
        """Return the offset of a struct's member, by its bare name; -1 where there is none."""
        places = self._places.get(number)
        if places is None:
            places = self._places[number] = {}
            offset = 0
            for kind, declared in self._structs[number][1]:
                places[declared.partition("[")[0].strip("*()")] = offset
                offset += self._size(kind, declared)
        return places.get(member, -1)

    def pointer(self, block: _Block, member: str) -> int:
        """Return the address a member of a block's first struct starts with; 0 without it."""
        place = self.place_of(block.kind, member)
        if place < 0:
            return 0
        return int.from_bytes(block.content[place : place + 8], "little")

    def text(self, block: _Block, member: str) -> bytes:
        """Return the text in a member of a block's first struct."""
        start = self.place_of(block.kind, member)
        return bytes(block.content[start : start + _LONGEST_NAME]).partition(b"\0")[0]

    def targets(self, block: _Block) -> list[int]:
        """Return the addresses that a block holds."""
        if block.kind == 0:
            usable = len(block.content) // 8 * 8
            words: list[int] = np.frombuffer(block.content[:usable], np.uint64).tolist()
            return words
        pointers = self.of(block.kind)[0]
        size = self.size(block.kind)
        if len(block.content) != size * block.structs:
            return []
        at = (size * np.arange(block.structs)[:, None] + pointers).ravel()[:, None] + np.arange(8)
        found: list[int] = (
            np.frombuffer(block.content, np.uint8)[at].view(np.uint64).ravel().tolist()
        )
        return found

    def says_nothing(self, block: _Block, gone: Set[int], in_scene: bool, results: Results) -> bool:
        """Whether a block is a result, or only says where something lies that does not count."""
        name = self.name(block.kind) if block.kind else ""
        if name not in _MAY_NOT_COUNT:
            return False
        if name == "AnimData":
            rest = ("tmpact", "nla_tracks", "drivers", "overrides")
            return self.pointer(block, "action") in {0, *gone} and not any(
                self.pointer(block, member) for member in rest
            )
        if name == "IDProperty":
            return in_scene and self.text(block, "name").startswith(results.properties)
        if name == "TimeMarker":
            found = self.text(block, "name").startswith(results.markers)
            return in_scene and found and not self.pointer(block, "camera")
        return self.pointer(block, _PLACES[name]) in gone

    def _size(self, kind: int, declared: str) -> int:
        """Bytes of a member."""
        bare, _, rest = declared.partition("[")
        size = 8 if bare.startswith(("*", "(*")) else self._sizes[kind]
        for part in rest.split("["):
            if part:
                size *= int(part.rstrip("]"))
        return size

    def of(self, number: int) -> tuple[NDArray[np.int64], NDArray[np.bool_], NDArray[np.bool_]]:
        """Return the offsets of a struct's pointers, which point back, and its ignored bytes."""
        known = self._known.get(number)
        if known is None:
            pointers: list[tuple[int, bool]] = []
            mask = np.zeros(self.size(number), bool)
            self._walk(number, 0, pointers, mask)
            table = np.array(pointers, np.int64).reshape(-1, 2)
            known = self._known[number] = (table[:, 0], table[:, 1] > 0, mask)
        return known

    def _walk(
        self, number: int, start: int, pointers: list[tuple[int, bool]], mask: NDArray[np.bool_]
    ) -> None:
        kind, members = self._structs[number]
        ignored = _IGNORED.get(self._types[kind], set())
        offset = start
        for member, declared in members:
            bare, _, _ = declared.partition("[")
            size = self._size(member, declared)
            name = bare.strip("*()")
            if name in ignored or name == "runtime" or name.startswith("_pad"):
                mask[offset : offset + size] = True
            elif bare.startswith(("*", "(*")):
                back = name in {"prev", "last"}
                pointers.extend((place, back) for place in range(offset, offset + size, 8))
            elif member in self._by_type:
                for place in range(offset, offset + size, self._sizes[member]):
                    self._walk(self._by_type[member], place, pointers, mask)
            offset += size


@lru_cache(maxsize=2)
def _layout(description: bytes) -> _Layout:
    """Return the layout of a version's structs: the same for all files that it writes."""
    return _Layout(description)


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


_Detours = dict[tuple[int, int], tuple[int, int]]


def _without(
    blocks: list[_Block], layout: _Layout, hidden: Set[bytes], results: Results
) -> tuple[list[_Block], _Detours]:
    """Leave data blocks and results out, and all that says where they lie.

    Parameters
    ----------
    blocks
    layout
    hidden
        Two letters of the type and the name of each data block.
    results

    Returns
    -------
    list of _Block
        Those that count.
    dict
        Before and after the members that were taken out of lists: addresses, by the number
        of the data block and the member's own address.
    """
    kept: list[_Block] = []
    gone: set[int] = set()
    left_out = False
    for block in blocks:
        if block.code != b"DATA":
            left_out = block.code[:2] + layout.id_name(block.content)[2:] in hidden
            if left_out:
                gone.add(block.address)
        if not left_out:
            kept.append(block)
    detours: _Detours = {}
    counted: list[_Block] = []
    for number, members in enumerate(_members(kept), 1):
        in_scene = members[0].code[:2] == b"SC"
        cut = {
            block.address: block
            for block in members
            if block.code == b"DATA" and layout.says_nothing(block, gone, in_scene, results)
        }
        owned = _only_through(cut, members, layout) if cut else set()
        idle = _idle_groups(members, layout, cut)
        for block in members:
            if block.address in idle or block.address in cut:
                before, after = layout.pointer(block, "prev"), layout.pointer(block, "next")
                detours[number, block.address] = (before, after)
            elif block.address not in owned:
                counted.append(block)
    return counted, detours


def _only_through(cut: Mapping[int, _Block], members: list[_Block], layout: _Layout) -> set[int]:
    """Return the addresses of blocks that only blocks of `cut` lead to."""
    known = {block.address: block for block in members}

    def reached(stops: Mapping[int, _Block]) -> set[int]:
        seen = {members[0].address}
        pending = [members[0].address]
        while pending:
            block = known[pending.pop()]
            found = (
                [layout.pointer(block, "prev"), layout.pointer(block, "next")]
                if block.address in stops
                else layout.targets(block)
            )
            fresh = [address for address in found if address in known and address not in seen]
            seen.update(fresh)
            pending.extend(fresh)
        return seen

    return reached({}) - reached(cut) - set(cut)


def _members(blocks: list[_Block]) -> Iterator[list[_Block]]:
    """Yield the blocks of one data block after the other."""
    members: list[_Block] = []
    for block in blocks:
        if block.code != b"DATA" and members:
            yield members
            members = []
        members.append(block)
    if members:
        yield members


def _idle_groups(members: list[_Block], layout: _Layout, cut: Mapping[int, _Block]) -> set[int]:
    """Return the addresses of groups of properties with nothing in them but what is `cut`.

    Blender makes such groups as soon as somebody looks at the settings they could hold.
    """
    properties = [block for block in members if layout.name(block.kind) == "IDProperty"]
    if not properties:
        return set()
    place = layout.place_of(properties[0].kind, "type")
    kinds = {block.address: block.content[place] for block in properties}
    # Members of a collection count, be they empty or not.
    arrays = [block for block in properties if kinds[block.address] == _IDP_IDPARRAY]
    fixed = {layout.pointer(block, "data") for block in arrays}
    groups = {
        block.address: block
        for block in properties
        if kinds[block.address] == _IDP_GROUP and block.structs == 1 and block.address not in fixed
    }
    after = {block.address: layout.pointer(block, "next") for block in properties}
    first = layout.place_of(properties[0].kind, "data") + 8
    idle: set[int] = set()
    # Inner groups are written after the outer ones.
    for address, block in reversed(groups.items()):
        child = int.from_bytes(block.content[first : first + 8], "little")
        while child in idle or child in cut:
            child = after[child]
        if child == 0 and address not in cut:
            idle.add(address)
    return idle


def digest_of_blend(content: bytes, hidden: Set[bytes], results: Results) -> bytes:
    """Hash a written file without what differs from one session to the next.

    Parameters
    ----------
    content
        Of an uncompressed file.
    hidden
        Data blocks that do not count: two letters of the type and the name.
    results
        What does not count of a scene.
    """
    blocks = list(_blocks(memoryview(content)))
    layout = _layout(next(bytes(block.content) for block in blocks if block.code == b"DNA1"))
    blocks = [block for block in blocks if block.code not in _SKIPPED]
    blocks, detours = _without(blocks, layout, hidden, results)
    numbers = _Numbers(blocks)
    groups = numbers.groups
    sizes = np.array([len(block.content) for block in blocks], np.int64)
    kinds = np.array([block.kind for block in blocks], np.int64)
    counts = np.array([block.structs for block in blocks], np.int64)
    codes = b"".join(block.code for block in blocks)
    state = hashlib.blake2b(codes, digest_size=20)
    state.update(np.column_stack([kinds, counts, sizes]).astype("<i8"))
    starts = np.cumsum(sizes + -sizes % 8)
    starts = np.concatenate([[0], starts[:-1]]).astype(np.int64)
    zeros = (b"", *(bytes(count) for count in range(1, 8)))
    # A mutable copy, since members are blanked and addresses replaced in place.
    canonical = np.frombuffer(
        bytearray().join(
            part for block in blocks for part in (block.content, zeros[-len(block.content) % 8])
        ),
        np.uint8,
    )
    places: list[NDArray[np.int64]] = []
    owners: list[NDArray[np.int64]] = []
    backwards: list[NDArray[np.bool_]] = []
    for kind in np.unique(kinds).tolist():
        if kind == 0:
            continue
        size = layout.size(kind)
        found = np.flatnonzero((kinds == kind) & (sizes == size * counts))
        repeats = counts[found]
        rank = np.arange(repeats.sum()) - np.repeat(np.cumsum(repeats) - repeats, repeats)
        begins = np.repeat(starts[found], repeats) + size * rank
        pointers, back, mask = layout.of(kind)
        places.append((begins[:, None] + pointers).ravel())
        owners.append(np.repeat(np.repeat(groups[found], repeats), len(pointers)))
        backwards.append(np.tile(back, len(begins)))
        canonical[begins[:, None] + np.flatnonzero(mask)] = 0
    # Blocks without a description, in words.
    bare = np.flatnonzero((kinds == 0) & (sizes % 8 == 0) & (sizes > 0))
    lengths = sizes[bare] // 8
    rank = np.arange(lengths.sum()) - np.repeat(np.cumsum(lengths) - lengths, lengths)
    words = np.repeat(starts[bare] // 8, lengths) + rank
    word_owners = np.repeat(groups[bare], lengths)
    at = np.concatenate(places)[:, None] + np.arange(8)
    addresses = canonical[at].view(np.uint64).ravel()
    owner = np.concatenate(owners)
    if detours:
        back = np.concatenate(backwards)
        passed = np.array([address for _, address in detours], np.uint64)
        for row in np.flatnonzero(np.isin(addresses, passed)).tolist():
            key = (int(owner[row]), int(addresses[row]))
            while key in detours:
                key = (key[0], detours[key][0 if back[row] else 1])
            addresses[row] = key[1]
    named = numbers(addresses, owner)
    canonical[at] = named.view(np.uint8).reshape(-1, 8)
    # What Blender writes without a description may be numbers or addresses: those of blocks are.
    plain = canonical.view(np.uint64)
    named = numbers(plain[words], word_owners)
    plain[words] = np.where(named != 0, named, plain[words])
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
        # A place in this list stands for the address: plain integers are found much faster.
        self._known, place = np.unique(addresses, return_inverse=True)
        place = place.reshape(-1).astype(np.int64)
        self._inner = self._table(self.groups * len(blocks) + place, np.arange(len(blocks)))
        rows = np.flatnonzero(heads)
        self._outer = self._table(place[rows], rows)

    @staticmethod
    def _table(
        keys: NDArray[np.int64], rows: NDArray[np.int64]
    ) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
        order = np.argsort(keys, kind="stable")
        return keys[order], rows[order]

    def __call__(
        self, addresses: NDArray[np.uint64], groups: NDArray[np.int64]
    ) -> NDArray[np.uint64]:
        """Number of the block at each address, from 1 on; 0 where none was written."""
        result = np.zeros(len(addresses), np.uint64)
        if not len(self._known):
            return result
        place = np.minimum(np.searchsorted(self._known, addresses), len(self._known) - 1)
        there = np.flatnonzero((self._known[place] == addresses) & (addresses != 0))
        place = place[there]
        for (keys, rows), wanted in (
            (self._outer, place),
            (self._inner, groups[there] * len(self.groups) + place),
        ):
            if not len(rows):
                continue
            at = np.minimum(np.searchsorted(keys, wanted), len(keys) - 1)
            hit = keys[at] == wanted
            result[there[hit]] = rows[at[hit]].astype(np.uint64) + np.uint64(1)
        return result
