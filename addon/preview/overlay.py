# SPDX-License-Identifier: GPL-3.0-or-later
"""The preview in Blender's 3D views: draw handlers, and the timer behind them."""

from __future__ import annotations

import atexit
import traceback
from collections.abc import Iterator
from typing import Any

import bpy

from .. import ROOT_PACKAGE, session
from . import drawing, scene_view
from . import settings as preview_settings
from .engine import RELEVANT, Engine

__all__ = [
    "depsgraph_updated",
    "engine",
    "forget",
    "frame_changed",
    "is_running",
    "redraw",
    "settings_changed",
    "start",
    "stop",
    "synchronise",
]

_engine: Engine | None = None
_handle: Any = None
_failed = False


def is_running() -> bool:
    """Whether the preview is on."""
    return _handle is not None


def engine() -> Engine | None:
    """Return the running engine, or None."""
    return _engine


def start() -> None:
    """Switch the preview on; does nothing where it is on."""
    global _engine, _handle, _failed
    if _handle is not None:
        return
    _failed = False
    _engine = Engine(redraw=_redraw_scene, schedule=_schedule)
    _handle = bpy.types.SpaceView3D.draw_handler_add(_draw_view, (), "WINDOW", "POST_PIXEL")
    # What lies on the graphics card must go before Python's modules do, or Blender crashes as
    # it quits.
    atexit.register(stop)
    settings_changed()


def stop() -> None:
    """Switch the preview off: no handler, timer, thread or memory of it stays."""
    global _engine, _handle
    atexit.unregister(stop)
    if bpy.app.timers.is_registered(_tick):
        bpy.app.timers.unregister(_tick)
    if _handle is not None:
        bpy.types.SpaceView3D.draw_handler_remove(_handle, "WINDOW")
        _handle = None
    if _engine is not None:
        _engine.stop()
        _engine = None
        drawing.release()
    redraw()


def synchronise() -> None:
    """Bring handlers in line with the switch, as after another file was loaded."""
    chosen = preview_settings.current()
    if chosen is not None and chosen.enabled:
        start()
    else:
        stop()


def forget(pictures: bool = False) -> None:
    """Drop what was computed, as after an undo; with `pictures` also what is shown."""
    if _engine is not None:
        _engine.forget(pictures)


def frame_changed() -> None:
    """Note that another frame is shown."""
    if _engine is not None and not session.is_peeking():
        _engine.mark(changed=False, touched=False)


def depsgraph_updated(depsgraph: bpy.types.Depsgraph) -> None:
    """Note what changed."""
    if _engine is None or session.is_peeking():
        return
    changed = any(type(update.id).__name__ in RELEVANT for update in depsgraph.updates)
    _engine.mark(changed)


def settings_changed() -> None:
    """Take over settings that decide what is computed."""
    chosen = preview_settings.current()
    if _engine is not None and chosen is not None:
        _engine.hidden_lines = chosen.hidden_lines
        _engine.as_rendered = as_exported()
        _engine.cache.set_limit(chosen.cache_mb << 20)
        _engine.mark(changed=False)
    redraw()


def as_exported() -> bool:
    """Whether the preview shows what renders, as the preferences say, or what the viewport has."""
    addon = bpy.context.preferences.addons.get(ROOT_PACKAGE)
    chosen = getattr(getattr(addon, "preferences", None), "preview_quality", "EXPORT")
    return bool(chosen == "EXPORT")


def _schedule() -> None:
    if not bpy.app.timers.is_registered(_tick):
        bpy.app.timers.register(_tick, first_interval=0.0, persistent=True)


def _tick() -> float | None:
    return _engine.tick() if _engine is not None else None


def _view_areas() -> Iterator[tuple[bpy.types.Window, bpy.types.Area]]:
    for manager in bpy.data.window_managers:
        for window in manager.windows:
            for area in window.screen.areas:
                if area.type == "VIEW_3D":
                    yield window, area


def redraw() -> None:
    """Redraw all 3D views."""
    for _window, area in _view_areas():
        area.tag_redraw()


def _redraw_scene(owner: int) -> None:
    """Redraw the views of a scene. While it plays they are redrawn for each frame anyway."""
    for window, area in _view_areas():
        if window.scene.session_uid != owner:
            continue
        if window.screen.is_animation_playing:
            continue
        area.tag_redraw()


def _draw_view() -> None:
    """Draw handler: must not raise, or Blender prints an error at each redraw."""
    global _failed
    if _engine is None:
        return
    try:
        context = bpy.context
        chosen = preview_settings.current()
        space = context.space_data
        if chosen is None or context.region_data is None or not space.overlay.show_overlays:
            return
        picture, fresh = _engine.picture_of(context.scene)
        scene_view.draw_region(context, chosen, picture, fresh)
    except Exception:
        if not _failed:
            _failed = True
            traceback.print_exc()
