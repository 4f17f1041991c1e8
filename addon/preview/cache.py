# SPDX-License-Identifier: GPL-3.0-or-later
"""Pictures of frames, kept within a bound of memory."""

from __future__ import annotations

from collections import OrderedDict
from collections.abc import Hashable
from typing import Generic, Protocol, TypeVar

__all__ = ["PictureCache", "Sized"]


class Sized(Protocol):
    """Something that knows how much memory it takes."""

    @property
    def nbytes(self) -> int:
        """Bytes taken."""
        ...


Item = TypeVar("Item", bound=Sized)


class PictureCache(Generic[Item]):
    """Least recently used items go first; the bound holds for all scenes together.

    Parameters
    ----------
    limit
        Bytes. An item larger than that is not kept at all.
    """

    def __init__(self, limit: int) -> None:
        self._limit = limit
        self._items: OrderedDict[tuple[int, Hashable], Item] = OrderedDict()
        self._bytes = 0

    def __len__(self) -> int:
        return len(self._items)

    @property
    def nbytes(self) -> int:
        """Bytes taken by everything that is kept."""
        return self._bytes

    def find(self, owner: int, key: Hashable) -> Item | None:
        """Return an owner's item, or None."""
        item = self._items.get((owner, key))
        if item is not None:
            self._items.move_to_end((owner, key))
        return item

    def keep(self, owner: int, key: Hashable, item: Item) -> None:
        """Keep an item, in place of the one of the same key."""
        old = self._items.pop((owner, key), None)
        if old is not None:
            self._bytes -= old.nbytes
        if item.nbytes > self._limit:
            return
        self._items[owner, key] = item
        self._bytes += item.nbytes
        self._shrink()

    def set_limit(self, limit: int) -> None:
        """Change the bound, in bytes."""
        self._limit = limit
        self._shrink()

    def clear(self) -> None:
        """Drop everything."""
        self._items.clear()
        self._bytes = 0

    def _shrink(self) -> None:
        while self._bytes > self._limit:
            _, item = self._items.popitem(last=False)
            self._bytes -= item.nbytes
