# SPDX-License-Identifier: GPL-3.0-or-later
"""Run the kernels under AddressSanitizer, LeakSanitizer and UndefinedBehaviorSanitizer.

First `driver.c`, which feeds them broken input and failing allocations, then the kernel
tests on a sanitized library. Needs gcc and an environment with pytest:
``python tests/sanitizers/run.py``.
"""

from __future__ import annotations

import importlib.util
import os
import subprocess
import sys
import tempfile
from pathlib import Path

FOLDER = Path(__file__).resolve().parent
ROOT = FOLDER.parent.parent
KERNELS = ROOT / "core" / "kernels"
CHECKS = "-fsanitize=address,undefined,float-cast-overflow"


def builder():
    """Return core/kernels/build.py as a module."""
    spec = importlib.util.spec_from_file_location("build_kernels", KERNELS / "build.py")
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def run_driver(scratch: Path) -> int:
    program = scratch / "driver"
    wrapped = [f"-Wl,--wrap={name}" for name in ("malloc", "calloc", "realloc")]
    subprocess.run(
        [
            *("gcc", "-std=c11", "-O1", "-g", "-ffp-contract=off", "-fno-omit-frame-pointer"),
            *("-Wall", "-Wextra", "-Werror", CHECKS, "-fno-sanitize-recover=all"),
            *wrapped,
            f"-I{KERNELS}",
            *map(str, sorted(KERNELS.glob("*.c"))),
            *(str(FOLDER / "driver.c"), "-o", str(program), "-lm"),
        ],
        check=True,
    )
    return subprocess.run(
        [program],
        env={**os.environ, "ASAN_OPTIONS": "allocator_may_return_null=1"},
        check=False,
    ).returncode


def run_tests(scratch: Path) -> int:
    library = builder().build_sanitized(scratch)
    runtime = subprocess.run(
        ["gcc", "-print-file-name=libasan.so"], capture_output=True, text=True, check=True
    ).stdout.strip()
    environment = {
        **os.environ,
        "BEAMWRIGHT_TEST_LIBRARY": str(library),
        "BEAMWRIGHT_KERNELS": "numpy",  # what is imported must not be an ordinary library
        "LD_PRELOAD": runtime,
        # Python itself leaves memory behind; the driver looks for leaks.
        "ASAN_OPTIONS": "detect_leaks=0",
        "UBSAN_OPTIONS": "print_stacktrace=1:halt_on_error=1",
    }
    return subprocess.run(
        [
            *(sys.executable, "-m", "pytest", "-q", "-p", "no:cacheprovider", *sys.argv[1:]),
            str(ROOT / "tests" / "core" / "test_kernels.py"),
        ],
        cwd=ROOT,
        env=environment,
        check=False,
    ).returncode


def main() -> int:
    with tempfile.TemporaryDirectory(prefix="beamwright-sanitizers-") as name:
        return run_driver(Path(name)) or run_tests(Path(name))


if __name__ == "__main__":
    sys.exit(main())
