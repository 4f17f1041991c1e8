# SPDX-License-Identifier: GPL-3.0-or-later
"""What is kept from frame to frame, bounded in number and in bytes."""

from __future__ import annotations

from collections import OrderedDict
from collections.abc import Hashable, Sequence
from threading import Lock
from typing import Generic, TypeVar

__all__ = ["Bounded", "ByParts"]

Key = TypeVar("Key", bound=Hashable)
Value = TypeVar("Value")


class Bounded(Generic[Key, Value]):
    """A mapping that forgets what was used longest ago. Threads may share it.

    Parameters
    ----------
    entries, size_bytes
        Limits. The newest entry stays even where it alone is larger.
    """

    def __init__(self, entries: int, size_bytes: int = 1 << 62) -> None:
        self._entries = entries
        self._limit_bytes = size_bytes
        self._size_bytes = 0
        self._kept: OrderedDict[Key, tuple[Value, int]] = OrderedDict()
        self._lock = Lock()

    def __len__(self) -> int:
        return len(self._kept)

    def get(self, key: Key) -> Value | None:
        """Return what is kept under a key, which counts as a use."""
        with self._lock:
            found = self._kept.get(key)
            if found is None:
                return None
            self._kept.move_to_end(key)
            return found[0]

    def put(self, key: Key, value: Value, size_bytes: int = 0) -> Value:
        """Keep a value, and forget the oldest ones beyond the limits."""
        with self._lock:
            before = self._kept.pop(key, None)
            if before is not None:
                self._size_bytes -= before[1]
            self._kept[key] = value, size_bytes
            self._size_bytes += size_bytes
            while len(self._kept) > 1 and (
                len(self._kept) > self._entries or self._size_bytes > self._limit_bytes
            ):
                _, (_, gone) = self._kept.popitem(last=False)
                self._size_bytes -= gone
        return value

    def clear(self) -> None:
        """Forget everything."""
        with self._lock:
            self._kept.clear()
            self._size_bytes = 0


class ByParts(Generic[Value]):
    """Results kept by the very objects they were made from.

    The parts are held as long as the result, so that no other object can take their place.
    """

    def __init__(self, entries: int, size_bytes: int = 1 << 62) -> None:
        self._kept: Bounded[tuple[int, ...], tuple[Sequence[object], Value]] = Bounded(
            entries, size_bytes
        )

    def get(self, parts: Sequence[object]) -> Value | None:
        """Return what was made from exactly these parts."""
        found = self._kept.get(tuple(map(id, parts)))
        return None if found is None else found[1]

    def put(self, parts: Sequence[object], value: Value, size_bytes: int = 0) -> Value:
        """Keep what was made from some parts."""
        self._kept.put(tuple(map(id, parts)), (tuple(parts), value), size_bytes)
        return value

    def clear(self) -> None:
        """Forget everything."""
        self._kept.clear()
