# SPDX-License-Identifier: GPL-3.0-or-later
"""Run usvg, the SVG preprocessor, as a WebAssembly component in a closed room.

usvg resolves style sheets, inheritance, `use`, nested pages, units, markers and text into
plain paths. It runs with no network and no files but its input, its output and, for text, the
folder of the lettering font (read only); its time is bounded by fuel, its memory by the store.
Needs `wasmtime` (the extra ``artwork``) and usvg.wasm (packaging/fetch_usvg.py).
"""

from __future__ import annotations

import contextlib
import hashlib
import itertools
import os
import platform
import tempfile
import weakref
from dataclasses import dataclass
from functools import cached_property
from importlib import import_module
from importlib.metadata import version
from pathlib import Path
from typing import Any

from ..errors import FormatError, HostError
from .lettering import FONT_FAMILY, FONT_PATH

__all__ = ["Usvg", "UsvgLimits", "usvg_missing"]

WASM_PATH = Path(__file__).with_name("usvg.wasm")
FONT_FOLDER = "/fonts"


@dataclass(frozen=True, slots=True)
class UsvgLimits:
    """What one run may use.

    Attributes
    ----------
    fuel
        Instructions; ten thousand million take about a second. A page of 100 shapes takes
        thirty million.
    memory_bytes
        Linear memory.
    output_bytes
        Size of the simplified file.
    """

    fuel: int = 60_000_000_000
    memory_bytes: int = 768 << 20
    output_bytes: int = 64 << 20


def usvg_missing() -> str:
    """Say what must be installed before SVG files can be read; empty where nothing is."""
    try:
        _wasmtime()
    except ImportError:
        return 'Reading SVG files needs the Python package wasmtime: install "beamwright[artwork]".'
    if not WASM_PATH.exists():
        return (
            f"Reading SVG files needs {WASM_PATH.name} beside the artwork modules: "
            "run packaging/fetch_usvg.py once."
        )
    return ""


def _wasmtime() -> tuple[Any, Any]:
    """The optional package and its part for components."""
    return import_module("wasmtime"), import_module("wasmtime.component")


class Usvg:
    """The compiled preprocessor; make one and keep it. Runs may overlap in threads.

    Parameters
    ----------
    cache_folder
        Private folder of the user for the compiled program (5 MB). It holds native code, so it
        must be one nobody else can write to; without a folder each process compiles anew
        (a second).
    limits
        Bounds of each run.

    Raises
    ------
    HostError
        wasmtime or usvg.wasm is missing.
    """

    def __init__(self, cache_folder: Path | None = None, limits: UsvgLimits | None = None) -> None:
        if reason := usvg_missing():
            raise HostError(reason)
        self.cache_folder = cache_folder
        self.limits = limits or UsvgLimits()
        self._numbers = itertools.count()
        self._folder = tempfile.TemporaryDirectory(prefix="beamwright-", ignore_cleanup_errors=True)

    def close(self) -> None:
        """Remove the folder of exchange files."""
        self._folder.cleanup()

    def __enter__(self) -> Usvg:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def run(
        self, source: bytes, name: str, *, text: bool = False, preserve_text: bool = False
    ) -> tuple[bytes, list[str]]:
        """Simplify one SVG document.

        Parameters
        ----------
        source
            UTF-8.
        name
            Names the document in messages.
        text
            Offer the lettering font, so that text becomes paths; without it text is dropped.
        preserve_text
            Keep text as text elements.

        Returns
        -------
        simplified : bytes
        warnings : list of str
            As usvg words them, each once.

        Raises
        ------
        FormatError
            Not SVG, or beyond the limits; names the document.
        """
        wasmtime, _ = _wasmtime()
        engine, program, linker, entry = self._loaded
        number = next(self._numbers)
        paths = [Path(self._folder.name) / f"{number}.{end}" for end in ("in", "out", "err")]
        paths[0].write_bytes(source)
        arguments = ["usvg", "--skip-system-fonts"]
        if text:
            arguments += ["--use-font-file", f"{FONT_FOLDER}/{FONT_PATH.name}"]
            arguments += ["--font-family", FONT_FAMILY, "--serif-family", FONT_FAMILY]
        if preserve_text:
            arguments.append("--preserve-text")
        config = wasmtime.WasiConfig()
        config.argv = [*arguments, "-", "-c"]
        config.stdin_file, config.stdout_file, config.stderr_file = map(str, paths)
        if text:
            config.preopen_dir(str(FONT_PATH.parent), FONT_FOLDER, False)
        try:
            store = wasmtime.Store(engine)
            store.set_wasi(config)
            store.set_fuel(self.limits.fuel)
            store.set_limits(memory_size=self.limits.memory_bytes)
            code, trap = 0, ""
            try:
                instance = linker.instantiate(store, program)
                outer = instance.get_export_index(store, entry)
                run = instance.get_func(store, instance.get_export_index(store, "run", outer))
                run(store)
            except wasmtime.ExitTrap as stop:  # the normal end, too, may arrive as an exit
                code = stop.code
            except wasmtime.WasmtimeError as error:
                trap = str(error)
            spent = store.get_fuel() == 0 or "fuel" in trap
            store.close()
            messages = paths[2].read_text("utf-8", errors="replace").splitlines()
            self._check(name, code, trap, spent, messages, paths[1].stat().st_size)
            return paths[1].read_bytes(), list(dict.fromkeys(filter(None, messages)))
        finally:
            for path in paths:
                with contextlib.suppress(OSError):
                    path.unlink()

    def _check(
        self, name: str, code: int, trap: str, spent: bool, messages: list[str], size: int
    ) -> None:
        """Raise the fitting error where a run did not end well."""
        if spent:
            raise FormatError(
                f"{name} takes too long to read: it is far more complex than a drawing. "
                "Simplify it in the program it comes from."
            )
        if trap:
            raise FormatError(
                f"{name} cannot be read: it needs more than {self.limits.memory_bytes >> 20} MB "
                "or is nested too deeply. Simplify it in the program it comes from."
            )
        if code:
            reason = messages[-1] if messages else "no reason given"
            reason = reason.removeprefix("Error: ").removeprefix("SVG data parsing failed cause ")
            if "invalid size" in reason:
                raise FormatError(
                    f"{name} has no page: its width, its height or its viewBox is 0 or below. Set "
                    "the size of the page in the program it comes from."
                )
            raise FormatError(f"{name} is not a readable SVG file: {reason.rstrip('.')}.")
        if size > self.limits.output_bytes:
            raise FormatError(
                f"{name} holds {size >> 20} MB of shapes, more than the limit of "
                f"{self.limits.output_bytes >> 20} MB. Simplify it first."
            )

    @cached_property
    def _loaded(self) -> tuple[Any, Any, Any, str]:
        """Engine, program, linker and the name of its entry; shared by all runs."""
        wasmtime, component = _wasmtime()
        config = wasmtime.Config()
        config.consume_fuel = True
        engine = wasmtime.Engine(config)
        program = self._program(engine)
        linker = component.Linker(engine)
        linker.add_wasip2()
        exports = program.type.exports(engine)
        entry = next(n for n in exports if n.startswith("wasi:cli/run@"))
        # At the interpreter's end, the library may be torn down before what it has made.
        weakref.finalize(self, _close_all, linker, program, engine)
        return engine, program, linker, entry

    def _program(self, engine: Any) -> Any:
        """Return the compiled program, out of the cache where it is there and sound."""
        wasmtime, component = _wasmtime()
        wasm = WASM_PATH.read_bytes()
        if self.cache_folder is None:
            return component.Component(engine, wasm)
        path = self.cache_folder / f"usvg-{cache_key(wasm)}.compiled"
        if _own_file(path):
            try:
                return component.Component.deserialize_file(engine, str(path))
            except (wasmtime.WasmtimeError, OSError):
                pass  # truncated, or of another processor: compile anew
        program = component.Component(engine, wasm)
        with contextlib.suppress(OSError):  # a full or read-only disk costs time, nothing else
            self.cache_folder.mkdir(parents=True, exist_ok=True)
            handle, partial = tempfile.mkstemp(dir=self.cache_folder, suffix=".partial")
            with os.fdopen(handle, "wb") as file:
                file.write(program.serialize())
            os.replace(partial, path)
        return program


def _close_all(*made: Any) -> None:
    for item in made:
        item.close()


def cache_key(wasm: bytes) -> str:
    """Return the name part that ties a compiled program to all it depends on."""
    parts = (version("wasmtime"), platform.system(), platform.machine(), platform.processor())
    digest = hashlib.blake2b(wasm, digest_size=12)
    digest.update("\n".join(parts).encode())
    return digest.hexdigest()


def _own_file(path: Path) -> bool:
    """The file is there, and no other user could have written it."""
    try:
        status = path.stat()
    except OSError:
        return False
    if not hasattr(os, "getuid"):
        return True
    return status.st_uid == os.getuid() and not status.st_mode & 0o022
