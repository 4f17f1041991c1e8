# SPDX-License-Identifier: GPL-3.0-or-later
"""One thread that works on one thing at a time, for a caller that never waits."""

from __future__ import annotations

import queue
import sys
import threading
from collections.abc import Callable
from typing import Any

__all__ = ["Worker"]

SWITCH_INTERVAL_S = 0.0005
"""While the worker runs Python code, the main thread gets its turn after this long.

Blender asks for the interpreter once for every panel and draw handler; at Python's usual
5 ms each of them would wait that long.
"""


class Worker:
    """Runs functions that touch no Blender data. Not for use by several callers."""

    def __init__(self) -> None:
        self._jobs: queue.SimpleQueue[Callable[[], Any] | None] = queue.SimpleQueue()
        self._results: queue.SimpleQueue[tuple[Any, Exception | None]] = queue.SimpleQueue()
        self._thread: threading.Thread | None = None
        self._open = 0

    @property
    def busy(self) -> bool:
        """Whether a job is running or its result was not taken yet."""
        return self._open > 0

    @property
    def alive(self) -> bool:
        """Whether the thread runs."""
        return self._thread is not None and self._thread.is_alive()

    def submit(self, job: Callable[[], Any]) -> None:
        """Start a job; only while not `busy`."""
        if self._thread is None:
            self._thread = threading.Thread(target=self._run, name="preview", daemon=True)
            self._thread.start()
        self._open += 1
        self._jobs.put(job)

    def take(self, timeout_s: float = 0.0) -> tuple[Any, Exception | None] | None:
        """Return the finished job's value and error, or None while there is none."""
        if not self._open:
            return None
        try:
            result = self._results.get(timeout=timeout_s) if timeout_s else self._results.get(False)
        except queue.Empty:
            return None
        self._open -= 1
        return result

    def stop(self, timeout_s: float = 5.0) -> None:
        """End the thread after the job it is at; results not taken are dropped."""
        if self._thread is None:
            return
        self._jobs.put(None)
        self._thread.join(timeout_s)
        self._thread = None
        self._jobs, self._results = queue.SimpleQueue(), queue.SimpleQueue()
        self._open = 0

    def _run(self) -> None:
        jobs, results = self._jobs, self._results
        while True:
            job = jobs.get()
            if job is None:
                return
            usual = sys.getswitchinterval()
            sys.setswitchinterval(min(usual, SWITCH_INTERVAL_S))
            try:
                results.put((job(), None))
            except Exception as error:
                results.put((None, error))
            finally:
                sys.setswitchinterval(usual)
