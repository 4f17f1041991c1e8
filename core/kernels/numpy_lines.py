# SPDX-License-Identifier: GPL-3.0-or-later
"""Visible pieces of edges: reference implementation in numpy."""

from __future__ import annotations

from .records import Pieces, VisibilityInput

__all__ = ["visible_pieces"]


def visible_pieces(scene: VisibilityInput) -> Pieces:
    """Return the visible pieces of all drawn edges."""
    raise NotImplementedError
