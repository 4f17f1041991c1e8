# SPDX-License-Identifier: GPL-3.0-or-later
"""The Blender side: everything that needs ``bpy``, thin, without geometry.

Importable without Blender; the modules that need it are imported by `register`,
`register_headless` and the commands that read a scene.
"""

from __future__ import annotations

import atexit

__all__ = [
    "ROOT_PACKAGE",
    "register",
    "register_headless",
    "unregister",
    "unregister_headless",
]

ROOT_PACKAGE = __package__.rpartition(".")[0]
"""Name of the extension's package, whatever repository it was installed from."""


def register() -> None:
    """Register everything, in the order in which the parts build on one another."""
    from . import (
        handlers,
        operators,
        panels,
        preferences,
        preview,
        properties,
        show_properties,
        terminal,
    )

    for module in (
        properties, show_properties, preferences, preview, handlers, operators, panels, terminal,
    ):  # fmt: skip
        module.register()


def unregister() -> None:
    """Take back all that `register` added, in reverse."""
    from . import (
        handlers,
        jobs,
        live,
        operators,
        panels,
        preferences,
        preview,
        properties,
        show_properties,
        terminal,
    )

    # First of all: whatever fails after this, no light is left.
    live.stop()
    jobs.stop_all("Beamwright was switched off")
    for module in (
        terminal, panels, operators, handlers, preview, preferences, show_properties, properties,
    ):  # fmt: skip
        module.unregister()


def register_headless() -> None:
    """Register the settings alone, for commands in a Blender without the extension.

    Does nothing where they are registered already.
    """
    from . import handlers, properties, show_properties

    if not properties.is_registered():
        properties.register()
        show_properties.register()
        handlers.register()

        # Blender 4.5 never ends as a module where classes of ours are left to it.
        atexit.register(unregister_headless)


def unregister_headless() -> None:
    """Take back what `register_headless` added, where it is still there."""
    from . import handlers, properties, show_properties

    atexit.unregister(unregister_headless)
    if properties.is_registered():
        handlers.unregister()
        show_properties.unregister()
        properties.unregister()
