# SPDX-License-Identifier: GPL-3.0-or-later
"""Compile the native kernels during the build; everything else stands in pyproject.toml.

A build without a working compiler still succeeds: numpy then serves, and the log says so.
"""

from __future__ import annotations

import importlib.util
import sys
from pathlib import Path

from setuptools import Distribution, setup
from setuptools.command.bdist_wheel import bdist_wheel
from setuptools.command.build_py import build_py

KERNELS = Path(__file__).resolve().parent / "core" / "kernels"


def kernel_builder():
    """Return the module core/kernels/build.py, which needs the standard library only."""
    spec = importlib.util.spec_from_file_location("build_kernels", KERNELS / "build.py")
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


class BuildWithKernels(build_py):
    """Put the library beside the Python files: in the wheel, or in the checkout."""

    def run(self):
        super().run()
        builder = kernel_builder()
        package = Path("beamwright", "core", "kernels")
        folder = KERNELS if self.editable_mode else Path(self.build_lib) / package
        # A library of an earlier build must not pass for this one's.
        (folder / builder.library_name(builder.host_platform())).unlink(missing_ok=True)
        try:
            path = builder.build_host(folder)
        except (builder.CompileError, OSError) as error:
            sys.stderr.write(
                "beamwright: the native kernels were not compiled, so the slower numpy "
                f"implementation serves: {error}\n"
            )
        else:
            sys.stdout.write(f"beamwright: compiled {path}\n")


class PlatformWheel(bdist_wheel):
    """A wheel with a library fits one platform, but any Python 3."""

    def get_tag(self):
        platform = super().get_tag()[2]
        library = kernel_builder().library_name(kernel_builder().host_platform())
        compiled = next(Path(self.bdist_dir).rglob(library), None) is not None
        if not compiled:
            platform = "any"
        return "py3", "none", platform


class WithLibrary(Distribution):
    """Ask for a platform wheel; `PlatformWheel` decides."""

    def has_ext_modules(self):
        return True


setup(
    cmdclass={"build_py": BuildWithKernels, "bdist_wheel": PlatformWheel},
    distclass=WithLibrary,
)
