# SPDX-License-Identifier: GPL-3.0-or-later
"""The page: the rectangle the camera frames. Lines are cut by it in `visibility`."""

from __future__ import annotations

import numpy as np

from ..scene import Camera, LineKind
from ..strokes import Strokes

__all__ = ["with_page_border"]


def with_page_border(strokes: Strokes, camera: Camera) -> Strokes:
    """Add the page's outline as a last, white, closed stroke of no object (index -1)."""
    x, y = camera.half_width, camera.half_height
    border = Strokes.from_polylines(
        [np.array([[-x, -y], [x, -y], [x, y], [-x, y], [-x, -y]])],
        kind=LineKind.BORDER,
        object_index=-1,
        identity=-1,
        object_names=strokes.object_names,
    )
    return Strokes.concatenate([strokes, border])
