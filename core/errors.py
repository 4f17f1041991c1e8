# SPDX-License-Identifier: GPL-3.0-or-later
"""The error tree.

::

    BeamwrightError
    ├── SettingError (ValueError)    a setting or argument is out of its range
    ├── SceneError (ValueError)      the scene cannot be drawn as it is
    ├── FormatError (ValueError)     a file or packet breaks its format
    ├── OutputError (OSError)        a file or folder cannot be read or written
    └── HostError (RuntimeError)     something outside is missing: Blender, a library

A message names the thing, the value, the limit and the remedy, in one sentence or two.
Operators and the command line catch `BeamwrightError` and nothing else: any other
exception is a defect and must surface.
"""

from __future__ import annotations

__all__ = [
    "BeamwrightError",
    "FormatError",
    "HostError",
    "OutputError",
    "SceneError",
    "SettingError",
]


class BeamwrightError(Exception):
    """Anything Beamwright reports to the artist instead of failing."""


class SettingError(BeamwrightError, ValueError):
    """A setting or argument is out of its range."""


class SceneError(BeamwrightError, ValueError):
    """The scene cannot be drawn as it is."""


class FormatError(BeamwrightError, ValueError):
    """A file or packet breaks its format."""


class OutputError(BeamwrightError, OSError):
    """A file or folder cannot be read or written."""


class HostError(BeamwrightError, RuntimeError):
    """Something outside is missing: Blender, an optional library, a device."""
