# SPDX-License-Identifier: GPL-3.0-or-later
"""The safety text shown before any light is let out; `docs/safety.md` is the long form."""

from __future__ import annotations

from .hazard import PLANNING_NOTE

__all__ = ["SAFETY_NOTICE", "SAFETY_PAGE"]

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

SAFETY_PAGE = (
    "Never look into the beam, nor into its reflection in glass, metal, water or varnish, at "
    "any level. A level of 1 % of a strong projector is still a strong laser. Do not look at "
    "the projector's window through binoculars or a camera's viewfinder.",
    "Keep beams away from people. Aim at the screen and nowhere else. Place projectors so "
    "that no beam can reach a place where somebody stands, sits, climbs or leans out: "
    "balconies, staircases, follow-spot platforms, the conductor. Fix projectors so that they "
    "cannot turn or fall. Where the law lets trained people show beams over an audience, that "
    "is their work with their measurements, not a setting of this program.",
    "Scanners fail. The picture is safe to look at on a screen because the beam moves. A "
    "broken mirror, a loose plug, a crashed computer: the beam stands still, and all its "
    "power meets one spot. Projectors have a circuit of their own that takes the light away "
    "when the mirrors stop (a scan-fail safeguard). Check that yours has one, that it is on, "
    "and that it was tested. Beamwright's checks for standing beams look at the commands; "
    "they cannot know what the mirrors do.",
    "Interlock and emergency stop. Somebody who can see the whole beam path holds the stop "
    "and does nothing else. Pull it once before every show. Blackout in Beamwright is a "
    "convenience: it travels over a network, through a computer. The stop is a wire.",
    "Outdoors, windows, the sky. A beam dazzles pilots over tens of kilometres. Outdoor "
    "shows, and indoor ones with a beam path through a window or an open roof, need the "
    "permission of the aviation authority first, and often a spotter with a stop. In the "
    "United States the notice goes to the FAA (AC 70-1, Form 7140-1, normally 30 days ahead) "
    "and the FDA makes it binding through its variance; other countries have rules of their "
    "own.",
    "Rules of the place. Light shows above the lower classes need a licence, a notification "
    "or a named safety officer in many countries. Ask before the show is planned.",
    "Rehearse dark, then dim. Use beamwright receive (no hardware at all), then the projector "
    "at the least level that can be seen, on a matt white wall, with nobody in front.",
)
"""The plain words of `docs/safety.md`, one paragraph each."""
