# SPDX-License-Identifier: GPL-3.0-or-later
"""Scanner profiles kept for all files: the same JSON files that the command line reads."""

from __future__ import annotations

import re
from pathlib import Path

import bpy

from ..core.documents import read_document
from ..core.errors import OutputError
from ..core.output.whole_file import whole_file
from ..core.points.projector import ScannerProfile, profile_from_json, profile_to_json
from . import ROOT_PACKAGE

__all__ = ["file_name", "folder", "read", "remove", "stored", "write"]

FOLDER = "profiles"
SUFFIX = ".json"


def folder() -> Path:
    """Return the folder of the artist's own profiles; it need not exist."""
    try:
        return Path(bpy.utils.extension_path_user(ROOT_PACKAGE, path=FOLDER))
    except ValueError:  # from a checkout, not installed as an extension
        return Path(bpy.utils.user_resource("CONFIG", path=f"beamwright/{FOLDER}"))


def stored() -> dict[str, Path]:
    """Return the artist's profiles by the names of their files, sorted."""
    found = sorted(folder().glob(f"*{SUFFIX}"), key=lambda path: path.stem.lower())
    return {path.stem: path for path in found if path.is_file()}


def file_name(label: str) -> str:
    """Return a label as the name of a file, without what file systems refuse."""
    return re.sub(r'[<>:"/\\|?*\x00-\x1f]+', "_", label).strip(" .") or "Profile"


def read(path: Path) -> ScannerProfile:
    """Read a profile.

    Raises
    ------
    BeamwrightError
        Where the file is missing, unreadable or no profile.
    """
    return read_document(path, profile_from_json)


def write(profile: ScannerProfile, path: Path) -> None:
    """Write a profile whole or not at all.

    Raises
    ------
    OutputError
        Where it cannot be written.
    """
    with whole_file(path) as file:
        file.write(profile_to_json(profile).encode("utf-8"))


def remove(name: str) -> None:
    """Delete one of the artist's profiles.

    Raises
    ------
    OutputError
        Where there is none of this name, or it cannot be deleted.
    """
    path = stored().get(name)
    if path is None:
        raise OutputError(f"There is no saved profile “{name}”.")
    try:
        path.unlink()
    except OSError as error:
        raise OutputError(f"“{path}” cannot be deleted: {error.strerror}.") from None
