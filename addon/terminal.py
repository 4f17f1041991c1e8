# SPDX-License-Identifier: GPL-3.0-or-later
"""``blender --command beamwright``: the command line inside an installed Blender."""

from typing import Any

from . import compat

COMMAND = "beamwright"

_handles: list[Any] = []


def _run(arguments: list[str]) -> int:
    from .command import blender_command

    return blender_command(arguments)


def register() -> None:
    """Add the command."""
    _handles.append(compat.register_cli_command(COMMAND, _run))


def unregister() -> None:
    """Remove the command."""
    while _handles:
        compat.unregister_cli_command(_handles.pop())
