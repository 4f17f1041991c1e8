# SPDX-License-Identifier: GPL-3.0-or-later
"""Files appear whole or not at all."""

from __future__ import annotations

import errno
import os

import pytest
from beamwright.core.errors import OutputError
from beamwright.core.output import whole_file as module
from beamwright.core.output.whole_file import Staging, file_stem, whole_file
from hypothesis import given
from hypothesis import strategies as st
from strategies import STEADY


def break_off(stream) -> None:
    stream.write(b"half")
    raise KeyboardInterrupt


def names(folder) -> list[str]:
    return sorted(str(path.relative_to(folder)) for path in folder.rglob("*"))


class TestWholeFile:
    def test_appears_at_the_end(self, tmp_path):
        path = tmp_path / "new" / "a.bin"
        with whole_file(path) as stream:
            stream.write(b"abc")
            assert not path.exists()
        assert path.read_bytes() == b"abc"
        assert names(tmp_path) == ["new", "new/a.bin"]

    def test_an_error_leaves_the_old_file(self, tmp_path):
        path = tmp_path / "a.bin"
        path.write_bytes(b"old")
        with pytest.raises(KeyboardInterrupt), whole_file(path) as stream:
            break_off(stream)
        assert path.read_bytes() == b"old"
        assert names(tmp_path) == ["a.bin"]

    def test_an_error_leaves_no_new_folder(self, tmp_path):
        with pytest.raises(ZeroDivisionError), whole_file(tmp_path / "x" / "y" / "a.bin"):
            _ = 1 / 0
        assert names(tmp_path) == []

    def test_a_full_disk(self, tmp_path, monkeypatch):
        def full(_descriptor: int) -> None:
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

        monkeypatch.setattr(module.os, "fsync", full)
        reason = r"a\.bin can't be written: No space left"
        with pytest.raises(OutputError, match=reason), whole_file(tmp_path / "a.bin") as stream:
            stream.write(b"abc")
        assert names(tmp_path) == []

    def test_refusals(self, tmp_path):
        (tmp_path / "file").write_bytes(b"")
        for path, reason in (
            (tmp_path, "is a folder"),
            (tmp_path / "file" / "a", "can't be written"),
        ):
            with pytest.raises(OutputError, match=reason), whole_file(path):
                pass
        again = whole_file(tmp_path / "file", overwrite=False)
        with pytest.raises(OutputError, match="already"), again:
            pass


class TestStaging:
    def test_all_appear_together(self, tmp_path):
        out = tmp_path / "out"
        with Staging(out) as staging:
            first = staging.open("a.bin")
            first.write(b"1")
            with staging.open("deep/b.bin") as second:
                second.write(b"2")
            assert not (out / "deep").exists()
            placed = staging.commit()
        assert placed == [out / "a.bin", out / "deep" / "b.bin"]
        assert [path.read_bytes() for path in placed] == [b"1", b"2"]
        assert names(out) == ["a.bin", "deep", "deep/b.bin"]

    def test_nothing_appears_after_an_error(self, tmp_path):
        out = tmp_path / "deep" / "out"
        with pytest.raises(KeyboardInterrupt), Staging(out) as staging:
            break_off(staging.open("a.bin"))
        assert names(tmp_path) == []

    def test_old_files_stay_after_an_error(self, tmp_path):
        (tmp_path / "a.bin").write_bytes(b"old")
        with pytest.raises(KeyboardInterrupt), Staging(tmp_path) as staging:
            break_off(staging.open("a.bin"))
        assert (tmp_path / "a.bin").read_bytes() == b"old"
        assert names(tmp_path) == ["a.bin"]

    def test_no_overwriting_when_told(self, tmp_path):
        (tmp_path / "a.bin").write_bytes(b"old")
        with Staging(tmp_path, overwrite=False) as staging, pytest.raises(OutputError):
            staging.open("a.bin")
        with Staging(tmp_path, overwrite=False) as staging:
            staging.open("b.bin").write(b"new")
            (tmp_path / "b.bin").write_bytes(b"meanwhile")
            with pytest.raises(OutputError, match="already"):
                staging.commit()
        assert (tmp_path / "b.bin").read_bytes() == b"meanwhile"

    def test_the_same_name_twice_is_a_defect(self, tmp_path):
        with Staging(tmp_path) as staging:
            staging.open("a")
            with pytest.raises(ValueError, match="twice"):
                staging.open("a")

    def test_a_file_in_the_folders_place(self, tmp_path):
        (tmp_path / "out").write_bytes(b"")
        with pytest.raises(OutputError, match=r"out can't be written"):
            Staging(tmp_path / "out")


class TestFileStem:
    @pytest.mark.parametrize(
        ("name", "stem"),
        [
            ("Graphics", "Graphics"),
            ("Größe 2", "Größe 2"),
            ("a/b\\c:d", "a_b_c_d"),
            ("../..", "_"),
            ("", "_"),
            ("con", "_con"),
            ("Lpt1.x", "_Lpt1.x"),
            (" . ", "_"),
        ],
    )
    def test_examples(self, name, stem):
        assert file_stem(name) == stem

    @STEADY
    @given(st.text())
    def test_stays_in_its_folder(self, name):
        stem = file_stem(name)
        assert 0 < len(stem) <= 121
        assert not set(stem) & set('/\\:*?"<>|\0\n')
        assert stem not in (".", "..")
        assert os.path.basename(stem) == stem
