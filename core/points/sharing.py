# SPDX-License-Identifier: GPL-3.0-or-later
"""Which projector draws which strokes."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from ..scene import Assignment
from ..strokes import Strokes
from .projector import Projector

__all__ = ["strokes_of"]


def strokes_of(
    strokes: Strokes,
    assignments: Sequence[Assignment],
    projector: Projector,
    projectors: Sequence[Projector],
) -> Strokes:
    """Return the strokes that a projector draws by assignment.

    Parameters
    ----------
    strokes
        Of the whole scene.
    assignments
        One for each object.
    projector
        The one asked for.
    projectors
        Of the show; objects without assignment go to the first of them.
    """
    first = bool(projectors) and projector.name == projectors[0].name
    mine = np.array(
        [
            projector.name in entry.projectors if entry.projectors else first
            for entry in assignments
        ],
        bool,
    )
    if len(strokes) == 0:
        return strokes
    return strokes.take(mine[strokes.object_index])
