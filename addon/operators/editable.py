# SPDX-License-Identifier: GPL-3.0-or-later
"""Whether a data block can be changed in this file, and why not."""

from typing import Any

__all__ = ["why_fixed"]


def why_fixed(item: Any) -> str:
    """Return why an ID cannot be changed here, in words for a poll message, or an empty text.

    Library overrides can be changed, but for those that Blender made on the way to another.
    """
    if item.library is not None:
        return (
            f"“{item.name}” is linked from another file: change it there, "
            "or make a library override"
        )
    override = item.override_library
    if override is not None and override.is_system_override:
        return f"“{item.name}” is an override that is not editable: make it editable first"
    return ""
