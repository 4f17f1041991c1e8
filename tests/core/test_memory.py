# SPDX-License-Identifier: GPL-3.0-or-later
"""The caches are bounded."""

from beamwright.core.lines.memory import Bounded


def test_the_oldest_use_goes_first():
    kept = Bounded(2)
    kept.put("a", 1)
    kept.put("b", 2)
    assert kept.get("a") == 1
    kept.put("c", 3)
    assert kept.get("b") is None
    assert (kept.get("a"), kept.get("c"), len(kept)) == (1, 3, 2)


def test_bytes_are_counted_once_for_each_key():
    kept = Bounded(100, 10)
    for _ in range(5):
        kept.put("a", 1, 6)
    kept.put("b", 2, 4)
    assert len(kept) == 2
    kept.put("c", 3, 1)
    assert kept.get("a") is None
    assert len(kept) == 2
    kept.put("huge", 4, 1000)
    assert len(kept) == 1
    assert kept.get("huge") == 4
    kept.clear()
    assert len(kept) == 0
