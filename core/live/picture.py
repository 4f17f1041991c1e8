# SPDX-License-Identifier: GPL-3.0-or-later
"""The virtual projector: what arrived, drawn as a scanner would, as SVG, PNG or a web page."""

from __future__ import annotations

import html
import struct
import zlib
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from ..safety.beam import beam_paths
from .unit import ReceivedFrame, StreamFigures

if TYPE_CHECKING:
    from ..points.projector import ScannerProfile

__all__ = ["page", "png", "svg"]

FloatArray = NDArray[np.float64]

SAGITTA_FIELD = 2e-4


def _beam(frame: ReceivedFrame, profile: ScannerProfile) -> FloatArray:
    """Nominal beam, (n, m + 1, 2); the commands themselves if it cannot be simulated."""
    paths = beam_paths(frame.xy, frame.point_rate_hz, profile, 0.0, SAGITTA_FIELD)
    if paths is None:
        return np.stack([np.roll(frame.xy, 1, axis=0), frame.xy], axis=1)
    beam: FloatArray = np.moveaxis(paths.paths[0], 2, 0)
    return beam


def svg(frame: ReceivedFrame | None, profile: ScannerProfile, size: int = 640) -> str:
    """Return the lit beam as an SVG drawing on black; None draws nothing.

    Intervals of one colour that follow each other are one polyline.
    """
    head = (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="-1 -1 2 2" width="{size}" '
        f'height="{size}"><rect x="-1" y="-1" width="2" height="2" fill="#000"/>'
        '<g fill="none" stroke-width="0.006" stroke-linejoin="round" stroke-linecap="round" '
        'transform="scale(1,-1)">'
    )
    parts = [head]
    if frame is not None:
        beam = _beam(frame, profile)
        level = np.rint(frame.rgb * 255).astype(np.int64)
        change = np.any(np.diff(level, axis=0) != 0, axis=1)
        starts = np.concatenate([[0], np.flatnonzero(change) + 1])
        stops = np.concatenate([starts[1:], [len(level)]])
        for start, stop in zip(starts.tolist(), stops.tolist(), strict=True):
            if not level[start].any():
                continue
            points = np.vstack([beam[start:stop, :-1].reshape(-1, 2), beam[stop - 1, -1:]])
            text = " ".join(f"{x:.4f},{y:.4f}" for x, y in points)
            # Dim pictures stay visible on a screen: the colour is shown at full brightness.
            colour = level[start] * 255 // level[start].max()
            parts.append(
                f'<polyline points="{text}" stroke="rgb({colour[0]},{colour[1]},{colour[2]})"/>'
            )
    parts.append("</g></svg>")
    return "".join(parts)


def png(frame: ReceivedFrame | None, profile: ScannerProfile, size: int = 640) -> bytes:
    """Return the light gathered in each pixel as a PNG image; None draws nothing."""
    image = np.zeros((size, size, 3))
    if frame is not None:
        beam = _beam(frame, profile)
        # Points dense enough that no pixel of a line is missed.
        longest = float(np.max(np.abs(np.diff(beam, axis=1))))
        dense = max(1, int(np.ceil(longest * size)))
        part = np.arange(dense)[:, None] / dense
        start, step = beam[:, :-1, None], np.diff(beam, axis=1)[:, :, None]
        points = start + part * step
        light = np.broadcast_to(frame.rgb[:, None, None, :], (*points.shape[:-1], 3))
        place = np.floor((points + 1.0) * (size / 2.0)).astype(np.int64).reshape(-1, 2)
        inside = np.all((place >= 0) & (place < size), axis=1)
        index = (size - 1 - place[inside, 1]) * size + place[inside, 0]
        flat = light.reshape(-1, 3)[inside] / (dense * (beam.shape[1] - 1))
        for colour in range(3):
            image[..., colour] = np.bincount(index, flat[:, colour], size * size).reshape(
                size, size
            )
        peak = float(np.quantile(image[image > 0.0], 0.5)) if image.any() else 1.0
        image = np.clip(image / peak, 0.0, 1.0) ** (1.0 / 2.2)
    rows = np.zeros((size, 1 + size * 3), np.uint8)
    rows[:, 1:] = np.rint(image * 255).astype(np.uint8).reshape(size, -1)

    def chunk(kind: bytes, body: bytes) -> bytes:
        checked = kind + body
        return struct.pack(">I", len(body)) + checked + struct.pack(">I", zlib.crc32(checked))

    return (
        b"\x89PNG\r\n\x1a\n"
        + chunk(b"IHDR", struct.pack(">IIBBBBB", size, size, 8, 2, 0, 0, 0))
        + chunk(b"IDAT", zlib.compress(rows.tobytes(), 6))
        + chunk(b"IEND", b"")
    )


def page(
    frame: ReceivedFrame | None,
    profile: ScannerProfile,
    figures: StreamFigures,
    *,
    lit: bool,
    refresh_s: float = 1.0,
) -> str:
    """Return a web page with the picture and the stream's figures that reloads itself."""
    rows = [
        ("State", "lit" if lit else "dark"),
        ("Frames", figures.frames),
        ("Wave chunks", figures.waves),
        ("Datagrams", figures.datagrams),
        ("Jitter p50 / p99 / worst", f"{figures.jitter.p50_ms:.2f} / {figures.jitter.p99_ms:.2f} / "
         f"{figures.jitter.worst_ms:.2f} ms"),
        ("Gaps", figures.gaps),
        ("Sessions lost", figures.losses),
        ("Refused", figures.fault_count),
        *(("– " + reason, count) for reason, count in sorted(figures.faults.items())),
    ]  # fmt: skip
    table = "".join(
        f"<tr><th>{html.escape(str(name))}</th><td>{html.escape(str(value))}</td></tr>"
        for name, value in rows
    )
    return (
        f'<!doctype html><html lang="en"><meta charset="utf-8"><meta http-equiv="refresh" '
        f'content="{refresh_s:g}"><title>Virtual projector</title><style>body{{background:#111;'
        "color:#ccc;font:14px sans-serif;display:flex;gap:2em}th{text-align:left;"
        "font-weight:normal;padding-right:1em}</style>"
        f"{svg(frame if lit else None, profile)}<table>{table}</table></html>"
    )
