# SPDX-License-Identifier: GPL-3.0-or-later
"""Settings of a scene."""

from collections.abc import Mapping
from typing import Any

import bpy
from bpy.props import CollectionProperty, EnumProperty, IntProperty, PointerProperty, StringProperty

from ...core.points.projector import Projector
from ...core.safety.laser import LaserSetup
from ...core.safety.limits import SafetyLimits
from . import versions
from .lines import BEAMWRIGHT_PG_drawing
from .projector import DEFAULT_PROJECTOR_NAME, BEAMWRIGHT_PG_projector
from .report import BEAMWRIGHT_PG_worst_frame, jump_to_worst


class BEAMWRIGHT_PG_scene(bpy.types.PropertyGroup):
    """Beamwright's settings of one scene."""

    data_version: IntProperty(
        name="Settings Version",
        description="Version of the stored settings; 0 where none were stored yet",
        default=0,
        options={"HIDDEN"},
    )
    drawing: PointerProperty(type=BEAMWRIGHT_PG_drawing)
    projectors: CollectionProperty(type=BEAMWRIGHT_PG_projector)
    active_projector: IntProperty(
        name="Active Projector", description="Projector shown below the list", default=0, min=0
    )
    output_folder: StringProperty(
        name="Output Folder",
        description="Folder for the frame sequences and the report; // is the folder of the "
        "saved file. Empty takes the folder set in the preferences",
        subtype="DIR_PATH",
        options={"PATH_SUPPORTS_BLEND_RELATIVE"},
        default="",
    )
    file_format: EnumProperty(
        name="Format",
        description="Record format of the frame sequence, as numbered in the ILDA standard",
        items=[
            ("5", "2D True Colour", "ILDA format 5: flat picture, 24-bit colour"),
            ("4", "3D True Colour", "ILDA format 4: with depth (always 0), 24-bit colour"),
            ("1", "2D Indexed", "ILDA format 1: flat picture, colours from a palette"),
            ("0", "3D Indexed", "ILDA format 0: with depth (always 0), colours from a palette"),
        ],
        default="5",
    )
    strokes: EnumProperty(
        name="Strokes",
        description="Also write the lines of each frame, to look at or to work on elsewhere",
        items=[
            ("NONE", "None", "Only the frame sequences and the report"),
            ("SVG", "SVG", "One drawing a frame"),
            ("JSON", "JSON", "One data file a frame"),
        ],
        default="NONE",
    )
    worst_frames: CollectionProperty(type=BEAMWRIGHT_PG_worst_frame)
    active_worst_frame: IntProperty(
        name="Worst Frame",
        description="Click a frame to go there",
        default=-1,
        min=-1,
        options={"SKIP_SAVE"},
        update=jump_to_worst,
    )

    def projectors_to_core(self) -> tuple[Projector, ...]:
        """Return the scene's projectors; one default projector where it has none."""
        if not len(self.projectors):
            return (Projector(name=DEFAULT_PROJECTOR_NAME),)
        return tuple(projector.to_core() for projector in self.projectors)

    def limits_to_core(self) -> Mapping[str, SafetyLimits]:
        """Return the safety limits by projector name, keep-out areas included.

        Raises
        ------
        SceneError, SettingError
            See `keep_out.keep_out_areas`.
        """
        from ..keep_out import limits_of  # reads objects, which need these properties

        return limits_of(self.id_data, self)

    def lasers_to_core(self) -> Mapping[str, LaserSetup]:
        """Return what is known of the light by projector name, where anything is."""
        setups = {projector.name: projector.light.to_core() for projector in self.projectors}
        return {name: setup for name, setup in setups.items() if setup.known}

    def add_projector(self, name: str = DEFAULT_PROJECTOR_NAME) -> Any:
        """Add a projector under a free name, with the next number, and select it."""
        number = max((projector.number for projector in self.projectors), default=-1) + 1
        projector = self.projectors.add()
        projector.name = name
        projector.number = min(number, 255)
        self.active_projector = len(self.projectors) - 1
        self.data_version = versions.DATA_VERSION
        return projector
