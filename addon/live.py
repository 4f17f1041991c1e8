# SPDX-License-Identifier: GPL-3.0-or-later
"""Live output from the open scene: core's senders, fed from a timer with the newest pictures.

Blender's main thread only reads the scene; a worker plans the picture and each sender's own
thread guards and sends it. Whatever ends the timer ends the light: a sender that is not
spoken to goes dark by itself.
"""

from __future__ import annotations

import atexit
import math
import time
import traceback
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import bpy

from ..core.errors import BeamwrightError, HostError, SettingError
from ..core.frame import Frame
from ..core.live.link import LOSS_S, SenderSettings
from ..core.live.sender import OutputState, Sender, SenderStatus
from ..core.live_show import exposure_guard
from ..core.points.projector import ScannerProfile
from ..core.safety.laser import LaserSetup
from . import session
from .keep_out import keep_out_areas
from .preview.engine import RELEVANT, Engine
from .preview.layers import Picture
from .properties import PROPERTY

__all__ = [
    "arm",
    "blackout",
    "depsgraph_updated",
    "forget",
    "frame_changed",
    "is_armed",
    "is_running",
    "offline_reason",
    "picture_of",
    "reason_of",
    "start",
    "status",
    "stop",
    "tick",
]

TICK_S = 0.02
LIMITS_S = 0.25
"""How often the limits are read again while live; keep-out areas cannot move by themselves."""

WORKING_S = 2.0
"""How long the last picture is still meant while the next one is being made. The sender's stall
time comes on top."""

REDRAW_S = 0.5


@dataclass
class _Output:
    """One projector that is live."""

    scene: int
    sender: Sender
    settings: SenderSettings
    profile: ScannerProfile
    laser: LaserSetup
    shown: Frame | None = None
    limits_s: float = 0.0
    level: float = 0.0
    picture: Picture | None = None
    current_s: float = -math.inf


_outputs: dict[str, _Output] = {}
_reasons: dict[str, str] = {}
_engine: Engine | None = None
_redrawn = 0.0
_last_states: tuple[Any, ...] = ()


def offline_reason() -> str:
    """Return why Blender lets nothing onto the network, or an empty text."""
    if bpy.app.online_access:
        return ""
    if bpy.app.online_access_override:
        return "Blender was started in offline mode: start it with --online-mode"
    return "Online access is off: allow it in Preferences > System > Network"


def sender_settings(projector: Any) -> SenderSettings:
    """Return where a projector is reached.

    Raises
    ------
    SettingError
        If no address is given.
    """
    live = projector.live
    if not live.host.strip():
        raise SettingError(
            f"Projector “{projector.name}” has no address: enter its host name or IP address."
        )
    return SenderSettings(
        live.host.strip(),
        live.port,
        channel=live.channel,
        service_id=live.service,
        wave=live.wave,
        loss_s=LOSS_S if live.acknowledges else 0.0,
    )


def is_running(name: str | None = None) -> bool:
    """Whether a projector is live, or any."""
    return bool(_outputs) if name is None else name in _outputs


def status(name: str) -> SenderStatus | None:
    """Return the state of a projector's output, or None where it is not live."""
    output = _outputs.get(name)
    return None if output is None else output.sender.status()


def is_armed() -> bool:
    """Whether any projector is armed."""
    return any(output.sender.status().state is OutputState.ARMED for output in _outputs.values())


def reason_of(name: str) -> str:
    """Return why a projector's output ended, or an empty text."""
    return _reasons.get(name, "")


def start(scene: bpy.types.Scene, projector: Any) -> None:
    """Open a projector's output, dark.

    Raises
    ------
    HostError
        Where Blender may not use the network, or it is live already.
    BeamwrightError
        Where the address, a setting or a keep-out area cannot be used.
    """
    global _engine
    offline = offline_reason()
    if offline:
        raise HostError(f"{offline}.")
    name = projector.name
    if name in _outputs:
        raise HostError(f"Projector “{name}” is live already.")
    settings = sender_settings(projector)
    limits = projector.safety.to_core(keep_out_areas(scene, projector))
    core, laser = projector.to_core(), projector.light.to_core()
    sender = Sender(
        settings, limits, core.profile, over_limit=exposure_guard(laser, core.profile)
    ).start()
    _outputs[name] = _Output(scene.session_uid, sender, settings, core.profile, laser)
    _reasons.pop(name, None)
    if _engine is None:
        _engine = Engine(redraw=lambda _owner: None, schedule=lambda: None)
        atexit.register(stop)
    if not bpy.app.timers.is_registered(_timer):
        bpy.app.timers.register(_timer, first_interval=TICK_S, persistent=True)


def arm(name: str, level: float) -> None:
    """Let a projector's light out.

    Raises
    ------
    HostError, SettingError
        Where it is not live, has ended, or the level is out of range.
    """
    output = _outputs.get(name)
    if output is None:
        raise HostError(f"Projector “{name}” is not live: start its output first.")
    tick()
    output.sender.arm(level)
    output.level = level


def blackout() -> int:
    """Make all projectors dark at once; return how many are live."""
    for output in _outputs.values():
        output.sender.blackout()
    return len(_outputs)


def stop(name: str | None = None, reason: str = "") -> None:
    """End a projector's output, or all: dark, session closed, nothing left running."""
    global _engine
    for key in [name] if name is not None else list(_outputs):
        output = _outputs.pop(key, None)
        if output is not None:
            output.sender.close()
            if reason:
                _reasons[key] = reason
    if _outputs:
        return
    if bpy.app.timers.is_registered(_timer):
        bpy.app.timers.unregister(_timer)
    if _engine is not None:
        _engine.stop()
        _engine = None
        atexit.unregister(stop)


def picture_of(scene: bpy.types.Scene) -> tuple[Picture | None, bool] | None:
    """Return the newest picture of a scene and whether it is up to date; None where none is live.

    See `preview.engine.Engine.picture_of`.
    """
    uid = scene.session_uid
    if _engine is None or all(output.scene != uid for output in _outputs.values()):
        return None
    return _engine.picture_of(scene)


def forget() -> None:
    """Drop what was computed, as after an undo."""
    if _engine is not None:
        _engine.forget()


def frame_changed() -> None:
    """Note that another frame is shown."""
    if _engine is not None and not session.is_peeking():
        _engine.mark(changed=False, touched=False)


def depsgraph_updated(depsgraph: bpy.types.Depsgraph) -> None:
    """Note what changed."""
    if _engine is not None and not session.is_peeking():
        _engine.mark(any(type(update.id).__name__ in RELEVANT for update in depsgraph.updates))
        for output in _outputs.values():
            output.limits_s = 0.0


def tick() -> None:
    """Hand the newest pictures to the senders; called by a timer."""
    if _engine is None:
        return
    _engine.tick()
    scenes = {scene.session_uid: scene for scene in bpy.data.scenes}
    for name, output in list(_outputs.items()):
        scene = scenes.get(output.scene)
        try:
            reason = _feed(name, output, scene, _engine)
        except BeamwrightError as error:
            reason = str(error)
        except Exception as error:
            # A defect must not leave light behind.
            traceback.print_exc()
            reason = f"{type(error).__name__}: {error}"
        if reason:
            stop(name, reason)
    if _engine is not None:
        _engine.tick()
    _redraw()


def _feed(name: str, output: _Output, scene: bpy.types.Scene | None, engine: Engine) -> str:
    """Feed one sender; return why it must end, or an empty text."""
    if scene is None:
        return "its scene was deleted"
    projectors: Mapping[str, Any] = getattr(scene, PROPERTY).projectors
    projector = projectors.get(name)
    if projector is None:
        return "the projector was removed or renamed"
    if offline_reason():
        return offline_reason()
    state = output.sender.status()
    if state.state in (OutputState.FAULT, OutputState.CLOSED):
        return state.reason or "its output ended"
    core = projector.to_core()
    if (core.profile, sender_settings(projector), projector.light.to_core()) != (
        output.profile,
        output.settings,
        output.laser,
    ):
        return "its address, scanners or laser were changed: start it anew"
    now = time.monotonic()
    if now - output.limits_s > LIMITS_S:
        output.sender.set_limits(projector.safety.to_core(keep_out_areas(scene, projector)))
        output.limits_s = now
    level = projector.live.level
    if state.state is OutputState.ARMED and level < output.level:
        # Down at once; up takes arming again.
        output.sender.arm(level)
        output.level = level
    picture, current = engine.picture_of(scene)
    if picture is None:
        return ""
    if not current and picture is output.picture:
        # The next picture is being made; if that lasts, nobody speaks for the old one.
        if output.shown is not None and now - output.current_s < WORKING_S:
            output.sender.touch()
        return ""
    output.current_s, output.picture = now, picture
    memory = picture.memories.get(name)
    frame = memory.frame if memory is not None else output.shown
    if memory is None and (output.shown is None or output.shown.rgb.any()):
        # Nothing can be drawn, which is a dark picture.
        frame = Frame.dark(core.profile.point_rate_hz)
    if frame is output.shown:
        output.sender.touch()
    elif frame is not None:
        output.sender.submit(frame)
        output.shown = frame
    return ""


def _timer() -> float | None:
    tick()
    return TICK_S if _outputs else None


def _redraw() -> None:
    """Redraw the panels when a state changes, and now and then while live."""
    global _redrawn, _last_states
    states = tuple((name, (s := output.sender.status()).state, s.reason, s.lit)
                   for name, output in _outputs.items())  # fmt: skip
    now = time.monotonic()
    if states == _last_states and now - _redrawn < REDRAW_S:
        return
    _redrawn, _last_states = now, states
    for manager in bpy.data.window_managers:
        for window in manager.windows:
            for area in window.screen.areas:
                if area.type == "VIEW_3D":
                    for region in area.regions:
                        if region.type == "UI":
                            region.tag_redraw()
