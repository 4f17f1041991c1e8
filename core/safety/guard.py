# SPDX-License-Identifier: GPL-3.0-or-later
"""The last stage before any file, screen or wire: it may darken and nothing else.

No sample inside the field is ever moved, and none is ever made brighter. A frame whose
positions are not all finite is refused as a whole (the path of the beam is unknown) and one
dark sample stands in for it. A sample outside the field is switched off, and because no
file or packet can carry such a position it is held at the field's edge.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from ..frame import Frame
from ..points.projector import ScannerProfile
from .keep_out import reached_areas
from .limits import FULL_WINDOW, SafetyLimits

__all__ = ["Finding", "GuardedFrame", "guard"]

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

EDGE_TOLERANCE = 1e-9


@dataclass(frozen=True, slots=True)
class Finding:
    """One reason why the guard acted.

    Attributes
    ----------
    reason
        ``invalid``, ``level``, ``field``, ``window``, ``keep-out``, ``dwell``, ``size`` or
        ``brightness``.
    samples
        Samples switched off, or dimmed for the last two.
    message
        For the artist.
    """

    reason: str
    samples: int
    message: str


@dataclass(frozen=True, eq=False)
class GuardedFrame:
    """A frame that has passed the guard.

    Attributes
    ----------
    frame
        Same samples, some of them darker.
    darkened
        Samples switched off, by reason (see `Finding`).
    dimmed
        Samples made darker but not switched off.
    findings
        What was done and why.
    """

    frame: Frame
    darkened: Mapping[str, int]
    dimmed: int
    findings: tuple[Finding, ...]

    @property
    def darkened_count(self) -> int:
        """Samples switched off in all."""
        return sum(self.darkened.values())


def guard(
    frame: Frame,
    limits: SafetyLimits = SafetyLimits(),  # noqa: B008 (frozen, holds no state)
    profile: ScannerProfile = ScannerProfile(),  # noqa: B008 (frozen, holds no state)
    *,
    previous: Frame | None = None,
) -> GuardedFrame:
    """Switch off or dim what breaks the limits of a projector.

    Keep-out areas are checked on the commanded points, on the straight moves between them,
    and on the simulated beam at every natural frequency within the spread (the hull of the
    paths at its middle and two ends, widened by how far they bulge between), for as long as the
    light of a sample lasts (colour delay and laser rise included).

    Parameters
    ----------
    frame
        Drawn as a loop.
    limits, profile
        Of the projector that will draw it.
    previous
        None for a lone loop. In a sequence or a stream the frame drawn before this one
        (`Frame.dark` before the first): the way from it into this one is then checked as
        well, and so is light that outlives this frame, whatever follows. Each frame is taken
        to last until its scanners have settled (1.5 ms for the default profile), and longer
        than any colour comes early.

    Raises
    ------
    SettingError
        If a keep-out area cannot be understood.
    """
    fault = _fault(frame)
    if fault:
        rate = frame.point_rate_hz
        if not (isinstance(rate, int | float) and math.isfinite(rate) and rate > 0.0):
            rate = 30000.0
        count = len(np.atleast_1d(np.asarray(frame.xy, object)))
        finding = Finding("invalid", count, f"Frame refused, nothing is drawn: {fault}.")
        return GuardedFrame(Frame.dark(rate), {"invalid": count}, 0, (finding,))

    findings: list[Finding] = []
    sound, lit = _sound_colours(frame, findings)
    lit = _inside_field(frame.xy, lit, limits, findings)
    xy = np.clip(np.asarray(frame.xy, np.float64), -1.0, 1.0)
    sound = replace(sound, xy=xy)
    if lit.any() and _beam_matters(limits):
        lit = _outside_keep_outs(sound, lit, limits, profile, previous, findings)
    lit = _moving(xy, lit, limits, frame.point_rate_hz, findings)
    rgb = np.where(lit[:, None], sound.rgb, 0.0)
    rgb = _large_enough(xy, rgb, lit, limits, findings)
    rgb = _spread_out(xy, rgb, limits, findings)

    lit_after = rgb.any(axis=1)
    result = replace(sound, rgb=rgb, blanked=sound.blanked | ~lit_after)
    darkened: dict[str, int] = {}
    for finding in findings:
        if finding.reason not in ("level", "size", "brightness"):
            darkened[finding.reason] = darkened.get(finding.reason, 0) + finding.samples
    off = int((lit & ~lit_after).sum())
    if off:
        darkened["size"] = off
    dimmed = int((lit_after & (rgb < sound.rgb).any(axis=1)).sum())
    return GuardedFrame(result, darkened, dimmed, tuple(findings))


def _fault(frame: Frame) -> str:
    """Return why a frame cannot be drawn at all, or an empty text."""
    try:
        xy = np.asarray(frame.xy, np.float64)
        rgb = np.asarray(frame.rgb, np.float64)
        blanked = np.asarray(frame.blanked)
        rate = float(frame.point_rate_hz)
    except (TypeError, ValueError):
        return "its samples are not numbers"
    count = len(xy) if xy.ndim else 0
    if count == 0:
        return "it has no samples"
    if xy.shape != (count, 2) or rgb.shape != (count, 3) or blanked.shape != (count,):
        return "its positions, colours and blanking differ in length"
    if not np.isfinite(xy).all():
        return "a position is not a number"
    if not (math.isfinite(rate) and rate > 0.0):
        return f"its point rate is {rate:g} a second"
    return ""


def _sound_colours(frame: Frame, findings: list[Finding]) -> tuple[Frame, BoolArray]:
    """Bring levels to 0…1 without raising any, and blanking and levels to agree."""
    rgb = np.asarray(frame.rgb, np.float64)
    blanked = np.asarray(frame.blanked, bool)
    broken = ~np.isfinite(rgb).all(axis=1)
    loud = ~broken & (rgb > 1.0).any(axis=1)
    rgb = np.where((blanked | broken)[:, None], 0.0, np.clip(rgb, 0.0, 1.0))
    if broken.any():
        count = int((broken & ~blanked).sum())
        findings.append(Finding("invalid", count, f"{count} samples off: a colour is no number."))
    if loud.any():
        count = int((loud & ~blanked).sum())
        findings.append(Finding("level", count, f"{count} samples brought down to full level."))
    lit = rgb.any(axis=1)
    return replace(frame, rgb=rgb, blanked=blanked | broken), lit


def _inside_field(
    positions: FloatArray, lit: BoolArray, limits: SafetyLimits, findings: list[Finding]
) -> BoolArray:
    """Switch off samples that lie outside the field or the window, or come from there."""
    for reason, place, (left, bottom, right, top) in (
        ("field", "the field", (-1.0, -1.0, 1.0, 1.0)),
        ("window", "the scan window", limits.window),
    ):
        x, y = positions[:, 0], positions[:, 1]
        outside = (
            (x < left - EDGE_TOLERANCE)
            | (x > right + EDGE_TOLERANCE)
            | (y < bottom - EDGE_TOLERANCE)
            | (y > top + EDGE_TOLERANCE)
        )
        if outside.any():
            dark = lit & (outside | np.roll(outside, 1))
            count = int(dark.sum())
            if count:
                findings.append(Finding(reason, count, f"{count} samples off outside {place}."))
            lit = lit & ~dark
    return lit


def _beam_matters(limits: SafetyLimits) -> bool:
    return bool(limits.zones) or limits.window != FULL_WINDOW


def _outside_keep_outs(
    frame: Frame,
    lit: BoolArray,
    limits: SafetyLimits,
    profile: ScannerProfile,
    previous: Frame | None,
    findings: list[Finding],
) -> BoolArray:
    """Switch off every sample whose light would fall into a keep-out area."""
    touched = reached_areas(frame, lit, limits, profile, previous)
    if touched is None:
        count = int(lit.sum())
        message = (
            f"{count} samples off: the scanner profile “{profile.label}” cannot be simulated, "
            "so no keep-out area can be kept. Correct its numbers."
        )
        findings.append(Finding("keep-out", count, message))
        return np.zeros_like(lit)
    for name, mask in touched.items():
        dark = mask & lit
        count = int(dark.sum())
        if count:
            reason = "window" if name is None else "keep-out"
            place = "the scan window's edge" if name is None else f"keep-out area “{name}”"
            findings.append(Finding(reason, count, f"{count} samples off at {place}."))
            lit = lit & ~dark
    return lit


def _moving(
    xy: FloatArray, lit: BoolArray, limits: SafetyLimits, rate: float, findings: list[Finding]
) -> BoolArray:
    """Switch off the excess where the lit beam stays in one spot for too long."""
    if limits.dwell_max_us <= 0.0 or not lit.any():
        return lit
    count = len(xy)
    allowed = math.floor(limits.dwell_max_us * 1e-6 * rate + 1e-9)
    length = min(allowed + 1, count)
    # A sample is too much if it ends a run of allowed + 1 lit samples within one spot.
    columns = np.stack([xy[:, 0], -xy[:, 0], xy[:, 1], -xy[:, 1], np.where(lit, 0.0, 1.0)])
    right, left, top, bottom, unlit = _trailing_maximum(columns, length)
    spot = limits.spot_field
    dark = (unlit == 0.0) & (right + left <= spot) & (top + bottom <= spot)
    found = int(dark.sum())
    if found:
        message = (
            f"{found} samples off where the beam would stand still for more than "
            f"{limits.dwell_max_us:g} µs."
        )
        findings.append(Finding("dwell", found, message))
        lit = lit & ~dark
    return lit


def _trailing_maximum(rows: FloatArray, length: int) -> FloatArray:
    """Return the largest of each entry and the `length - 1` before it, on loops, (k, n).

    Built from maxima over powers of two, as in a sparse table.
    """
    result = np.concatenate([rows[:, rows.shape[1] - length + 1 :], rows], axis=1)
    reach = 1
    while reach * 2 <= length:
        result = np.maximum(result[:, reach:], result[:, :-reach])
        reach *= 2
    if reach < length:
        result = np.maximum(result[:, length - reach :], result[:, : reach - length])
    return result


def _large_enough(
    xy: FloatArray,
    rgb: FloatArray,
    lit: BoolArray,
    limits: SafetyLimits,
    findings: list[Finding],
) -> FloatArray:
    """Dim a picture that is too small for its level."""
    if limits.picture_min_field <= 0.0 or not lit.any():
        return rgb
    ends = np.concatenate([xy[lit], np.roll(xy, 1, axis=0)[lit]])
    extent = float((ends.max(axis=0) - ends.min(axis=0)).max())
    allowed = min(1.0, extent / limits.picture_min_field)
    level = float(np.max(rgb))
    if level <= allowed * (1.0 + 1e-12):
        return rgb
    count = int(lit.sum())
    message = (
        f"{count} samples dimmed to {allowed:.0%}: the picture is {extent:.3g} field units "
        f"large, full level needs {limits.picture_min_field:g}."
    )
    findings.append(Finding("size", count, message))
    return rgb * (allowed / level)


def _spread_out(
    xy: FloatArray, rgb: FloatArray, limits: SafetyLimits, findings: list[Finding]
) -> FloatArray:
    """Dim what gathers in one spot.

    Light is summed in cells as large as a spot and over every two by two of them, so that
    no spot lies across a border unseen.
    """
    light = rgb.mean(axis=1) / len(xy)
    if limits.brightness_max >= 1.0 or light.sum() <= limits.brightness_max:
        return rgb
    side = math.ceil(2.0 / limits.spot_field) + 1
    cell = np.minimum((xy + 1.0) / limits.spot_field, side - 1).astype(np.int64)
    index = cell[:, 1] * side + cell[:, 0]
    cells = np.zeros((side + 2, side + 2))
    cells[1:-1, 1:-1] = np.bincount(index, light, side * side).reshape(side, side)
    windows = cells[:-1, :-1] + cells[1:, :-1] + cells[:-1, 1:] + cells[1:, 1:]
    if np.max(windows) <= limits.brightness_max * (1.0 + 1e-9):
        return rgb
    factor = np.minimum(1.0, limits.brightness_max / np.maximum(windows, 1e-300))
    share = np.minimum(
        np.minimum(factor[:-1, :-1], factor[1:, :-1]), np.minimum(factor[:-1, 1:], factor[1:, 1:])
    ).ravel()[index]
    count = int((share < 1.0).sum())
    message = (
        f"{count} samples dimmed: more than {limits.brightness_max:.0%} of the light would "
        "gather in one spot."
    )
    findings.append(Finding("brightness", count, message))
    result: FloatArray = rgb * share[:, None]
    return result
