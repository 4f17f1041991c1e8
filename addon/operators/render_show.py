# SPDX-License-Identifier: GPL-3.0-or-later
"""Rendering a show from the sequencer, by the same command as on a terminal."""

from __future__ import annotations

import json
import os
import queue
import subprocess
import tempfile
import threading
from collections.abc import Generator, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import bpy

from ...core.errors import BeamwrightError, HostError, SettingError
from ...core.show import jobs as core_jobs
from ..command import command_line
from ..extract.sequencer import is_show, problems
from ..jobs import Run, running
from ..properties import PROPERTY
from ..show_properties import SHOW_PROPERTY
from .export import output_folder
from .job import FrameJob, Step
from .show import show_of

WAIT_S = 0.05
"""How long one step waits for news of the render."""

_FILM = "proof.mp4"


class _OtherProcess:
    """The render reads a file of its own: nothing of the open one has to be put back."""

    @contextmanager
    def reading(self) -> Iterator[None]:
        yield


class BEAMWRIGHT_OT_show_render(FrameJob, bpy.types.Operator):
    """Render the show, one sequence for each projector, with report page and soundtrack"""

    bl_idname = "beamwright.show_render"
    bl_label = "Render Show"
    bl_options = {"REGISTER"}

    label = "Render"

    @classmethod
    def poll(cls, context: Any) -> bool:
        """Need a show that can be rendered."""
        show = show_of(context)
        if show is None or not is_show(show):
            cls.poll_message_set("This scene is no show: make one with New Show")
            return False
        if running():
            cls.poll_message_set(f"{running()} is still at work: wait for it, or press Esc")
            return False
        refused = [finding.message for finding in problems(show) if finding.refused]
        if refused:
            cls.poll_message_set(refused[0])
            return False
        return True

    def _begin(self, context: Any) -> Run:
        show = show_of(context)
        settings = getattr(show, SHOW_PROPERTY)
        if show.library is not None:
            raise SettingError(f"Show “{show.name}” is linked: render it from its own file.")
        options = [
            *("--scene", show.name, "--out", str(output_folder(show)), "--json"),
            *("--progress", "lines"),
            *(("--jobs", str(settings.jobs)) if settings.jobs else ()),
            *("--format", getattr(show, PROPERTY).file_format),
            *(("--video", _FILM) if settings.make_film else ()),
        ]
        self._run = run = Run(self.label, _OtherProcess(), self._rendered(options))
        return run

    def _rendered(self, options: Sequence[str]) -> Generator[Step, None, None]:
        self._written: list[Path] = []
        with tempfile.TemporaryDirectory(prefix="beamwright-show-") as folder:
            # A copy: changes that nobody saved yet belong to the show as well, and saving again
            # while the render goes on does it no harm.
            name = os.path.basename(bpy.data.filepath) or "untitled.blend"
            path = os.path.join(folder, name)
            bpy.ops.wm.save_as_mainfile(filepath=path, copy=True, check_existing=False)
            answer = yield from _told([*command_line(), "render", path, *options])
        self._written = [Path(name) for name in answer["files"]]

    def finish(self, context: Any) -> None:
        """Say what was written."""
        page = next((path for path in self._written if path.name == "report.html"), None)
        count = sum(path.suffix == ".ild" for path in self._written)
        sequences = "1 sequence" if count == 1 else f"{count} sequences"
        self.report({"INFO"}, f"Wrote {sequences}; look at {page}")


def _told(arguments: Sequence[str]) -> Generator[Step, None, dict[str, Any]]:
    """Run the command and hand its progress on; return its answer."""
    try:
        process = subprocess.Popen(
            arguments,
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            # What it starts in turn ends with it.
            start_new_session=os.name != "nt",
        )
    except OSError as error:
        raise HostError(f"Blender can't be started for the render: {error}.") from error
    news: queue.Queue[bytes] = queue.Queue()
    said: list[str] = []
    out: list[bytes] = []

    def listen() -> None:
        assert process.stderr is not None
        for line in process.stderr:
            news.put(line)

    def collect() -> None:
        assert process.stdout is not None
        out.append(process.stdout.read())

    threads = [threading.Thread(target=work, daemon=True) for work in (listen, collect)]
    for thread in threads:
        thread.start()
    step: Step = (0, 1, 0)
    try:
        while process.poll() is None or not news.empty():
            try:
                line = news.get(timeout=WAIT_S)
            except queue.Empty:
                yield step
                continue
            try:
                told = json.loads(line)
                step = (told["done"], told["total"], told["frame"])
                yield step
            except (ValueError, TypeError, KeyError):
                said = [*said[-4:], line.decode("utf-8", "replace").strip()]
        for thread in threads:
            thread.join()
        return _answer(b"".join(out), process.returncode, said)
    finally:
        if process.poll() is None:
            # As with Ctrl-C: workers end, unfinished files go.
            process.terminate()
            try:
                process.wait(timeout=10)
            except subprocess.TimeoutExpired:
                process.kill()
                process.wait()
        for thread in threads:
            thread.join()


def _answer(out: bytes, code: int, said: Sequence[str]) -> dict[str, Any]:
    try:
        text = out.decode("utf-8", "replace")
        answer = json.loads(text[text.index("{") :])
    except ValueError:
        answer = {}
    if "error" in answer:
        error: BeamwrightError = core_jobs.error_from(
            {"error": answer["error"]["kind"], "message": answer["error"]["message"]}
        )
        raise error
    if code != 0 or "files" not in answer:
        raise HostError(f"The render ended by itself ({code}): {' '.join(said).strip()}")
    return dict(answer)


CLASSES = (BEAMWRIGHT_OT_show_render,)
