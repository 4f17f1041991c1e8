# SPDX-License-Identifier: GPL-3.0-or-later
"""`report.html`: one file that plays the pictures and tells the figures, without a network.

The page is put together from `page_template.html`, `page_style.css` and `page_player.js`.
Pictures (`page_picture`) are packed in chunks of frames: each frame's length as an LEB128
number, then its bytes; the chunk compressed by DEFLATE (RFC 1951) in base64. Figures are
JSON, packed likewise. What is to be read stands in the page as plain HTML, so that it can be
printed and read where scripts are off.
"""

from __future__ import annotations

import base64
import json
import math
import re
import zlib
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from html import escape
from importlib.resources import files
from itertools import pairwise
from statistics import median
from typing import BinaryIO
from urllib.parse import quote

from ..errors import FormatError
from . import tables
from .figures import FrameFigures
from .page_hazards import hazard_section
from .page_picture import picture_extent

__all__ = ["CuePoint", "PageWriter", "SceneSpan", "Score", "Soundtrack"]

#: Frames of a chunk: what a browser unpacks at once.
CHUNK_FRAMES = 128

# Objects whose cost is told frame by frame; the rest are summed up.
_OBJECTS_MAX = 40
_OTHERS = "all other objects"
_ROWS_MAX = 60
_STILLS_OF_A_SCENE = 12


@dataclass(frozen=True, slots=True)
class SceneSpan:
    """A scene's place on the timeline, frames `first` to `last`, both included."""

    name: str
    first: int
    last: int


@dataclass(frozen=True, slots=True)
class CuePoint:
    """A moment that somebody acts on."""

    name: str
    frame: int


@dataclass(frozen=True, slots=True)
class Soundtrack:
    """The sound that goes with the pictures.

    Attributes
    ----------
    name
        Of the file, relative to the page, with "/" between folders.
    content
        The file's bytes, to be put into the page; None leaves the file beside it.
    media_type
        Of the content, as in RFC 6838.
    start_frame
        Frame at which the sound begins; None is the first of the report.
    """

    name: str
    content: bytes | None = None
    media_type: str = "audio/wav"
    start_frame: int | None = None


@dataclass(frozen=True, slots=True)
class Score:
    """What happens when.

    Attributes
    ----------
    scenes
        For the contact sheet and the timeline; without any, stills are taken at even
        distances.
    cues
        In any order.
    soundtrack
        Played in step with the pictures.

    In the details of a report it is written as ``"scenes": [["Harbour", 1, 240]], "cues":
    [["Lights out", 96]], "soundtrack": "show.wav"``; each may be missing.
    """

    scenes: tuple[SceneSpan, ...] = ()
    cues: tuple[CuePoint, ...] = ()
    soundtrack: Soundtrack | None = None

    @classmethod
    def of(cls, report: tables.Report) -> Score:
        """Return the score in the details of a report.

        Raises
        ------
        FormatError
            Where it is not written as it should be.
        """
        details = report.details
        try:
            sound = details.get("soundtrack")
            return cls(
                scenes=tuple(
                    SceneSpan(str(name), int(first), int(last))
                    for name, first, last in details.get("scenes", ())
                ),
                cues=tuple(
                    CuePoint(str(name), int(frame)) for name, frame in details.get("cues", ())
                ),
                soundtrack=None if sound is None else Soundtrack(str(sound)),
            )
        except (TypeError, ValueError) as error:
            raise FormatError(
                "The report's scenes are [name, first, last], its cues [name, frame], its "
                f"soundtrack a file name; this one has others: {error}."
            ) from error


class PageWriter:
    """Collect the pictures of a render, frame after frame, then write the page.

    ::

        page = PageWriter()
        for each frame and projector:
            page.append(projector_name, frame_number, proof.beam_picture(frame, profile))
        page.finish(stream, report, Score(
            scenes=(SceneSpan("Harbour", 1, 240),),
            cues=(CuePoint("Lights out", 96),),
            soundtrack=Soundtrack("show.wav"),
        ))

    It holds compressed pictures only: at most some 2.5 kB a frame and projector, as a rule
    below 1 kB.
    """

    def __init__(self) -> None:
        self._chunks: dict[str, list[str]] = {}
        self._numbers: dict[str, list[int]] = {}
        self._growing: dict[str, bytearray] = {}
        self._extent = (0.0, 0.0)

    def append(self, projector: str, number: int, picture: bytes) -> None:
        """Add one frame of one projector; frames of a projector come in rising order.

        Parameters
        ----------
        projector
            Its name, as in the report.
        number
            Frame number, as in the report.
        picture
            From `page_picture.encode_picture`.
        """
        numbers = self._numbers.setdefault(projector, [])
        if numbers and number <= numbers[-1]:
            raise ValueError(f"frame {number} of {projector!r} came after frame {numbers[-1]}")
        wide, high = picture_extent(picture)
        self._extent = (max(self._extent[0], wide), max(self._extent[1], high))
        numbers.append(number)
        growing = self._growing.setdefault(projector, bytearray())
        growing += _leb128(len(picture))
        growing += picture
        if len(numbers) % CHUNK_FRAMES == 0:
            self._close_chunk(projector)

    def _close_chunk(self, projector: str) -> None:
        growing = self._growing.pop(projector, None)
        if growing:
            self._chunks.setdefault(projector, []).append(_packed(bytes(growing)))

    def finish(self, stream: BinaryIO, report: tables.Report, score: Score | None = None) -> None:
        """Write the page.

        Parameters
        ----------
        stream
            Binary; it is not closed.
        report
            Figures of the same frames.
        score
            Scenes, cue points, soundtrack; None takes what the report's details tell.

        Raises
        ------
        FormatError
            Where the pictures are not those of the report's frames, or a figure is no number.
        """
        for projector in list(self._growing):
            self._close_chunk(projector)
        for row in report.projectors:
            if [figures.frame for figures in row.figures] != self._numbers.get(row.name, []):
                raise FormatError(
                    f"The report page has not the pictures of the frames of {row.name!r}: the "
                    "report and the frame files are of different renders. Render again."
                )
        for part in self._parts(report, Score.of(report) if score is None else score):
            stream.write(part.encode())

    def _parts(self, report: tables.Report, score: Score) -> Iterable[str]:
        soundtrack = score.soundtrack
        shown = [
            SceneSpan(
                span.name,
                max(span.first, report.frame_first),
                min(span.last, report.frame_last),
            )
            for span in score.scenes
            if span.first <= report.frame_last and span.last >= report.frame_first
        ]
        marks = sorted(
            (cue for cue in score.cues if report.frame_first <= cue.frame <= report.frame_last),
            key=lambda cue: cue.frame,
        )
        stills = _stills(report, shown)
        about = {
            "title": report.scene,
            "fps": report.fps,
            "first": report.frame_first,
            "last": report.frame_last,
            "step": report.frame_step,
            "extent": self._extent,
            "chunkFrames": CHUNK_FRAMES,
            "projectors": [
                {
                    "name": row.name,
                    "rate": row.point_rate_hz,
                    "target": row.target_refresh_hz,
                    "budget": row.budget,
                }
                for row in report.projectors
            ],
            "scenes": [[span.name, span.first, span.last] for span in shown],
            "cues": [[cue.name, cue.frame] for cue in marks],
            "sound": None
            if soundtrack is None
            else {
                "source": _sound_source(soundtrack),
                "name": soundtrack.name,
                "start": report.frame_first
                if soundtrack.start_frame is None
                else soundtrack.start_frame,
            },
        }
        fields = {
            "TITLE": escape(report.scene),
            "STYLE": _part("page_style.css"),
            "FACTS": _facts(report),
            "STILLS": "\n".join(_still(report, *still) for still in stills),
            "STILLS_HEADING": "Scenes" if shown else "Stills",
            "CUES": _cue_table(report, marks),
            "PROJECTORS": "\n".join(_projector(report, row) for row in report.projectors),
            "HAZARDS": hazard_section(report, lambda frame: _seek(report, frame)),
            "RENDERED": _rendered(report),
            "ABOUT": _json_in_html(about),
        }
        body, player = _part("page_template.html").split("{{PACKED}}")
        # In one go: a name that looks like a place to fill in stays a name.
        yield re.sub(r"\{\{(\w+)\}\}", lambda match: fields[match[1]], body)
        for index, row in enumerate(report.projectors):
            yield (
                f'<script type="text/plain" id="figures-{index}">'
                f"{_packed(_figures_json(row.figures).encode())}</script>\n"
            )
            for rank, chunk in enumerate(self._chunks.get(row.name, [])):
                yield f'<script type="text/plain" id="chunk-{index}-{rank}">{chunk}</script>\n'
        yield player.replace("{{PLAYER}}", _part("page_player.js"))


def _part(name: str) -> str:
    return files(__package__).joinpath(name).read_text("utf-8")


def _leb128(number: int) -> bytes:
    result = bytearray()
    while number > 127:
        result.append(number & 127 | 128)
        number >>= 7
    result.append(number)
    return bytes(result)


def _packed(content: bytes) -> str:
    # Level 6 takes a third of the time of 9 for a hundredth more bytes.
    squeeze = zlib.compressobj(6, zlib.DEFLATED, -15)
    return base64.b64encode(squeeze.compress(content) + squeeze.flush()).decode("ascii")


def _json(value: object) -> str:
    try:
        return json.dumps(value, ensure_ascii=False, allow_nan=False, separators=(",", ":"))
    except ValueError as error:
        raise FormatError(f"The report holds a figure that is no number: {error}.") from error


def _json_in_html(value: object) -> str:
    # Nothing an artist types may end the script element.
    return _json(value).replace("<", "\\u003c")


def _sound_source(soundtrack: Soundtrack) -> str:
    if soundtrack.content is None:
        return quote(soundtrack.name)
    content = base64.b64encode(soundtrack.content).decode("ascii")
    return f"data:{soundtrack.media_type};base64,{content}"


def _figures_json(figures: Sequence[FrameFigures]) -> str:
    ranked = [name for name in tables.cost_shares(figures) if name]
    told = ranked[:_OBJECTS_MAX]
    cost = {name: [round(row.cost.get(name, 0.0)) for row in figures] for name in told}
    if len(ranked) > len(told):
        cost[_OTHERS] = [
            round(sum(points for name, points in row.cost.items() if name and name not in cost))
            for row in figures
        ]
    return _json(
        {
            "frame": [row.frame for row in figures],
            "points": [row.points for row in figures],
            "budget": [row.budget for row in figures],
            "lit": [row.lit for row in figures],
            "strokes": [row.strokes for row in figures],
            "coarser": [round(100 * row.stress) for row in figures],
            "dropped": [row.dropped_strokes for row in figures],
            "darkened": [row.darkened for row in figures],
            "cost": cost,
        }
    )


# --- what is read without the player ---------------------------------------------------


def _time(report: tables.Report, frame: int) -> str:
    tenths = math.floor((frame - report.frame_first) / report.fps * 10 + 1e-6)
    return f"{tenths // 600}:{tenths // 10 % 60:02d}.{tenths % 10}"


def _length(report: tables.Report) -> str:
    seconds = (report.frame_last - report.frame_first + report.frame_step) / report.fps
    if seconds < 60:
        return f"{seconds:.3g} seconds"
    minutes, rest = divmod(round(seconds), 60)
    return f"{minutes} min {rest} s"


def _count(number: int, thing: str) -> str:
    return f"{number} {thing}" if number == 1 else f"{number} {thing}s"


def _facts(report: tables.Report) -> str:
    frames = max((len(row.figures) for row in report.projectors), default=0)
    rows = [row for each in report.projectors for row in each.figures]
    over = len({row.frame for row in rows if row.over_budget})
    cut = len({row.frame for row in rows if row.dropped_strokes})
    facts = [
        _length(report),
        f"{_count(frames, 'frame')} at {report.fps / report.frame_step:g} a second",
        _count(len(report.projectors), "projector"),
        f"{_count(over, 'frame')} over budget" if over else "every frame within its budget",
    ]
    if cut:
        facts.append(f"strokes left out in {_count(cut, 'frame')}")
    return "".join(f"<li>{escape(fact)}</li>" for fact in facts)


def _rendered(report: tables.Report) -> str:
    details = report.details
    parts = [f"Beamwright {report.version}".strip()]
    if details.get("blender"):
        parts.append(f"Blender {details['blender']}")
    if details.get("file"):
        parts.append(str(details["file"]))
    return escape(", ".join(parts))


def _seek(report: tables.Report, frame: int, text: str | None = None) -> str:
    label = text if text is not None else str(frame)
    return (
        f'<button type="button" class="seek" data-frame="{frame}" '
        f'title="Show frame {frame}, {_time(report, frame)}">{escape(label)}</button>'
    )


def _light(report: tables.Report) -> dict[int, int]:
    """Lit samples of each frame, all projectors together."""
    light: dict[int, int] = {}
    for projector in report.projectors:
        for row in projector.figures:
            light[row.frame] = light.get(row.frame, 0) + row.lit
    return light


def _stills(report: tables.Report, scenes: Sequence[SceneSpan]) -> list[tuple[SceneSpan, int]]:
    """Return what the contact sheet shows: spans, and the frame that stands for each."""
    light = _light(report)
    spans: list[SceneSpan] = list(scenes)
    if not spans:
        numbers = sorted(light)
        count = min(_STILLS_OF_A_SCENE, len(numbers))
        edges = [len(numbers) * rank // count for rank in range(count + 1)] if count else [0]
        spans = [
            SceneSpan("", numbers[start], numbers[stop - 1]) for start, stop in pairwise(edges)
        ]
    result = []
    for span in spans:
        inside = _frames_alone(span, spans, light)
        if not inside:
            continue
        middle = inside[len(inside) // 2]
        fullest = max(inside, key=lambda frame: light[frame])
        result.append((span, middle if 2 * light[middle] >= light[fullest] else fullest))
    return result


def _frames_alone(span: SceneSpan, spans: Sequence[SceneSpan], frames: Iterable[int]) -> list[int]:
    """Frames of a span that no other one shares, as in a transition; all, where none is alone."""
    inside = [frame for frame in sorted(frames) if span.first <= frame <= span.last]
    others = [
        other for other in spans if other is not span and other.first <= span.last
        and span.first <= other.last
    ]  # fmt: skip
    alone = [
        frame for frame in inside if not any(other.first <= frame <= other.last for other in others)
    ]
    return alone or inside


def _still(report: tables.Report, span: SceneSpan, frame: int) -> str:
    over = sum(
        row.over_budget
        for projector in report.projectors
        for row in projector.figures
        if span.first <= row.frame <= span.last
    )
    name = span.name or _time(report, frame)
    times = (
        f"{_time(report, span.first)} to {_time(report, span.last)}, frames {span.first} to "
        f"{span.last}"
        if span.name
        else f"frame {frame}"
    )
    warning = f'<span class="over">▲ over budget in {_count(over, "frame")}</span>' if over else ""
    start = span.first if span.name else frame
    return (
        f'<li><button type="button" class="still seek" data-frame="{start}">'
        f'<canvas data-still="{frame}" aria-hidden="true"></canvas>'
        f'<span class="name">{escape(name)}</span><span class="when">{escape(times)}</span>'
        f"{warning}</button></li>"
    )


def _cue_table(report: tables.Report, cues: Sequence[CuePoint]) -> str:
    if not cues:
        return ""
    rows = "".join(
        f"<tr><td>{escape(cue.name)}</td><td>{_time(report, cue.frame)}</td>"
        f"<td>{_seek(report, cue.frame)}</td></tr>"
        for cue in cues
    )
    return (
        '<section aria-labelledby="cue-heading"><h2 id="cue-heading">Cue points</h2>'
        "<table><thead><tr><th scope=col>Cue</th><th scope=col>Time</th>"
        f"<th scope=col>Frame</th></tr></thead><tbody>{rows}</tbody></table></section>"
    )


def _projector(report: tables.Report, projector: tables.ProjectorReport) -> str:
    figures = projector.figures
    name = escape(projector.name)
    if not figures:
        return f"<section><h3>{name}</h3><p>No frames.</p></section>"
    points = [row.points for row in figures]
    facts = [
        ("Point rate", f"{projector.point_rate_hz:g} points a second"),
        ("Target refresh", f"{projector.target_refresh_hz:g} times a second"),
        ("Budget", f"{projector.budget} points a frame"),
        ("Points a frame", f"{min(points)} to {max(points)}, median {median(points):.0f}"),
        ("Lowest refresh", f"{min(row.refresh_hz for row in figures):.1f} times a second"),
        ("Drawn coarser to fit", _count(sum(row.stress > 0 for row in figures), "frame")),
        (
            "With strokes left out",
            _count(sum(row.dropped_strokes > 0 for row in figures), "frame"),
        ),
        ("Switched off for safety", _count(sum(row.darkened for row in figures), "point")),
        ("Files", ", ".join(n for n in projector.files if "/" not in n) or "none"),
    ]
    listed = "".join(f"<dt>{escape(key)}</dt><dd>{escape(text)}</dd>" for key, text in facts)
    return (
        f'<section class="projector"><h3>{name}</h3><dl>{listed}</dl>'
        f"{_over_table(report, projector)}{_cost_table(report, projector)}</section>"
    )


def _more(count: int, thing: str) -> str:
    return f"<p>and {_count(count, thing)} more, in report.json</p>" if count > 0 else ""


def _over_table(report: tables.Report, projector: tables.ProjectorReport) -> str:
    ranges = tables.over_budget_ranges(projector.figures)
    if not ranges:
        return "<p>No frame is over budget.</p>"
    by_frame: dict[int, FrameFigures] = {row.frame: row for row in projector.figures}
    rows = []
    for frames in ranges[:_ROWS_MAX]:
        inside = [by_frame[n] for n in by_frame if frames.first <= n <= frames.last]
        worst = max(inside, key=lambda row: row.points)
        heavy = [name for name in tables.cost_shares(inside) if name][:3]
        rows.append(
            f"<tr><td>{_seek(report, frames.first)} to {_seek(report, frames.last)}</td>"
            f"<td>{worst.points} of {worst.budget}</td><td>{worst.refresh_hz:.1f} Hz</td>"
            f"<td>{escape(', '.join(heavy))}</td></tr>"
        )
    return (
        "<table><caption>Over budget: the picture flickers more than was asked for</caption>"
        "<thead><tr><th scope=col>Frames</th><th scope=col>Most points</th>"
        "<th scope=col>Refresh</th><th scope=col>Costliest objects</th></tr></thead>"
        f"<tbody>{''.join(rows)}</tbody></table>{_more(len(ranges) - _ROWS_MAX, 'range')}"
    )


def _cost_table(report: tables.Report, projector: tables.ProjectorReport) -> str:
    costs = tables.cost_ranges(projector.figures)
    if not costs:
        return ""
    rows = "".join(
        f"<tr><td>{escape(cost.name)}</td><td>{100 * cost.share:.0f} %</td>"
        f"<td>{cost.points:.0f}</td>"
        f"<td>{_seek(report, cost.frames.first)} to {_seek(report, cost.frames.last)}</td></tr>"
        for cost in costs[:_ROWS_MAX]
    )
    return (
        "<table><caption>What costs the most points, and where</caption><thead><tr>"
        "<th scope=col>Object</th><th scope=col>Share</th><th scope=col>Points a frame</th>"
        f"<th scope=col>Frames</th></tr></thead><tbody>{rows}</tbody></table>"
        f"{_more(len(costs) - _ROWS_MAX, 'range')}"
    )
