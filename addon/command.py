# SPDX-License-Identifier: GPL-3.0-or-later
"""The command line with Blender behind it: the `beamwright` program, and Blender's ``--command``.

Importing this needs no Blender; only opening a scene does.
"""

from __future__ import annotations

import argparse
import ctypes
import os
import signal
import sys
from collections.abc import Iterator, Sequence
from contextlib import ExitStack, contextmanager, redirect_stdout, suppress
from pathlib import Path
from typing import Any

from ..core import cli
from ..core.errors import HostError, SceneError
from ..core.scene import SceneSource
from ..core.show.cache import Cache
from ..core.show.jobs import WorkerCommand, WorkerRequest, serve
from ..core.show.render import strokes_key
from ..core.show.work import FilmSource, SeeFrames, Task

__all__ = ["COMMAND", "BlenderHost", "blender_command", "command_line", "main", "work"]

COMMAND = "beamwright"
"""Name of the command inside Blender."""

WORKER = "worker"
"""First argument of a worker process."""

FILM = "film"
"""First argument of the process that makes a film."""

_HOW_TO_GET_BLENDER = (
    "This command needs Blender. Install it as a Python module with "
    '`pip install "beamwright[blender]"` (Python 3.11 or 3.13), or run the command inside '
    "Blender: `blender FILE.blend --command beamwright …`."
)


_NOT_SAVED = (
    "Several processes read the file from the disk, but the open file has changes that are not "
    "saved: save it, or use one job."
)


def _flush_blender() -> None:
    """Empty the C library's buffers, where Blender's own messages wait."""
    with suppress(OSError, AttributeError):
        ctypes.CDLL("ucrtbase" if os.name == "nt" else None).fflush(None)


@contextmanager
def _remarks_to_stderr() -> Iterator[None]:
    """Keep what Blender's own code prints out of standard output, which belongs to the answer.

    Blender writes to the file descriptor, so that is turned to standard error; our own
    `sys.stdout` goes to a copy of the old one meanwhile.
    """
    ours = sys.stdout
    try:
        ours.flush()
        answers = ours.fileno() == 1
        old = os.dup(1)
    except (OSError, ValueError):
        # Standard output is closed, or something in memory: nothing to keep apart.
        yield
        return
    with open(old, "w", encoding=ours.encoding, errors="replace") as copy:
        _flush_blender()
        os.dup2(2, 1)
        if answers:
            sys.stdout = copy
        try:
            yield
        finally:
            sys.stdout = ours
            _flush_blender()
            copy.flush()
            os.dup2(copy.fileno(), 1)


def command_line() -> list[str]:
    """Return what starts the program anew, up to its first argument."""
    import bpy

    if bpy.app.binary_path and not bpy.app.module:
        return [bpy.app.binary_path, "--command", COMMAND]
    code = f"import sys; from {__package__}.command import main; sys.exit(main(sys.argv[1:]))"
    return [sys.executable, "-c", code]


class BlenderHost:
    """Opens scenes through Blender.

    Parameters
    ----------
    inside
        Blender runs and Beamwright is enabled in it: a file may be open already.
    """

    def __init__(self, inside: bool) -> None:
        self._inside = inside
        self._stack = ExitStack()
        self._changed = False

    def __enter__(self) -> BlenderHost:
        return self

    def __exit__(self, *_: object) -> None:
        self._stack.close()

    def open(
        self, path: Path | None, scene_name: str | None, camera_name: str | None
    ) -> SceneSource:
        """Open a scene; see `core.cli.SceneHost`."""
        if path is None and not self._inside:
            raise SceneError("Name the scene's file: beamwright COMMAND SCENE.blend …")
        self._stack.enter_context(_remarks_to_stderr())
        if not self._inside:
            self._register()
        from .session import open_source

        # Operators report through Python's standard output, not the file descriptor.
        with redirect_stdout(sys.stderr):
            source = open_source(path, scene_name, camera_name)
        if path is None:
            # A file that was opened by Blender is not in the state of its renders yet.
            self._stack.enter_context(source.reading())
        return source

    def open_film(
        self, path: Path | None, scene_name: str | None, camera_name: str | None
    ) -> FilmSource:
        """Open a show or a scene; see `core.commands.FilmHost`."""
        if path is None and not self._inside:
            raise SceneError("Name the scene's file: beamwright COMMAND SCENE.blend …")
        self._stack.enter_context(_remarks_to_stderr())
        if not self._inside:
            self._register()
        import bpy

        from .show import open_film

        # Asked now: preparing the scenes to be read counts as a change.
        self._changed = bpy.data.is_dirty
        with redirect_stdout(sys.stderr):
            film = open_film(path, scene_name, camera_name)
        if path is None:
            self._stack.enter_context(film.reading())
        return film

    def open_file(self) -> Path:
        """See `core.commands.FilmHost`."""
        import bpy

        # Without a window every file counts as changed; the workers then compare the scenes.
        if not bpy.data.filepath or (self._changed and not bpy.app.background):
            raise SceneError(_NOT_SAVED)
        return Path(bpy.data.filepath)

    def worker(self, request: WorkerRequest) -> WorkerCommand:
        """See `core.commands.FilmHost`."""
        import bpy

        text = request.to_json()
        if bpy.app.binary_path and not bpy.app.module:
            blender = bpy.app.binary_path
            return WorkerCommand((blender, "--command", COMMAND, WORKER, text))
        code = f"import sys; from {__package__}.command import work; sys.exit(work(sys.argv[1]))"
        return WorkerCommand((sys.executable, "-c", code, text))

    def video_encoder(self, request_json: str) -> Sequence[str]:
        """See `core.commands.FilmHost`."""
        import bpy

        if bpy.app.binary_path and not bpy.app.module:
            return (bpy.app.binary_path, "--command", COMMAND, FILM, request_json)
        code = (
            f"import sys; from {__package__}.video_worker import make; sys.exit(make(sys.argv[1]))"
        )
        return (sys.executable, "-c", code, request_json)

    def import_artwork(self, options: argparse.Namespace) -> dict[str, Any]:
        """Bring drawings into a scene; see `core.commands.ArtworkHost`."""
        self._stack.enter_context(_remarks_to_stderr())
        if not self._inside:
            self._register()
        from .artwork_import import import_into_file

        with redirect_stdout(sys.stderr):
            return import_into_file(options)

    def _register(self) -> None:
        """Bring Blender up as a module and make our properties known to it."""
        try:
            import bpy  # noqa: F401 - asked for here, used by what is imported below
        except ImportError as error:
            raise HostError(_HOW_TO_GET_BLENDER) from error
        from . import properties, register_headless, unregister_headless

        if not properties.is_registered():
            register_headless()
            # Blender 4.5 as a module hangs at the end of the program while these are registered.
            self._stack.callback(unregister_headless)


def work(request_json: str, inside: bool = False) -> int:
    """Serve a render as one of its worker processes, until standard input ends.

    Parameters
    ----------
    request_json
        A `core.show.jobs.WorkerRequest`.
    inside
        Blender runs and Beamwright is enabled in it.
    """
    request = WorkerRequest.from_json(request_json)
    # Whoever started us ends us too, by closing the pipe or by force.
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    with BlenderHost(inside) as host:
        request.check_file()
        source = host.open_film(Path(request.file), request.scene, request.camera)
        # From here on standard output is ours alone: Blender's remarks go to standard error.
        with suppress(BrokenPipeError):
            check = _Comparison(source) if request.unsure else None
            serve(source, Cache(request.cache), sys.stdin, sys.stdout, check)
    return 0


class _Comparison:
    """Refuses scenes that are not as they are in the process that asks for them."""

    def __init__(self, source: FilmSource) -> None:
        self._source = source
        self._same: set[str] = set()

    def __call__(self, task: Task) -> None:
        if not isinstance(task, SeeFrames) or task.scene in self._same:
            return
        fingerprint = self._source.fingerprint(task.scene)
        if strokes_key(fingerprint, task.camera, task.frames[0]) != task.keys[0]:
            raise SceneError(_NOT_SAVED)
        self._same.add(task.scene)


def _interrupt(*_: object) -> None:
    raise KeyboardInterrupt


def main(argv: Sequence[str] | None = None) -> int:
    """Run the `beamwright` program and return its exit code."""
    # A render farm or a shutdown ends us this way: unfinished files go, as with Ctrl-C.
    signal.signal(signal.SIGTERM, _interrupt)
    with BlenderHost(inside=False) as host:
        return cli.main(argv, host, "beamwright")


def blender_command(arguments: Sequence[str]) -> int:
    """Run ``blender [FILE.blend] --command beamwright ARGUMENTS…`` and return its exit code."""
    if arguments[:1] == [WORKER]:
        return work(arguments[1], inside=True)
    if arguments[:1] == [FILM]:
        from .video_worker import make

        return make(arguments[1])
    signal.signal(signal.SIGTERM, _interrupt)
    with BlenderHost(inside=True) as host:
        return cli.main(arguments, host, "blender --command beamwright")
