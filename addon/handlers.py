# SPDX-License-Identifier: GPL-3.0-or-later
"""All of Blender's handlers, added and removed as one set."""

from typing import Any

import bpy
from bpy.app.handlers import persistent

from . import properties, results, session


@persistent
def _file_loaded(*_arguments: Any) -> None:
    session.forget()
    results.forget()
    properties.migrate()


@persistent
def _file_saving(*_arguments: Any) -> None:
    properties.stamp()


@persistent
def _undone(*_arguments: Any) -> None:
    session.forget()


_HANDLERS = (
    ("load_post", _file_loaded),
    ("save_pre", _file_saving),
    ("undo_post", _undone),
    ("redo_post", _undone),
)


def register() -> None:
    """Add the handlers."""
    for event, function in _HANDLERS:
        getattr(bpy.app.handlers, event).append(function)


def unregister() -> None:
    """Remove the handlers and what they looked after."""
    for event, function in reversed(_HANDLERS):
        getattr(bpy.app.handlers, event).remove(function)
    session.forget()
    results.forget()
