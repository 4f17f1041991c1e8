# SPDX-License-Identifier: GPL-3.0-or-later
"""How the preview looks. Belongs to the session, not to the file: no undo step, nothing saved."""

from collections.abc import Callable
from typing import Any

import bpy
from bpy.props import BoolProperty, EnumProperty, FloatProperty, IntProperty, PointerProperty

NAME = "beamwright_preview"
"""Of the pointer property on the window manager."""


Reaction = Callable[[Any], None]
_reactions: dict[str, Reaction] = {}


def react(switched: Reaction, computed: Reaction, drawn: Reaction) -> None:
    """Name what follows a change: of the main switch, of what is computed, of what is drawn.

    Each gets the settings. The overlay calls this, so that the settings need not know it.
    """
    _reactions.update(switched=switched, computed=computed, drawn=drawn)


def _switched(settings: Any, _context: Any) -> None:
    _reactions["switched"](settings)


def _computed(settings: Any, _context: Any) -> None:
    _reactions["computed"](settings)


def _drawn(settings: Any, _context: Any) -> None:
    _reactions["drawn"](settings)


class BEAMWRIGHT_PG_preview(bpy.types.PropertyGroup):
    """Switches of the preview in the 3D view."""

    enabled: BoolProperty(
        name="Preview",
        description="Show over the 3D view what the projectors will draw, while you work and "
        "while the animation plays",
        default=False,
        options={"SKIP_SAVE"},
        update=_switched,
    )
    simulate: BoolProperty(
        name="Simulated Beam",
        description="Show what the audience will see: the mirrors' rounding of corners, brighter "
        "where the beam is slow, and a glow. Off, the planned lines are shown as they should be",
        default=False,
        options={"SKIP_SAVE"},
        update=_drawn,
    )
    blank_moves: BoolProperty(
        name="Blank Moves",
        description="Show the ways without light as dashed lines, with arrows",
        default=False,
        options={"SKIP_SAVE"},
        update=_drawn,
    )
    points: BoolProperty(
        name="Points",
        description="Show the points sent to the scanners: dots with light, rings without",
        default=False,
        options={"SKIP_SAVE"},
        update=_drawn,
    )
    left_out: BoolProperty(
        name="Strokes Left Out",
        description="Show the strokes that are left out to keep the budget, in dash and dot",
        default=True,
        options={"SKIP_SAVE"},
        update=_drawn,
    )
    hidden_lines: BoolProperty(
        name="Hidden Lines",
        description="Show faintly dotted what lies behind other surfaces and is not drawn",
        default=False,
        options={"SKIP_SAVE"},
        update=_computed,
    )
    guides: BoolProperty(
        name="Page and Fields",
        description="Show the page's corners, each projector's field and its safe area",
        default=True,
        options={"SKIP_SAVE"},
        update=_drawn,
    )
    keep_outs: BoolProperty(
        name="Keep-Out Areas",
        description="Show hatched where no light may go",
        default=True,
        options={"SKIP_SAVE"},
        update=_drawn,
    )
    meter: BoolProperty(
        name="Budget Meter",
        description="Show points, refresh rate and stress of each projector",
        default=True,
        options={"SKIP_SAVE"},
        update=_drawn,
    )
    projectors: EnumProperty(
        name="Show",
        description="Whose pictures are shown",
        items=[
            ("ALL", "All Projectors", "The pictures of all projectors"),
            ("ACTIVE", "Selected Projector", "The picture of the one selected in the list"),
        ],
        default="ALL",
        options={"SKIP_SAVE"},
        update=_drawn,
    )
    darken: FloatProperty(
        name="Darken View",
        description="How much the view behind the simulated beam is darkened",
        subtype="FACTOR",
        default=0.85,
        min=0.0,
        max=1.0,
        options={"SKIP_SAVE"},
        update=_drawn,
    )
    glow: FloatProperty(
        name="Glow",
        description="Strength of the glow around the simulated beam",
        subtype="FACTOR",
        default=0.5,
        min=0.0,
        max=1.0,
        options={"SKIP_SAVE"},
        update=_drawn,
    )
    line_width: FloatProperty(
        name="Line Width",
        description="Of all lines of the preview; 1 is a thin line",
        default=1.0,
        min=0.5,
        max=4.0,
        step=10,
        precision=1,
        options={"SKIP_SAVE"},
        update=_drawn,
    )
    distance: FloatProperty(
        name="Screen Distance",
        description="How far before the camera the picture hangs in other views; "
        "0 puts it into the camera's own frame",
        subtype="DISTANCE",
        default=0.0,
        min=0.0,
        soft_max=100.0,
        options={"SKIP_SAVE"},
        update=_drawn,
    )
    cache_mb: IntProperty(
        name="Memory Limit",
        description="Memory for frames that were computed already, in megabytes; "
        "these play without work",
        default=128,
        min=8,
        max=4096,
        options={"SKIP_SAVE"},
        update=_computed,
    )


def current() -> Any:
    """Return the settings, or None where they are not registered."""
    managers = bpy.data.window_managers
    return getattr(managers[0], NAME, None) if len(managers) else None


_kept: dict[str, Any] = {}


def keep() -> None:
    """Remember all settings before a file is loaded: they hang on data that goes with it."""
    chosen = current()
    _kept.clear()
    if chosen is not None:
        names = BEAMWRIGHT_PG_preview.__annotations__
        _kept.update((name, getattr(chosen, name)) for name in names)


def bring_back() -> None:
    """Set what was remembered in the window manager of the new file."""
    chosen = current()
    if chosen is None:
        return
    for name, value in _kept.items():
        if getattr(chosen, name) != value:
            setattr(chosen, name, value)
    _kept.clear()


def register() -> None:
    """Register the settings."""
    bpy.utils.register_class(BEAMWRIGHT_PG_preview)
    pointer: Any = PointerProperty
    setattr(bpy.types.WindowManager, NAME, pointer(type=BEAMWRIGHT_PG_preview))


def unregister() -> None:
    """Take the settings back."""
    delattr(bpy.types.WindowManager, NAME)
    bpy.utils.unregister_class(BEAMWRIGHT_PG_preview)
