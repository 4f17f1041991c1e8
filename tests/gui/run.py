# SPDX-License-Identifier: GPL-3.0-or-later
"""Run a script in a real Blender window, with the extension built and installed.

``python tests/gui/run.py SCRIPT OUT [--tree TREE] [--scene FILE.blend]``

The window lives on a virtual screen inside a Debian tree made for it (see DEVELOPERS.md).
The extension is built from the checkout without wheels: the tree has numpy and shapely of
its own. The script finds the folder for its results in the variable ``BEAMWRIGHT_OUT`` and
ends Blender itself; its exit code is handed on.
"""

from __future__ import annotations

import argparse
import importlib
import os
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
CACHE = Path(os.environ.get("XDG_CACHE_HOME") or Path.home() / ".cache")
TREE = CACHE / "beamwright" / "blender-gui-sid"


def inside(tree: Path, work: Path, *command: str, **variables: str) -> int:
    """Run a command in the tree, which sees the work folder and nothing else of the host."""
    environment = {"BLENDER_USER_RESOURCES": str(work / "user"), **variables}
    launcher = tree.with_name(tree.name + ".run")
    settings = " ".join(f"{name}={value}" for name, value in environment.items())
    return subprocess.run(
        [launcher, *command],
        env={
            **os.environ,
            "BIND": str(work),
            "CHENV": settings,
            "CHROOT_HOME": str(work / "home"),
        },
        check=False,
    ).returncode


def stage(work: Path) -> Path:
    """Copy what git does not ignore, so that the build sees no left-overs."""
    command = ["git", "ls-files", "-z", "--cached", "--others", "--exclude-standard", "--"]
    parts = ["__init__.py", "blender_manifest.toml", "LICENSE", "addon", "core"]
    result = subprocess.run(
        [*command, *parts], cwd=ROOT, check=True, capture_output=True, text=True
    )
    listed = result.stdout.split("\0")
    source = work / "source"
    for name in filter(None, listed):
        if not (ROOT / name).is_file():
            continue
        target = source / name
        target.parent.mkdir(parents=True, exist_ok=True)
        shutil.copy2(ROOT / name, target)
    return source


def add_artwork(work: Path, source: Path) -> dict[str, str]:
    """Add what reading drawings needs, and the sample drawings; return where they are."""
    wasm = Path("core", "artwork", "usvg.wasm")
    shutil.copy2(ROOT / wasm, source / wasm)
    site = work / "site"
    site.mkdir()
    # Of the Python that runs this; it is the same for every version.
    for path in (
        Path(importlib.import_module("wasmtime").__file__ or "").parents[1].glob("wasmtime*")
    ):
        shutil.copytree(path, site / path.name)
    shutil.copytree(ROOT / "sample_scenes" / "artwork", work / "artwork")
    return {"BEAMWRIGHT_SITE": str(site), "BEAMWRIGHT_ARTWORK": str(work / "artwork")}


def main() -> int:
    """Build, install, run; return the script's exit code."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("script", type=Path)
    parser.add_argument("out", type=Path)
    parser.add_argument("--tree", type=Path, default=TREE)
    parser.add_argument("--scene", type=Path, default=ROOT / "sample_scenes" / "harbour.blend")
    parser.add_argument("--size", default="1600x1250", help="of the screen, in pixels")
    parser.add_argument("--artwork", action="store_true", help="drawings are read")
    arguments = parser.parse_args()
    if not arguments.tree.with_name(arguments.tree.name + ".run").exists():
        print(f"There is no tree {arguments.tree}: make it first, see DEVELOPERS.md.")
        return 2
    with tempfile.TemporaryDirectory(prefix="beamwright-gui-") as folder:
        work = Path(folder)
        out = work / "out"
        out.mkdir()
        (work / "home").mkdir()
        source = stage(work)
        extra = add_artwork(work, source) if arguments.artwork else {}
        built = inside(
            arguments.tree, work, "blender", "--command", "extension", "build",
            "--source-dir", str(source), "--output-dir", str(work),
        ) or inside(
            arguments.tree, work, "blender", "--command", "extension", "install-file",
            "--repo", "user_default", "--enable", *map(str, work.glob("*.zip")),
        )  # fmt: skip
        if built:
            return built
        script = shutil.copy2(arguments.script, work)
        default = "\nDEFAULT_SCENE = True\n" in arguments.script.read_text(encoding="utf-8")
        scene = [] if default else [str(shutil.copy2(arguments.scene, work))]
        width, height = arguments.size.split("x")
        code = inside(
            arguments.tree, work, "blender-gui", "--enable-event-simulate", *scene,
            "--python", str(script),
            BEAMWRIGHT_OUT=str(out), XRES=f"{arguments.size}x24", XW=width, XH=height, TMO="180",
            **extra,
        )  # fmt: skip
        shutil.copytree(out, arguments.out, dirs_exist_ok=True)
        for path in sorted(out.rglob("*.png")):
            print(arguments.out / path.relative_to(out))
        return code


if __name__ == "__main__":
    sys.exit(main())
