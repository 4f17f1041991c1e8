# SPDX-License-Identifier: GPL-3.0-or-later
"""Chaining of pieces by straightest pairing: reference implementation in numpy."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from .records import Chains

__all__ = ["LARGEST_DEGREE", "LEAST_COSINE", "chain"]

LARGEST_DEGREE = 256
"""Nodes with more ends than this (of one group) join nothing."""
LEAST_COSINE = 0.5
"""Of the deviation from straight ahead, where more than two ends meet: 60 degrees."""


def chain(
    nodes: NDArray[np.int64],
    node_count: int,
    group: NDArray[np.int32],
    xy: NDArray[np.float64],
    least_cosine: float = LEAST_COSINE,
) -> Chains:
    """Join pieces at common nodes, straightest pairs first.

    Parameters
    ----------
    nodes : (n, 2) int64
        Node of each piece's start and end, below `node_count`; -1 is a free end.
    node_count
        Number of nodes; no more than the caller's vertices, so a table of that length is fine.
    group : (n,) int32
        Only pieces of one group (object and colour) are joined. Not negative.
    xy : (n, 4) float64
        x0, y0, x1, y1 in the image.
    least_cosine
        Where more than two ends of one group meet, a pair is joined only if the cosine of its
        deviation from straight ahead is at least this (0.5: 60 degrees).

    Returns
    -------
    Chains
        Ordered by the smallest piece in each. An open chain starts from the smaller of its two
        end half-edges; a closed one from its smallest piece, walked forwards.

    Notes
    -----
    Rules, in full, so that every implementation gives the same bits:

    1. The direction of half-edge ``2p + e`` leaves the node: ``(x1 - x0, y1 - y0)`` for
       ``e = 0`` and its negative for ``e = 1``, divided by ``sqrt(dx * dx + dy * dy)``
       (left at zero where that is zero).
    2. Half-edges are collected by (node, group). Two: they are mates whatever the angle.
       Three to `LARGEST_DEGREE`: all pairs ``a < b`` have the cosine
       ``c = -(ux_a * ux_b + uy_a * uy_b)``; in the order of falling ``c``, then rising ``a``,
       then rising ``b``, a pair whose half-edges are both free is joined while
       ``c >= least_cosine``. One, or more than `LARGEST_DEGREE`: free.
    3. Walk: leave by ``h``, arrive at ``h ^ 1``, go on with the mate of ``h ^ 1``.

    The walk is list ranking by pointer jumping (J. JáJá, An Introduction to Parallel
    Algorithms, 1992, section 3.1, cited from memory): O(n log n) without a Python loop over
    pieces.
    """
    count = len(nodes)
    if count == 0:
        return Chains(np.empty(0, np.int64), np.zeros(1, np.int64), np.empty(0, np.uint8))
    mate = _mates(nodes, node_count, group, xy, least_cosine)
    half = np.arange(2 * count)

    # The half-edge walked before h is the one that arrives at h's mate.
    previous = np.where(mate >= 0, mate ^ 1, half)
    jump = previous.copy()
    least = np.minimum(half, jump)
    reach, pending = 1, -1
    while True:
        on_ring = int(np.count_nonzero(np.take(mate, jump) >= 0))
        # Open chains get shorter with every turn, so what stays the same is rings.
        if on_ring == pending and reach >= on_ring:
            break
        pending = on_ring
        least = np.minimum(least, np.take(least, jump))
        jump = np.take(jump, jump)
        reach *= 2

    # Cut every ring before its smallest half-edge, then rank.
    ring = np.take(mate, jump) >= 0
    cut = np.flatnonzero(ring & (least == half))
    jump = previous
    jump[cut] = cut
    rank = (jump != half).astype(np.int64)
    while True:
        further = np.take(jump, jump)
        if np.array_equal(further, jump):
            break
        rank += np.take(rank, jump)
        jump = further

    # Each chain is walked both ways; keep one.
    first = jump
    length = np.zeros(2 * count, np.int64)
    np.maximum.at(length, first, rank)
    other_first = np.zeros(2 * count, np.int64)
    last = rank == np.take(length, first)
    other_first[first[last]] = half[last] ^ 1
    keep = np.where(ring, (first & 1) == 0, first < np.take(other_first, first))
    kept = half[keep]
    first = first[keep]
    smallest = np.full(2 * count, count, np.int64)
    np.minimum.at(smallest, first, kept >> 1)
    order = np.argsort(np.take(smallest, first) * count + rank[keep], kind="stable")
    ordered_first = first[order]
    starts = np.flatnonzero(np.diff(ordered_first, prepend=-1))
    return Chains(
        half_edges=kept[order],
        offsets=np.append(starts, count).astype(np.int64),
        closed=np.take(ring, ordered_first[starts]).astype(np.uint8),
    )


def _mates(
    nodes: NDArray[np.int64],
    node_count: int,
    group: NDArray[np.int32],
    xy: NDArray[np.float64],
    least_cosine: float,
) -> NDArray[np.int64]:
    """Return the half-edge joined to each half-edge, (2n,), -1 where free."""
    mate = np.full(2 * len(nodes), -1, np.int64)
    node = nodes.reshape(-1)
    bound = np.flatnonzero(node >= 0)
    if len(bound) == 0:
        return mate
    key = np.repeat(group.astype(np.int64), 2)[bound] * node_count + node[bound]
    order = np.argsort(key, kind="stable")
    bound = bound[order]
    key = key[order]
    start = np.flatnonzero(np.concatenate([[True], key[1:] != key[:-1]]))
    degree = np.diff(np.append(start, len(key)))

    pair = start[degree == 2]
    mate[bound[pair]] = bound[pair + 1]
    mate[bound[pair + 1]] = bound[pair]

    crowded = (degree > 2) & (degree <= LARGEST_DEGREE)
    if not np.any(crowded):
        return mate
    first, second = _all_pairs(start[crowded], degree[crowded])
    first, second = bound[first], bound[second]
    direction = xy[:, 2:] - xy[:, :2]
    length = np.sqrt(direction[:, 0] * direction[:, 0] + direction[:, 1] * direction[:, 1])
    direction /= np.where(length > 0.0, length, 1.0)[:, None]
    sign = np.where((first ^ second) & 1, 1.0, -1.0)  # opposite ends leave opposite ways
    u, v = direction[first >> 1], direction[second >> 1]
    cosine = sign * (u[:, 0] * v[:, 0] + u[:, 1] * v[:, 1])
    straight = cosine >= least_cosine
    first, second, cosine = first[straight], second[straight], cosine[straight]
    order = np.lexsort((second, first, -cosine))
    first, second = first[order], second[order]
    # Greedy in this order = repeatedly take every pair that is the best left for both ends.
    best = np.empty(2 * len(nodes), np.int64)
    while len(first):
        place = np.arange(len(first))
        best.fill(len(first))
        np.minimum.at(best, first, place)
        np.minimum.at(best, second, place)
        chosen = (best[first] == place) & (best[second] == place)
        mate[first[chosen]] = second[chosen]
        mate[second[chosen]] = first[chosen]
        left = (mate[first] < 0) & (mate[second] < 0)
        first, second = first[left], second[left]
    return mate


def _all_pairs(
    start: NDArray[np.int64], degree: NDArray[np.int64]
) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Return positions of all pairs a < b within runs, two (m,) arrays."""
    total = degree * degree
    run = np.repeat(np.arange(len(start)), total)
    local = np.arange(len(run)) - np.repeat(np.cumsum(total) - total, total)
    a, b = np.divmod(local, degree[run])
    half = a < b
    return start[run[half]] + a[half], start[run[half]] + b[half]
