# SPDX-License-Identifier: GPL-3.0-or-later
"""Work on several frames at once inside one process, with the results of one after another.

The caller's own thread makes the items (Blender evaluates frames on no other); worker threads
take each through the stages while the next item is being made. A stage that keeps something
from frame to frame runs in the order of the items, so nothing depends on who was faster.
"""

from __future__ import annotations

import sys
import threading
import time
from collections import deque
from collections.abc import Callable, Generator, Iterable, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass
from typing import Any, TypeVar

__all__ = ["WAITING", "Stage", "through"]

Item = TypeVar("Item")

WAITING = 2
"""Items beyond the number of threads that may be under way or waiting to be fetched."""
WORTH_S = 1e-3
"""Items that take less than this are done on the caller's thread: handing over costs as much."""


@dataclass(frozen=True, slots=True)
class Stage:
    """One step of the work.

    Attributes
    ----------
    run
        Given what the stage before returned, or the item.
    in_order
        Item after item, each after the one before it has left the stage.
    """

    run: Callable[[Any], Any]
    in_order: bool = False


class _Turns:
    """Lets items into a stage in their order."""

    def __init__(self) -> None:
        self._next = 0
        self._changed = threading.Condition()

    def wait_for(self, number: int) -> None:
        with self._changed:
            self._changed.wait_for(lambda: self._next == number)

    def leave(self, number: int) -> None:
        with self._changed:
            self._changed.wait_for(lambda: self._next == number)
            self._next = number + 1
            self._changed.notify_all()


class _Halt:
    """The last item that is still wanted."""

    def __init__(self) -> None:
        self._last = sys.maxsize
        self._lock = threading.Lock()

    def after(self, number: int) -> None:
        with self._lock:
            self._last = min(self._last, number)

    def holds(self, number: int) -> bool:
        return number > self._last


def through(
    items: Iterable[Item], stages: Sequence[Stage], threads: int
) -> Generator[Any, None, None]:
    """Take items through stages, several at a time.

    Parameters
    ----------
    items
        Fetched on the caller's thread, one whenever there is room.
    stages
        Run one after another for each item.
    threads
        Number of workers, put to use once two items running took `WORTH_S`; 0 runs everything
        on the caller's thread.

    Yields
    ------
    object
        What the last stage returned, in the order of the items: the same as without threads.

    Raises
    ------
    BaseException
        Whatever making an item or a stage raises, after the results of the items before it;
        no stage that is in order runs for a later item. Closing the generator waits for what
        is being worked on and drops the rest.
    """
    source = iter(items)
    slow = 0
    while slow < 2:
        try:
            item = next(source)
        except StopIteration:
            return
        start = time.perf_counter()
        result = _run(item, stages)
        if threads > 0:
            slow = slow + 1 if time.perf_counter() - start >= WORTH_S else 0
        yield result
    turns = [_Turns() if stage.in_order else None for stage in stages]
    halt = _Halt()
    pending: deque[Future[Any]] = deque()
    failure: BaseException | None = None
    count, more = 0, True
    with ThreadPoolExecutor(threads, "beamwright-frame") as pool:
        try:
            while more or pending:
                while more and len(pending) < threads + WAITING:
                    if pending and pending[0].done():
                        break  # hand on what is ready before the next item is made
                    try:
                        item = next(source)
                    except StopIteration:
                        more = False
                    except Exception as error:  # raised below, in its turn
                        failure, more = error, False
                    else:
                        pending.append(pool.submit(_work, item, count, stages, turns, halt))
                        count += 1
                if pending:
                    yield pending.popleft().result()
            if failure is not None:
                raise failure
        finally:
            halt.after(-1)
            for future in pending:
                future.cancel()


def _run(item: Any, stages: Sequence[Stage]) -> Any:
    for stage in stages:
        item = stage.run(item)
    return item


def _work(
    item: Any,
    number: int,
    stages: Sequence[Stage],
    turns: Sequence[_Turns | None],
    halt: _Halt,
) -> Any:
    # Workers take items in their order, so whoever waits for a turn waits for one that runs.
    left = 0
    try:
        for stage, turn in zip(stages, turns, strict=True):
            if turn is not None:
                turn.wait_for(number)
            if halt.holds(number):
                return None
            item = stage.run(item)
            left += 1
            if turn is not None:
                turn.leave(number)
        return item
    except BaseException:
        halt.after(number)
        raise
    finally:
        # The others must not wait for a turn that never comes.
        for turn in turns[left:]:
            if turn is not None:
                turn.leave(number)
