# SPDX-License-Identifier: GPL-3.0-or-later
"""The safety text shown before any light is let out; `docs/safety.md` is the long form."""

from __future__ import annotations

from .hazard import PLANNING_NOTE

__all__ = ["SAFETY_NOTICE"]

SAFETY_NOTICE = f"""\
LASER LIGHT CAN BLIND. Before you arm:
  * Never look into the beam or at its mirror-like reflections, at any level.
  * Have the interlock and the emergency stop at hand and tried out. Software is neither.
  * Scanners fail. A beam that stands still is far more dangerous than a moving picture.
  * Keep beams away from people. Never scan an audience.
  * Outdoors, or towards windows and the sky: aircraft. You need permission first.
  * The rules of the place and its laser safety officer decide, not this program.
{PLANNING_NOTE}
"""
