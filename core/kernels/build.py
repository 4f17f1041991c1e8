# SPDX-License-Identifier: GPL-3.0-or-later
"""Compile the native kernels: ``python core/kernels/build.py [--all] [--out DIR]``.

Needs nothing but the standard library and a compiler: the PyPI package ``ziglang`` (builds
for every platform from any host) or, for the host alone, ``cc``. The libraries lie beside
the sources unless told otherwise; they are never part of the repository.

``-ffp-contract=off`` keeps fused multiply-adds out, so that ties fall the same way on every
platform and in numpy.
"""

from __future__ import annotations

import argparse
import importlib.util
import os
import platform
import shutil
import subprocess
import sys
import sysconfig
import tempfile
from collections.abc import Sequence
from pathlib import Path

__all__ = [
    "TARGETS",
    "CompileError",
    "build_all",
    "build_host",
    "build_sanitized",
    "host_platform",
    "library_name",
]

SOURCE_FOLDER = Path(__file__).resolve().parent

TARGETS = {
    "linux-x86_64": "x86_64-linux-gnu.2.17",
    "linux-arm64": "aarch64-linux-gnu.2.17",
    "macos-x86_64": "x86_64-macos.11.0",
    "macos-arm64": "aarch64-macos.11.0",
    "windows-x86_64": "x86_64-windows-gnu",
    "windows-arm64": "aarch64-windows-gnu",
}
"""Platform name, as in the library's file name, and the compiler's name for it."""

WARNINGS = ["-Wall", "-Wextra", "-Werror", "-Wconversion", "-Wshadow", "-Wstrict-prototypes"]
STANDARD = ["-std=c11", "-ffp-contract=off", "-fvisibility=hidden"]
SUFFIXES = {"linux": ".so", "macos": ".dylib", "windows": ".dll"}


class CompileError(RuntimeError):
    """No compiler, or it failed; the message holds what it said."""


def host_platform() -> str:
    """Return the platform this Python runs on, such as ``linux-x86_64``."""
    if sys.platform == "win32":
        # platform.machine() names the machine, not the process (x86-64 Python on arm64).
        machine = sysconfig.get_platform().removeprefix("win-")
        system = "windows"
    else:
        machine = platform.machine().lower()
        system = {"darwin": "macos"}.get(sys.platform, sys.platform)
    machine = {"amd64": "x86_64", "aarch64": "arm64"}.get(machine, machine)
    return f"{system}-{machine}"


def library_name(platform_name: str) -> str:
    """Return the file name of the library for a platform."""
    suffix = SUFFIXES.get(platform_name.split("-", maxsplit=1)[0], ".so")
    return f"beamwright_kernels-{platform_name}{suffix}"


def sources() -> list[Path]:
    """Return the C files, sorted."""
    return sorted(SOURCE_FOLDER.glob("*.c"))


def _zig() -> list[str] | None:
    if importlib.util.find_spec("ziglang") is None:
        return None
    return [sys.executable, "-m", "ziglang", "cc"]


def _run(command: Sequence[str]) -> None:
    try:
        done = subprocess.run(command, capture_output=True, text=True, check=False)
    except OSError as error:
        raise CompileError(f"{command[0]} cannot be run: {error}") from error
    if done.returncode != 0:
        raise CompileError(f"{' '.join(command)}\n{done.stdout}{done.stderr}".rstrip())


def _compile(compiler: Sequence[str], platform_name: str, folder: Path) -> Path:
    """Compile into `folder`; a broken run leaves no half-written library."""
    folder.mkdir(parents=True, exist_ok=True)
    target = folder / library_name(platform_name)
    with tempfile.TemporaryDirectory(dir=folder, prefix=".build-") as scratch:
        # Windows linkers write import libraries and debug files beside the output.
        output = Path(scratch) / target.name
        command = [*compiler, *STANDARD, *WARNINGS, "-O3", "-shared", "-s"]
        if not platform_name.startswith("windows"):
            command.append("-fPIC")
        command += [*map(str, sources()), "-o", str(output)]
        if not platform_name.startswith(("windows", "macos")):
            command.append("-lm")
        _run(command)
        os.replace(output, target)
    return target


def build_for(platform_name: str, folder: Path = SOURCE_FOLDER) -> Path:
    """Cross-compile for one of `TARGETS` and return the library's path."""
    zig = _zig()
    if zig is None:
        raise CompileError(
            "The PyPI package ziglang is not installed; run `python -m pip install ziglang`."
        )
    return _compile([*zig, "-target", TARGETS[platform_name]], platform_name, folder)


def build_all(folder: Path = SOURCE_FOLDER) -> list[Path]:
    """Compile for all of `TARGETS`."""
    return [build_for(name, folder) for name in TARGETS]


def build_host(folder: Path = SOURCE_FOLDER) -> Path:
    """Compile for this machine with ziglang or, where it is missing, with ``cc``."""
    name = host_platform()
    if _zig() is not None and name in TARGETS:
        return build_for(name, folder)
    compiler = next((c for c in ("cc", "gcc", "clang") if shutil.which(c)), None)
    if compiler is None:
        raise CompileError(
            "No C compiler found; run `python -m pip install ziglang` and build again."
        )
    return _compile([compiler], name, folder)


def build_sanitized(folder: Path) -> Path:
    """Compile the library with AddressSanitizer and UndefinedBehaviorSanitizer.

    Needs gcc: its sanitizer runtime can be loaded into a Python that was not built with it.
    """
    if shutil.which("gcc") is None:
        raise CompileError("The sanitizers need gcc; install it and run again.")
    folder.mkdir(parents=True, exist_ok=True)
    target = folder / library_name(host_platform())
    checks = ["-fsanitize=address,undefined,float-cast-overflow", "-fno-sanitize-recover=all"]
    _run(
        [
            *("gcc", *STANDARD, *WARNINGS, "-O1", "-g", "-fno-omit-frame-pointer", *checks),
            *("-shared", "-fPIC", *map(str, sources()), "-o", str(target), "-lm"),
        ]
    )
    return target


def main(arguments: Sequence[str] | None = None) -> int:
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    which = parser.add_mutually_exclusive_group()
    which.add_argument("--all", action="store_true", help="all platforms, not this one alone")
    which.add_argument(
        "--sanitize",
        action="store_true",
        help="with address and UB sanitizers, for tests/sanitizers/run.py; needs --out",
    )
    parser.add_argument("--out", type=Path, help="folder of the result, else beside the sources")
    options = parser.parse_args(arguments)
    if options.sanitize and options.out is None:
        # Beside the sources it would be taken for the ordinary library, and fail to load.
        parser.error("--sanitize needs --out DIR; `python tests/sanitizers/run.py` does it all")
    folder = options.out or SOURCE_FOLDER
    try:
        if options.all:
            built = build_all(folder)
        elif options.sanitize:
            built = [build_sanitized(folder)]
        else:
            built = [build_host(folder)]
    except CompileError as error:
        sys.stderr.write(f"{error}\n")
        return 1
    for path in built:
        sys.stdout.write(f"{path} ({path.stat().st_size} bytes)\n")
    return 0


if __name__ == "__main__":
    sys.exit(main())
