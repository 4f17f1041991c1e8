# SPDX-License-Identifier: GPL-3.0-or-later
"""Inner loops. Import `visible_pieces` and `chain` from here, never an implementation."""

from __future__ import annotations

from .numpy_chaining import chain
from .numpy_lines import visible_pieces
from .records import Chains, Pieces, VisibilityInput

__all__ = ["Chains", "Pieces", "VisibilityInput", "chain", "visible_pieces"]
