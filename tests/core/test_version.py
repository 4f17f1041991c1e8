# SPDX-License-Identifier: GPL-3.0-or-later
"""One version, wherever it is asked for."""

from __future__ import annotations

import tomllib
from pathlib import Path

from beamwright.core.version import version

ROOT = Path(__file__).parents[2]


def test_is_that_of_the_package_and_the_extension():
    for name in ("pyproject.toml", "blender_manifest.toml"):
        document = tomllib.loads((ROOT / name).read_text("utf-8"))
        assert document.get("project", document)["version"] == version()
