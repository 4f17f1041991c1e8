# SPDX-License-Identifier: GPL-3.0-or-later
"""Who does the work: this process, or several that are started for it.

A worker is a fresh process (Blender cannot be forked) that opens the same file and talks in
JSON lines: one task in; frames as they finish, and a verdict, out. Results travel through
the cache. When a worker dies its task goes back to the queue and another one is started.
"""

from __future__ import annotations

import hashlib
import heapq
import json
import os
import queue
import subprocess
import threading
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import suppress
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import Any, Protocol, TextIO

from .. import errors
from ..errors import BeamwrightError, HostError, SceneError
from .cache import Cache
from .work import (
    FilmSource,
    MissingEntry,
    PlanBlock,
    SeeFrames,
    Task,
    do,
    nothing_missing,
    task_from_json,
    task_to_json,
)

__all__ = [
    "AutomaticRunner",
    "Graph",
    "ProcessRunner",
    "Runner",
    "SerialRunner",
    "WorkerCommand",
    "WorkerRequest",
    "digest_of_file",
    "processors",
    "serve",
]

ATTEMPTS = 3
"""How often a task is given to a worker that dies before the render is given up."""


class Graph:
    """Tasks and what they wait for; always hands out the earliest one that is ready.

    Parameters
    ----------
    tasks
        In the order of the show.
    """

    def __init__(self, tasks: Sequence[Task]) -> None:
        self._tasks: dict[int, Task] = {}
        self._ready: list[tuple[int, int]] = []
        self._waiting: dict[int, set[str]] = {}
        self._waiters: dict[str, list[int]] = {}
        self._makers: dict[str, SeeFrames] = {}
        self._pending: set[str] = set()
        self._again: dict[int, int] = {}
        self.total = 0
        self.done = 0
        self._added = 0
        for task in tasks:
            if isinstance(task, SeeFrames):
                self._makers.update(dict.fromkeys(task.keys, task))
                self._pending.update(task.keys)
        for task in tasks:
            self._add(task)

    def _add(self, task: Task) -> None:
        # Never one again that a finished task had: others may still wait under it.
        number = self._added
        self._added += 1
        self._tasks[number] = task
        self.total += frames_of(task)
        needs = set(task.needs()) & self._pending if isinstance(task, PlanBlock) else set()
        self._wait(number, needs)

    def _wait(self, number: int, needs: set[str]) -> None:
        if needs:
            self._waiting[number] = needs
            for key in needs:
                self._waiters.setdefault(key, []).append(number)
        else:
            # A block that is ready goes first: its strokes are still in memory.
            kind = 0 if isinstance(self._tasks[number], PlanBlock) else 1
            heapq.heappush(self._ready, (kind, number))

    def take(self) -> tuple[int, Task] | None:
        """Return a task that can be done now, or None."""
        if not self._ready:
            return None
        _, number = heapq.heappop(self._ready)
        return number, self._tasks[number]

    @property
    def ready_count(self) -> int:
        """How many tasks can be done now."""
        return len(self._ready)

    def finish(self, number: int) -> None:
        """Note that a task is done; others may become ready."""
        task = self._tasks.pop(number)
        if isinstance(task, SeeFrames):
            for key in task.keys:
                self._pending.discard(key)
                for waiter in self._waiters.pop(key, ()):
                    needs = self._waiting[waiter]
                    needs.discard(key)
                    if not needs:
                        del self._waiting[waiter]
                        self._wait(waiter, set())

    def give_back(self, number: int, said: str = "") -> None:
        """Put a task that was not done back.

        Parameters
        ----------
        number
        said
            Last words of the worker.

        Raises
        ------
        HostError
            After several attempts.
        """
        self._again[number] = self._again.get(number, 0) + 1
        task = self._tasks[number]
        if self._again[number] >= ATTEMPTS:
            raise HostError(
                f"{ATTEMPTS} workers died one after the other on {describe(task)}. It may take too "
                "much memory: use fewer jobs. What was finished is kept."
                + (f" The last one said: {said}" if said else "")
            )
        self._wait(number, set())

    def miss(self, number: int, error: MissingEntry, makers: Mapping[str, SeeFrames]) -> None:
        """Make what a block misses anew, then do the block.

        Parameters
        ----------
        number
            The block.
        error
            Says what is missing.
        makers
            Tasks for single keys.

        Raises
        ------
        OutputError
            Where entries keep vanishing.
        """
        self._again[number] = self._again.get(number, 0) + 1
        if self._again[number] >= ATTEMPTS:
            raise nothing_missing(error)
        fresh = [makers[key] for key in error.keys if key not in self._pending]
        self._pending.update(error.keys)
        self._wait(number, set(error.keys))
        for task in fresh:
            self._add(task)

    def __bool__(self) -> bool:
        return bool(self._tasks)


def frames_of(task: Task) -> int:
    """How many frames a task counts for in the progress."""
    if isinstance(task, SeeFrames):
        return len(task.frames)
    return len(task.frames) - task.warm


def describe(task: Task) -> str:
    """Name a task in a message."""
    if isinstance(task, SeeFrames):
        return f"frames {min(task.frames)}-{max(task.frames)} of scene “{task.scene}”"
    return f"{frames_of(task)} frames of {', '.join(task.projectors)}"


Makers = Mapping[str, SeeFrames]


class Runner(Protocol):
    """Does all tasks of a graph."""

    def run(self, graph: Graph, cache: Cache, makers: Makers) -> Iterator[int]:
        """Do them; yields how many frames were finished each time.

        Closing the iterator ends all work; what was finished stays in the cache.
        """
        ...


@dataclass(frozen=True, eq=False)
class SerialRunner:
    """Does everything in this process."""

    source: FilmSource

    def run(self, graph: Graph, cache: Cache, makers: Makers) -> Iterator[int]:
        """See `Runner`."""
        while graph:
            found = graph.take()
            assert found is not None, "with nobody else at work something is ready"
            number, task = found
            try:
                yield from do(task, self.source, cache)
            except MissingEntry as error:
                graph.miss(number, error, makers)
            else:
                graph.finish(number)


WORTH_PROCESSES = 600
"""Frames of work from which on starting other processes pays."""


@dataclass(frozen=True, eq=False)
class AutomaticRunner:
    """Does little work in this process and much in several; the results are the same.

    Attributes
    ----------
    source
    processes
        Makes the runner for much work; None where there can be no other processes.
    """

    source: FilmSource
    processes: Callable[[], Runner] | None

    def run(self, graph: Graph, cache: Cache, makers: Makers) -> Iterator[int]:
        """See `Runner`."""
        runner: Runner = SerialRunner(self.source)
        if self.processes is not None and graph.total >= WORTH_PROCESSES:
            runner = self.processes()
        yield from runner.run(graph, cache, makers)


def processors() -> int:
    """Return how many processors this process may use."""
    affinity = getattr(os, "sched_getaffinity", None)
    return len(affinity(0)) if affinity else os.cpu_count() or 1


@dataclass(frozen=True, slots=True)
class WorkerRequest:
    """What a worker has to open.

    Attributes
    ----------
    file
        Path of the .blend file.
    digest
        Of its content, so that no two versions of a file mix in one render.
    scene, camera
        As for the render.
    cache
        Folder.
    unsure
        The file may differ from what the one who asks has open: its scenes are compared.
    """

    file: str
    digest: str
    scene: str | None
    camera: str | None
    cache: str
    unsure: bool = False

    def to_json(self) -> str:
        """Return the request as text."""
        return json.dumps(asdict(self))

    @classmethod
    def from_json(cls, text: str) -> WorkerRequest:
        """Turn it back."""
        return cls(**json.loads(text))

    def check_file(self) -> None:
        """Refuse a file that was saved again since the render began.

        Raises
        ------
        SceneError
            Where it differs.
        """
        if digest_of_file(self.file) != self.digest:
            raise SceneError(
                f"“{self.file}” was changed while it was being rendered. What was finished is "
                "kept: give the same command again."
            )


def digest_of_file(path: Path | str) -> str:
    """Return a hash of a file's content; empty where it can't be read."""
    try:
        with open(path, "rb") as stream:
            return hashlib.file_digest(stream, "blake2b").hexdigest()[:40]
    except OSError:
        return ""


@dataclass(frozen=True, slots=True)
class WorkerCommand:
    """How to start a worker.

    Attributes
    ----------
    arguments
        Program and arguments; the worker calls `serve`.
    environment
        Set in addition to this process's.
    """

    arguments: tuple[str, ...]
    environment: Mapping[str, str] = field(default_factory=dict)


_ONE_THREAD = dict.fromkeys(
    ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS", "VECLIB_MAXIMUM_THREADS"), "1"
)
"""For the environment of workers: there is one for each processor already."""


class Worker:
    """A worker process and the thread that listens to it.

    Parameters
    ----------
    command
    number
        Its name in `inbox`.
    inbox
        Gets (number, message) for each of its messages, and (number, None) at its end.
    """

    def __init__(
        self,
        command: WorkerCommand,
        number: int,
        inbox: queue.Queue[tuple[int, dict[str, Any] | None]],
    ) -> None:
        self.number = number
        self.task: int | None = None
        self.last_words: list[str] = []
        self.process = subprocess.Popen(
            command.arguments,
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            env={**os.environ, **_ONE_THREAD, **command.environment},
            # Ctrl-C is for the one who started us; we end the workers ourselves.
            start_new_session=os.name != "nt",
        )
        assert self.process.stdin is not None, "it is a pipe"
        self._stdin = self.process.stdin
        threading.Thread(target=self._listen, args=(inbox,), daemon=True).start()
        threading.Thread(target=self._overhear, daemon=True).start()

    def _listen(self, inbox: queue.Queue[tuple[int, dict[str, Any] | None]]) -> None:
        assert self.process.stdout is not None
        for line in self.process.stdout:
            with suppress(ValueError):
                message = json.loads(line)
                if isinstance(message, dict):
                    inbox.put((self.number, message))
        inbox.put((self.number, None))

    def _overhear(self) -> None:
        """Keep the last lines of what it says in passing, in case it dies."""
        assert self.process.stderr is not None
        for line in self.process.stderr:
            self.last_words.append(line.decode("utf-8", "replace").rstrip())
            del self.last_words[:-12]

    @property
    def said(self) -> str:
        """The last of what it said in passing."""
        return " ".join(self.last_words[-3:]).strip()

    def give(self, number: int, task: Task) -> bool:
        """Hand over a task; False where the worker is dead already."""
        self.task = number
        try:
            self._stdin.write(json.dumps(task_to_json(task)).encode() + b"\n")
            self._stdin.flush()
        except OSError:
            return False
        return True

    def stop(self) -> None:
        """End it at once; an unfinished entry never gets its name."""
        with suppress(OSError):
            self._stdin.close()
        self.process.kill()
        self.process.wait()


class ProcessRunner:
    """Shares tasks out to worker processes.

    Parameters
    ----------
    command
    count
        How many workers.
    """

    def __init__(self, command: WorkerCommand, count: int) -> None:
        self._command = command
        self._count = count
        self.process_ids: list[int] = []

    def run(self, graph: Graph, cache: Cache, makers: Makers) -> Iterator[int]:
        """See `Runner`."""
        inbox: queue.Queue[tuple[int, dict[str, Any] | None]] = queue.Queue()
        workers: dict[int, Worker] = {}
        born = died_idle = 0
        handed: dict[int, Task] = {}
        credit: dict[int, int] = {}  # frames of a task that the progress has been told of
        try:
            while graph:
                while len(workers) < self._count and len(workers) < len(handed) + graph.ready_count:
                    workers[born] = Worker(self._command, born, inbox)
                    self.process_ids.append(workers[born].process.pid)
                    born += 1
                for worker in workers.values():
                    if worker.task is None and (found := graph.take()) is not None:
                        handed[found[0]] = found[1]
                        # Where it is dead, its end comes through the inbox.
                        worker.give(*found)
                number, message = inbox.get()
                worker = workers[number]
                task = worker.task
                if message is None:
                    del workers[number]
                    worker.stop()
                    if task is None:
                        died_idle += 1
                        if died_idle >= ATTEMPTS:
                            raise _did_not_start(worker)
                    else:
                        del handed[task]
                        graph.give_back(task, worker.said)
                        yield -credit.pop(task, 0)
                elif "frames" in message and task is not None:
                    credit[task] = credit.get(task, 0) + message["frames"]
                    yield message["frames"]
                elif "error" in message:
                    raise error_from(message)
                elif task is not None:
                    done = handed.pop(task)
                    worker.task = None
                    if "missing" in message:
                        yield -credit.pop(task, 0)
                        graph.miss(task, MissingEntry(message["missing"]), makers)
                        continue
                    credit.pop(task, None)
                    for key in done.keys if isinstance(done, SeeFrames) else (done.key,):
                        cache.accept(key)
                    graph.finish(task)
        finally:
            for worker in workers.values():
                worker.stop()


def _did_not_start(worker: Worker) -> HostError:
    said = f": {worker.said}" if worker.said else "."
    return HostError(f"The worker processes end before they take up any work{said}")


def error_from(message: Mapping[str, Any]) -> BeamwrightError:
    kind = getattr(errors, str(message["error"]), HostError)
    error: BeamwrightError = kind(message.get("message", ""))
    return error


def serve(
    source: FilmSource,
    cache: Cache,
    requests: TextIO,
    answers: TextIO,
    check: Callable[[Task], None] | None = None,
) -> None:
    """Do tasks as a worker until the requests end.

    Parameters
    ----------
    source, cache
    requests, answers
        JSON lines: a task in, ``{"frames": n}`` as they finish, then ``{"done": true}``,
        ``{"missing": [...]}``, or ``{"error": kind, "message": text}`` out.
    check
        Refuses tasks that do not fit the source.
    """

    def say(message: Mapping[str, Any]) -> None:
        answers.write(json.dumps(message) + "\n")
        answers.flush()

    for line in requests:
        task = task_from_json(json.loads(line))
        try:
            if check is not None:
                check(task)
            for frames in do(task, source, cache):
                say({"frames": frames})
        except MissingEntry as error:
            say({"missing": error.keys})
        except BeamwrightError as error:
            kind = next(k.__name__ for k in type(error).__mro__ if hasattr(errors, k.__name__))
            say({"error": kind, "message": str(error)})
        else:
            say({"done": True})
