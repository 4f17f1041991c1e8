# SPDX-License-Identifier: GPL-3.0-or-later
"""The report page's section of hazard figures: each with its formula, edition and certainty."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from html import escape
from typing import Any

from . import tables

__all__ = ["hazard_section"]

_UNKNOWN = (
    "No hazard figures: nothing was said about the light of this projector. Enter power, "
    "wavelength, divergence and beam diameter in its settings, then render again."
)


def hazard_section(report: tables.Report, seek: Callable[[int], str]) -> str:
    """Return the section as HTML.

    Parameters
    ----------
    report
    seek
        Returns the button that leads to a frame.
    """
    notes = dict.fromkeys(
        str(row.safety["note"]) for row in report.projectors if row.safety is not None
    )
    lead = "".join(f'<p class="caveat">{escape(note)}</p>' for note in notes)
    parts = "".join(_projector(row, seek) for row in report.projectors)
    return (
        '<section aria-labelledby="hazard-heading" class="hazards"><h2 id="hazard-heading">'
        f"Hazard figures</h2>{lead}{parts}</section>"
    )


def _projector(row: tables.ProjectorReport, seek: Callable[[int], str]) -> str:
    name = escape(row.name)
    if row.safety is None:
        return f"<h3>{name}</h3><p>{_UNKNOWN}</p>"
    safety = row.safety
    distance = safety.get("distance_m")
    where = (
        "The distance is not known."
        if distance is None
        else f"At a distance of {distance:g} m; exposure limits after {safety['edition']}."
    )
    rows = "".join(_figure(figure) for figure in safety["figures"])
    return (
        f"<h3>{name}</h3><p>{escape(where)}</p>{_worst(safety['worst'], seek)}"
        '<div class="wide"><table><thead><tr><th scope=col>Figure</th><th scope=col>Value</th>'
        "<th scope=col>How</th><th scope=col>Edition</th><th scope=col>How sure</th></tr></thead>"
        f"<tbody>{rows}</tbody></table></div>"
    )


def _figure(figure: Mapping[str, Any]) -> str:
    value = figure["value"]
    told = "no figure" if value is None else f"{value:.4g} {figure['unit']}"
    if value is not None and figure["unit"] == "times" and value > 1.0:
        told = f'<span class="over">▲ {escape(told)}</span>'
    else:
        told = escape(told)
    cells = [escape(str(figure["name"])), told]
    # A remark says why there is no value; the formula then says nothing.
    cells.append(escape(str(figure["remark"] or figure["formula"])))
    cells += [escape(str(figure[key])) for key in ("edition", "certainty")]
    return "<tr>" + "".join(f"<td>{cell}</td>" for cell in cells) + "</tr>"


def _worst(worst: Mapping[str, Any] | None, seek: Callable[[int], str]) -> str:
    if worst is None:
        return ""
    return (
        f"<p>Worst spot of the scanned picture: frame {seek(worst['frame'])}, at "
        f"({worst['x']:.2f}, {worst['y']:.2f}) of the field, {worst['ratio']:.3g} times its limit "
        f"({escape(str(worst['rule']))}).</p>"
    )
