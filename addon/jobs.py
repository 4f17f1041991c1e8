# SPDX-License-Identifier: GPL-3.0-or-later
"""Long jobs that are under way: what they took, given back whatever ends them."""

from __future__ import annotations

from contextlib import ExitStack
from typing import Any

import bpy

from .session import BlenderSource

__all__ = ["Run", "running", "say_status", "stop_all"]


class Run:
    """A job under way: what it took, given back once, whatever ends it."""

    def __init__(self, label: str, source: BlenderSource, steps: Any) -> None:
        self.label = label
        self.steps = steps
        self.stopped = ""
        self.timer: Any = None
        self._stack = ExitStack()
        self._stack.enter_context(source.reading())
        self._stack.callback(steps.close)
        bpy.context.window_manager.progress_begin(0, 100)
        _runs.append(self)

    def close(self, stopped: str = "") -> None:
        """Put the scene back, and leave no timer, progress or status text."""
        if self not in _runs:
            return
        _runs.remove(self)
        self.stopped = stopped
        manager = bpy.context.window_manager
        try:
            self._stack.close()
        finally:
            if manager is not None:
                manager.progress_end()
                if self.timer is not None:
                    manager.event_timer_remove(self.timer)
                    say_status(None)
            self.timer = None


_runs: list[Run] = []


def stop_all(reason: str) -> None:
    """End all jobs, as when another file is loaded or the extension is switched off."""
    for run in list(_runs):
        run.close(stopped=reason)


def running() -> str:
    """Return what is under way, or an empty text."""
    return _runs[0].label if _runs else ""


def say_status(text: str | None) -> None:
    workspace = getattr(bpy.context, "workspace", None)
    if workspace is not None:
        workspace.status_text_set(text)
