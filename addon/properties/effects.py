# SPDX-License-Identifier: GPL-3.0-or-later
"""Transitions of an object and its children, or of a collection: reveal, mask, morph.

Blender keeps no animation on collections, so a collection's effects are held by an object, such
as an Empty, that names the collection.
"""

from typing import Any

import bpy
import numpy as np
from bpy.props import BoolProperty, EnumProperty, FloatProperty, IntProperty, PointerProperty

from ...core.scene import Mask, Morph, Reveal
from .assignment import OVERRIDABLE
from .single import exact

_REVEAL = Reveal(frozenset())
_MASK = Mask(frozenset(), np.empty((0, 3)), np.empty((0, 3), np.int32))
_MORPH = Morph(frozenset(), frozenset())


def _switch_on(self: Any, _context: Any) -> None:
    """What was picked is meant to be used."""
    if any(
        getattr(self, name, None) is not None
        for name in ("object", "target_object", "target_collection")
    ):
        self.use = True


def _share(name: str, description: str, default: float) -> Any:
    return FloatProperty(
        name=name,
        description=description,
        default=default,
        min=0.0,
        max=1.0,
        subtype="FACTOR",
        precision=3,
        override=OVERRIDABLE,
    )


class BEAMWRIGHT_PG_reveal(bpy.types.PropertyGroup):
    """The part of the strokes that is drawn."""

    use: BoolProperty(
        name="Reveal",
        description="Draw only a part of each stroke's length: lines that draw themselves on, "
        "wipe off, or run along as streaks",
        default=False,
        options=set(),
        override=OVERRIDABLE,
    )
    start: _share(
        "Start",
        "Where the drawn part begins, as a share of the length. Key it from 0 to 1 to wipe off",
        _REVEAL.start,
    )
    end: _share(
        "End",
        "Where the drawn part ends, as a share of the length. Key it from 0 to 1 to draw on; "
        "with Start keyed to follow, the lines are streaks that run along",
        _REVEAL.end,
    )
    order: EnumProperty(
        name="Order",
        description="Which strokes come first",
        items=[
            ("TOGETHER", "All Together", "Every stroke grows along its own length"),
            (
                "IN_ORDER",
                "One After Another",
                "One stroke is finished before the next begins, object by object",
            ),
            (
                "SHUFFLED",
                "Random Order",
                "One stroke is finished before the next begins, in an order shuffled by Seed",
            ),
        ],
        default="TOGETHER" if _REVEAL.together else "IN_ORDER",
        options=set(),
        override=OVERRIDABLE,
    )
    seed: IntProperty(
        name="Seed",
        description="Each number gives another random order, always the same one",
        default=0,
        min=0,
        options=set(),
        override=OVERRIDABLE,
    )


class BEAMWRIGHT_PG_mask(bpy.types.PropertyGroup):
    """Another object whose outline lets the strokes through."""

    use: BoolProperty(
        name="Mask",
        description="Draw the strokes only where another object, as the camera sees it, covers "
        "them. Move that object to wipe them on or off",
        default=False,
        options=set(),
        override=OVERRIDABLE,
    )
    object: PointerProperty(
        name="Mask",
        description="Mesh, closed curve or text whose outline lets the strokes through, or an "
        "Empty shown as an image, a circle or a cube. It is neither drawn itself nor does it "
        "hide anything",
        type=bpy.types.Object,
        update=_switch_on,
        override=OVERRIDABLE,
    )
    outside: BoolProperty(
        name="Invert",
        description="Draw the strokes where the mask does not cover them",
        default=_MASK.outside,
        options=set(),
        override=OVERRIDABLE,
    )


class BEAMWRIGHT_PG_morph(bpy.types.PropertyGroup):
    """Other strokes that these turn into."""

    use: BoolProperty(
        name="Morph",
        description="Turn these strokes into those of another object or collection, each into "
        "one of like place and length",
        default=False,
        options=set(),
        override=OVERRIDABLE,
    )
    target_kind: EnumProperty(
        name="Into",
        description="What the strokes turn into",
        items=[
            ("OBJECT", "Object", "An object with its children"),
            ("COLLECTION", "Collection", "All objects of a collection"),
        ],
        default="OBJECT",
        options=set(),
        override=OVERRIDABLE,
    )
    target_object: PointerProperty(
        name="Target",
        description="Object that the strokes turn into, with its children. It is drawn by the "
        "morph alone: not at factor 0, on its own at factor 1",
        type=bpy.types.Object,
        update=_switch_on,
        override=OVERRIDABLE,
    )
    target_collection: PointerProperty(
        name="Target",
        description="Collection that the strokes turn into. It is drawn by the morph alone: not "
        "at factor 0, on its own at factor 1",
        type=bpy.types.Collection,
        update=_switch_on,
        override=OVERRIDABLE,
    )
    factor: _share(
        "Factor",
        "How far the strokes have turned: 0 draws them as they are, 1 the target alone. Key it "
        "from 0 to 1",
        _MORPH.factor,
    )


class BEAMWRIGHT_PG_effects(bpy.types.PropertyGroup):
    """Transitions that an object holds."""

    scope: EnumProperty(
        name="Apply To",
        description="Whose strokes the effects change",
        items=[
            ("OBJECT", "Object and Children", "This object and all that is parented to it"),
            ("COLLECTION", "Collection", "All objects of a collection"),
        ],
        default="OBJECT",
        options=set(),
        override=OVERRIDABLE,
    )
    collection: PointerProperty(
        name="Collection",
        description="Collection whose strokes the effects change, with the collections in it",
        type=bpy.types.Collection,
        override=OVERRIDABLE,
    )
    reveal: PointerProperty(type=BEAMWRIGHT_PG_reveal, override=OVERRIDABLE)
    mask: PointerProperty(type=BEAMWRIGHT_PG_mask, override=OVERRIDABLE)
    morph: PointerProperty(type=BEAMWRIGHT_PG_morph, override=OVERRIDABLE)

    @property
    def any_used(self) -> bool:
        """Whether any effect is switched on."""
        return self.reveal.use or self.mask.use or self.morph.use

    def reveal_to_core(self, objects: frozenset[int], start: float, end: float) -> Reveal:
        """Return the reveal of some surfaces; the shares are those of the frame."""
        return Reveal(
            objects=objects,
            start=exact(start),
            end=exact(end),
            together=self.reveal.order == "TOGETHER",
            shuffle_seed=self.reveal.seed if self.reveal.order == "SHUFFLED" else None,
        )


CLASSES = (
    BEAMWRIGHT_PG_reveal,
    BEAMWRIGHT_PG_mask,
    BEAMWRIGHT_PG_morph,
    BEAMWRIGHT_PG_effects,
)
