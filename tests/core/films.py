# SPDX-License-Identifier: GPL-3.0-or-later
"""A short film of plain arrays, as a source of frames."""

from __future__ import annotations

import numpy as np
import scenes
from beamwright.core.errors import SceneError
from beamwright.core.points.projector import Projector, ScannerProfile
from beamwright.core.scene import Assignment, DrawingSettings, Scene

GRAPHICS = Projector(name="Graphics", number=1)
LETTERING = Projector(name="Lettering", profile=ScannerProfile(point_rate_hz=12000.0), number=2)


class Film:
    """A box that turns, for Graphics, and a plate, for Lettering; nothing at frame 3."""

    def __init__(
        self, projectors=(GRAPHICS, LETTERING), *, breaks_at=None, empty_at=(3,), locked=False
    ):
        self.name = "Film"
        self.fps = 25.0
        self.frame_start = 1
        self.frame_end = 4
        self.projectors = tuple(projectors)
        self.asked: list[int] = []
        self._breaks_at = breaks_at
        self._empty_at = empty_at
        self._locked = locked

    def scene_at(self, frame):
        self.asked.append(frame)
        if frame == self._breaks_at:
            raise SceneError("The object “Gull” has vertices that are no numbers.")
        turn = 0.1 * frame
        rotation = np.array(
            [[np.cos(turn), -np.sin(turn), 0], [np.sin(turn), np.cos(turn), 0], [0, 0, 1]]
        )
        shown = [] if frame in self._empty_at else [
            scenes.box((1, 1, 1), rotation=rotation, name="Box",
                       assignment=Assignment(("Graphics",), locked=self._locked)),
            scenes.plate(1, 0.4, centre=(0, -2, 0.9), axes=((1, 0, 0), (0, 0, 1)), name="Title",
                         assignment=Assignment(("Lettering",))),
        ]  # fmt: skip
        return Scene(
            name=self.name,
            frame=frame,
            surfaces=shown,
            camera=scenes.look_at((0.5, -5.0, 2.0), aspect=16 / 9),
            drawing=DrawingSettings(),
        )

    def details(self):
        return {"file": "film.blend"}
