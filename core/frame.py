# SPDX-License-Identifier: GPL-3.0-or-later
"""Frame: the samples of one projector's scanners for one picture, drawn as a loop."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

__all__ = ["Frame"]


@dataclass(frozen=True, eq=False)
class Frame:
    """Samples at a fixed rate. The frame is repeated: its last sample leads to its first.

    Attributes
    ----------
    xy : (n, 2) float64
        Projector field, -1…1, linear in the scan angle; x to the right and y up as the
        audience sees it.
    rgb : (n, 3) float64
        0…1; all zero wherever `blanked`.
    blanked : (n,) bool
        The beam is off on the way **to** this sample.
    stroke : (n,) int32
        Stroke drawn by this sample, an index into the strokes that were planned; -1 on
        moves that belong to none.
    object_index : (n,) int32
        Object the sample's time is charged to (lit, blank move or settling); -1 for none.
    point_rate_hz
        Samples a second.
    """

    xy: NDArray[np.float64]
    rgb: NDArray[np.float64]
    blanked: NDArray[np.bool_]
    stroke: NDArray[np.int32]
    object_index: NDArray[np.int32]
    point_rate_hz: float

    def __len__(self) -> int:
        return len(self.xy)

    @property
    def duration_s(self) -> float:
        """Time to draw the frame once."""
        return len(self) / self.point_rate_hz

    @property
    def refresh_hz(self) -> float:
        """How often a second the frame is drawn when repeated without pause."""
        return self.point_rate_hz / len(self)

    def darkened(self, dark: NDArray[np.bool_]) -> Frame:
        """Return the frame with the samples of the mask `dark`, (n,), switched off."""
        blanked = self.blanked | dark
        return replace(self, blanked=blanked, rgb=np.where(blanked[:, None], 0.0, self.rgb))

    @classmethod
    def dark(cls, point_rate_hz: float, position: tuple[float, float] = (0.0, 0.0)) -> Frame:
        """One blanked sample: the valid frame of an empty picture."""
        return cls(
            xy=np.array([position], np.float64),
            rgb=np.zeros((1, 3)),
            blanked=np.ones(1, bool),
            stroke=np.full(1, -1, np.int32),
            object_index=np.full(1, -1, np.int32),
            point_rate_hz=float(point_rate_hz),
        )
