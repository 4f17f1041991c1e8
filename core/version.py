# SPDX-License-Identifier: GPL-3.0-or-later
"""Which version of Beamwright this is."""

from __future__ import annotations

import tomllib
from functools import cache
from importlib import metadata
from pathlib import Path

__all__ = ["version"]


@cache
def version() -> str:
    """Return the version of the extension or checkout, else of the installed package."""
    manifest = Path(__file__).parents[1] / "blender_manifest.toml"
    try:
        return str(tomllib.loads(manifest.read_text("utf-8"))["version"])
    except (OSError, KeyError, ValueError):
        # The pip package carries no manifest.
        return metadata.version("beamwright")
