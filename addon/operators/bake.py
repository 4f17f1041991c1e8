# SPDX-License-Identifier: GPL-3.0-or-later
"""What the projectors draw, as a Grease Pencil object."""

from collections.abc import Generator
from typing import Any

import bpy
from bpy.props import FloatProperty

from ...core import pipeline
from .. import bake
from ..session import BlenderSource
from .job import FrameJob, Step, scene_ready


class BEAMWRIGHT_OT_bake_strokes(FrameJob, bpy.types.Operator):
    """Draw the scene's range and keep it as a Grease Pencil object."""

    bl_idname = "beamwright.bake_strokes"
    bl_label = "Bake Strokes"
    bl_description = (
        "Turn what the projectors draw into a Grease Pencil object, one drawing for each frame, "
        "to be scrubbed, composited and rendered to video. Replaces the drawings baked before"
    )
    bl_options = {"REGISTER", "UNDO"}

    label = "Bake"

    line_width: FloatProperty(
        name="Line Width",
        description="Width of the lines, as a share of the picture's longer side",
        subtype="PERCENTAGE",
        default=50.0 * bake.LINE_WIDTH_FIELD,
        min=0.01,
        max=10.0,
        soft_max=2.0,
        step=5,
        precision=2,
    )

    @classmethod
    def poll(cls, context: Any) -> bool:
        """Need a camera, and a scene that can be written to."""
        if context.scene is not None and context.scene.library is not None:
            cls.poll_message_set("The scene is linked from another file: bake it there")
            return False
        return scene_ready(cls, context)

    def steps(self, context: Any, source: BlenderSource) -> Generator[Step, None, None]:
        """Draw every frame of the scene's range."""
        self._source = source
        self._baked: list[bake.BakedFrame] = []
        frames = range(source.frame_start, source.frame_end + 1, source.frame_step)
        memories: dict[str, Any] = {}
        for done, frame in enumerate(frames, 1):
            scene = source.scene_at(frame)
            planned = pipeline.draw_frame(scene, source.projectors, memories, source.limits)
            memories = {name: share.memory for name, share in planned.items()}
            self._baked.append(
                bake.bake_frame(scene, planned, source.projectors, self.line_width / 50.0)
            )
            yield done, len(frames), frame

    def finish(self, context: Any) -> None:
        """Write the drawings."""
        names = [projector.name for projector in self._source.projectors]
        end = self._baked[-1].frame + self._source.frame_step
        item = bake.write_bake(self._source.scene, self._baked, names, end)
        self.report({"INFO"}, f"Baked {len(self._baked)} frames into “{item.name}”")
        self._baked = []


class BEAMWRIGHT_OT_remove_bake(bpy.types.Operator):
    """Remove the baked strokes from the scene"""

    bl_idname = "beamwright.remove_bake"
    bl_label = "Remove Bake"
    bl_options = {"REGISTER", "UNDO"}

    @classmethod
    def poll(cls, context: Any) -> bool:
        """Need a bake."""
        scene = context.scene
        if scene is None or scene.library is not None or bake.baked_object(scene) is None:
            cls.poll_message_set("The scene has no baked strokes")
            return False
        return True

    def execute(self, context: Any) -> set[str]:
        """Remove the object and all that only it used."""
        bake.clear_bake(context.scene)
        return {"FINISHED"}


CLASSES = (
    BEAMWRIGHT_OT_bake_strokes,
    BEAMWRIGHT_OT_remove_bake,
)
