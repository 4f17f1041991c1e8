# SPDX-License-Identifier: GPL-3.0-or-later
"""Reveal, mask and morph of an object: sidebar and Properties editor."""

from typing import Any

import bpy

from ..extract.effects import problem_of
from ..properties import PROPERTY
from .sidebar import SidebarPanel, letters, split, wrapped

_WITHOUT = {"CAMERA", "LIGHT", "LIGHT_PROBE", "SPEAKER"}
"""Types of objects that hold no effects."""


def _effects(item: bpy.types.Object) -> Any:
    return getattr(item, PROPERTY).effects


def _used_by(scene: bpy.types.Scene, item: bpy.types.Object) -> list[tuple[str, str]]:
    """Return what other objects' effects make of an object: a text and an icon each."""
    notes = []
    for other in scene.objects:
        effects = _effects(other)
        if effects.mask.object == item:
            notes.append((f"Mask of “{other.name}”: not drawn itself", "MOD_MASK"))
        morph = effects.morph
        if not morph.use:
            continue
        if morph.target_kind == "OBJECT":
            meant = morph.target_object == item
        else:
            target = morph.target_collection
            meant = target is not None and item.name in target.all_objects
        if meant:
            notes.append((f"Target of “{other.name}”: drawn by its morph alone", "MOD_INSTANCE"))
    return notes


class _EffectsPanel:
    """Whose strokes the effects change, and what is wrong with them."""

    @classmethod
    def poll(cls, context: Any) -> bool:
        """Show it for objects that may hold effects."""
        item = context.object
        return item is not None and item.type not in _WITHOUT and not getattr(item, PROPERTY).baked

    def draw(self, context: Any) -> None:
        """Lay out the scope, and notes."""
        layout = split(self.layout)
        item = context.object
        effects = _effects(item)
        layout.prop(effects, "scope")
        if effects.scope == "COLLECTION":
            layout.prop(effects, "collection")
        width = letters(context)
        for text, icon in _used_by(context.scene, item):
            wrapped(layout.column(align=True), text, width, icon=icon)
        problem = problem_of(item, context.view_layer)
        if problem:
            column = layout.column(align=True)
            column.alert = True
            wrapped(column, problem, width, icon="ERROR")


class _EffectPanel:
    """One effect, with its switch in the header."""

    bl_options = {"DEFAULT_CLOSED"}
    effect = ""

    def draw_header(self, context: Any) -> None:
        """The switch."""
        self.layout.prop(getattr(_effects(context.object), self.effect), "use", text="")

    def draw(self, context: Any) -> None:
        """Lay out the settings, greyed while the effect is off."""
        layout = split(self.layout)
        effect = getattr(_effects(context.object), self.effect)
        layout.active = effect.use
        self.lay_out(layout, effect)

    def lay_out(self, layout: Any, effect: Any) -> None:
        """Lay out the effect's own settings."""
        raise NotImplementedError


def _keyed(layout: Any, effect: Any, *names: str) -> None:
    """Lay out what is meant to be keyed, with Blender's dot for that."""
    column = layout.column(align=True)
    column.use_property_decorate = True
    for name in names:
        column.prop(effect, name)


class _RevealPanel(_EffectPanel):
    bl_label = "Reveal"
    effect = "reveal"

    def lay_out(self, layout: Any, effect: Any) -> None:
        """Lay out the drawn part and the order."""
        _keyed(layout, effect, "start", "end")
        layout.prop(effect, "order")
        if effect.order == "SHUFFLED":
            layout.prop(effect, "seed")


class _MaskPanel(_EffectPanel):
    bl_label = "Mask"
    effect = "mask"

    def lay_out(self, layout: Any, effect: Any) -> None:
        """Lay out the mask and its side."""
        layout.prop(effect, "object")
        layout.prop(effect, "outside")


class _MorphPanel(_EffectPanel):
    bl_label = "Morph"
    effect = "morph"

    def lay_out(self, layout: Any, effect: Any) -> None:
        """Lay out the target and the factor."""
        layout.row().prop(effect, "target_kind", expand=True)
        if effect.target_kind == "OBJECT":
            layout.prop(effect, "target_object")
        else:
            layout.prop(effect, "target_collection")
        _keyed(layout, effect, "factor")


class BEAMWRIGHT_PT_effects(_EffectsPanel, SidebarPanel, bpy.types.Panel):
    """Effects of the active object, in the sidebar."""

    bl_idname = "BEAMWRIGHT_PT_effects"
    bl_label = "Effects"
    bl_options = {"DEFAULT_CLOSED"}


class BEAMWRIGHT_PT_effects_reveal(_RevealPanel, SidebarPanel, bpy.types.Panel):
    """Reveal, in the sidebar."""

    bl_idname = "BEAMWRIGHT_PT_effects_reveal"
    bl_parent_id = "BEAMWRIGHT_PT_effects"


class BEAMWRIGHT_PT_effects_mask(_MaskPanel, SidebarPanel, bpy.types.Panel):
    """Mask, in the sidebar."""

    bl_idname = "BEAMWRIGHT_PT_effects_mask"
    bl_parent_id = "BEAMWRIGHT_PT_effects"


class BEAMWRIGHT_PT_effects_morph(_MorphPanel, SidebarPanel, bpy.types.Panel):
    """Morph, in the sidebar."""

    bl_idname = "BEAMWRIGHT_PT_effects_morph"
    bl_parent_id = "BEAMWRIGHT_PT_effects"


class _ObjectTab:
    """Place of a panel: the object tab of the Properties editor."""

    bl_space_type = "PROPERTIES"
    bl_region_type = "WINDOW"
    bl_context = "object"
    bl_options = {"DEFAULT_CLOSED"}


class BEAMWRIGHT_PT_effects_tab(_EffectsPanel, _ObjectTab, bpy.types.Panel):
    """Effects of the object, in the Properties editor."""

    bl_idname = "BEAMWRIGHT_PT_effects_tab"
    bl_label = "Laser Effects"


class BEAMWRIGHT_PT_effects_tab_reveal(_RevealPanel, _ObjectTab, bpy.types.Panel):
    """Reveal, in the Properties editor."""

    bl_idname = "BEAMWRIGHT_PT_effects_tab_reveal"
    bl_parent_id = "BEAMWRIGHT_PT_effects_tab"


class BEAMWRIGHT_PT_effects_tab_mask(_MaskPanel, _ObjectTab, bpy.types.Panel):
    """Mask, in the Properties editor."""

    bl_idname = "BEAMWRIGHT_PT_effects_tab_mask"
    bl_parent_id = "BEAMWRIGHT_PT_effects_tab"


class BEAMWRIGHT_PT_effects_tab_morph(_MorphPanel, _ObjectTab, bpy.types.Panel):
    """Morph, in the Properties editor."""

    bl_idname = "BEAMWRIGHT_PT_effects_tab_morph"
    bl_parent_id = "BEAMWRIGHT_PT_effects_tab"


class BEAMWRIGHT_PT_collection_effects(bpy.types.Panel):
    """Controls that hold a collection's effects, in the Properties editor."""

    bl_idname = "BEAMWRIGHT_PT_collection_effects"
    bl_label = "Laser Effects"
    bl_space_type = "PROPERTIES"
    bl_region_type = "WINDOW"
    bl_context = "collection"
    bl_options = {"DEFAULT_CLOSED"}

    def draw(self, context: Any) -> None:
        """List the controls, and offer another."""
        layout = self.layout
        for item in context.scene.objects:
            effects = _effects(item)
            if effects.scope == "COLLECTION" and effects.collection == context.collection:
                used = [name for name in ("reveal", "mask", "morph") if getattr(effects, name).use]
                layout.label(text=f"{item.name}: {', '.join(used) or 'off'}", icon="EMPTY_AXIS")
        layout.operator("beamwright.add_effect_control", icon="ADD")


CLASSES = (
    BEAMWRIGHT_PT_effects,
    BEAMWRIGHT_PT_effects_reveal,
    BEAMWRIGHT_PT_effects_mask,
    BEAMWRIGHT_PT_effects_morph,
    BEAMWRIGHT_PT_effects_tab,
    BEAMWRIGHT_PT_effects_tab_reveal,
    BEAMWRIGHT_PT_effects_tab_mask,
    BEAMWRIGHT_PT_effects_tab_morph,
    BEAMWRIGHT_PT_collection_effects,
)
