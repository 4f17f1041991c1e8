# SPDX-License-Identifier: GPL-3.0-or-later
"""A whole show's frames at hand, in few bytes: seven for each sample, as they are sent."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import overload

import numpy as np

from ..frame import Frame
from .samples import XYRGB, decode_samples, encode_samples

__all__ = ["KeptFrames"]


class KeptFrames(Sequence[Frame]):
    """Frames in the precision of files and of the wire.

    An hour at 25 frames a second of 1,000 samples is 0.6 GB. Asking for a frame again soon
    gives the same object, so that a sender sees that nothing changed.

    Parameters
    ----------
    frames
        In order.
    """

    def __init__(self, frames: Iterable[Frame] = ()) -> None:
        self._kept: list[tuple[bytes, float]] = []
        self._last: tuple[int, Frame] | None = None
        for frame in frames:
            self.append(frame)

    def append(self, frame: Frame) -> None:
        """Keep one more; positions are rounded to 1/32767, colours to 1/255."""
        samples = encode_samples(frame.xy, np.where(frame.blanked[:, None], 0.0, frame.rgb))
        self._kept.append((samples, frame.point_rate_hz))

    def __len__(self) -> int:
        return len(self._kept)

    @overload
    def __getitem__(self, index: int) -> Frame: ...

    @overload
    def __getitem__(self, index: slice) -> Sequence[Frame]: ...

    def __getitem__(self, index: int | slice) -> Frame | Sequence[Frame]:
        """Return a frame; its samples belong to no stroke and no object."""
        if isinstance(index, slice):
            return [self[place] for place in range(*index.indices(len(self)))]
        place = range(len(self))[index]
        if self._last is not None and self._last[0] == place:
            return self._last[1]
        samples, point_rate_hz = self._kept[place]
        xy, rgb = decode_samples(samples, XYRGB)
        none = np.full(len(xy), -1, np.int32)
        frame = Frame(xy, rgb, ~rgb.any(axis=1), none, none, point_rate_hz)
        self._last = place, frame
        return frame
