# SPDX-License-Identifier: GPL-3.0-or-later
"""What ships, what depends on what, and what every file must carry.

Sources: the extension manifest's rules as Blender's documentation of extensions states
them (the builder checks only a part of them); the wheel file name convention (PyPA
specification "Binary distribution format"); this project's own house rules.
"""

from __future__ import annotations

import ast
import gzip
import importlib.util
import re
import subprocess
import sys
import tomllib
import zipfile
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from types import ModuleType

import pytest

ROOT = Path(__file__).resolve().parent.parent
BLENDER_MODULES = {
    "bpy", "bmesh", "mathutils", "gpu", "gpu_extras", "bpy_extras", "blf", "bl_math", "aud",
    "idprop", "imbuf", "addon_utils",
}  # fmt: skip
THIRD_PARTY = {"numpy", "shapely", "wasmtime"}
ROOMS = {"lines", "artwork", "effects", "points", "output", "safety", "live", "report", "show"}
# What every room may know; `documents` reads text files and `writing` cuts polylines by
# length, and neither knows a room.
RECORDS = {"errors", "documents", "scene", "strokes", "frame", "version", "writing"}
COMPOSERS = {"pipeline", "sequence", "proof", "proof_video", "commands", "live_show", "cli"}
# What a room may import besides itself and the records; the composers are free.
ALLOWED = {
    "lines": {"kernels"},
    "artwork": set(),
    "effects": set(),
    "points": {"kernels"},
    "output": set(),
    "safety": {"points.scanner", "points.projector", "kernels"},
    "live": {"safety", "points.projector"},
    "report": {"points.projector"},
    "show": {"points.projector", "report.figures", "safety.scanned"},
    "kernels": set(),
}
# These run whole shows and so compose.
ROOM_COMPOSERS = {"show.jobs", "show.render", "show.work"}


def load_builder(path: str = "packaging/build_extension.py") -> ModuleType:
    """Return a build script as a module."""
    spec = importlib.util.spec_from_file_location(Path(path).stem, ROOT / path)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def project_files() -> list[str]:
    """Return what is or would be under version control, as paths from the root."""
    listed = subprocess.run(
        ["git", "ls-files", "--cached", "--others", "--exclude-standard"],
        cwd=ROOT,
        capture_output=True,
        text=True,
        check=False,
    )
    if listed.returncode:
        pytest.skip("not a git checkout")
    return sorted(name for name in set(listed.stdout.splitlines()) if (ROOT / name).is_file())


@pytest.fixture(scope="module")
def pyproject() -> dict:
    return tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))


@pytest.fixture(scope="module")
def manifest() -> dict:
    return tomllib.loads((ROOT / "blender_manifest.toml").read_text(encoding="utf-8"))


# --- versions, packages, licences -----------------------------------------------------


def test_version_is_the_same_everywhere(pyproject: dict, manifest: dict) -> None:
    """Manifest, package and changelog speak of one version."""
    version = manifest["version"]
    assert re.fullmatch(r"\d+\.\d+\.\d+(-[0-9A-Za-z.-]+)?", version)
    assert version == pyproject["project"]["version"]
    changelog = (ROOT / "CHANGELOG.md").read_text(encoding="utf-8")
    headings = re.findall(r"^## \[(.+?)\]", changelog, re.MULTILINE)
    assert headings[0] == "Unreleased"
    assert version in headings


def test_every_package_is_listed(pyproject: dict) -> None:
    """The list of packages is the list of folders with an `__init__.py`."""
    folders = {
        path.parent.relative_to(ROOT)
        for top in ("addon", "core")
        for path in (ROOT / top).rglob("__init__.py")
    }
    expected = {"beamwright": "."} | {
        "beamwright." + ".".join(folder.parts): folder.as_posix() for folder in folders
    }
    setuptools = pyproject["tool"]["setuptools"]
    assert set(expected) == set(setuptools["packages"])
    assert expected == setuptools["package-dir"]


def test_no_folder_of_modules_lacks_an_init() -> None:
    """A folder with modules but no `__init__.py` would be left out of the wheel."""
    bare = {
        path.parent.relative_to(ROOT).as_posix()
        for top in ("addon", "core")
        for path in (ROOT / top).rglob("*.py")
        if not (path.parent / "__init__.py").exists()
    }
    assert bare == set()


def test_every_source_file_has_its_licence_line() -> None:
    """The first line (the second after a `#!`) is the SPDX line and nothing else."""
    line = "SPDX-License-Identifier: GPL-3.0-or-later"
    forms = {"# " + line, "// " + line, f"/* {line} */"}
    wrong = []
    for name in project_files():
        path = ROOT / name
        if path.suffix not in {".py", ".c", ".h", ".sh"} and name not in {
            "Makefile",
            ".ci/run",
            "blender_manifest.toml",
        }:
            continue
        lines = path.read_text(encoding="utf-8").splitlines()
        first = lines[1 if lines and lines[0].startswith("#!") else 0] if lines else ""
        if first not in forms:
            wrong.append(name)
    assert wrong == [], wrong


def test_shipped_assets_have_a_licence_beside_them() -> None:
    """Whatever is no source of ours stands in a folder with a licence file."""
    source = {".py", ".c", ".h", ".md", ".toml", ".txt", ".html", ".css", ".js", ""}
    lacking = [
        name
        for name in project_files()
        if name.startswith(("core/", "addon/", "sample_scenes/"))
        and Path(name).suffix not in source
        and not list((ROOT / name).parent.glob("*LICENSE*"))
    ]
    assert lacking == []


def test_sample_scenes_are_small_and_have_their_builders() -> None:
    """Each scene is below one megabyte and is built by the script beside it."""
    scenes = sorted((ROOT / "sample_scenes").glob("*.blend"))
    assert {scene.stem for scene in scenes} >= {"lighthouse", "harbour"}
    for scene in scenes:
        assert scene.stat().st_size < 1_000_000, scene.name
        assert (scene.parent / f"build_{scene.stem}.py").exists(), scene.name


# --- the manifest ---------------------------------------------------------------------


def test_manifest_holds_to_the_rules_the_builder_does_not_check(manifest: dict) -> None:
    """Known keys, licence, tags and permissions (documentation of Blender's extensions)."""
    known = {
        "schema_version", "id", "version", "name", "tagline", "maintainer", "type", "license",
        "blender_version_min", "blender_version_max", "website", "copyright", "tags", "platforms",
        "wheels", "permissions", "build",
    }  # fmt: skip
    assert set(manifest) <= known
    assert manifest["license"] == ["SPDX:GPL-3.0-or-later"]
    assert manifest["type"] == "add-on"
    assert manifest["id"].isidentifier()
    assert manifest["blender_version_min"] == "4.5.0"
    # Subset of the tag list for add-ons in the documentation.
    tags = {
        "3D View", "Animation", "Camera", "Compositing", "Geometry Nodes", "Grease Pencil",
        "Import-Export", "Lighting", "Mesh", "Modeling", "Object", "Pipeline", "Render", "Scene",
        "Sequencer", "System", "User Interface",
    }  # fmt: skip
    assert set(manifest["tags"]) <= tags
    assert set(manifest["permissions"]) <= {"files", "network", "clipboard", "camera", "microphone"}
    for text in (manifest["tagline"], *manifest["permissions"].values()):
        assert len(text) <= 64
        assert text[-1].isalnum() or text[-1] in ")]}"
    assert all(re.match(r"\d{4}(-\d{4})? \S", entry) for entry in manifest["copyright"])


def test_completed_manifest_declares_its_platform_and_wheels(manifest: dict) -> None:
    """The builder's additions stand at the top level and change nothing else."""
    builder = load_builder()
    text = (ROOT / "blender_manifest.toml").read_text(encoding="utf-8")
    wheel = Path("shapely-2.2.0-cp311-cp311-win_amd64.whl")
    completed = tomllib.loads(builder.complete_manifest(text, "windows-x64", [wheel]))
    assert completed.pop("platforms") == ["windows-x64"]
    assert completed.pop("wheels") == [f"./wheels/{wheel.name}"]
    assert completed == manifest


def test_wheels_are_pinned_for_every_platform_and_python() -> None:
    """One hash for each wheel: all platforms times all Pythons, for each pinned name."""
    builder = load_builder()
    pins = builder.PINS.read_text(encoding="utf-8")
    names = re.findall(r"^([\w.-]+)==\d[\w.]*", pins, re.MULTILINE)
    hashes = re.findall(r"--hash=sha256:([0-9a-f]{64})", pins)
    assert names == ["shapely", "wasmtime"]
    # shapely is built for each Python, wasmtime serves all.
    assert len(set(hashes)) == len(builder.PLATFORMS) * (len(builder.PYTHONS) + 1)
    assert set(builder.PYTHONS) == {"3.11", "3.13", "3.14"}
    assert set(builder.PLATFORMS) >= {"linux-x64", "macos-x64", "macos-arm64", "windows-x64"}
    assert set(builder.PLATFORMS) == set(builder.KERNEL_NAMES)


@pytest.mark.parametrize(
    ("tag", "expected"),
    [
        ("manylinux_2_24_x86_64.manylinux_2_28_x86_64", ("manylinux", "x86_64")),
        ("manylinux_2_28_aarch64", ("manylinux", "aarch64")),
        ("macosx_10_9_x86_64", ("macosx", "x86_64")),
        ("macosx_11_0_arm64", ("macosx", "arm64")),
        ("win_amd64", ("win", "amd64")),
        ("win_arm64", ("win", "arm64")),
    ],
)
def test_platform_of_a_wheel_is_read_from_its_name(tag: str, expected: tuple[str, str]) -> None:
    """Versions in the tag do not count."""
    assert load_builder().platform_of_tag(tag) == expected


# --- the zip --------------------------------------------------------------------------


@pytest.fixture(scope="module")
def zip_names(tmp_path_factory: pytest.TempPathFactory) -> set[str]:
    """Names in a zip built by Blender's own builder, without wheels and compiled parts."""
    pytest.importorskip("bpy")
    output = tmp_path_factory.mktemp("zip")
    command = [sys.executable, str(ROOT / "packaging" / "build_extension.py")]
    command += ["--platform", "linux-x64", "--without-wheels", "--without-kernels"]
    subprocess.run([*command, "--output", str(output)], check=True, capture_output=True)
    (built,) = output.glob("*.zip")
    assert built.name.startswith("beamwright-")
    with zipfile.ZipFile(built) as archive:
        return {name for name in archive.namelist() if not name.endswith("/")}


def test_zip_holds_exactly_what_is_expected(zip_names: set[str]) -> None:
    """Root, manifest, licence, and all of addon/ and core/ under version control."""
    expected = {"__init__.py", "blender_manifest.toml", "LICENSE"}
    expected |= {name for name in project_files() if name.startswith(("addon/", "core/"))}
    expected |= {"core/artwork/usvg.wasm"}  # fetched when building, its licence is beside it
    assert zip_names == expected


def test_zip_holds_nothing_that_is_not_for_the_artist(zip_names: set[str]) -> None:
    """No tests, tools, caches or leftovers, whatever lies in the checkout."""
    unwanted = re.compile(
        r"(^|/)(tests?|docs|packaging|sample_scenes|build|dist|__pycache__|\.[^/]+)(/|$)"
        r"|\.(pyc|blend\d|zip|ild)$|(^|/)(pyproject\.toml|setup\.py|Makefile)$"
    )
    assert [name for name in sorted(zip_names) if unwanted.search(name)] == []


def test_plain_build_of_the_checkout_holds_the_same(zip_names: set[str], tmp_path: Path) -> None:
    """`blender --command extension build` on the checkout itself ships the same sources."""
    builder = load_builder().find_builder()
    subprocess.run(
        [sys.executable, str(builder), "build", "--source-dir", str(ROOT),
         "--output-filepath", str(tmp_path / "plain.zip")],
        check=True,
        capture_output=True,
    )  # fmt: skip
    with zipfile.ZipFile(tmp_path / "plain.zip") as archive:
        names = {name for name in archive.namelist() if not name.endswith("/")}
    compiled = {name for name in names if name.endswith((".so", ".dylib", ".dll"))}
    assert names - compiled == zip_names


def test_each_platform_gets_its_own_library(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Of the libraries for all platforms, a zip holds the one that its platform loads."""
    builder, kernels = load_builder(), load_builder("core/kernels/build.py")
    assert len(kernels.TARGETS) == len(builder.PLATFORMS)
    monkeypatch.setattr(builder, "LIBRARIES", tmp_path / "libraries")
    monkeypatch.setattr(builder, "STAGE", tmp_path / "stage")
    builder.LIBRARIES.mkdir()
    names = {name: kernels.library_name(name) for name in kernels.TARGETS}
    for library in names.values():
        (builder.LIBRARIES / library).write_bytes(library.encode())
    (builder.LIBRARIES / "beamwright_kernels-windows-x86_64.lib").touch()
    for platform in builder.PLATFORMS:
        staged = builder.stage(platform, [])
        held = {path for path in staged.rglob("*") if path.suffix in {".so", ".dylib", ".dll"}}
        own = names[builder.KERNEL_NAMES[platform]]
        assert {path.relative_to(staged).as_posix() for path in held} == {f"core/kernels/{own}"}
        assert held.pop().read_bytes() == own.encode()


def test_zip_that_lacks_something_is_refused(tmp_path: Path) -> None:
    """The last step of the build compares the zip with what was put together."""
    builder = load_builder()
    source = tmp_path / "source"
    (source / "core").mkdir(parents=True)
    (source / "core" / "one.py").write_text("one")
    with zipfile.ZipFile(tmp_path / "a.zip", "w") as archive:
        archive.write(source / "core" / "one.py", "core/one.py")
    builder.check_zip(tmp_path / "a.zip", source)
    (source / "two.py").write_text("two")
    with pytest.raises(SystemExit, match=r"two\.py"):
        builder.check_zip(tmp_path / "a.zip", source)


# --- who imports whom -----------------------------------------------------------------


@dataclass(frozen=True)
class Import:
    """One import: from a module of ours, to a module named from the root or outside."""

    source: str
    target: str
    own: bool
    typing_only: bool
    deferred: bool


def own_modules() -> dict[str, Path]:
    """Return our modules by dotted name from the root: `core.lines.chaining`, `addon`, …"""
    modules = {}
    for top in ("addon", "core"):
        for path in (ROOT / top).rglob("*.py"):
            parts = path.relative_to(ROOT).with_suffix("").parts
            modules[".".join(parts[:-1] if parts[-1] == "__init__" else parts)] = path
    return modules


MODULES = own_modules()


def imports_of(name: str, path: Path) -> Iterator[Import]:
    """Yield every import of a module, those inside functions included."""
    package = name.split(".") if path.name == "__init__.py" else name.split(".")[:-1]
    tree = ast.parse(path.read_text(encoding="utf-8"))
    yield from walk(tree, name, package, typing_only=False, deferred=False)


def walk(
    node: ast.AST, name: str, package: list[str], *, typing_only: bool, deferred: bool
) -> Iterator[Import]:
    """Descend, noting `if TYPE_CHECKING` and what only happens inside a function."""
    if isinstance(node, ast.If) and ast.unparse(node.test).endswith("TYPE_CHECKING"):
        for child in node.body:
            yield from walk(child, name, package, typing_only=True, deferred=deferred)
        for child in node.orelse:
            yield from walk(child, name, package, typing_only=typing_only, deferred=deferred)
        return
    if isinstance(node, ast.Import):
        for alias in node.names:
            yield Import(name, alias.name, False, typing_only, deferred)
    elif isinstance(node, ast.ImportFrom):
        if node.level == 0:
            yield Import(name, node.module or "", False, typing_only, deferred)
        else:
            base = package[: len(package) - node.level + 1]
            base = base + (node.module.split(".") if node.module else [])
            for alias in node.names:
                whole = ".".join([*base, alias.name])
                target = whole if whole in MODULES else ".".join(base)
                yield Import(name, target, True, typing_only, deferred)
    inner = deferred or isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef | ast.Lambda)
    for child in ast.iter_child_nodes(node):
        yield from walk(child, name, package, typing_only=typing_only, deferred=inner)


ALL_IMPORTS = [found for name, path in MODULES.items() for found in imports_of(name, path)]


def test_imports_were_found() -> None:
    """The scan sees the tree: else the rules below would hold for nothing."""
    assert len(MODULES) > 20
    assert any(found.own for found in ALL_IMPORTS)
    assert any(found.target == "numpy" for found in ALL_IMPORTS)


def test_relative_imports_lead_somewhere() -> None:
    """Every relative import names a module of ours."""
    unknown = [found for found in ALL_IMPORTS if found.own and found.target not in MODULES]
    # The root itself holds nothing to import.
    assert unknown == []


def test_core_knows_neither_blender_nor_the_addon() -> None:
    """No module of core imports Blender or the add-on, not even inside a function."""
    wrong = [
        found
        for found in ALL_IMPORTS
        if found.source.split(".")[0] == "core"
        and (
            found.target.split(".")[0] in BLENDER_MODULES
            or (found.own and found.target.split(".")[0] == "addon")
        )
    ]
    assert wrong == [], wrong


def test_own_code_is_imported_relatively() -> None:
    """Inside Blender the package has another name: no absolute import of ours."""
    own = {"beamwright", "core", "addon", "bl_ext"}
    wrong = [found for found in ALL_IMPORTS if not found.own and found.target.split(".")[0] in own]
    assert wrong == [], wrong


def test_dependencies_are_the_declared_ones() -> None:
    """Everything else comes from the standard library."""
    known = THIRD_PARTY | set(sys.stdlib_module_names)
    wrong = [
        found
        for found in ALL_IMPORTS
        if not found.own
        and found.target.split(".")[0] not in known
        and not (found.source.startswith("addon") and found.target.split(".")[0] in BLENDER_MODULES)
    ]
    assert wrong == [], wrong


def core_part(module: str) -> str:
    """Return `lines.chaining` for `core.lines.chaining`; empty for core itself."""
    return module.partition(".")[2]


def test_rooms_do_not_import_one_another() -> None:
    """A room imports itself, the records and what ALLOWED grants; only composers compose."""
    wrong = []
    for found in ALL_IMPORTS:
        if not (found.own and found.source.startswith("core.") and found.target != "core"):
            continue
        source, target = core_part(found.source), core_part(found.target)
        room = source.split(".")[0]
        if room in COMPOSERS or source in ROOM_COMPOSERS:
            continue
        if room in RECORDS:
            # Records know one another; for typing alone, a scene source knows projectors.
            fine = target.split(".")[0] in RECORDS or (
                found.typing_only and target == "points.projector"
            )
        else:
            allowed = ALLOWED.get(room, set())
            fine = (
                target.split(".")[0] in RECORDS | {room}
                or target in allowed
                or target.split(".")[0] in allowed
            )
        if not fine:
            wrong.append(f"{found.source} → {found.target}")
    assert wrong == [], wrong


def test_every_room_has_its_rule() -> None:
    """A new folder of core needs a decision here."""
    folders = {path.parent.name for path in (ROOT / "core").glob("*/__init__.py")}
    assert folders == set(ALLOWED) == ROOMS | {"kernels"}


def test_no_module_imports_itself_in_a_circle() -> None:
    """The graph of imports has no circle, inside functions neither.

    Those for typing alone do not count, nor do those of the add-on's `register`, which is
    what makes `addon` importable without Blender.
    """
    graph: dict[str, set[str]] = {name: set() for name in MODULES}
    for found in ALL_IMPORTS:
        registering = found.source == "addon" and found.deferred
        if found.own and not found.typing_only and not registering:
            graph[found.source].add(found.target)
    state: dict[str, int] = {}

    def visit(name: str, trail: list[str]) -> None:
        if state.get(name) == 2:
            return
        assert state.get(name) != 1, " → ".join([*trail[trail.index(name) :], name])
        state[name] = 1
        for target in sorted(graph[name]):
            visit(target, [*trail, name])
        state[name] = 2

    for name in sorted(graph):
        visit(name, [])


def test_no_file_names_a_machine() -> None:
    """No path of somebody's machine and no package host in what is under version control."""
    # Written in pieces, so that this file does not find itself.
    pattern = re.compile("|".join(["/" + "root/", "/" + "home/", "pypi" + r"\.org", "/" + "work/"]))
    found = []
    for name in project_files():
        content = (ROOT / name).read_bytes()
        if name.endswith(".blend"):  # Blender notes in it where it was saved
            content = gzip.decompress(content)
        text = content.decode("latin-1")
        found += [f"{name}: {hit.group()}" for hit in pattern.finditer(text)]
    assert found == []
