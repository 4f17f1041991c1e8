# SPDX-License-Identifier: GPL-3.0-or-later
"""The built zip in a fresh Blender: installs, works, keeps the rules, leaves nothing behind.

Source of the rules: Blender's own check of extensions (`addon_utils`), which its
preferences show to the artist as "Policy violation".
"""

from __future__ import annotations

import importlib.util
import json
import os
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

pytest.importorskip("bpy")

ROOT = Path(__file__).resolve().parents[2]
SESSION = Path(__file__).with_name("extension_session.py")
MODULE = "bl_ext.user_default.beamwright"


def host_platform() -> str:
    """Return Blender's name of the platform this runs on."""
    machine = os.uname().machine if hasattr(os, "uname") else os.environ["PROCESSOR_ARCHITECTURE"]
    system = {"linux": "linux", "darwin": "macos", "win32": "windows"}[sys.platform]
    return f"{system}-{'arm64' if machine.lower() in {'arm64', 'aarch64'} else 'x64'}"


def build_zip(folder: Path, *options: str) -> Path:
    """Build the zip for this machine."""
    command = [sys.executable, str(ROOT / "packaging" / "build_extension.py")]
    command += ["--platform", host_platform(), "--output", str(folder), *options]
    result = subprocess.run(command, capture_output=True, text=True, check=False)
    assert result.returncode == 0, result.stdout + result.stderr
    (built,) = folder.glob("*.zip")
    return built


def run_session(built: Path, folder: Path, *, packages: Path | None = None) -> dict[str, Any]:
    """Run `extension_session.py` in a new process with empty user resources."""
    resources, result = folder / "resources", folder / "result.json"
    resources.mkdir()
    environment = {name: value for name, value in os.environ.items() if name != "PYTHONPATH"}
    environment["BLENDER_USER_RESOURCES"] = str(resources)
    command = [sys.executable]
    if packages is not None:
        command += ["-I", "-S"]  # no site-packages: what is in `packages` and nothing else
    command += [str(SESSION), str(built), str(result)]
    if packages is not None:
        command.append(str(packages))
    finished = subprocess.run(
        command, env=environment, capture_output=True, text=True, check=False, timeout=240
    )
    assert result.exists(), finished.stdout[-4000:] + finished.stderr[-4000:]
    seen: dict[str, Any] = json.loads(result.read_text(encoding="utf-8"))
    return seen


@pytest.fixture(scope="module")
def session(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Any]:
    """What one life of the extension looked like."""
    folder = tmp_path_factory.mktemp("extension")
    return run_session(build_zip(folder, "--without-wheels", "--without-kernels"), folder)


def test_installs_and_enables(session: dict[str, Any]) -> None:
    """Blender's installer takes the zip and the extension is enabled."""
    assert session["before"] == {"classes": [], "properties": [], "operators": [], "handlers": []}
    assert session["installed"] == ["FINISHED"]
    assert session["enabled"]
    assert "beamwright" in {name.split(".")[1] for name in session["registered"]["properties"]}
    assert "analyze_frame" in session["registered"]["operators"]


def test_an_operator_crosses_into_core(session: dict[str, Any]) -> None:
    """*Analyze Frame* runs on a scene with a camera, from the installed copy."""
    assert session["analyzed"] == ["FINISHED"]


def test_keeps_the_policy(session: dict[str, Any]) -> None:
    """No module of ours at the top level, no folder of ours on the search path."""
    assert session["warnings"].get(MODULE, []) == []


def test_disabling_leaves_nothing(session: dict[str, Any]) -> None:
    """No class, property, operator or handler stays; enabling again brings all back."""
    assert session["after"] == session["before"]
    assert session["again"] == session["registered"]


def test_bundled_wheels_serve_where_blender_has_none(tmp_path: Path) -> None:
    """In a Python that has only what Blender brings, shapely comes from the zip's wheels."""
    packages = tmp_path / "packages"
    packages.mkdir()
    # What the bpy module asks for, as its metadata lists it, and what these need.
    for name in (
        "bpy", "numpy", "numpy.libs", "requests", "urllib3", "idna", "certifi",
        "charset_normalizer", "zstandard",
    ):  # fmt: skip
        spec = importlib.util.find_spec(name) if "." not in name else None
        if spec is not None and spec.origin is not None:
            (packages / name).symlink_to(Path(spec.origin).parent)
    numpy_folder = Path(importlib.util.find_spec("numpy").origin).parent  # type: ignore[union-attr, arg-type]  # present: Blender needs it
    if (numpy_folder.parent / "numpy.libs").exists():
        (packages / "numpy.libs").symlink_to(numpy_folder.parent / "numpy.libs")
    seen = run_session(build_zip(tmp_path, "--without-kernels"), tmp_path, packages=packages)
    assert seen["enabled"]
    assert seen["analyzed"] == ["FINISHED"]
    assert f"{os.sep}extensions{os.sep}.local{os.sep}" in seen["shapely"]
    assert seen["warnings"].get(MODULE, []) == []
