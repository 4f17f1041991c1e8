# SPDX-License-Identifier: GPL-3.0-or-later
"""All of Blender's handlers, added and removed as one set."""

from typing import Any

import bpy
from bpy.app.handlers import persistent

from . import drawings, jobs, live, properties, results, session
from .preview import overlay
from .preview import settings as preview_settings


@persistent
def _file_loading(*_arguments: Any) -> None:
    live.stop(reason="another file was loaded")
    jobs.stop_all("another file was loaded")
    preview_settings.keep()


@persistent
def _file_loaded(*_arguments: Any) -> None:
    session.forget()
    results.forget()
    properties.migrate()
    drawings.adopt_fills()
    overlay.forget(pictures=True)
    preview_settings.bring_back()
    overlay.synchronise()


@persistent
def _file_saving(*_arguments: Any) -> None:
    properties.stamp()


@persistent
def _undone(*_arguments: Any) -> None:
    jobs.stop_all("something was undone or redone")
    session.forget()
    overlay.forget()
    live.forget()


@persistent
def _frame_changed(*_arguments: Any) -> None:
    overlay.frame_changed()
    live.frame_changed()


@persistent
def _depsgraph_updated(_scene: Any, depsgraph: Any) -> None:
    overlay.depsgraph_updated(depsgraph)
    live.depsgraph_updated(depsgraph)


_HANDLERS = (
    ("load_pre", _file_loading),
    ("load_post", _file_loaded),
    ("save_pre", _file_saving),
    ("undo_post", _undone),
    ("redo_post", _undone),
    ("frame_change_post", _frame_changed),
    ("depsgraph_update_post", _depsgraph_updated),
)


def register() -> None:
    """Add the handlers."""
    for event, function in _HANDLERS:
        getattr(bpy.app.handlers, event).append(function)


def unregister() -> None:
    """Remove the handlers and what they looked after."""
    for event, function in reversed(_HANDLERS):
        getattr(bpy.app.handlers, event).remove(function)
    jobs.stop_all("Beamwright was switched off")
    live.stop()
    session.forget()
    results.forget()
