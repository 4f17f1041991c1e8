# SPDX-License-Identifier: GPL-3.0-or-later
"""Reading text documents."""

from __future__ import annotations

from pathlib import Path

import pytest
from beamwright.core.documents import read_document
from beamwright.core.errors import FormatError, OutputError


def refuse(text: str) -> str:
    """Find fault with any text."""
    raise FormatError(f"{text!r} is not wanted.")


def test_the_parsed_text_comes_back(tmp_path: Path) -> None:
    path = tmp_path / "quay.json"
    path.write_bytes("Möwe\n".encode())
    assert read_document(path, str.upper) == "MÖWE\n"
    assert read_document(str(path), len) == 5


def test_every_fault_names_the_file(tmp_path: Path) -> None:
    path = tmp_path / "quay.json"
    with pytest.raises(OutputError, match=r"quay\.json can't be read: No such file"):
        read_document(path, str)
    path.write_bytes(b"\xff\xfe")
    with pytest.raises(FormatError, match=r"quay\.json is not UTF-8 text"):
        read_document(path, str)
    path.write_text("tide")
    with pytest.raises(FormatError, match=r"quay\.json: 'tide' is not wanted"):
        read_document(path, refuse)
