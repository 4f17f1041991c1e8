# SPDX-License-Identifier: GPL-3.0-or-later
"""Build the extension zips, one for each platform, with Blender's own builder.

    python packaging/build_extension.py                   all platforms, into dist/
    python packaging/build_extension.py --platform linux-x64
    python packaging/build_extension.py --without-wheels  for a Python that has shapely itself

Each zip holds Beamwright, the platform's compiled kernels, the SVG preprocessor, and the
third-party wheels of `wheels.txt` for every Python that a supported Blender may have. The
sources are copied to build/extension first, so that the checkout's manifest stays as it is.
"""

from __future__ import annotations

import argparse
import hashlib
import importlib.util
import re
import shutil
import subprocess
import sys
import tomllib
import zipfile
from collections.abc import Sequence
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
WHEELS = ROOT / "wheels"
STAGE = ROOT / "build" / "extension"
LIBRARIES = ROOT / "build" / "kernels"
PINS = ROOT / "packaging" / "wheels.txt"
KERNELS = ROOT / "core" / "kernels"
CONTENT = ("__init__.py", "blender_manifest.toml", "LICENSE", "addon", "core")
LIBRARY_SUFFIXES = (".so", ".dylib", ".dll")
PYTHONS = ("3.11", "3.13", "3.14")
# Blender's name of a platform: pip's tags for it, the most modern first.
PLATFORMS = {
    "linux-x64": ("manylinux_2_28_x86_64", "manylinux2014_x86_64", "manylinux1_x86_64"),
    "linux-arm64": ("manylinux_2_28_aarch64", "manylinux2014_aarch64"),
    "macos-x64": ("macosx_10_15_x86_64",),
    "macos-arm64": ("macosx_11_0_arm64",),
    "windows-x64": ("win_amd64",),
    "windows-arm64": ("win_arm64",),
}
# How core/kernels/build.py calls the same platforms in the names of its libraries.
KERNEL_NAMES = {
    "linux-x64": "linux-x86_64",
    "linux-arm64": "linux-arm64",
    "macos-x64": "macos-x86_64",
    "macos-arm64": "macos-arm64",
    "windows-x64": "windows-x86_64",
    "windows-arm64": "windows-arm64",
}


def main(arguments: Sequence[str] | None = None) -> int:
    """Build, and print one line for each zip."""
    parser = argparse.ArgumentParser(prog="build_extension", description=__doc__.splitlines()[0])
    parser.add_argument("--platform", action="append", choices=PLATFORMS, help="repeatable")
    parser.add_argument("--output", type=Path, default=ROOT / "dist")
    parser.add_argument("--without-wheels", action="store_true")
    parser.add_argument("--without-kernels", action="store_true")
    chosen = parser.parse_args(arguments)
    builder = find_builder()
    chosen.output.mkdir(parents=True, exist_ok=True)
    run([str(ROOT / "packaging" / "fetch_usvg.py")], "Fetching the SVG preprocessor")
    if not chosen.without_kernels:
        build_kernels()
    for platform in chosen.platform or PLATFORMS:
        wheels = [] if chosen.without_wheels else collect_wheels(platform)
        source = stage(platform, wheels, with_kernels=not chosen.without_kernels)
        target = build(builder, source, platform, chosen.output)
        print(f"{target}  {target.stat().st_size / 1e6:.1f} MB, {len(wheels)} wheels", flush=True)
    return 0


def find_builder() -> Path:
    """Return Blender's builder, a plain Python program inside the bpy module."""
    spec = importlib.util.find_spec("bpy")
    if spec is not None and spec.origin is not None:
        found = sorted(Path(spec.origin).parent.glob("*/scripts/addons_core/bl_pkg/cli"))
        if found:
            return found[-1] / "blender_ext.py"
    raise SystemExit(
        "Blender's builder comes with the bpy module: pip install 'beamwright[blender]'"
    )


def build_kernels() -> None:
    """Cross-compile the kernels for all platforms."""
    run([str(KERNELS / "build.py"), "--all", "--out", str(LIBRARIES)], "Compiling the kernels")


def run(command: Sequence[str], purpose: str) -> None:
    """Run a Python program; show what it said only where it fails."""
    result = subprocess.run(
        [sys.executable, *command], capture_output=True, text=True, check=False, cwd=ROOT
    )
    if result.returncode:
        raise SystemExit(f"{purpose} failed:\n{result.stdout}{result.stderr}")


def collect_wheels(platform: str) -> list[Path]:
    """Return the platform's wheels for all Pythons; download what is missing."""
    pins = PINS.read_text(encoding="utf-8")
    hashes = set(re.findall(r"sha256:([0-9a-f]{64})", pins))
    names = re.findall(r"^([A-Za-z0-9_.-]+)==([0-9A-Za-z.]+)", pins, re.MULTILINE)
    WHEELS.mkdir(exist_ok=True)
    wheels: dict[Path, None] = {}
    for python in PYTHONS:
        for name, version in names:
            found = matching_wheel(name, version, python, platform, hashes)
            if found is None:
                download(python, platform)
                found = matching_wheel(name, version, python, platform, hashes)
            if found is None:
                raise SystemExit(f"No wheel of {name} {version} for {platform}, Python {python}.")
            wheels[found] = None
    return list(wheels)


def matching_wheel(
    name: str, version: str, python: str, platform: str, hashes: set[str]
) -> Path | None:
    """Return the wheel in `wheels/` that fits and has one of the pinned hashes."""
    tag = "cp" + python.replace(".", "")
    for wheel in sorted(WHEELS.glob(f"{name}-{version}-*.whl")):
        *_, interpreter, abi, system = wheel.stem.split("-")
        if (interpreter, abi) not in {(tag, tag), ("py3", "none")}:
            continue
        if platform_of_tag(system) != platform_of_tag(PLATFORMS[platform][0]):
            continue
        if hashlib.sha256(wheel.read_bytes()).hexdigest() in hashes:
            return wheel
    return None


def platform_of_tag(tag: str) -> tuple[str, str]:
    """Split a platform tag into system and machine, versions left out."""
    for system in ("manylinux", "macosx", "win"):
        if tag.startswith(system):
            for machine in ("x86_64", "aarch64", "arm64", "amd64"):
                if tag.endswith(machine):
                    return system, machine
    raise ValueError(f"unknown platform tag {tag!r}")


def download(python: str, platform: str) -> None:
    """Fetch the pinned wheels for one Python and platform; pip checks the hashes."""
    command = ["-m", "pip", "download", "--disable-pip-version-check", "--quiet"]
    command += ["--no-deps", "--only-binary=:all:", "--require-hashes", "--dest", str(WHEELS)]
    command += ["--python-version", python, "--implementation", "cp"]
    for pip_tag in PLATFORMS[platform]:
        command += ["--platform", pip_tag]
    run([*command, "-r", str(PINS)], "Downloading the wheels")


def kernel_library(platform: str) -> Path:
    """Return the compiled library that belongs to a platform."""
    found = [
        path
        for path in sorted(LIBRARIES.glob(f"*-{KERNEL_NAMES[platform]}.*"))
        if path.suffix in LIBRARY_SUFFIXES
    ]
    if len(found) != 1:
        raise SystemExit(f"Expected one kernel library for {platform}, found {len(found)}.")
    return found[0]


def stage(platform: str, wheels: Sequence[Path], *, with_kernels: bool = True) -> Path:
    """Copy what the zip shall hold, and complete the manifest; return the folder."""
    target = STAGE / platform
    shutil.rmtree(target, ignore_errors=True)
    target.mkdir(parents=True)
    libraries = tuple(f"*{suffix}" for suffix in LIBRARY_SUFFIXES)
    ignore = shutil.ignore_patterns("__pycache__", ".*", "*.blend[1-9]", "*.lib", *libraries)
    for name in CONTENT:
        source = ROOT / name
        if source.is_dir():
            shutil.copytree(source, target / name, ignore=ignore)
        else:
            shutil.copy2(source, target / name)
    if with_kernels:
        library = kernel_library(platform)
        shutil.copy2(library, target / "core" / "kernels" / library.name)
    for wheel in wheels:
        (target / "wheels").mkdir(exist_ok=True)
        shutil.copy2(wheel, target / "wheels" / wheel.name)
    manifest = target / "blender_manifest.toml"
    text = manifest.read_text(encoding="utf-8")
    manifest.write_text(complete_manifest(text, platform, wheels), encoding="utf-8")
    return target


def complete_manifest(text: str, platform: str, wheels: Sequence[Path]) -> str:
    """Add platform and wheels to the manifest, before its first table."""
    added = [f'platforms = ["{platform}"]'] if wheels else []
    if wheels:
        added += ["wheels = [", *(f'  "./wheels/{wheel.name}",' for wheel in wheels), "]"]
    head, mark, tail = text.partition("\n[")
    completed = head + "".join(f"\n{line}" for line in added) + "\n" + mark + tail
    tomllib.loads(completed)
    return completed


def build(builder: Path, source: Path, platform: str, output: Path) -> Path:
    """Validate and build one folder with Blender's program; return the zip."""
    with (source / "blender_manifest.toml").open("rb") as file:
        manifest = tomllib.load(file)
    name = f"{manifest['id']}-{manifest['version']}-{platform.replace('-', '_')}.zip"
    target = output.resolve() / name
    run([str(builder), "validate", str(source)], f"Validating the manifest for {platform}")
    run(
        [str(builder), "build", "--source-dir", str(source), "--output-filepath", str(target)],
        f"Building the zip for {platform}",
    )
    check_zip(target, source)
    return target


def check_zip(built: Path, source: Path) -> None:
    """Refuse a zip that does not hold exactly the files of its folder."""
    expected = {path.relative_to(source).as_posix() for path in source.rglob("*") if path.is_file()}
    with zipfile.ZipFile(built) as archive:
        held = {name for name in archive.namelist() if not name.endswith("/")}
    if held != expected:
        differing = ", ".join(sorted(held ^ expected))
        raise SystemExit(f"{built.name} does not hold what was put together for it: {differing}")


if __name__ == "__main__":
    raise SystemExit(main())
