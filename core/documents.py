# SPDX-License-Identifier: GPL-3.0-or-later
"""Reading text documents, with the file's name in whatever is wrong with it."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import TypeVar

from .errors import FormatError, OutputError

__all__ = ["read_document"]

Content = TypeVar("Content")


def read_document(path: Path | str, parse: Callable[[str], Content]) -> Content:
    """Read a UTF-8 file and return what `parse` makes of its text.

    Raises
    ------
    OutputError
        Where the file cannot be read.
    FormatError
        Where it is not UTF-8, or `parse` says so.
    """
    try:
        text = Path(path).read_text("utf-8")
    except OSError as error:
        raise OutputError(f"{path} can't be read: {error.strerror or error}.") from error
    except UnicodeDecodeError as error:
        raise FormatError(f"{path} is not UTF-8 text.") from error
    try:
        return parse(text)
    except FormatError as error:
        raise FormatError(f"{path}: {error}") from error
