# SPDX-License-Identifier: GPL-3.0-or-later
"""Read SVG: the simplified tree usvg leaves becomes a `Page`.

What is left of SVG after usvg is small: groups with transform, opacity and clip path; paths
with absolute M, L, C, Q, Z data; gradients, patterns, masks, filters and images by reference.
A gradient counts as one colour and one alpha, the means of its stops. Masks, filters, patterns
and images are left out with a warning. A stroked piece of no length whose caps are round or
square is a dot: a contour of a single knot.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import groupby
from pathlib import Path
from typing import Literal
from xml.etree import ElementTree

import numpy as np
from numpy.typing import NDArray

from ..errors import FormatError
from .lettering import strokes_of_contours
from .shapes import Clip, ClipPart, Lettering, Page, knots_from_polyline, transform_knots
from .source import SvgSource, load_source
from .usvg import Usvg

__all__ = ["TextMode", "read_simplified", "read_svg"]

TextMode = Literal["strokes", "lettering", "none"]
Colour = tuple[float, float, float, float]
FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

MOST_SHAPES = 50_000
MOST_KNOTS = 2_000_000
LARGEST_COORDINATE = 1e7
PEN_OF_PAGE = 1.0 / 480.0
"""Width of lettering's pen over the longer side of the page."""
SAME_POINT = 1e-4  # usvg writes single precision
DOT_CAPS = frozenset({"round", "square"})
PAINTS = frozenset({"linearGradient", "radialGradient", "pattern"})
NOTHING: Colour = (0.0, 0.0, 0.0, 0.0)
REFERENCE = re.compile(r"url\(#(.*)\)")
MISSING_GLYPH = re.compile(r"No fonts with an? (.*?/U\+[0-9A-F]+) character")
WITHOUT_LETTERS = str.maketrans("MLCQZ", "     ")
ONLY_LETTERS = str.maketrans("", "", "0123456789.-+ \n\t")
COORDINATES = {"M": 2, "L": 2, "C": 6, "Q": 4, "Z": 0}
COMMAND_SIZES = np.zeros(128, np.int64)
for _letter, _count in COORDINATES.items():
    COMMAND_SIZES[ord(_letter)] = _count


def read_svg(
    path: Path | bytes, program: Usvg, *, text: TextMode = "strokes", name: str | None = None
) -> Page:
    """Read one SVG file.

    Parameters
    ----------
    path
        A file, plain or gzipped, or its bytes.
    program
        The preprocessor; keep one for all files.
    text
        ``"strokes"``: set in the single-stroke lettering font, as pen strokes in writing order.
        ``"lettering"``: kept as text, in `Page.lettering`. ``"none"``: left out.
    name
        Names the document in messages; default the file name.

    Raises
    ------
    OutputError
        The file cannot be read.
    FormatError
        It is not SVG or breaks a bound; names the file. Nothing is read by halves.
    """
    source = load_source(path, name)
    simplified, messages = program.run(
        source.content,
        source.name,
        text=source.has_text and text != "none",
        preserve_text=text == "lettering",
    )
    return read_simplified(simplified, source, messages, text)


def read_simplified(
    simplified: bytes, source: SvgSource, messages: Sequence[str] = (), text: TextMode = "strokes"
) -> Page:
    """Read what usvg made of `source`; see `read_svg`."""
    try:
        root = ElementTree.fromstring(simplified)
    except ElementTree.ParseError as error:
        raise FormatError(f"{source.name} cannot be read: {error}.") from error
    return _Walk(root, source, text).page(_warnings(source, messages, text))


def _warnings(source: SvgSource, messages: Sequence[str], text: TextMode) -> list[str]:
    """Word what was lost for the artist."""
    result = [
        f"{source.name}: {kind} {'are' if kind.endswith('s') else 'is'} left out."
        for kind in source.lost
    ]
    if source.has_text and text == "none":
        result.append(f"{source.name}: text is left out.")
    if not source.sized:
        result.append(
            f"{source.name} has no viewBox and no size: the page is as large as the drawing."
        )
    for message in messages:
        if found := MISSING_GLYPH.search(message):
            character = found[1].replace("/", " (") + ")"
            result.append(f"{source.name}: the lettering font has no character {character}.")
        elif "font-family" not in message and "image" not in message:
            result.append(f"{source.name}: {re.sub(r'^Warning (.in .*?.: )?', '', message)}")
    return list(dict.fromkeys(result))


@dataclass(frozen=True, slots=True)
class _State:
    """What a group hands down."""

    matrix: tuple[float, float, float, float, float, float]
    opacity: float
    clip: int
    groups: tuple[str, ...]
    in_text: bool


class _Walk:
    """One pass over the simplified tree."""

    def __init__(self, root: ElementTree.Element, source: SvgSource, text: TextMode) -> None:
        self.source = source
        self.text = text
        self.root = root
        self.width = float(root.get("width", "0"))
        self.height = float(root.get("height", "0"))
        self.definitions = {
            element.get("id", ""): element
            for defs in root.iter()
            if _local(defs) == "defs"
            for element in defs
        }
        self.paints: dict[str, Colour] = {}
        self.clips: list[Clip] = []
        self.clip_indices: dict[tuple[str, tuple[float, ...], int], int] = {}
        self.shapes: list[tuple[ElementTree.Element, _State, str]] = []
        self.lettering: list[tuple[ElementTree.Element, _State, int]] = []
        self.set_otherwise: list[str] = []

    def page(self, warnings: list[str]) -> Page:
        # Page space: origin in the middle, y up.
        start = (1.0, 0.0, 0.0, -1.0, -self.width / 2.0, self.height / 2.0)
        for child in self.root:
            self._visit(child, _State(start, 1.0, -1, (), False))
        if len(self.shapes) > MOST_SHAPES:
            raise FormatError(
                f"{self.source.name} holds {len(self.shapes)} shapes; a page may have "
                f"{MOST_SHAPES}. Simplify it first."
            )
        depth = self._common_groups()
        lettering = [line for item in self.lettering for line in self._read_lettering(*item, depth)]
        warnings += [
            f"{self.source.name}: “{text}” has sizes or shifts of its own within the line; as "
            "lettering it is set in one size. Pen strokes keep them."
            for text in dict.fromkeys(self.set_otherwise)
        ]
        if any(element.get("stroke-dasharray") for element, _, _ in self.shapes):
            warnings.append(f"{self.source.name}: dashed lines are drawn whole.")
        elements = [element for element, _, _ in self.shapes]
        states = [state for _, state, _ in self.shapes]
        matrices = np.array([state.matrix for state in states], np.float64).reshape(-1, 6)
        paths = _parse_paths([e.get("d", "") for e in elements], self.source.name)
        knots_before = np.concatenate([[0], np.cumsum(np.diff(paths.contour_offsets))])
        paths = replace(
            paths, knots=_transform(paths.knots, matrices, knots_before[paths.shape_offsets])
        )
        fill, stroke = self._colours("fill", "none"), self._colours("stroke", "none")
        widths = np.array([float(e.get("stroke-width", "1")) for e in elements], np.float64)
        determinants = matrices[:, 0] * matrices[:, 3] - matrices[:, 1] * matrices[:, 2]
        widths *= np.sqrt(np.abs(determinants))
        capped = [e.get("stroke-linecap") in DOT_CAPS for e in elements]
        paths = _with_dots(paths, (stroke[:, 3] > 0.0) & np.array(capped, bool))
        if self.source.has_text and self.text == "strokes":
            paths, written = _pen_strokes(paths)
            written &= fill[:, 3] > 0.0
            stroke[written], fill[written] = fill[written], 0.0
            # A pen the artist can see in the 3D view.
            widths[written] = max(self.width, self.height) * PEN_OF_PAGE
        if len(paths.knots) and not np.abs(paths.knots).max() < LARGEST_COORDINATE:
            raise FormatError(
                f"{self.source.name} has a coordinate of {np.abs(paths.knots).max():.3g} pixels; "
                f"the limit is {LARGEST_COORDINATE:.0g}. Scale the drawing down."
            )
        if len(paths.knots) and self._off_page(paths.knots):
            warnings.append(
                f"{self.source.name}: all of it lies outside its page of {self.width:g} × "
                f"{self.height:g} pixels. Fit the page to the drawing, or switch Crop to Page off."
            )
        layers = [self._layer(state.groups, depth) for state in states]
        names = list(dict.fromkeys(layers))
        return Page(
            width=self.width,
            height=self.height,
            knots=paths.knots,
            contour_offsets=paths.contour_offsets,
            contour_closed=paths.closed,
            shape_offsets=paths.shape_offsets,
            fill=fill,
            stroke=stroke,
            line_width=widths,
            even_odd=np.array([e.get("fill-rule") == "evenodd" for e in elements], bool),
            clip=np.array([state.clip for state in states], np.int32),
            layer=np.array([names.index(layer) for layer in layers], np.int32),
            outlined=np.ones(len(elements), bool),
            names=tuple(name for _, _, name in self.shapes),
            layer_names=tuple(names),
            clips=tuple(self.clips),
            lettering=tuple(lettering),
            warnings=tuple(warnings),
        )

    def _off_page(self, knots: FloatArray) -> bool:
        """Whether the box around some knots misses the page."""
        half = np.array([self.width, self.height]) / 2.0
        points = knots.reshape(-1, 2)
        return bool(np.any(points.min(axis=0) > half) or np.any(points.max(axis=0) < -half))

    def _colours(self, paint: str, default: str) -> FloatArray:
        """RGBA of all shapes' fills or strokes, (s, 4)."""
        return np.array(
            [
                self._paint(
                    element.get(paint, default),
                    float(element.get(f"{paint}-opacity", "1")) * state.opacity,
                )
                for element, state, _ in self.shapes
            ],
            np.float64,
        ).reshape(-1, 4)

    def _visit(self, element: ElementTree.Element, state: _State) -> None:
        tag = _local(element)
        if tag == "g":
            state = self._enter(element, state)
            for child in element:
                self._visit(child, state)
        elif tag == "path" and element.get("visibility") != "hidden":
            self.shapes.append((element, self._enter(element, state), element.get("id", "")))
        elif tag == "text":
            self.lettering.append((element, self._enter(element, state), len(self.shapes)))

    def _enter(self, element: ElementTree.Element, state: _State) -> _State:
        """Return the state inside an element."""
        get = element.get
        matrix = _inside(state.matrix, get("transform"))
        clip = state.clip
        if reference := get("clip-path"):
            clip = self._clip(_target(reference), matrix, clip)
        identifier = get("id", "")
        is_text = state.in_text or identifier in self.source.text_ids
        groups = state.groups
        if identifier and not is_text and _local(element) == "g":
            groups = (*groups, identifier)
        return _State(matrix, state.opacity * float(get("opacity", "1")), clip, groups, is_text)

    def _common_groups(self) -> int:
        """How many outer groups hold the whole drawing: they are no layers."""
        states = [s.groups for _, s, _ in self.shapes] + [s.groups for _, s, _ in self.lettering]
        if not states:
            return 0
        depth = 0
        for level in zip(*states, strict=False):
            if len(set(level)) > 1:
                return depth
            depth += 1
        # Everything lies in one innermost group: it is the layer.
        return max(depth - 1, 0) if all(len(s) == depth for s in states) else depth

    def _layer(self, groups: tuple[str, ...], depth: int) -> str:
        identifier = groups[depth] if len(groups) > depth else ""
        return self.source.labels.get(identifier, identifier)

    def _paint(self, value: str, alpha: float) -> Colour:
        if value == "none":
            return NOTHING
        if value.startswith("#"):
            return _hex(value, alpha)
        colour = self._reference_paint(_target(value))
        return (colour[0], colour[1], colour[2], colour[3] * alpha)

    def _reference_paint(self, identifier: str) -> Colour:
        """One colour for a gradient or pattern."""
        if identifier in self.paints:
            return self.paints[identifier]
        element = self.definitions.get(identifier)
        colour: Colour = (1.0, 1.0, 1.0, 1.0)
        for _ in range(8):  # a gradient may take its stops from another
            if element is None:
                break
            stops = [
                _hex(e.get("stop-color", "#000000"), float(e.get("stop-opacity", "1")))
                for e in element
                if _local(e) == "stop"
            ]
            if stops:
                mean = np.mean(stops, axis=0)
                colour = (float(mean[0]), float(mean[1]), float(mean[2]), float(mean[3]))
                break
            if _local(element) == "pattern":
                fills = [e.get("fill", "") for e in element.iter() if _local(e) == "path"]
                colour = next((_hex(f) for f in fills if f.startswith("#")), colour)
                break
            href = next((v for k, v in element.items() if k.endswith("href")), "")
            element = self.definitions.get(href.lstrip("#"))
        self.paints[identifier] = colour
        return colour

    def _clip(
        self, identifier: str, matrix: tuple[float, float, float, float, float, float], outer: int
    ) -> int:
        """Index of the clip path `identifier` seen through `matrix`, within the clip `outer`."""
        key = (identifier, matrix, outer)
        if key in self.clip_indices:
            return self.clip_indices[key]
        element = self.definitions.get(identifier)
        if element is None:
            return outer
        inside = _inside(matrix, element.get("transform"))
        parents: tuple[int, ...] = () if outer < 0 else (outer,)
        if reference := element.get("clip-path"):
            own = self._clip(_target(reference), inside, -1)
            parents = parents if own < 0 else (*parents, own)
        parts: list[ClipPart] = []
        self._clip_parts(element, inside, -1, parts)
        if self._covers_page(parts):
            index = outer if len(parents) == (outer >= 0) else parents[-1]
        else:
            self.clips.append(Clip(tuple(parts), parents))
            index = len(self.clips) - 1
        self.clip_indices[key] = index
        return index

    def _clip_parts(
        self,
        element: ElementTree.Element,
        matrix: tuple[float, float, float, float, float, float],
        clip: int,
        parts: list[ClipPart],
    ) -> None:
        for child in element:
            inside = _inside(matrix, child.get("transform"))
            inner = clip
            if reference := child.get("clip-path"):
                inner = self._clip(_target(reference), inside, clip)
            if _local(child) == "g":
                self._clip_parts(child, inside, inner, parts)
            elif _local(child) == "path":
                path = _parse_paths([child.get("d", "")], self.source.name)
                if len(path.knots):
                    knots = transform_knots(path.knots, inside)
                    even_odd = child.get("clip-rule") == "evenodd"
                    parts.append(ClipPart(knots, path.contour_offsets, even_odd, inner))

    def _covers_page(self, parts: list[ClipPart]) -> bool:
        """A clip that is just a rectangle around the page cuts nothing the page does not."""
        if len(parts) != 1 or parts[0].clip >= 0 or len(parts[0].knots) != 4:
            return False
        points = parts[0].knots[:, 1]
        low, high = points.min(axis=0), points.max(axis=0)
        at_corner = (np.abs(points - low) < SAME_POINT) | (np.abs(points - high) < SAME_POINT)
        half = np.array([self.width, self.height]) / 2.0
        straight = np.allclose(
            parts[0].knots, knots_from_polyline(points, closed=True), atol=SAME_POINT
        )
        return bool(
            straight
            and at_corner.all()
            and np.all(low <= -half + 1e-2)
            and np.all(high >= half - 1e-2)
        )

    def _read_lettering(
        self, element: ElementTree.Element, state: _State, below: int, depth: int
    ) -> Iterator[Lettering]:
        """Lines of one text element: usvg starts a tspan with x and y for each."""
        shifts = {k: [float(n) for n in (element.get(k) or "").split()] for k in ("dx", "dy")}
        x = y = 0.0
        place = 0
        for line in element:
            text = "".join(line.itertext())
            # Shifts are listed for each character and add up until a position is given.
            x = float(line.get("x", x)) + sum(shifts["dx"][place : place + 1])
            y = float(line.get("y", y)) + sum(shifts["dy"][place : place + 1])
            within = slice(place + 1, place + len(text))
            place += len(text)
            if not text.strip():
                continue
            runs = [e for e in line.iter() if e.get("font-size")] or [line]
            colours = [self._run_colour(run, state.opacity) for run in runs]
            counts = [len("".join(run.itertext())) for run in runs]
            each = [colour for colour, n in zip(colours, counts, strict=True) for _ in range(n)]
            first = len(text) - len(text.lstrip())
            text = text.strip()
            each = each[first : first + len(text)]
            if len({run.get("font-size") for run in runs}) > 1 or any(
                any(shifts[axis][within]) for axis in shifts
            ):
                self.set_otherwise.append(text)
            # Text space has y up, the file y down.
            matrix = _product(state.matrix, (1.0, 0.0, 0.0, -1.0, x, y))
            yield Lettering(
                text=text,
                matrix=matrix,
                size=float(runs[0].get("font-size", "12")),
                anchor=line.get("text-anchor", element.get("text-anchor", "start")),
                colour=each[0],
                name=element.get("id", ""),
                layer=self._layer(state.groups, depth),
                stacking=below,
                runs=tuple((len(list(part)), colour) for colour, part in groupby(each))
                if len(set(each)) > 1
                else (),
            )

    def _run_colour(self, run: ElementTree.Element, opacity: float) -> Colour:
        """Colour of a run of text: of its fill, or of its stroke where it has no fill."""
        fill, stroke = run.get("fill", "#000000"), run.get("stroke", "none")
        paint = "stroke" if fill == "none" and stroke != "none" else "fill"
        alpha = float(run.get(f"{paint}-opacity", "1")) * opacity
        return self._paint(stroke if paint == "stroke" else fill, alpha)


def _local(element: ElementTree.Element) -> str:
    return element.tag.rpartition("}")[2]


def _target(reference: str) -> str:
    found = REFERENCE.match(reference)
    return found[1] if found else ""


def _hex(colour: str, alpha: float = 1.0) -> Colour:
    red, green, blue = (int(colour[i : i + 2], 16) / 255.0 for i in (1, 3, 5))
    return (red, green, blue, alpha)


def _product(
    outer: Sequence[float], inner: Sequence[float]
) -> tuple[float, float, float, float, float, float]:
    a, b, c, d, e, f = outer
    p, q, r, s, t, u = inner
    return (
        a * p + c * q,
        b * p + d * q,
        a * r + c * s,
        b * r + d * s,
        a * t + c * u + e,
        b * t + d * u + f,
    )


def _inside(
    matrix: tuple[float, float, float, float, float, float], transform: str | None
) -> tuple[float, float, float, float, float, float]:
    """The matrix inside an element; usvg writes every transform as matrix(a b c d e f)."""
    if not transform:
        return matrix
    return _product(matrix, [float(n) for n in transform[7:-1].replace(",", " ").split()])


@dataclass(frozen=True, eq=False)
class _Paths:
    """Bézier contours of many paths, as in `Page`."""

    knots: FloatArray
    contour_offsets: IntArray
    closed: NDArray[np.bool_]
    shape_offsets: IntArray

    def keeping(self, kept: NDArray[np.bool_]) -> _Paths:
        """Return the same contours with only the knots of a mask."""
        before = np.concatenate([[0], np.cumsum(kept)])
        offsets = before[self.contour_offsets].astype(np.int64)
        return replace(self, knots=self.knots[kept], contour_offsets=offsets)

    def without_empty(self) -> _Paths:
        """Return the same shapes without contours that have no knot."""
        kept = np.diff(self.contour_offsets) > 0
        before = np.concatenate([[0], np.cumsum(kept)])
        return replace(
            self,
            contour_offsets=self.contour_offsets[np.append(kept, True)],
            closed=self.closed[kept],
            shape_offsets=before[self.shape_offsets].astype(np.int64),
        )


def _transform(knots: FloatArray, matrices: FloatArray, bounds: IntArray) -> FloatArray:
    """Apply one matrix to the knots of each shape."""
    rows = np.repeat(matrices, np.diff(bounds), axis=0)[:, None]
    x, y = knots[..., 0], knots[..., 1]
    return np.stack(
        [
            rows[..., 0] * x + rows[..., 2] * y + rows[..., 4],
            rows[..., 1] * x + rows[..., 3] * y + rows[..., 5],
        ],
        axis=-1,
    )


def _with_dots(paths: _Paths, dotted: NDArray[np.bool_]) -> _Paths:
    """Make a single knot of each contour without length, or drop it where it draws nothing.

    Such a piece is drawn where its caps are round or square and not where they are flat
    (SVG 2, 13.5.4 and the notes on zero-length subpaths of 9.3).

    Parameters
    ----------
    dotted : (s,) bool
        Shapes whose stroke draws dots.
    """
    counts = np.diff(paths.contour_offsets)
    first = np.repeat(paths.contour_offsets[:-1], counts)
    away = np.abs(paths.knots - paths.knots[first, 1][:, None]).max(axis=(1, 2), initial=0.0)
    contour = np.repeat(np.arange(len(counts)), counts)
    still = np.bincount(contour, weights=away > SAME_POINT, minlength=len(counts)) == 0
    if not still.any():
        return paths
    shape = np.repeat(np.arange(len(dotted)), np.diff(paths.shape_offsets))
    kept = ~still[contour]
    kept[paths.contour_offsets[:-1][still & dotted[shape]]] = True
    result = paths.keeping(kept)
    single = result.contour_offsets[:-1][still & dotted[shape]]
    result.knots[single] = result.knots[single, 1][:, None]
    return replace(result, closed=paths.closed & ~still).without_empty()


def _pen_strokes(paths: _Paths) -> tuple[_Paths, NDArray[np.bool_]]:
    """Halve the contours of the lettering font: they run out and back.

    Returns
    -------
    The paths, and which shapes consist of such contours. They have no area, so that whatever
    else is drawn like that loses nothing of its fill.
    """
    points = paths.knots[:, 1]
    size = max(1.0, float(np.ptp(points))) if len(points) else 1.0
    lines = strokes_of_contours(points, paths.contour_offsets, tolerance=1e-6 * size)
    contours = np.diff(paths.shape_offsets)
    shape = np.repeat(np.arange(len(contours)), contours)
    pen_strokes = np.bincount(shape[lines.pen_stroke & paths.closed], minlength=len(contours))
    lettering = (contours > 0) & (pen_strokes == contours)
    halved = np.repeat(lettering, contours)
    counts = np.diff(paths.contour_offsets)
    kept_counts = np.where(halved, counts // 2 + 1, counts)
    place = np.arange(len(points)) - np.repeat(paths.contour_offsets[:-1], counts)
    result = paths.keeping(place < np.repeat(kept_counts, counts))
    first, last = result.contour_offsets[:-1][halved], result.contour_offsets[1:][halved] - 1
    result.knots[first, 0] = result.knots[first, 1]
    result.knots[last, 2] = result.knots[last, 1]
    return replace(result, closed=paths.closed & ~halved), lettering


def _parse_paths(data: Sequence[str], name: str) -> _Paths:
    """Parse many paths at once.

    The knot of a command is its end point. A straight piece gets handles at thirds; a
    quadratic one is raised to a cubic, which is exact.
    """
    letters = [d.translate(ONLY_LETTERS) for d in data]
    command = np.frombuffer("".join(letters).encode("ascii"), np.uint8)
    if len(command) > MOST_KNOTS:
        raise FormatError(
            f"{name} holds {len(command)} path pieces; a page may have {MOST_KNOTS}. "
            "Simplify its paths first."
        )
    sizes = COMMAND_SIZES[np.minimum(command, 127)]
    numbers = np.array(" ".join(data).translate(WITHOUT_LETTERS).split(), np.float64)
    is_knot = command != ord("Z")
    kind = command[is_knot]
    if len(numbers) != sizes.sum() or (len(command) and command[0] != ord("M")):
        raise FormatError(f"{name} cannot be read: a path of its simplified form is damaged.")
    last = np.cumsum(sizes)[is_knot]
    knots = np.repeat(numbers[last[:, None] + [-2, -1]][:, None], 3, axis=1)
    points = knots[:, 1].copy()
    rows = np.flatnonzero(kind == ord("C"))
    knots[rows - 1, 2] = numbers[last[rows, None] + [-6, -5]]
    knots[rows, 0] = numbers[last[rows, None] + [-4, -3]]
    for letter, share in (("L", 1.0 / 3.0), ("Q", 2.0 / 3.0)):
        rows = np.flatnonzero(kind == ord(letter))
        for row, side, other in ((rows - 1, 2, rows), (rows, 0, rows - 1)):
            pull = points[other] if letter == "L" else numbers[last[rows, None] + [-4, -3]]
            knots[row, side] = points[row] + (pull - points[row]) * share
    closed_after = np.zeros(len(kind), bool)  # a Z follows this knot
    closed_after[(np.cumsum(is_knot) - 1)[~is_knot]] = True
    first = np.flatnonzero(kind == ord("M"))
    offsets = np.append(first, len(kind)).astype(np.int64)
    final = offsets[1:] - 1
    closed = closed_after[final]
    several = closed & (final > first)
    returns = several & np.all(np.abs(points[first] - points[final]) <= SAME_POINT, axis=1)
    # The last knot of a contour that returns by itself is its first.
    a, b = first[returns], final[returns]
    knots[a, 0] = knots[b, 0] + (points[a] - points[b])
    a, b = first[several & ~returns], final[several & ~returns]
    step = (points[a] - points[b]) / 3.0
    knots[b, 2], knots[a, 0] = points[b] + step, points[a] - step
    kept = np.ones(len(kind), bool)
    kept[final[returns]] = False
    counts = [text.count("M") for text in letters]
    shape_offsets = np.concatenate([[0], np.cumsum(counts)]).astype(np.int64)
    return _Paths(knots, offsets, closed, shape_offsets).keeping(kept)
