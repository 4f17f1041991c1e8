# SPDX-License-Identifier: GPL-3.0-or-later
"""Finished work on disk, found again by a hash of everything it depends on.

An entry is one file: a magic number with the format's version, a checksum, a JSON head, and
arrays. It is written whole or not at all, so several processes and machines may share a
folder. Nothing in it is code; a broken or foreign entry reads as one that is missing.
"""

from __future__ import annotations

import enum
import hashlib
import json
import math
import os
import secrets
import sys
import time
from collections.abc import Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, fields, is_dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ..errors import OutputError

__all__ = [
    "CACHE_VERSION",
    "Cache",
    "Entry",
    "default_folder",
    "digest_of",
    "pack",
    "unpack",
]

CACHE_VERSION = 2
MAGIC = b"BWCACHE"
DIGEST_BYTES = 20
BYTES_MAX = 8 * 1024**3
"""Size of a folder above which the entries that were not used for longest go."""

_ALIGNMENT = 16
_HEAD = len(MAGIC) + 1 + DIGEST_BYTES + 4
_STALE_S = 3600.0  # unfinished files older than this belong to a process that died

Arrays = Mapping[str, NDArray[Any]]


def digest_of(*values: object) -> str:
    """Return a hash of plain values: numbers, text, arrays, dataclasses and their containers.

    Equal values have equal hashes in every process and on every machine.

    Raises
    ------
    TypeError
        For anything whose content is not plain; better no key than a wrong one.
    """
    state = hashlib.blake2b(digest_size=DIGEST_BYTES)
    for value in values:
        _feed(state, value)
    return state.hexdigest()


def _feed(state: Any, value: Any) -> None:
    def tagged(tag: bytes, content: bytes) -> None:
        state.update(tag + len(content).to_bytes(8, "little") + content)

    if isinstance(value, enum.Enum):
        tagged(b"e", f"{type(value).__name__}.{value.value!r}".encode())
    elif value is None or isinstance(value, bool | int):
        tagged(b"i", repr(value).encode())
    elif isinstance(value, float):
        tagged(b"f", value.hex().encode())
    elif isinstance(value, str):
        tagged(b"s", value.encode("utf-8", "surrogatepass"))
    elif isinstance(value, bytes):
        tagged(b"b", value)
    elif isinstance(value, np.ndarray):
        if value.dtype.hasobject:
            raise TypeError("arrays of objects have no stable hash")
        tagged(b"a", f"{value.dtype.str}{value.shape}".encode())
        tagged(b"b", np.ascontiguousarray(value).tobytes())
    elif isinstance(value, np.generic):
        _feed(state, value.item())
    elif is_dataclass(value) and not isinstance(value, type):
        tagged(b"d", type(value).__name__.encode())
        for entry in fields(value):
            _feed(state, entry.name)
            _feed(state, getattr(value, entry.name))
        tagged(b".", b"")
    elif isinstance(value, Mapping):
        tagged(b"m", str(len(value)).encode())
        for key in sorted(value):
            _feed(state, key)
            _feed(state, value[key])
    elif isinstance(value, frozenset | set):
        tagged(b"u", str(len(value)).encode())
        for item in sorted(value):
            _feed(state, item)
    elif isinstance(value, Sequence):
        tagged(b"l", str(len(value)).encode())
        for item in value:
            _feed(state, item)
    else:
        raise TypeError(f"{type(value).__name__} has no stable hash")


def default_folder() -> Path:
    """Return the folder for caches: ``BEAMWRIGHT_CACHE``, or the system's place for them."""
    chosen = os.environ.get("BEAMWRIGHT_CACHE")
    if chosen:
        return Path(chosen)
    home = Path.home()
    if os.name == "nt":
        return Path(os.environ.get("LOCALAPPDATA", home)) / "beamwright" / "cache"
    if sys.platform == "darwin":
        return home / "Library" / "Caches" / "beamwright"
    return Path(os.environ.get("XDG_CACHE_HOME") or home / ".cache") / "beamwright"


@dataclass(frozen=True, eq=False)
class Entry:
    """What an entry holds: a head of plain values, and arrays."""

    head: Mapping[str, Any]
    arrays: Arrays


def pack(head: Mapping[str, Any], arrays: Arrays) -> bytes:
    """Return an entry as bytes."""
    listed = []
    body = bytearray()
    for name, array in arrays.items():
        content = np.ascontiguousarray(array)
        if content.dtype.hasobject:
            raise TypeError(f"the array {name} holds objects")
        content = content.astype(content.dtype.newbyteorder("<"), copy=False)
        body.extend(b"\0" * (-len(body) % _ALIGNMENT))
        listed.append([name, content.dtype.str, list(content.shape), len(body)])
        body.extend(content.tobytes())
    text = json.dumps({"head": head, "arrays": listed}, ensure_ascii=False).encode()
    text += b" " * (-(_HEAD + len(text)) % _ALIGNMENT)
    content_bytes = len(text).to_bytes(4, "little") + text + bytes(body)
    digest = hashlib.blake2b(content_bytes, digest_size=DIGEST_BYTES).digest()
    return MAGIC + bytes([CACHE_VERSION]) + digest + content_bytes


def unpack(content: bytes) -> Entry | None:
    """Return what `pack` was given; None where the bytes are damaged or of another version."""
    start = len(MAGIC) + 1
    if len(content) < _HEAD or not content.startswith(MAGIC) or content[7] != CACHE_VERSION:
        return None
    body = memoryview(content)[start + DIGEST_BYTES :]
    if hashlib.blake2b(body, digest_size=DIGEST_BYTES).digest() != content[start:][:DIGEST_BYTES]:
        return None
    length = int.from_bytes(body[:4], "little")
    described = json.loads(bytes(body[4 : 4 + length]))
    data = body[4 + length :]
    arrays = {}
    for name, kind, shape, offset in described["arrays"]:
        arrays[name] = np.frombuffer(
            data, np.dtype(kind), count=math.prod(shape), offset=offset
        ).reshape(shape)
    return Entry(described["head"], arrays)


class Cache:
    """A folder of entries by key.

    Parameters
    ----------
    folder
        Made when missing.
    bytes_max
        Most bytes that `prune` leaves.
    fresh
        Pass over entries that are older than this object; what is found out newly is kept.

    Attributes
    ----------
    damaged
        Entries found broken; they count as missing and are written anew.

    Raises
    ------
    OutputError
        Where the folder cannot be used, or was made by a newer Beamwright.
    """

    def __init__(
        self, folder: Path | str, *, bytes_max: int = BYTES_MAX, fresh: bool = False
    ) -> None:
        self.folder = Path(folder)
        self.bytes_max = bytes_max
        self.damaged = 0
        self._own: set[str] | None = set() if fresh else None
        try:
            self.folder.mkdir(parents=True, exist_ok=True)
            self._check_version()
        except OSError as error:
            if isinstance(error, OutputError):
                raise
            raise OutputError(
                f"The cache folder {self.folder} can't be used: {error.strerror or error}. Choose "
                "another with --cache."
            ) from error

    def _check_version(self) -> None:
        note = self.folder / "version.json"
        try:
            version = json.loads(note.read_bytes())["version"]
        except FileNotFoundError:
            self._write(note, json.dumps({"version": CACHE_VERSION}).encode())
            return
        except (ValueError, KeyError, TypeError):
            version = None
        if isinstance(version, int) and version > CACHE_VERSION:
            raise OutputError(
                f"The cache folder {self.folder} was made by a newer Beamwright (version "
                f"{version}; this one reads {CACHE_VERSION}). Choose another with --cache, or "
                "remove it."
            )
        if version != CACHE_VERSION:
            self._write(note, json.dumps({"version": CACHE_VERSION}).encode())

    def path(self, key: str) -> Path:
        """Return the file of a key."""
        return self.folder / key[:2] / f"{key[2:]}.bwc"

    def has(self, key: str) -> bool:
        """Whether there is an entry; it may still prove damaged when read."""
        if self._own is not None and key not in self._own:
            return False
        return self.path(key).is_file()

    def read_bytes(self, key: str) -> bytes | None:
        """Return an entry as it is stored, unchecked; None where there is none."""
        if self._own is not None and key not in self._own:
            return None
        path = self.path(key)
        try:
            content = path.read_bytes()
        except OSError:
            return None
        with suppress(OSError):
            os.utime(path)  # when it was used last: what `prune` goes by
        return content

    def read(self, key: str) -> Entry | None:
        """Return an entry, or None where there is none or it is damaged."""
        content = self.read_bytes(key)
        if content is None:
            return None
        entry = unpack(content)
        if entry is None:
            self.damaged += 1
            with suppress(OSError):
                self.path(key).unlink()
        return entry

    def accept(self, key: str) -> None:
        """Take an entry that another process wrote in this run as current."""
        if self._own is not None:
            self._own.add(key)

    def write(self, key: str, content: bytes) -> None:
        """Store an entry made by `pack`.

        Raises
        ------
        OutputError
            Where it cannot be written; what was stored before stays.
        """
        path = self.path(key)
        try:
            path.parent.mkdir(exist_ok=True)
            self._write(path, content)
        except OSError as error:
            raise OutputError(
                f"The cache folder {self.folder} can't be written: {error.strerror or error}. "
                "What was finished is kept. Make room or choose another folder with --cache, then "
                "give the same command again."
            ) from error
        self.accept(key)

    def _write(self, path: Path, content: bytes) -> None:
        temporary = path.with_name(f".{secrets.token_hex(6)}.part")
        try:
            with open(temporary, "xb") as stream:
                stream.write(content)
            os.replace(temporary, path)
        except BaseException:
            with suppress(OSError):
                temporary.unlink()
            raise

    def prune(self, keep: frozenset[str] = frozenset()) -> int:
        """Remove the entries that were not used for longest until the folder is small enough.

        Parameters
        ----------
        keep
            Keys that stay whatever their age.

        Returns
        -------
        int
            Bytes left.
        """
        found = []
        kept = 0
        now = time.time()
        for shard in os.scandir(self.folder):
            if not shard.is_dir(follow_symlinks=False) or len(shard.name) != 2:
                continue
            for item in os.scandir(shard.path):
                with suppress(OSError):
                    status = item.stat(follow_symlinks=False)
                    if item.name.endswith(".part"):
                        if now - status.st_mtime > _STALE_S:
                            os.unlink(item.path)
                    elif shard.name + item.name.removesuffix(".bwc") in keep:
                        kept += status.st_size
                    else:
                        found.append((status.st_mtime, status.st_size, item.path))
        total = kept + sum(size for _, size, _ in found)
        for _, size, path in sorted(found):
            if total <= self.bytes_max:
                break
            with suppress(OSError):
                os.unlink(path)
                total -= size
        return total
