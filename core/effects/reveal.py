# SPDX-License-Identifier: GPL-3.0-or-later
"""Reveal: the part of some strokes between two shares of their length."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from ..scene import Reveal
from ..strokes import Strokes
from ..writing import cut_between

__all__ = ["revealed"]


def revealed(strokes: Strokes, effect: Reveal) -> Strokes:
    """Return the strokes with those of the effect's objects cut down.

    One after the other means in the order of `Strokes.identity`, which stays the same from
    frame to frame, or in a random order that hangs on the identities alone. Dots count as shown
    once the shares reach their place.
    """
    first = min(max(effect.start, 0.0), 1.0)
    last = min(max(effect.end, 0.0), 1.0)
    if first <= 0.0 and last >= 1.0:
        return strokes
    chosen = np.isin(strokes.object_index, sorted(effect.objects))
    rows = np.flatnonzero(chosen)
    others = strokes.take(~chosen)
    if last <= first or len(rows) == 0:
        return others
    rows = rows[np.argsort(_turns(strokes.identity[rows], effect.shuffle_seed), kind="stable")]
    part = strokes.take(rows)
    points, offsets, source = cut_between(
        part.points, part.offsets, first, last, "together" if effect.together else "in order"
    )
    kept = part.take(source)
    cut = Strokes(
        points=np.ascontiguousarray(points),
        offsets=offsets,
        colour=kept.colour,
        kind=kept.kind,
        object_index=kept.object_index,
        identity=kept.identity,
        object_names=strokes.object_names,
    )
    # A dot has no length to cut: it stands at the start of its own share.
    dots = part.counts == 1
    before = np.concatenate([[0.0], np.cumsum(part.lengths)])
    place = np.zeros(len(part)) if effect.together else before[:-1] / max(before[-1], 1e-300)
    shown = dots & (place >= first) & (place <= last)
    return Strokes.concatenate([others, cut, part.take(shown)])


def _turns(identity: NDArray[np.int64], seed: int | None) -> NDArray[np.uint64]:
    """Return numbers whose order is that of the strokes.

    Shuffled by the finaliser of the generator SplitMix64 (Steele, Lea and Flood, "Fast splittable
    pseudorandom number generators", OOPSLA 2014), so a stroke keeps its turn while others come
    and go.
    """
    turns = identity.astype(np.uint64)
    if seed is None:
        return turns
    turns = turns + np.uint64((seed + 1) * 0x9E3779B97F4A7C15 % 2**64)
    turns = (turns ^ (turns >> np.uint64(30))) * np.uint64(0xBF58476D1CE4E5B9)
    turns = (turns ^ (turns >> np.uint64(27))) * np.uint64(0x94D049BB133111EB)
    return np.asarray(turns ^ (turns >> np.uint64(31)))
