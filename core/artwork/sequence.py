# SPDX-License-Identifier: GPL-3.0-or-later
"""Numbered files that make up an animation."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path

from ..errors import FormatError, OutputError
from .shapes import Page
from .svg import TextMode, read_svg
from .usvg import Usvg

__all__ = ["FileSequence", "find_sequence", "read_sequence", "sequence_of"]

NUMBERED = re.compile(r"^(?P<stem>.*?)(?P<number>\d+)(?P<suffix>\.[^.]+)$")
MOST_NAMED = 8


@dataclass(frozen=True, slots=True)
class FileSequence:
    """Files of one animation in order.

    Attributes
    ----------
    paths
        Rising numbers.
    numbers
        The number of each file; a single file without a number counts as 1.
    missing
        Numbers between the first and the last that have no file.
    """

    paths: tuple[Path, ...]
    numbers: tuple[int, ...]
    missing: tuple[int, ...]

    def __len__(self) -> int:
        return len(self.paths)

    @property
    def missing_text(self) -> str:
        """A sentence that names the missing numbers; empty where none is missing."""
        if not self.missing:
            return ""
        found = NUMBERED.match(self.paths[0].name)
        digits = len(found["number"]) if found else 1
        named = ", ".join(f"{n:0{digits}}" for n in self.missing[:MOST_NAMED])
        more = len(self.missing) - MOST_NAMED
        return (
            f"The sequence {self.paths[0].name} … {self.paths[-1].name} lacks "
            f"{'number' if len(self.missing) == 1 else 'the numbers'} {named}"
            + (f" and {more} more." if more > 0 else ".")
        )


def find_sequence(path: Path) -> FileSequence:
    """Return the numbered files beside `path` that have its name but for the number.

    A file without a number is a sequence of one.

    Raises
    ------
    OutputError
        The file or its folder cannot be read.
    """
    found = NUMBERED.match(path.name)
    if not path.is_file():
        raise OutputError(f"There is no file {path}.")
    if not found:
        return FileSequence((path,), (1,), ())
    try:
        names = [entry.name for entry in path.parent.iterdir()]
    except OSError as error:
        raise OutputError(f"The folder {path.parent} cannot be read: {error.strerror}.") from error
    beside = [
        path.parent / name
        for name in names
        if (other := NUMBERED.match(name))
        and other["stem"] == found["stem"]
        and other["suffix"].lower() == found["suffix"].lower()
    ]
    return sequence_of(beside)


def sequence_of(paths: Iterable[Path]) -> FileSequence:
    """Order chosen files by their numbers, those without one by name, first.

    Raises
    ------
    FormatError
        Two files have the same number, such as 7 and 007.
    """
    chosen = sorted(set(paths), key=lambda path: path.name)
    found = [NUMBERED.match(path.name) for path in chosen]
    if len({(m["stem"], m["suffix"].lower()) for m in found if m}) != 1 or not all(found):
        return FileSequence(tuple(chosen), tuple(range(1, len(chosen) + 1)), ())
    numbered: dict[int, Path] = {}
    for path, match in zip(chosen, found, strict=True):
        number = int(match["number"]) if match else 0
        if number in numbered:
            raise FormatError(
                f"{numbered[number].name} and {path.name} have the same number {number}. "
                "Remove or rename one."
            )
        numbered[number] = path
    numbers = sorted(numbered)
    if numbers[-1] - numbers[0] > 100 * len(numbers) + 1000:  # a date, perhaps: no frame numbers
        missing: tuple[int, ...] = ()
    else:
        missing = tuple(n for n in range(numbers[0], numbers[-1]) if n not in numbered)
    return FileSequence(tuple(numbered[n] for n in numbers), tuple(numbers), missing)


def read_sequence(
    sequence: FileSequence,
    program: Usvg,
    *,
    text: TextMode = "strokes",
    allow_missing: bool = True,
    progress: Callable[[int, int], bool] | None = None,
) -> Sequence[Page] | None:
    """Read all files, or none.

    Parameters
    ----------
    allow_missing
        A missing number holds the page before it (see `FileSequence.missing_text` for the
        warning); else it is an error.
    progress
        Called with the number of files read and the whole; False stops, and None is returned.

    Returns
    -------
    One page for each file. Files of equal content give the same page object.

    Raises
    ------
    FormatError, OutputError
        The first file that cannot be read, by name, or the missing numbers.
    """
    if sequence.missing and not allow_missing:
        raise FormatError(sequence.missing_text)
    pages: list[Page] = []
    known: dict[bytes, Page] = {}
    for count, path in enumerate(sequence.paths):
        if progress is not None and not progress(count, len(sequence)):
            return None
        try:
            content = path.read_bytes() if path.stat().st_size < 1 << 20 else b""
        except OSError as error:
            raise OutputError(f"{path} cannot be read: {error.strerror}.") from error
        page = known.get(content) if content else None
        if page is None:
            page = read_svg(path, program, text=text)
            if content:
                known[content] = page
        pages.append(page)
    if progress is not None:
        progress(len(sequence), len(sequence))
    return pages
