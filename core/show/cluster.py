# SPDX-License-Identifier: GPL-3.0-or-later
"""The same work on a cluster of machines, through Dask's distributed scheduler.

Each Dask worker keeps one worker process of ours, as `jobs` starts them, so Blender stays
out of Dask's own process and a crash costs one task. A task travels with the entries it
needs and its results come back, so the machines need not share a cache folder. The .blend
is read from its path where that shows the same file, and shipped otherwise.
"""

from __future__ import annotations

import atexit
import importlib
import json
import queue
import tempfile
import threading
from collections.abc import Iterator, Mapping
from contextlib import suppress
from dataclasses import asdict, replace
from pathlib import Path
from typing import Any

from ..errors import BeamwrightError, HostError, SceneError
from .cache import Cache
from .jobs import (
    Graph,
    Makers,
    Worker,
    WorkerCommand,
    WorkerRequest,
    digest_of_file,
    error_from,
    frames_of,
)
from .work import MissingEntry, PlanBlock, SeeFrames, Task, task_from_json, task_to_json

__all__ = ["ClusterRunner", "run_remotely"]

TIMEOUT_S = 20.0
"""How long a scheduler may take to answer at first."""

AHEAD = 3
"""Tasks given to the cluster for each of its threads, so that none waits for us."""


class _Mate:
    """This Dask worker's own process and cache folder, for one request."""

    def __init__(self, command: WorkerCommand, request: WorkerRequest, blend: bytes | None) -> None:
        self._folder = tempfile.TemporaryDirectory(prefix="beamwright-")
        folder = Path(self._folder.name)
        file = request.file
        if digest_of_file(file) != request.digest:
            if blend is None:
                raise SceneError(
                    f"A worker of the cluster can't see “{file}” as it is here. Put it, with all "
                    "it links to, into a folder that all machines share."
                )
            file = str(folder / Path(file).name)
            Path(file).write_bytes(blend)
        self.cache = Cache(folder / "cache")
        own = replace(request, file=file, cache=str(self.cache.folder))
        old = request.to_json()
        arguments = tuple(own.to_json() if item == old else item for item in command.arguments)
        self._command = replace(command, arguments=arguments)
        self._inbox: queue.Queue[tuple[int, dict[str, Any] | None]] = queue.Queue()
        self._worker: Worker | None = None
        self.lock = threading.Lock()

    def do(self, task: Task) -> dict[str, Any]:
        """Do a task; returns the process's verdict."""
        if self._worker is None:
            self._inbox = queue.Queue()
            self._worker = Worker(self._command, 0, self._inbox)
        self._worker.give(0, task)
        while True:
            _, message = self._inbox.get()
            if message is None:
                said = self._worker.said
                self._worker.stop()
                self._worker = None
                return {"died": said}
            if "frames" not in message:
                return message

    def close(self) -> None:
        """End the process and remove the folder."""
        if self._worker is not None:
            self._worker.stop()
            self._worker = None
        with suppress(OSError):
            self._folder.cleanup()


_MATES: dict[str, _Mate] = {}
_MATES_LOCK = threading.Lock()


def _mate(command: WorkerCommand, request: WorkerRequest, blend: bytes | None) -> _Mate:
    key = request.to_json()
    with _MATES_LOCK:
        mate = _MATES.get(key)
        if mate is None:
            # Another file, or another version of it: the old process is of no use any more.
            for other in _MATES.values():
                other.close()
            _MATES.clear()
            mate = _MATES[key] = _Mate(command, request, blend)
            atexit.register(mate.close)
        return mate


def run_remotely(
    command: Mapping[str, Any],
    request_json: str,
    task_json: str,
    entries: Mapping[str, bytes],
    blend: bytes | None,
) -> tuple[dict[str, Any], dict[str, bytes]]:
    """Do a task on a worker of the cluster; returns the verdict and the new entries.

    Called by Dask. Arguments and results are plain, so nothing of ours is unpickled.
    """
    task = task_from_json(json.loads(task_json))
    started = WorkerCommand(tuple(command["arguments"]), dict(command["environment"]))
    mate = _mate(started, WorkerRequest.from_json(request_json), blend)
    with mate.lock:
        for key, content in entries.items():
            mate.cache.write(key, content)
        verdict = mate.do(task)
        found: dict[str, bytes] = {}
        if "done" in verdict:
            for key in task.keys if isinstance(task, SeeFrames) else (task.key,):
                stored = mate.cache.read_bytes(key)
                if stored is not None:
                    found[key] = stored
        mate.cache.prune()
        return verdict, found


class ClusterRunner:
    """Gives tasks to a Dask cluster; see `jobs.Runner`. A context manager.

    Parameters
    ----------
    address
        Of the scheduler, such as ``tcp://stage:8786``.
    request
        What workers open.
    command
        How a worker is started, on every machine.

    Raises
    ------
    HostError
        Where Dask is not installed, or nobody answers at the address.
    """

    def __init__(self, address: str, request: WorkerRequest, command: WorkerCommand) -> None:
        self._request = request
        self._command = command
        try:
            self._dask: Any = importlib.import_module("distributed")
        except ImportError as error:
            raise HostError(
                "Clusters need the Python package distributed: install "
                '`pip install "beamwright[cluster]"`, or use --jobs.'
            ) from error
        try:
            self._client: Any = self._dask.Client(
                address, timeout=TIMEOUT_S, set_as_default=False, name="beamwright"
            )
        except (OSError, ValueError, TimeoutError) as error:
            raise HostError(
                f"No scheduler answers at {address}: {str(error).splitlines()[0]}. Start one with "
                "`dask scheduler`, or use --jobs. What was finished earlier is kept."
            ) from error

    def __enter__(self) -> ClusterRunner:
        return self

    def __exit__(self, *_: object) -> None:
        with suppress(Exception):
            # Nothing that goes wrong with saying goodbye matters any more.
            self._client.close(timeout=5.0)

    def run(self, graph: Graph, cache: Cache, makers: Makers) -> Iterator[int]:
        """See `jobs.Runner`."""
        dask, client = self._dask, self._client
        # A task and no scattered value: what a lost worker held is then made again by another.
        blend = client.submit(bytes, Path(self._request.file).read_bytes(), pure=False)
        command = asdict(self._command)
        finished = dask.as_completed(loop=client.loop, with_results=False)
        running: dict[str, tuple[int, Task, Any]] = {}
        try:
            while graph:
                threads = sum(client.nthreads().values())
                while len(running) < max(AHEAD * threads, 1) and (found := graph.take()):
                    number, task = found
                    try:
                        needed = self._entries(task, cache)
                    except MissingEntry as error:
                        graph.miss(number, error, makers)
                        continue
                    future = client.submit(
                        run_remotely,
                        command,
                        self._request.to_json(),
                        json.dumps(task_to_json(task)),
                        needed,
                        blend,
                        pure=False,
                        retries=2,
                    )
                    running[future.key] = number, task, future
                    finished.add(future)
                future = next(finished)
                number, task, _ = running.pop(future.key)
                try:
                    verdict, entries = future.result()
                except dask.client.FutureCancelledError as error:
                    raise _lost(error) from error
                except dask.scheduler.KilledWorker:
                    graph.give_back(number)
                    continue
                if "error" in verdict:
                    raise error_from(verdict)
                if "missing" in verdict:
                    graph.miss(number, MissingEntry(verdict["missing"]), makers)
                    continue
                if "died" in verdict:
                    graph.give_back(number, verdict["died"])
                    continue
                for key, content in entries.items():
                    cache.write(key, content)
                graph.finish(number)
                yield frames_of(task)
        except BeamwrightError:
            raise
        except (OSError, TimeoutError) as error:
            raise _lost(error) from error
        finally:
            with suppress(Exception):
                # The connection may be what failed.
                client.cancel([entry[2] for entry in running.values()], force=True)

    @staticmethod
    def _entries(task: Task, cache: Cache) -> dict[str, bytes]:
        """The entries that a task needs, as they are stored."""
        if not isinstance(task, PlanBlock):
            return {}
        found = {key: cache.read_bytes(key) for key in task.needs()}
        missing = [key for key, content in found.items() if content is None]
        if missing:
            raise MissingEntry(missing)
        return {key: content for key, content in found.items() if content is not None}


def _lost(error: BaseException) -> HostError:
    text = str(error).strip().splitlines()
    return HostError(
        f"The cluster was lost{': ' + text[0] if text else ''}. What was finished is kept: give "
        "the same command again."
    )
