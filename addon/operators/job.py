# SPDX-License-Identifier: GPL-3.0-or-later
"""Long work frame by frame: at once in `execute`, in slices and cancellable in a window."""

import time
from collections.abc import Generator
from typing import Any

from ...core.errors import BeamwrightError
from ..extract.camera import bound_camera
from ..jobs import Run, running, say_status
from ..session import BlenderSource, open_source

SLICE_S = 0.1
"""How long a modal job works before the window may draw again."""

Step = tuple[int, int, int]
"""Frames done, frames in all, number of the frame just done."""


def scene_ready(operator: Any, context: Any) -> bool:
    """Cheap check for `poll`: can frames be read; says why if not."""
    scene = context.scene
    if scene is None:
        operator.poll_message_set("There is no scene")
        return False
    if running():
        operator.poll_message_set(f"{running()} is still at work: wait for it, or press Esc")
        return False
    if scene.camera is None and bound_camera(scene, scene.frame_current) is None:
        operator.poll_message_set("The scene has no camera: add one with Add > Camera")
        return False
    return True


class FrameJob:
    """Mix-in of operators that read many frames of the context's scene.

    A subclass gives `steps`, a generator of `Step`, and `finish`. `execute` runs all of it
    without a window; `invoke` runs it in slices, shows progress in the status bar, takes
    all input of its window, and stops with Esc. Undo, another file and switching the
    extension off stop it as well: other windows are not blocked.
    """

    label = "Working"
    _run: Run | None = None
    report: Any  # given by the operator it is mixed into

    def steps(self, context: Any, source: BlenderSource) -> Generator[Step, None, None]:
        """Work frame by frame. Closing the generator must leave nothing behind."""
        raise NotImplementedError

    def finish(self, context: Any) -> None:
        """Use what the steps brought."""
        raise NotImplementedError

    def _begin(self, context: Any) -> Run:
        source = open_source(scene_name=context.scene.name)
        self._run = run = Run(self.label, source, self.steps(context, source))
        return run

    def _end(self) -> None:
        if self._run is not None:
            self._run.close()
        self._run = None

    def _failed(self, error: BeamwrightError) -> set[str]:
        self._end()
        self.report({"ERROR"}, str(error))
        return {"CANCELLED"}

    def execute(self, context: Any) -> set[str]:
        """Do all of the work before returning."""
        try:
            for done, total, _frame in self._begin(context).steps:
                context.window_manager.progress_update(round(100 * done / total))
        except BeamwrightError as error:
            return self._failed(error)
        except BaseException:
            self._end()
            raise
        self._end()
        self.finish(context)
        return {"FINISHED"}

    def invoke(self, context: Any, _event: Any) -> set[str]:
        """Start the work and let it go on between redraws."""
        try:
            run = self._begin(context)
        except BeamwrightError as error:
            return self._failed(error)
        manager = context.window_manager
        run.timer = manager.event_timer_add(0.01, window=context.window)
        manager.modal_handler_add(self)
        say_status(f"{self.label}…  Esc: Cancel")
        return {"RUNNING_MODAL"}

    def modal(self, context: Any, event: Any) -> set[str]:
        """Work for a moment, or stop."""
        run = self._run
        if run is None or run.stopped:
            reason = run.stopped if run is not None else "it was stopped"
            self._run = None
            self.report({"WARNING"}, f"{self.label} ended: {reason}")
            return {"CANCELLED"}
        if event.type == "ESC" and event.value == "PRESS":
            self._end()
            self.report({"INFO"}, f"{self.label} cancelled")
            return {"CANCELLED"}
        if event.type != "TIMER":
            return {"RUNNING_MODAL"}
        until = time.monotonic() + SLICE_S
        try:
            while time.monotonic() < until:
                done, total, frame = next(run.steps)
                context.window_manager.progress_update(round(100 * done / total))
                say_status(f"{self.label}: frame {frame}, {done} of {total}  —  Esc: Cancel")
        except StopIteration:
            self._end()
            self.finish(context)
            _redraw(context)
            return {"FINISHED"}
        except BeamwrightError as error:
            return self._failed(error)
        except BaseException:
            self._end()
            raise
        return {"RUNNING_MODAL"}

    def cancel(self, _context: Any) -> None:
        """Clean up where Blender itself ends the operator, as when it quits."""
        self._end()


def _redraw(context: Any) -> None:
    for window in context.window_manager.windows:
        for area in window.screen.areas:
            area.tag_redraw()
