# SPDX-License-Identifier: GPL-3.0-or-later
"""Pages become one Grease Pencil object: a drawing for each frame, curves that stay editable."""

from __future__ import annotations

import hashlib
import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path
from typing import Any, Literal

import bpy
import numpy as np
from mathutils import Matrix
from numpy.typing import NDArray

from ..core.artwork.pencil import PencilArrays, pencil_arrays
from ..core.artwork.sequence import FileSequence, find_sequence, read_sequence, sequence_of
from ..core.artwork.shapes import Lettering, Page
from ..core.artwork.svg import TextMode
from ..core.artwork.usvg import Usvg
from ..core.errors import FormatError, OutputError
from . import ROOT_PACKAGE, compat, drawings, lettering
from .properties import PROPERTY

__all__ = [
    "ImportOptions",
    "build_artwork",
    "choose_files",
    "import_into_file",
    "preprocessor",
]

Placement = Literal["CAMERA", "ORIGIN", "CURSOR"]
FINENESS = 1.0 / 8192.0
"""Tolerance over page size for fills that have to be stored as polylines."""

WHOLE = "Artwork"
"""Layer of shapes that have none."""

_program: Usvg | None = None


@dataclass(frozen=True, slots=True)
class ImportOptions:
    """How pages are put into a scene.

    Attributes
    ----------
    name
        Of the object; empty takes the file's.
    text
        As in `core.artwork.svg.read_svg`.
    frame_start
        Scene frame of the first page.
    frame_step
        Scene frames for each number of the sequence.
    placement
        Filling the camera's frame, or upright at the origin or the 3D cursor.
    size
        Longer side of the page in scene units, where the camera does not decide it.
    """

    name: str = ""
    text: TextMode = "strokes"
    frame_start: int = 1
    frame_step: int = 1
    placement: Placement = "CAMERA"
    size: float = 4.0


def preprocessor() -> Usvg:
    """Return the SVG preprocessor, compiled once and kept in the user's folder.

    Raises
    ------
    HostError
        What it needs is not installed.
    """
    global _program
    if _program is None:
        try:
            folder = bpy.utils.extension_path_user(ROOT_PACKAGE, path="cache", create=True)
        except ValueError:  # not run as an extension
            folder = bpy.utils.user_resource("DATAFILES", path="beamwright", create=True)
        _program = Usvg(Path(folder) if folder else None)
    return _program


def choose_files(paths: Sequence[Path], as_sequence: bool) -> FileSequence:
    """Return the files to read: those named, or all numbered ones beside a single one."""
    if not paths:
        raise FormatError("No file was chosen: name one or more SVG files.")
    if len(paths) == 1:
        return find_sequence(paths[0]) if as_sequence else FileSequence(tuple(paths), (1,), ())
    return sequence_of(paths)


def build_artwork(
    scene: bpy.types.Scene,
    collection: bpy.types.Collection,
    pages: Sequence[Page],
    files: FileSequence,
    options: ImportOptions,
) -> tuple[bpy.types.Object, list[str]]:
    """Put pages into a scene as one object.

    Returns
    -------
    The object, and what the artist should know: one sentence each.

    Raises
    ------
    FormatError
        There is nothing to draw on any of the pages.
    """
    first = pages[0]
    if not any(len(page) or page.lettering for page in pages):
        raise FormatError(_nothing_in(files, pages))
    name = options.name or files.paths[0].stem.rstrip("0123456789").rstrip("_-. ") or "Artwork"
    matrix, scale = _placed(scene, first, options)
    data = compat.new_grease_pencil(name)
    item = bpy.data.objects.new(name, data)
    frames = [
        options.frame_start + (n - files.numbers[0]) * options.frame_step for n in files.numbers
    ]
    drawn = _write_layers(data, pages, frames, scale)
    item.matrix_world = matrix
    collection.objects.link(item)
    artwork = getattr(item, PROPERTY).artwork
    artwork.page_width, artwork.page_height, artwork.page_scale = first.width, first.height, scale
    artwork.source = files.paths[0].name
    for layer in drawn:
        artwork.layer(layer, create=True)
    messages = list(dict.fromkeys(text for page in pages for text in page.warnings))
    if files.missing:
        messages.insert(0, f"{files.missing_text} The page before is held.")
    if any((page.width, page.height) != (first.width, first.height) for page in pages):
        messages.append(
            f"The pages differ in size; that of {files.paths[0].name} is kept for all of them."
        )
    if options.text == "lettering":
        messages.extend(_write_lettering(item, collection, pages, frames, scale))
    return item, messages


def _nothing_in(files: FileSequence, pages: Sequence[Page]) -> str:
    """Say that files hold nothing to draw, and why, where that is known."""
    names = files.paths[0].name
    if len(files) > 1:
        names += f" … {files.paths[-1].name}"
    reasons = list(dict.fromkeys(text for page in pages for text in page.warnings))
    return " ".join(
        [f"There is nothing to draw in {names}: no shape, line or text that shows.", *reasons]
    )


def _placed(scene: bpy.types.Scene, page: Page, options: ImportOptions) -> tuple[Matrix, float]:
    """Return the object's matrix, and the length of one page unit in it."""
    longer = max(page.width, page.height) or 1.0
    camera = scene.camera
    if options.placement != "CAMERA" or camera is None or camera.type != "CAMERA":
        at = scene.cursor.location if options.placement == "CURSOR" else (0.0, 0.0, 0.0)
        return Matrix.Translation(at), options.size / longer
    scene.view_layers[0].update()  # or a camera just moved stands where it was
    corners = list(camera.data.view_frame(scene=scene))
    width = max(c.x for c in corners) - min(c.x for c in corners)
    height = max(c.y for c in corners) - min(c.y for c in corners)
    middle = sum((c for c in corners), corners[0] * 0.0) / len(corners)
    place = camera.matrix_world.normalized()
    # Where the camera looks past the world's origin, or so far that the page is `size` wide.
    distance = -(place.inverted() @ Matrix.Identity(4).translation).z
    if not distance > camera.data.clip_start:
        distance = 10.0
    factor = distance / -middle.z if camera.data.type == "PERSP" else 1.0
    scale = min(width * factor / page.width, height * factor / page.height)
    shift = middle * factor
    upright = Matrix.Rotation(-math.pi / 2.0, 4, "X")
    return place @ Matrix.Translation((shift.x, shift.y, -distance)) @ upright, scale


def _runs(arrays: PencilArrays, names: Sequence[str]) -> dict[str, NDArray[np.bool_]]:
    """Return which curves belong to which layer, bottom to top.

    A layer that something else lies between is drawn in parts, each a layer of its own.
    """
    result: dict[str, NDArray[np.bool_]] = {}
    if len(arrays.layer) == 0:
        return result
    bounds = np.flatnonzero(np.diff(arrays.layer, prepend=-1))
    index = np.arange(len(arrays.layer))
    seen: dict[str, int] = {}
    for a, b in zip(bounds, [*bounds[1:], len(index)], strict=True):
        base = names[arrays.layer[a]] or WHOLE
        seen[base] = seen.get(base, 0) + 1
        label = base if seen[base] == 1 else f"{base} ({seen[base]})"
        result[label] = (index >= a) & (index < b)
    return result


def _merged(orders: Sequence[Sequence[str]]) -> list[str] | None:
    """Return one order that keeps the order of all; None where two contradict."""
    above: dict[str, set[str]] = {}
    names: dict[str, None] = {}
    for order in {tuple(order): None for order in orders}:
        names.update(dict.fromkeys(order))
        for lower, upper in pairwise(order):
            above.setdefault(upper, set()).add(lower)
    result: list[str] = []
    left = list(names)
    while left:
        free = next((n for n in left if not above.get(n, set()) & set(left)), None)
        if free is None:
            return None
        result.append(free)
        left.remove(free)
    return result


def _write_layers(
    data: Any, pages: Sequence[Page], frames: Sequence[int], scale: float
) -> list[str]:
    """Write every page, each content once; return the layers, bottom to top."""
    known: dict[int, PencilArrays] = {}
    for page in pages:
        if id(page) not in known:
            known[id(page)] = pencil_arrays(page, max(page.width, page.height) * FINENESS)
    runs = {id(page): _runs(known[id(page)], page.layer_names) for page in pages}
    order = _merged([list(runs[id(page)]) for page in pages])
    if order is None:  # stacked differently from frame to frame
        order = [WHOLE]
        runs = {key: {WHOLE: np.ones(len(known[key].counts), bool)} for key in runs}
    palette = drawings.Palette(data)
    for name in order:
        layer = data.layers.new(name)
        layer.use_lights = False
        before: bytes | None = None
        written: dict[bytes, int] = {}
        for page, frame in zip(pages, frames, strict=True):
            arrays = known[id(page)]
            kept = runs[id(page)].get(name, np.zeros(len(arrays.counts), bool))
            if before is None and not kept.any():
                continue
            part = arrays.taken(kept)
            digest = _digest(part)
            if digest == before:
                continue
            before = digest
            if digest in written:
                layer.frames.copy(written[digest], frame, instance_drawing=True)
            else:
                drawings.write_drawing(layer.frames.new(frame).drawing, part, scale, palette)
                written[digest] = frame
    return order


def _digest(arrays: PencilArrays) -> bytes:
    digest = hashlib.blake2b(digest_size=16)
    for name in arrays.__dataclass_fields__:
        if name not in ("rank", "layer", "fill_id"):
            digest.update(np.ascontiguousarray(getattr(arrays, name)).tobytes())
            digest.update(name.encode())
    _, group = np.unique(arrays.fill_id, return_inverse=True)
    digest.update(group.tobytes())
    return digest.digest()


def _write_lettering(
    item: bpy.types.Object,
    collection: bpy.types.Collection,
    pages: Sequence[Page],
    frames: Sequence[int],
    scale: float,
) -> list[str]:
    """Make a text object of each line of text, shown in the frames that have it."""
    shown: dict[Lettering, list[bool]] = {}
    for place, page in enumerate(pages):
        for line in page.lettering:
            shown.setdefault(line, [False] * len(pages))[place] = True
    messages = []
    for line, visible in shown.items():
        text, missing = lettering.new_text(line.text, line.name or line.text, collection)
        if missing:
            messages.append(missing)
        curve: Any = text.data
        curve.size = line.size * scale * lettering.SIZE_OF_EM
        curve.align_x = {"start": "LEFT", "middle": "CENTER", "end": "RIGHT"}[line.anchor]
        lettering.colour_characters(curve, [colour[:3] for colour in line.colours])
        a, b, c, d, e, f = line.matrix
        text.parent = item
        # Text lies in XY, the page in XZ.
        text.matrix_local = Matrix(
            (
                (a, c, 0.0, e * scale),
                (0.0, 0.0, -1.0, 0.0),
                (b, d, 0.0, f * scale),
                (0.0, 0.0, 0.0, 1.0),
            )
        )
        getattr(text, PROPERTY).lines.rank = getattr(item, PROPERTY).lines.rank + 1
        getattr(text, PROPERTY).drawn_by = getattr(item, PROPERTY).drawn_by
        if not all(visible):
            for frame, on, was in zip(frames, visible, [None, *visible], strict=False):
                if on != was:
                    for path in ("hide_render", "hide_viewport"):
                        setattr(text, path, not on)
                        text.keyframe_insert(path, frame=frame)
    return messages


def import_into_file(options: Any) -> dict[str, Any]:
    """Do the work of the command `import`: read, build, save.

    Everything is read before the scene is touched, and the file is only written at the end.
    """
    from .session import find_scene, open_file

    files = choose_files(options.files, options.sequence)
    pages = read_sequence(files, preprocessor(), text=options.text)
    assert pages is not None, "nothing stops it"
    target = options.out or options.into
    if target.suffix != ".blend":
        raise OutputError(f"{target} must end in .blend.")
    open_file(options.into)
    scene = find_scene(options.scene)
    item, warnings = build_artwork(
        scene,
        scene.collection,
        pages,
        files,
        ImportOptions(
            name=options.name,
            text=options.text,
            frame_start=options.frame,
            frame_step=options.step,
            placement=options.place.upper(),
            size=options.size,
        ),
    )
    try:
        bpy.ops.wm.save_as_mainfile(
            filepath=str(target.resolve()), compress=True, copy=options.out is not None
        )
    except RuntimeError as error:
        raise OutputError(f"{target} cannot be written: {str(error).strip()}") from None
    data: Any = item.data
    return {
        "file": str(target),
        "object": item.name,
        "drawings": len(files),
        "layers": [layer.name for layer in data.layers],
        "warnings": warnings,
    }
