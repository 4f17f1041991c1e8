# SPDX-License-Identifier: GPL-3.0-or-later
"""The scene's panels again, in the fitting tabs of the Properties editor.

Each draws with the same function as its twin in the sidebar.
"""

from typing import Any

import bpy

from .object_lines import BEAMWRIGHT_PT_drawing
from .output import BEAMWRIGHT_PT_export
from .projectors import (
    BEAMWRIGHT_PT_projector_keystone,
    BEAMWRIGHT_PT_projector_laser,
    BEAMWRIGHT_PT_projector_placement,
    BEAMWRIGHT_PT_projector_scanners,
    BEAMWRIGHT_PT_projector_show,
    BEAMWRIGHT_PT_projectors,
    ProjectorPanel,
)


class _Tab:
    """Place of a panel: the scene tab of the Properties editor."""

    bl_space_type = "PROPERTIES"
    bl_region_type = "WINDOW"
    bl_context = "scene"
    bl_options = {"DEFAULT_CLOSED"}


class BEAMWRIGHT_PT_scene_projectors(_Tab, bpy.types.Panel):
    """The projectors of the show."""

    bl_idname = "BEAMWRIGHT_PT_scene_projectors"
    bl_label = "Laser Projectors"
    draw = BEAMWRIGHT_PT_projectors.draw


class _Part(_Tab):
    """A part of the selected projector's settings."""

    bl_parent_id = "BEAMWRIGHT_PT_scene_projectors"

    @classmethod
    def poll(cls, context: Any) -> bool:
        """Show it where a projector is selected."""
        return ProjectorPanel.poll(context)


class BEAMWRIGHT_PT_scene_placement(_Part, bpy.types.Panel):
    """Where the picture lies in the projector's field."""

    bl_idname = "BEAMWRIGHT_PT_scene_placement"
    bl_label = BEAMWRIGHT_PT_projector_placement.bl_label
    draw = BEAMWRIGHT_PT_projector_placement.draw


class BEAMWRIGHT_PT_scene_keystone(_Part, bpy.types.Panel):
    """Four corners that straighten the picture on a slanted screen."""

    bl_idname = "BEAMWRIGHT_PT_scene_keystone"
    bl_label = BEAMWRIGHT_PT_projector_keystone.bl_label
    bl_parent_id = "BEAMWRIGHT_PT_scene_placement"
    draw = BEAMWRIGHT_PT_projector_keystone.draw


class BEAMWRIGHT_PT_scene_scanners(_Part, bpy.types.Panel):
    """What the scanners can do."""

    bl_idname = "BEAMWRIGHT_PT_scene_scanners"
    bl_label = BEAMWRIGHT_PT_projector_scanners.bl_label
    draw = BEAMWRIGHT_PT_projector_scanners.draw


class BEAMWRIGHT_PT_scene_laser(_Part, bpy.types.Panel):
    """When and how strongly the light comes."""

    bl_idname = "BEAMWRIGHT_PT_scene_laser"
    bl_label = BEAMWRIGHT_PT_projector_laser.bl_label
    draw = BEAMWRIGHT_PT_projector_laser.draw


class BEAMWRIGHT_PT_scene_show(_Part, bpy.types.Panel):
    """The projector's part in the show."""

    bl_idname = "BEAMWRIGHT_PT_scene_show"
    bl_label = BEAMWRIGHT_PT_projector_show.bl_label
    draw = BEAMWRIGHT_PT_projector_show.draw


class BEAMWRIGHT_PT_scene_lines(_Tab, bpy.types.Panel):
    """Lines of the whole scene."""

    bl_idname = "BEAMWRIGHT_PT_scene_lines"
    bl_label = "Laser Lines"
    draw = BEAMWRIGHT_PT_drawing.draw


class BEAMWRIGHT_PT_output_export(_Tab, bpy.types.Panel):
    """Frame sequences."""

    bl_idname = "BEAMWRIGHT_PT_output_export"
    bl_label = "Laser Export"
    bl_context = "output"
    draw = BEAMWRIGHT_PT_export.draw


CLASSES = (
    BEAMWRIGHT_PT_scene_projectors,
    BEAMWRIGHT_PT_scene_placement,
    BEAMWRIGHT_PT_scene_keystone,
    BEAMWRIGHT_PT_scene_scanners,
    BEAMWRIGHT_PT_scene_laser,
    BEAMWRIGHT_PT_scene_show,
    BEAMWRIGHT_PT_scene_lines,
    BEAMWRIGHT_PT_output_export,
)
