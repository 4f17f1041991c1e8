# SPDX-License-Identifier: GPL-3.0-or-later
"""What the laser will draw, shown over the 3D view while working.

``layers``, ``guides``, ``meter``, ``cache`` and ``worker`` know arrays and words only;
``engine`` reads scenes and hands them to the worker; ``overlay`` and ``drawing`` put the
result on the screen.
"""

from __future__ import annotations

__all__ = ["register", "unregister"]


def register() -> None:
    """Register the preview's settings; it starts switched off."""
    from . import overlay, settings

    settings.react(
        switched=lambda chosen: overlay.start() if chosen.enabled else overlay.stop(),
        computed=lambda _chosen: overlay.settings_changed(),
        drawn=lambda _chosen: overlay.redraw(),
    )
    settings.register()


def unregister() -> None:
    """Switch the preview off and take its settings back."""
    from . import overlay, settings

    chosen = settings.current()
    if chosen is not None:
        # Stored values outlive their properties: registered again, it shall be off.
        chosen.enabled = False
    overlay.stop()
    settings.unregister()
