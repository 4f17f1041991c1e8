# SPDX-License-Identifier: GPL-3.0-or-later
"""Entries on disk: found again, never believed when damaged, bounded."""

import errno
import json
import os
from dataclasses import dataclass

import numpy as np
import pytest
from beamwright.core.errors import OutputError
from beamwright.core.show import cache as module
from beamwright.core.show.cache import CACHE_VERSION, Cache, digest_of, pack, unpack
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp

KEY = "ab" + "0" * 38


@dataclass(frozen=True)
class Setting:
    size: float
    name: str


class TestDigest:
    @pytest.mark.parametrize(
        ("one", "other"),
        [
            (1.0, 1.0000000000000002),
            ("a", b"a"),
            (["ab", "c"], ["a", "bc"]),
            ([[1], 2], [1, [2]]),
            (Setting(1.0, "a"), Setting(1.0, "b")),
            ({"a": 1}, {"a": 2}),
            (np.zeros(4), np.zeros((2, 2))),
            (np.zeros(2, np.float32), np.zeros(1, np.float64)),
            (None, "None"),
            (0.0, -0.0),
            (True, 1.0),
        ],
    )
    def test_differs(self, one, other):
        assert digest_of(one) != digest_of(other)

    def test_is_the_same_everywhere(self):
        """A golden value: a key must not depend on the process, the machine or the version."""
        values = {"b": [1, 2.5, "x"], "a": np.arange(3, dtype="<i4")}
        assert digest_of(values) == digest_of(dict(reversed(values.items())))
        assert digest_of(values) == "2dfc6990b7f2f339c3599905e09ca8888cb1ffb9"

    def test_refuses_what_it_does_not_know(self):
        with pytest.raises(TypeError):
            digest_of(object())
        with pytest.raises(TypeError):
            digest_of(np.array([None]))


class TestEntries:
    @given(
        st.dictionaries(
            st.text(max_size=4),
            hnp.arrays(
                st.sampled_from(["<f8", "<f4", "<i4", "<i8", "u1", "?", "<u2"]),
                hnp.array_shapes(min_dims=1, max_dims=2, min_side=0, max_side=5),
            ),
            max_size=4,
        ),
        st.dictionaries(st.text(max_size=4), st.integers() | st.text(max_size=4), max_size=4),
    )
    def test_round_trip(self, arrays, head):
        entry = unpack(pack(head, arrays))
        assert entry is not None
        assert entry.head == head
        assert entry.arrays.keys() == arrays.keys()
        for name, array in arrays.items():
            assert entry.arrays[name].dtype == array.dtype
            assert entry.arrays[name].tobytes() == array.tobytes()
            assert entry.arrays[name].shape == array.shape

    @given(st.data())
    def test_any_change_is_noticed(self, data):
        content = bytearray(pack({"a": 1}, {"x": np.arange(20.0)}))
        place = data.draw(st.integers(0, len(content) - 1))
        content[place] ^= data.draw(st.integers(1, 255))
        assert unpack(bytes(content)) is None

    @given(st.integers(0, 240))
    def test_any_loss_is_noticed(self, length):
        content = pack({"a": 1}, {"x": np.arange(30.0)})
        assert unpack(content[:length]) is None

    @given(st.binary(max_size=80))
    def test_noise(self, noise):
        assert unpack(noise) is None
        assert unpack(b"BWCACHE" + noise) is None


class TestFolder:
    def test_write_and_read(self, tmp_path):
        cache = Cache(tmp_path / "a" / "b")
        assert not cache.has(KEY)
        assert cache.read(KEY) is None
        cache.write(KEY, pack({"n": 3}, {"x": np.arange(3)}))
        assert cache.has(KEY)
        entry = Cache(tmp_path / "a" / "b").read(KEY)
        assert entry is not None
        assert entry.arrays["x"].tolist() == [0, 1, 2]

    def test_damage_counts_as_missing(self, tmp_path):
        cache = Cache(tmp_path)
        cache.write(KEY, pack({}, {"x": np.arange(3)}))
        content = bytearray(cache.path(KEY).read_bytes())
        content[-1] ^= 1
        cache.path(KEY).write_bytes(content)
        assert cache.read(KEY) is None
        assert cache.damaged == 1
        assert not cache.has(KEY)

    def test_fresh_passes_over_what_was_there(self, tmp_path):
        Cache(tmp_path).write(KEY, pack({}, {}))
        fresh = Cache(tmp_path, fresh=True)
        assert not fresh.has(KEY)
        assert fresh.read(KEY) is None
        fresh.accept(KEY)
        assert fresh.has(KEY)

    def test_newer_version_is_refused(self, tmp_path):
        Cache(tmp_path)
        note = tmp_path / "version.json"
        assert json.loads(note.read_text()) == {"version": CACHE_VERSION}
        note.write_text(json.dumps({"version": CACHE_VERSION + 1}))
        with pytest.raises(OutputError, match=r"newer Beamwright.*--cache"):
            Cache(tmp_path)

    def test_unusable_folder(self, tmp_path):
        (tmp_path / "file").write_text("")
        with pytest.raises(OutputError, match="--cache"):
            Cache(tmp_path / "file" / "inner")

    def test_full_disk(self, tmp_path, monkeypatch):
        """The message says what to do; what was there stays, and nothing half is left."""
        cache = Cache(tmp_path)
        cache.write(KEY, pack({"n": 1}, {}))

        def full(*_):
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

        monkeypatch.setattr(module.os, "replace", full)
        with pytest.raises(OutputError, match=r"What was finished is kept.*--cache"):
            cache.write(KEY, pack({"n": 2}, {}))
        entry = cache.read(KEY)
        assert entry is not None
        assert entry.head == {"n": 1}
        assert len(list(tmp_path.rglob("*.part"))) == 0

    def test_stays_small(self, tmp_path):
        """The entries used longest ago go first; those of this render stay."""
        content = pack({}, {"x": np.zeros(1000)})
        cache = Cache(tmp_path, bytes_max=3 * len(content))
        keys = [f"{number:040x}" for number in range(6)]
        for number, key in enumerate(keys):
            cache.write(key, content)
            os.utime(cache.path(key), (1000 + number, 1000 + number))
        cache.read(keys[1])
        left = cache.prune(keep=frozenset({keys[0]}))
        assert left == 3 * len(content)
        assert [cache.has(key) for key in keys] == [True, True, False, False, False, True]
