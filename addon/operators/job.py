# SPDX-License-Identifier: GPL-3.0-or-later
"""Long work frame by frame: at once in `execute`, in slices and cancellable in a window."""

import time
from collections.abc import Generator
from contextlib import ExitStack
from typing import Any

from ...core.errors import BeamwrightError
from ..extract.camera import bound_camera
from ..session import BlenderSource, open_source

SLICE_S = 0.1
"""How long a modal job works before the window may draw again."""

Step = tuple[int, int, int]
"""Frames done, frames in all, number of the frame just done."""


def scene_ready(operator: Any, context: Any) -> bool:
    """Cheap check for `poll`: is there a camera to look through; says why if not."""
    scene = context.scene
    if scene is None:
        operator.poll_message_set("There is no scene")
        return False
    if scene.camera is None and bound_camera(scene, scene.frame_current) is None:
        operator.poll_message_set("The scene has no camera: add one with Add > Camera")
        return False
    return True


class FrameJob:
    """Mix-in of operators that read many frames of the context's scene.

    A subclass gives `steps`, a generator of `Step`, and `finish`. `execute` runs all of it
    without a window; `invoke` runs it in slices, shows progress in the status bar, takes
    all input, and stops with Esc.
    """

    label = "Working"
    _timer: Any = None
    _steps: Any = None
    _stack: Any = None
    report: Any  # given by the operator it is mixed into

    def steps(self, context: Any, source: BlenderSource) -> Generator[Step, None, None]:
        """Work frame by frame. Closing the generator must leave nothing behind."""
        raise NotImplementedError

    def finish(self, context: Any) -> None:
        """Use what the steps brought."""
        raise NotImplementedError

    def _begin(self, context: Any) -> None:
        source = open_source(scene_name=context.scene.name)
        steps = self.steps(context, source)
        self._stack = ExitStack()
        self._stack.enter_context(source.reading())
        self._stack.callback(steps.close)
        self._steps = steps
        context.window_manager.progress_begin(0, 100)

    def _end(self, context: Any) -> None:
        if self._stack is not None:
            context.window_manager.progress_end()
            self._stack.close()
        if self._timer is not None:
            context.window_manager.event_timer_remove(self._timer)
            context.workspace.status_text_set(None)
        self._stack = self._steps = self._timer = None

    def _failed(self, context: Any, error: BeamwrightError) -> set[str]:
        self._end(context)
        self.report({"ERROR"}, str(error))
        return {"CANCELLED"}

    def execute(self, context: Any) -> set[str]:
        """Do all of the work before returning."""
        try:
            self._begin(context)
            for done, total, _frame in self._steps:
                context.window_manager.progress_update(round(100 * done / total))
        except BeamwrightError as error:
            return self._failed(context, error)
        except BaseException:
            self._end(context)
            raise
        self._end(context)
        self.finish(context)
        return {"FINISHED"}

    def invoke(self, context: Any, _event: Any) -> set[str]:
        """Start the work and let it go on between redraws."""
        try:
            self._begin(context)
        except BeamwrightError as error:
            return self._failed(context, error)
        manager = context.window_manager
        self._timer = manager.event_timer_add(0.01, window=context.window)
        manager.modal_handler_add(self)
        context.workspace.status_text_set(f"{self.label}…  Esc: Cancel")
        return {"RUNNING_MODAL"}

    def modal(self, context: Any, event: Any) -> set[str]:
        """Work for a moment, or stop."""
        if event.type == "ESC" and event.value == "PRESS":
            self._end(context)
            self.report({"INFO"}, f"{self.label} cancelled")
            return {"CANCELLED"}
        if event.type != "TIMER":
            return {"RUNNING_MODAL"}
        until = time.monotonic() + SLICE_S
        try:
            while time.monotonic() < until:
                done, total, frame = next(self._steps)
                context.window_manager.progress_update(round(100 * done / total))
                context.workspace.status_text_set(
                    f"{self.label}: frame {frame}, {done} of {total}  —  Esc: Cancel"
                )
        except StopIteration:
            self._end(context)
            self.finish(context)
            _redraw(context)
            return {"FINISHED"}
        except BeamwrightError as error:
            return self._failed(context, error)
        except BaseException:
            self._end(context)
            raise
        return {"RUNNING_MODAL"}

    def cancel(self, context: Any) -> None:
        """Clean up where Blender itself ends the operator, as when it quits."""
        self._end(context)


def _redraw(context: Any) -> None:
    for window in context.window_manager.windows:
        for area in window.screen.areas:
            area.tag_redraw()
