# SPDX-License-Identifier: GPL-3.0-or-later
"""The preprocessor's closed room: cache, bounds, and what is said where it is missing."""

import os
import sys
import threading

import pytest
from artwork_pages import usvg, wrap  # noqa: F401 - a fixture
from beamwright.core.artwork import usvg as module
from beamwright.core.artwork.usvg import Usvg, UsvgLimits
from beamwright.core.errors import FormatError, HostError

BOX = wrap('<rect width="9" height="9"/>').encode()
MANY = wrap('<path d="M0 0C1 2 3 4 5 6z"/>' * 3000).encode()


def test_a_run_simplifies(usvg):  # noqa: F811
    simplified, messages = usvg.run(BOX, "box.svg")
    assert b'd="M 0 0 L 9 0 L 9 9 L 0 9 Z"' in simplified
    assert messages == []


def test_runs_in_threads_do_not_mix(usvg):  # noqa: F811
    results = {}

    def work(number):
        for _ in range(5):
            source = wrap(f'<rect id="r{number}" width="9" height="9"/>').encode()
            results.setdefault(number, set()).add(usvg.run(source, "x")[0])

    threads = [threading.Thread(target=work, args=(i,)) for i in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert all(len(found) == 1 for found in results.values())
    assert all(f'id="r{i}"'.encode() in results[i].copy().pop() for i in range(4))


def test_no_exchange_file_is_left(usvg):  # noqa: F811
    usvg.run(BOX, "box.svg")
    with pytest.raises(FormatError):
        usvg.run(b"no svg", "text.txt")
    assert os.listdir(usvg._folder.name) == []


def test_time_is_bounded(usvg):  # noqa: F811
    with (
        Usvg(usvg.cache_folder, UsvgLimits(fuel=1_000_000)) as short,
        pytest.raises(FormatError, match=r"slow\.svg takes too long"),
    ):
        short.run(MANY, "slow.svg")


def test_memory_is_bounded(usvg):  # noqa: F811
    with (
        Usvg(usvg.cache_folder, UsvgLimits(memory_bytes=3 << 20)) as small,
        pytest.raises(FormatError, match=r"wide\.svg cannot be read: it needs more than 3 MB"),
    ):
        small.run(MANY, "wide.svg")


def test_output_is_bounded(usvg):  # noqa: F811
    with (
        Usvg(usvg.cache_folder, UsvgLimits(output_bytes=1000)) as small,
        pytest.raises(FormatError, match=r"wide\.svg holds 0 MB of shapes"),
    ):
        small.run(MANY, "wide.svg")


def compiles(monkeypatch, folder):
    """Run once with a cache folder and tell whether the program was compiled."""
    component = sys.modules["wasmtime.component"]
    made = []
    original = component.Component

    class Counting(original):
        def __init__(self, *arguments):
            made.append(1)
            super().__init__(*arguments)

    with monkeypatch.context() as patch, Usvg(folder) as program:
        patch.setattr(component, "Component", Counting)
        program.run(BOX, "box.svg")
    return bool(made)


def test_the_compiled_program_is_kept_and_made_anew_where_it_is_damaged(
    usvg,  # noqa: F811
    tmp_path,
    monkeypatch,
):
    usvg.run(BOX, "box.svg")
    (made,) = usvg.cache_folder.iterdir()
    whole = made.read_bytes()
    folder = tmp_path / "new" / "cache"
    folder.mkdir(parents=True)
    kept = folder / made.name
    kept.write_bytes(whole)
    kept.chmod(0o600)
    assert not compiles(monkeypatch, folder)
    kept.write_bytes(whole[: len(whole) // 2])
    assert compiles(monkeypatch, folder)
    assert list(folder.iterdir()) == [kept]
    assert len(kept.read_bytes()) == len(whole)
    assert not compiles(monkeypatch, folder)
    if hasattr(os, "getuid"):  # others could have written native code into it
        kept.chmod(0o666)
        assert compiles(monkeypatch, folder)


def test_the_cache_is_tied_to_the_program(usvg):  # noqa: F811
    assert module.cache_key(b"one") != module.cache_key(b"other")


def test_missing_parts_are_named(tmp_path, monkeypatch):
    monkeypatch.setitem(sys.modules, "wasmtime", None)
    with pytest.raises(HostError, match=r"needs the Python package wasmtime"):
        Usvg()
    monkeypatch.undo()
    if module.usvg_missing():
        pytest.skip(module.usvg_missing())
    monkeypatch.setattr(module, "WASM_PATH", tmp_path / "usvg.wasm")
    with pytest.raises(HostError, match=r"packaging/fetch_usvg\.py"):
        Usvg()
