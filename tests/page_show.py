# SPDX-License-Identifier: GPL-3.0-or-later
"""A show whose picture tells its frame: an upright red line that moves to the right."""

from __future__ import annotations

import io

import numpy as np
from beamwright.core.report.figures import FrameFigures
from beamwright.core.report.page import PageWriter
from beamwright.core.report.page_picture import encode_picture
from beamwright.core.report.tables import ProjectorReport, Report

NASTY = "</script><img src=x onerror=alert(1)> & \"Gull\" {{PLAYER}} {{PACKED}} {{FACTS}} 'ü'"
PROJECTORS = ("Graphics", "Lettering")


def drawn(rgb, *lines):
    """Return the picture of some lines in one colour."""
    xy = np.array([point for line in lines for point in line], float)
    colours = np.array([(0, 0, 0) if k == 0 else rgb for line in lines for k in range(len(line))],
                       float)  # fmt: skip
    return encode_picture(xy, colours, colours.max(axis=1) > 0)


def x_at(rank, count):
    return -0.9 + 1.8 * rank / max(1, count - 1)


def pictures(count):
    places = [x_at(k, count) for k in range(count)]
    red = [drawn((1, 0, 0), [(x, -0.5), (x, 0.5)]) for x in places]
    green = drawn((0, 1, 0), [(-0.9, -0.2), (-0.5, -0.2), (-0.5, -0.3)], [(0.2, -0.4), (0.6, -0.4)])
    return {"Graphics": red, "Lettering": [green] * count}


def figures(frame, points, budget, rate, owner, dark):
    lit = 0 if dark else points // 2
    return FrameFigures(
        frame=frame, points=points, lit=lit, blanked=points - lit, strokes=1,
        refresh_hz=rate / points, budget=budget, over_budget=points > budget,
        cost={owner: points - 100.0, "Quay": 90.0, "": 10.0},
    )  # fmt: skip


def report(
    count,
    *,
    name="Harbour",
    points=lambda frame: 900 + frame % 50,
    dark=(),
    details=None,
    projectors=PROJECTORS,
    fps=25.0,
):
    rates = {"Graphics": 30000.0, "Lettering": 12000.0}
    rows = []
    for projector in projectors:
        rate = rates[projector]
        amount = points if projector == "Graphics" else (lambda frame: 300)
        budget = int(rate / 30)
        rows.append(
            ProjectorReport(
                name=projector, point_rate_hz=rate, target_refresh_hz=30.0, budget=budget,
                figures=tuple(
                    figures(frame, amount(frame), budget, rate, "Gull <1>", frame in dark)
                    for frame in range(1, count + 1)
                ),
                files=(f"{projector}.ild",),
            )
        )  # fmt: skip
    return Report(name, fps, 1, count, 1, tuple(rows), "0.1.0", details or {"blender": "4.5.1"})


def write(shown, score=None):
    """Return the page of a report with this module's pictures."""
    page = PageWriter()
    for projector in shown.projectors:
        count = len(projector.figures)
        for row, picture in zip(projector.figures, pictures(count)[projector.name], strict=True):
            page.append(projector.name, row.frame, picture)
    stream = io.BytesIO()
    page.finish(stream, shown, score)
    return stream.getvalue()
