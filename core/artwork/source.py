# SPDX-License-Identifier: GPL-3.0-or-later
"""Look an SVG file over before it is read: bounds, forbidden parts, what will be lost.

Refuses what could cost unbounded time or memory, or would be imported by halves: oversized
files, entity bombs, external entities, deep nesting, numbers that are none. Nothing outside
the file is ever opened.
"""

from __future__ import annotations

import re
import zlib
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from xml.parsers import expat

from ..errors import FormatError, OutputError

__all__ = ["SvgSource", "load_source"]

SVG_NAMESPACE = "http://www.w3.org/2000/svg"
MOST_BYTES = 24 << 20
MOST_NESTED = 200
MOST_ENTITY_CHARACTERS = 1 << 20

# Attributes that hold coordinates.
GEOMETRY = frozenset(
    """
    d points x y width height cx cy r rx ry x1 y1 x2 y2 dx dy viewBox font-size stroke-width
    transform gradientTransform patternTransform
    """.split()  # noqa: SIM905 - a list of one word a line says no more
)
# Lower case, every digit a zero: a quick look for what the patterns below find exactly.
FOLDED = bytes(
    ord("0") if chr(i).isdigit() else ord(chr(i).lower()) if i < 128 else i for i in range(256)
)
SUSPECT = (b"nan", b"inf", b"0e00", b"0e+00", b"000000000")
NOT_A_NUMBER = re.compile(r"(?i)(?<![a-z])(nan|inf|infinity)(?![a-z])")
HUGE = re.compile(r"(?i)\de\+?\d\d|(?<![\d.])\d{9}")
COLOUR_WORD = re.compile(rb"(?i)(?<=[:=\"'\s])rebeccapurple(?=[;\"'\s!}])")
DECLARATION = re.compile(rb"^\s*<\?xml[^>]*?encoding\s*=\s*[\"']([A-Za-z0-9._-]+)[\"'][^>]*\?>")

LOST = {
    "image": "images",
    "foreignObject": "foreign objects",
    "script": "scripts",
    "animate": "animation",
    "animateTransform": "animation",
    "animateMotion": "animation",
    "set": "animation",
    "mask": "masks",
    "filter": "filters",
    "pattern": "patterns",
}


@dataclass(frozen=True, slots=True)
class SvgSource:
    """A checked SVG document.

    Attributes
    ----------
    name
        File name, for messages.
    content
        UTF-8.
    labels
        What editors call a group, by its id.
    text_ids
        Ids of text elements.
    has_text
        There is text to set.
    sized
        The root gives a size or a viewBox.
    lost
        Kinds of content that cannot be drawn.
    """

    name: str
    content: bytes
    labels: Mapping[str, str]
    text_ids: frozenset[str]
    has_text: bool
    sized: bool
    lost: tuple[str, ...]


def load_source(path: Path | bytes, name: str | None = None) -> SvgSource:
    """Read and check an SVG file (plain or gzipped) or its bytes.

    Raises
    ------
    OutputError
        The file cannot be read.
    FormatError
        It is not SVG, or breaks a bound; names the file.
    """
    if isinstance(path, bytes):
        name, content = name or "SVG data", path
    else:
        name = name or path.name
        try:
            size = path.stat().st_size
            if size > MOST_BYTES:
                raise _too_large(name, f"{size >> 20} MB")
            content = path.read_bytes()
        except OSError as error:
            raise OutputError(f"{path} cannot be read: {error.strerror}.") from error
    if content[:2] == b"\x1f\x8b":
        content = _unpack(name, content)
    if len(content) > MOST_BYTES:
        raise _too_large(name, f"{len(content) >> 20} MB")
    return _Scan(name, _as_utf8(name, content)).source()


def _too_large(name: str, size: str) -> FormatError:
    return FormatError(
        f"{name} is {size} large; a drawing may have {MOST_BYTES >> 20} MB. "
        "Simplify its paths in the program it comes from."
    )


def _unpack(name: str, content: bytes) -> bytes:
    unpacker = zlib.decompressobj(31)
    try:
        result = unpacker.decompress(content, MOST_BYTES + 1)
    except zlib.error as error:
        raise FormatError(f"{name} is a damaged compressed file: {error}.") from error
    if len(result) > MOST_BYTES:
        raise _too_large(name, f"over {MOST_BYTES >> 20} MB unpacked")
    if not unpacker.eof:
        raise FormatError(f"{name} is a damaged compressed file: it ends too early.")
    return result


def _as_utf8(name: str, content: bytes) -> bytes:
    """Return the document in UTF-8 without a byte order mark."""
    declared = DECLARATION.match(content[:200])
    if content.startswith(b"\xef\xbb\xbf"):
        codec = "utf-8-sig"
    elif content.startswith((b"\xff\xfe", b"\xfe\xff")):
        codec = "utf-16"
    else:
        codec = declared[1].decode("ascii") if declared else "utf-8"
    try:
        text = content.decode(codec)
    except LookupError as error:
        raise FormatError(f"{name} is in the unknown encoding {codec}.") from error
    except UnicodeError as error:
        raise FormatError(
            f"{name} is not SVG text: it cannot be read as {codec}. Save the drawing as plain SVG."
        ) from error
    content = text.encode("utf-8")
    return DECLARATION.sub(b'<?xml version="1.0" encoding="UTF-8"?>', content, count=1)


def _suspect(folded: bytes) -> bool:
    return any(part in folded for part in SUSPECT)


class _Scan:
    """One pass over the markup."""

    def __init__(self, name: str, content: bytes) -> None:
        self.name = name
        folded = content.translate(FOLDED)
        if b"rebeccapurple" in folded:  # a colour name usvg does not know
            content = COLOUR_WORD.sub(b"#663399", content)
        self.content = content
        self.suspect = _suspect(folded)
        self.entities: dict[str, int] = {}
        self.depth = 0
        self.sized = True
        self.labels: dict[str, str] = {}
        self.text_ids: set[str] = set()
        self.has_text = False
        self.lost: dict[str, None] = {}

    def source(self) -> SvgSource:
        parser = expat.ParserCreate("UTF-8", " ")
        parser.SetParamEntityParsing(expat.XML_PARAM_ENTITY_PARSING_NEVER)
        parser.EntityDeclHandler = self._entity
        parser.StartElementHandler = self._start
        parser.EndElementHandler = self._end
        try:
            parser.Parse(self.content, True)
        except expat.ExpatError as error:
            reason = expat.ErrorString(error.code)
            raise FormatError(
                f"{self.name} is not well-formed XML: {reason} in line {error.lineno}. It is no "
                "SVG file, or one that was cut off or damaged: save it again as plain SVG."
            ) from error
        return SvgSource(
            self.name,
            self.content,
            self.labels,
            frozenset(self.text_ids),
            self.has_text,
            self.sized,
            tuple(self.lost),
        )

    def _entity(
        self,
        entity: str,
        is_parameter: bool,
        value: str | None,
        _base: str | None,
        system_id: str | None,
        _public_id: str | None,
        _notation: str | None,
    ) -> None:
        if system_id is not None or value is None:
            raise FormatError(
                f"{self.name} refers to the external entity {entity}, which is never fetched. "
                "Save the drawing as plain SVG."
            )
        if is_parameter:
            raise FormatError(
                f"{self.name} declares the parameter entity {entity}, which no drawing needs. "
                "Save the drawing as plain SVG."
            )
        inner = sum(self.entities.get(r, 0) for r in re.findall(r"&([^#;][^;]*);", value))
        self.entities[entity] = len(value) + inner
        self._check_entities()

    def _check_entities(self) -> None:
        total = max(self.entities.values(), default=0)
        if self.depth:
            total = sum(
                size * self.content.count(f"&{entity};".encode())
                for entity, size in self.entities.items()
            )
        if total > MOST_ENTITY_CHARACTERS:
            raise FormatError(
                f"The entities of {self.name} unfold to more than "
                f"{MOST_ENTITY_CHARACTERS >> 20} MB: this is no drawing."
            )

    def _start(self, tag: str, attributes: dict[str, str]) -> None:
        namespace, _, local = tag.rpartition(" ")
        self.depth += 1
        if self.depth == 1:
            self._check_root(namespace, local, attributes)
            self._check_entities()
        if self.depth > MOST_NESTED:
            raise FormatError(
                f"{self.name} nests more than {MOST_NESTED} groups in one another. "
                "Ungroup the drawing in the program it comes from."
            )
        if self.suspect:
            self._check_numbers(local, attributes)
        if namespace != SVG_NAMESPACE:
            return
        if local == "g" and "id" in attributes:
            for key, value in attributes.items():
                if key.endswith(" label") and value:
                    self.labels[attributes["id"]] = value
        elif local == "text":
            self.has_text = True
            if "id" in attributes:
                self.text_ids.add(attributes["id"])
        elif local in LOST:
            self.lost[LOST[local]] = None

    def _end(self, _tag: str) -> None:
        self.depth -= 1

    def _check_root(self, namespace: str, local: str, attributes: dict[str, str]) -> None:
        if local != "svg" or namespace not in ("", SVG_NAMESPACE):
            raise FormatError(f"{self.name} is not SVG: its outermost element is {local}.")
        if not namespace:
            raise FormatError(
                f'{self.name} lacks xmlns="{SVG_NAMESPACE}" in its svg element, so it is not SVG.'
            )
        self.sized = "viewBox" in attributes or {"width", "height"} <= attributes.keys()

    def _check_numbers(self, local: str, attributes: dict[str, str]) -> None:
        for key in GEOMETRY & attributes.keys():
            if not _suspect(attributes[key].encode("utf-8").translate(FOLDED)):
                continue
            for pattern, what in (
                (NOT_A_NUMBER, "is not a number"),
                (HUGE, "is beyond all bounds"),
            ):
                if found := pattern.search(attributes[key]):
                    start = max(found.start() - 12, 0)
                    part = attributes[key][start : found.end() + 8]
                    raise FormatError(
                        f'{self.name}: a coordinate in "{key}" of a {local} element {what} '
                        f'("{part}"). Repair the drawing in the program it comes from.'
                    )
