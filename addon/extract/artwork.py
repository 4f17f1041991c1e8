# SPDX-License-Identifier: GPL-3.0-or-later
"""Flat artwork of a scene as cards: Grease Pencil, flat curves, text."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import bpy
import numpy as np
from numpy.typing import NDArray

from ...core.artwork.cards import Card, CardCache, card_surfaces
from ...core.artwork.ink import Recent
from ...core.artwork.shapes import Page
from ...core.scene import Assignment, Camera, LineSettings, Surface
from ...core.writing import WriteSettings
from ..properties import PROPERTY, exact
from .assignment import ObjectSettings, SettingsReader
from .outlines import Colour, curve_page, read_contours, stays_flat, text_page
from .pencil import read_layers
from .pencil_page import Drawing, pencil_drawing

__all__ = ["KINDS", "ArtworkReader"]

FloatArray = NDArray[np.float64]

KINDS = {"GREASEPENCIL", "CURVE", "FONT"}
"""Object types that may be flat artwork."""

KEPT_PAGES = 256


@dataclass(eq=False)
class _Known:
    """What is kept of one object or instance between frames."""

    cards: CardCache = field(default_factory=CardCache)
    drawings: Recent[Drawing] = field(default_factory=lambda: Recent(KEPT_PAGES))
    surfaces: list[Surface] = field(default_factory=list)


@dataclass(frozen=True, eq=False)
class _Found:
    """One object or instance of the frame being read."""

    identity: str
    card: Card
    drawn: bool
    wires: tuple[Surface, ...]
    lines: LineSettings


class ArtworkReader:
    """Reads the flat artwork of one scene, frame by frame.

    Nothing of Blender's is kept between two frames, only arrays and names.

    Attributes
    ----------
    read_from
        Of the frame read last: the identity of the object or instance, by the surface's.
    """

    def __init__(self) -> None:
        self._known: dict[str, _Known] = {}
        self._found: list[_Found] = []
        self.read_from: dict[str, str] = {}

    def clear(self) -> None:
        """Forget everything, as after an undo or a file load."""
        self._known.clear()
        self._found.clear()

    def begin(
        self, depsgraph: bpy.types.Depsgraph, frame: int, settings_of: SettingsReader
    ) -> None:
        """Start a frame."""
        self._depsgraph, self._frame, self._settings_of = depsgraph, frame, settings_of
        self._found = []

    def wants(self, owner: bpy.types.Object) -> bool:
        """Whether an evaluated object is flat artwork; others are read as meshes."""
        if owner.type not in KINDS or getattr(owner.original, PROPERTY).baked:
            return False
        if owner.type == "GREASEPENCIL":
            return True
        return not getattr(owner.original, PROPERTY).artwork.as_mesh and stays_flat(owner)

    def add(
        self,
        item: bpy.types.Object,
        owner: bpy.types.Object,
        identity: str,
        matrix: FloatArray,
        settings: ObjectSettings,
    ) -> None:
        """Read one object or instance of the frame.

        Parameters
        ----------
        item, owner
            Evaluated; they differ for instances only.
        matrix : (4, 4)
            To world space.
        """
        known = self._known.setdefault(identity, _Known())
        artwork = self._settings_of.own(owner).artwork
        if owner.type == "GREASEPENCIL":
            drawing = self._pencil(item, matrix, artwork, settings, known)
        else:
            drawing = self._contours(item, owner, settings, known)
        if drawing is None:
            return
        name = owner.original.name_full
        planes = {layer: matrix @ plane for layer, plane in drawing.planes.items()}
        card = Card(
            name=name,
            page=drawing.page,
            matrix=matrix,
            layer_matrices=planes,
            settings=artwork.to_core(),
            hides=settings.lines.occludes,
            assignment=settings.assignment,
            layer_assignments=self._layer_assignments(artwork, settings.assignment),
            writing=_writing(artwork, drawing.page),
            tip_colour=(
                tuple(exact(value) for value in artwork.tip_colour) if artwork.tip else None  # type: ignore[arg-type] # three of them
            ),
            reversed_behind=artwork.reversed_behind,
            blank_behind=artwork.blank_behind,
        )
        wires = tuple(
            replace(
                wire,
                name=f"{name}/{wire.name}",
                identity=f"{identity}/{wire.identity}",
                positions=wire.positions @ matrix[:3, :3].T + matrix[:3, 3],
                assignment=card.layer_assignments.get(wire.name, settings.assignment),
            )
            for wire in drawing.wires
        )
        self._found.append(_Found(identity, card, settings.lines.drawn, wires, settings.lines))

    def surfaces(
        self, meshes: Sequence[Surface], cameras: Sequence[Camera], tolerance_field: float
    ) -> list[Surface]:
        """Return the frame's meshes and, after them, what stands for the artwork."""
        ranks, meshes = _stacked([found.lines.rank for found in self._found], meshes)
        result = list(meshes)
        self.read_from = {}
        for found, rank in zip(self._found, ranks, strict=True):
            known = self._known[found.identity]
            card = replace(found.card, rank=rank)
            made = card_surfaces(card, cameras, tolerance_field, known.cards)
            prefix = len(card.name)
            own = [
                surface
                if found.identity == card.name
                else replace(surface, identity=found.identity + surface.identity[prefix:])
                for surface in (*made, *found.wires)
                if found.drawn or not surface.lines.drawn
            ]
            known.surfaces = _same_where_still(known.surfaces, own)
            result.extend(known.surfaces)
            self.read_from.update((item.identity, found.identity) for item in known.surfaces)
        self._found = []
        return result

    def _layer_assignments(self, artwork: Any, base: Assignment) -> dict[str, Assignment]:
        result = {}
        for layer in artwork.layers:
            names = self._settings_of.known_names(layer.projectors())
            if names:
                result[layer.name] = replace(base, projectors=names)
        return result

    def _pencil(
        self,
        item: bpy.types.Object,
        matrix: FloatArray,
        artwork: Any,
        settings: ObjectSettings,
        known: _Known,
    ) -> Drawing | None:
        layers = read_layers(item, self._depsgraph, matrix, self._frame)
        if not layers:
            return None
        width, height = artwork.page_size()
        colour = _own_colour(item, settings)
        options = (
            width,
            height,
            exact(artwork.page_scale),
            artwork.clip_borders,
            colour,
            exact(artwork.alpha_min),
        )
        key = (tuple(layer.digest for layer in layers), options)
        drawing = known.drawings.get(key)
        if drawing is None:
            drawing = pencil_drawing(layers, *options)
            known.drawings.put(key, drawing)
        return drawing

    def _contours(
        self,
        item: bpy.types.Object,
        owner: bpy.types.Object,
        settings: ObjectSettings,
        known: _Known,
    ) -> Drawing | None:
        contours = read_contours(item, self._depsgraph)
        if len(contours.knots) == 0:
            return None
        data: Any = item.data
        colours = _line_colours(item, owner, settings)
        filled = data.fill_mode != "NONE"
        even_odd = getattr(data, "fill_rule", "EVEN_ODD") != "NON_ZERO"
        key = (contours.digest, tuple(colours), filled, even_odd)
        drawing = known.drawings.get(key)
        if drawing is None:
            if owner.type == "FONT":
                page = text_page(contours, colours, filled)
            else:
                page = curve_page(contours, colours, filled, even_odd)
            drawing = Drawing(page, {name: np.eye(4) for name in page.layer_names})
            known.drawings.put(key, drawing)
        return drawing


def _writing(artwork: Any, page: Page) -> WriteSettings | dict[str, WriteSettings] | None:
    """Write-on state of the page, or of its layers where one has a state of its own."""

    def state(item: Any) -> WriteSettings | None:
        written = item.writing_to_core()
        lift = exact(artwork.lift) / exact(artwork.page_scale)
        return None if written is None else replace(written, lift=lift)

    whole = state(artwork)
    own = {layer.name: state(layer) for layer in artwork.layers}
    if not any(own.get(name) for name in page.layer_names):
        return whole
    result = {name: own.get(name) or whole for name in page.layer_names}
    return {name: value for name, value in result.items() if value is not None}


def _stacked(
    wanted: Sequence[int], meshes: Sequence[Surface]
) -> tuple[list[int], Sequence[Surface]]:
    """Give pages of one rank a rank each, in the order of the scene, above meshes of that rank.

    Only surfaces in one plane are told apart by it; for those a tie would leave the lines of
    both.
    """
    most = max((wanted.count(rank) for rank in set(wanted)), default=0)
    if most <= 1:
        return list(wanted), meshes
    levels = sorted({*wanted, *(mesh.lines.rank for mesh in meshes)})
    base = {rank: place * (most + 1) for place, rank in enumerate(levels)}
    seen: dict[int, int] = {}
    ranks = []
    for rank in wanted:
        seen[rank] = seen.get(rank, 0) + 1
        ranks.append(min(base[rank] + seen[rank], 32767))
    changed = [
        mesh
        if mesh.lines.rank == base[mesh.lines.rank]
        else replace(mesh, lines=replace(mesh.lines, rank=min(base[mesh.lines.rank], 32767)))
        for mesh in meshes
    ]
    return ranks, changed


def _same_where_still(before: list[Surface], now: list[Surface]) -> list[Surface]:
    """Keep the instances of the frame before where nothing changed: core compares them by it."""
    known = {surface.identity: surface for surface in before}
    result = []
    for surface in now:
        old = known.get(surface.identity)
        still = (
            old is not None
            and old.topology is surface.topology
            and old.lines == surface.lines
            and old.assignment == surface.assignment
            and old.mirrored == surface.mirrored
            and np.array_equal(old.positions, surface.positions)
            and np.array_equal(old.colours, surface.colours)
        )
        result.append(old if still and old is not None else surface)
    return result


def _own_colour(
    item: bpy.types.Object, settings: ObjectSettings
) -> tuple[float, float, float] | None:
    """Return the one colour that is set for the object, if one is."""
    if settings.colour is not None:
        return settings.colour
    if settings.colour_source == "OBJECT":
        red, green, blue = item.color[:3]
        return red, green, blue
    return None


def _line_colours(
    item: bpy.types.Object, owner: bpy.types.Object, settings: ObjectSettings
) -> list[Colour]:
    """Return a colour for each material slot, at least one."""
    own = _own_colour(owner, settings)
    if own is not None:
        return [(*own, 1.0)]
    materials = [slot.material for slot in item.material_slots]
    colours: list[Colour] = []
    for material in materials:
        red, green, blue = (1.0, 1.0, 1.0) if material is None else material.diffuse_color[:3]
        colours.append((min(red, 1.0), min(green, 1.0), min(blue, 1.0), 1.0))
    return colours or [(1.0, 1.0, 1.0, 1.0)]
