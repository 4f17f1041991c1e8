# SPDX-License-Identifier: GPL-3.0-or-later
"""Files that are written whole or not at all.

Everything goes to a temporary name beside its destination first and is moved when it is
complete, so a broken run (error, cancel, full disk, power cut) never leaves half a file
under the final name.
"""

from __future__ import annotations

import os
import re
import secrets
import shutil
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import BinaryIO

from ..errors import BeamwrightError, OutputError

__all__ = ["Staging", "file_stem", "naming_the_file", "whole_file"]

# Device names that Windows reserves in every folder, whatever the extension.
_RESERVED = re.compile(r"(con|prn|aux|nul|com\d|lpt\d)", re.IGNORECASE)


def file_stem(name: str) -> str:
    """Turn a name the artist chose into a file name that every system accepts.

    Letters, digits, space, dot, minus and underscore stay; anything else becomes an
    underscore. Two names may so become one: compare them with ``str.casefold``.
    """
    stem = re.sub(r"[^\w\-. ]", "_", name).strip(" .")[:120].rstrip(" .")
    if not stem or _RESERVED.fullmatch(stem.split(".")[0]):
        return f"_{stem}"
    return stem


@contextmanager
def naming_the_file(path: Path) -> Iterator[None]:
    """Turn the system's errors into an `OutputError` that names the file."""
    try:
        yield
    except BeamwrightError:
        raise
    except OSError as error:
        reason = error.strerror or str(error)
        raise OutputError(
            f"{path} can't be written: {reason}. Choose a folder that you may write to and that "
            "has room."
        ) from error


def _make_folder(folder: Path) -> list[Path]:
    """Make `folder` and its parents; return those that were new, the innermost first."""
    new = []
    for candidate in (folder, *folder.parents):
        if candidate.exists():
            break
        new.append(candidate)
    with naming_the_file(folder):
        folder.mkdir(parents=True, exist_ok=True)
    return new


def _remove_empty(folders: list[Path]) -> None:
    for folder in folders:
        with suppress(OSError):
            folder.rmdir()


def _refuse(path: Path, overwrite: bool) -> None:
    if path.is_dir():
        raise OutputError(f"{path} is a folder; name a file.")
    if not overwrite and path.exists():
        raise OutputError(f"{path} is there already; choose another name or allow overwriting.")


@contextmanager
def whole_file(path: Path | str, *, overwrite: bool = True) -> Iterator[BinaryIO]:
    """Open a seekable binary stream that becomes `path` when the block ends without error.

    Raises
    ------
    OutputError
        Where the folder or the file cannot be written, or the file exists and must not be
        overwritten. The file of before is then untouched.
    """
    path = Path(path)
    _refuse(path, overwrite)
    new_folders = _make_folder(path.parent)
    temporary = path.with_name(f".{path.name[:100]}.{secrets.token_hex(6)}.part")
    try:
        with naming_the_file(path):
            with open(temporary, "xb") as stream:
                yield stream
                stream.flush()
                os.fsync(stream.fileno())
            _refuse(path, overwrite)
            os.replace(temporary, path)
    except BaseException:
        with suppress(OSError):
            temporary.unlink()
        _remove_empty(new_folders)
        raise


class Staging:
    """A set of files in one folder that appear together, or not at all.

    The files grow in a hidden folder inside `folder`; `commit` moves them into place,
    `discard` removes them (and `folder` too if it was new and stays empty). As a context
    manager it discards whatever was not committed.

    Parameters
    ----------
    folder
        Destination; made when missing.
    overwrite
        Replace files of the same name; otherwise `open` raises.

    Raises
    ------
    OutputError
        Where the folder cannot be made or written.
    """

    def __init__(self, folder: Path | str, *, overwrite: bool = True) -> None:
        self.folder = Path(folder)
        self.overwrite = overwrite
        self._names: list[str] = []
        self._open: dict[str, BinaryIO] = {}
        self._new_folders = _make_folder(self.folder)
        self._hidden = self.folder / f".{secrets.token_hex(6)}.part"
        try:
            with naming_the_file(self.folder):
                self._hidden.mkdir()
        except BaseException:
            _remove_empty(self._new_folders)
            raise

    def __enter__(self) -> Staging:
        return self

    def __exit__(self, *_: object) -> None:
        self.discard()

    def open(self, name: str) -> BinaryIO:
        """Open a new file by its name relative to the folder, such as ``"a.ild"``, ``"b/c.svg"``.

        It may be closed early; those left open are closed by `commit`.
        """
        if name in self._names:
            raise ValueError(f"{name} was opened twice")
        _refuse(self.folder / name, self.overwrite)
        temporary = self._hidden / name
        with naming_the_file(self.folder / name):
            temporary.parent.mkdir(parents=True, exist_ok=True)
            stream = open(temporary, "xb")  # noqa: SIM115 - lives until commit or discard
        self._names.append(name)
        self._open[name] = stream
        return stream

    def commit(self) -> list[Path]:
        """Move all files into place and return their paths in the order of opening."""
        for name, stream in self._open.items():
            with naming_the_file(self.folder / name):
                if not stream.closed:
                    stream.flush()
                    # Files closed early are the many small ones; the long ones get to the disk
                    # for certain before their names change.
                    os.fsync(stream.fileno())
                    stream.close()
        self._open.clear()
        placed = []
        for name in self._names:
            final = self.folder / name
            _refuse(final, self.overwrite)
            with naming_the_file(final):
                final.parent.mkdir(parents=True, exist_ok=True)
                os.replace(self._hidden / name, final)
            placed.append(final)
        self._names.clear()
        self.discard()
        return placed

    def discard(self) -> None:
        """Remove all that was not committed; harmless when called again."""
        for stream in self._open.values():
            with suppress(OSError):
                stream.close()
        self._open.clear()
        self._names.clear()
        shutil.rmtree(self._hidden, ignore_errors=True)
        _remove_empty(self._new_folders)
