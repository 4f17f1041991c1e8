# SPDX-License-Identifier: GPL-3.0-or-later
"""Figures of the current frame, and the report of a range in the timeline."""

from collections.abc import Generator
from typing import Any

import bpy
from bpy.props import BoolProperty

from ...core import pipeline
from ...core.errors import BeamwrightError
from ...core.report.figures import FrameFigures
from .. import results, timeline
from ..session import BlenderSource, open_source
from .job import FrameJob, Step, scene_ready


class BEAMWRIGHT_OT_analyze_frame(bpy.types.Operator):
    """Count the points that this frame takes on each projector"""

    bl_idname = "beamwright.analyze_frame"
    bl_label = "Analyze Frame"
    bl_options = {"REGISTER"}

    @classmethod
    def poll(cls, context: Any) -> bool:
        """Need a camera."""
        return scene_ready(cls, context)

    def execute(self, context: Any) -> set[str]:
        """Draw the frame for all projectors and keep the figures for the panel."""
        try:
            source = open_source(scene_name=context.scene.name)
            with source.reading():
                scene = source.scene_at(context.scene.frame_current)
            planned = pipeline.draw_frame(scene, source.projectors, limits=source.limits)
        except BeamwrightError as error:
            self.report({"ERROR"}, str(error))
            return {"CANCELLED"}
        figures = {name: share.figures for name, share in planned.items()}
        results.remember(source.name, results.FrameResult(scene.frame, figures))
        for name, item in figures.items():
            verdict = results.judge(item)
            text = f"{name}: {verdict.headline}"
            if verdict.over:
                self.report({"WARNING"}, text)
            else:
                self.report({"INFO"}, text)
        if context.area is not None:
            context.area.tag_redraw()
        return {"FINISHED"}


class BEAMWRIGHT_OT_analyze_range(FrameJob, bpy.types.Operator):
    """Count the points of all frames, and show them as curves and markers in the timeline"""

    bl_idname = "beamwright.analyze_range"
    bl_label = "Analyze Range"
    bl_options = {"REGISTER", "UNDO"}

    label = "Analyze"

    @classmethod
    def poll(cls, context: Any) -> bool:
        """Need a camera, and a scene that can be written to."""
        if context.scene is not None and context.scene.library is not None:
            cls.poll_message_set("The scene is linked from another file: analyze it there")
            return False
        animation = None if context.scene is None else context.scene.animation_data
        if animation is not None and animation.action and not animation.action.is_editable:
            cls.poll_message_set("The scene's action is linked from another file: make it local")
            return False
        return scene_ready(cls, context)

    def steps(self, context: Any, source: BlenderSource) -> Generator[Step, None, None]:
        """Draw every frame of the scene's range."""
        self._scene_name = source.name
        self._figures: dict[str, list[FrameFigures]] = {
            projector.name: [] for projector in source.projectors
        }
        frames = range(source.frame_start, source.frame_end + 1, source.frame_step)
        memories: dict[str, Any] = {}
        for done, frame in enumerate(frames, 1):
            planned = pipeline.draw_frame(
                source.scene_at(frame), source.projectors, memories, source.limits
            )
            memories = {name: share.memory for name, share in planned.items()}
            for name, share in planned.items():
                self._figures[name].append(share.figures)
            yield done, len(frames), frame

    def finish(self, context: Any) -> None:
        """Write curves and markers."""
        scene = bpy.data.scenes[self._scene_name]
        ranges = timeline.write_report(scene, self._figures)
        frames = {item.frame for items in self._figures.values() for item in items}
        over = {
            item.frame for items in self._figures.values() for item in items if item.over_budget
        }
        lost = {
            item.frame for items in self._figures.values() for item in items if item.dropped_strokes
        }
        if over or lost:
            verdicts = [f"{len(over)} of {len(frames)} frames over budget"] if over else []
            if lost - over:
                verdicts.append(f"strokes left out in {len(lost - over)} of {len(frames)} frames")
            self.report(
                {"WARNING"},
                f"{', '.join(verdicts)}; {ranges} markers show where"
                if ranges > 1
                else f"{', '.join(verdicts)}; a marker shows where",
            )
        else:
            self.report({"INFO"}, f"All {len(frames)} frames fit")


class BEAMWRIGHT_OT_clear_report(bpy.types.Operator):
    """Remove the report's curves and markers from the timeline"""

    bl_idname = "beamwright.clear_report"
    bl_label = "Clear Report"
    bl_options = {"REGISTER", "UNDO"}

    @classmethod
    def poll(cls, context: Any) -> bool:
        """Need a report."""
        if context.scene is None or not timeline.has_report(context.scene):
            cls.poll_message_set("There is no report in the timeline")
            return False
        return True

    def execute(self, context: Any) -> set[str]:
        """Remove the report of the scene."""
        timeline.clear_report(context.scene)
        return {"FINISHED"}


class BEAMWRIGHT_OT_jump_to_marker(bpy.types.Operator):
    """Go to the next or the previous place where a range of frames that do not fit begins"""

    bl_idname = "beamwright.jump_to_marker"
    bl_label = "Jump to Report Marker"
    bl_options = {"REGISTER", "UNDO"}

    next: BoolProperty(name="Next", description="Forwards in time, or else backwards", default=True)

    @classmethod
    def poll(cls, context: Any) -> bool:
        """Need marked frames."""
        scene = context.scene
        if scene is None or not timeline.has_report(scene):
            cls.poll_message_set("Analyze the range first")
            return False
        if not any(item.name.startswith(timeline.STARTS) for item in scene.timeline_markers):
            cls.poll_message_set("All frames fit: there is no marker to go to")
            return False
        return True

    def execute(self, context: Any) -> set[str]:
        """Set the frame."""
        scene = context.scene
        frame = timeline.next_trouble(scene, scene.frame_current, backwards=not self.next)
        if frame is None:
            self.report({"INFO"}, f"There is none {'after' if self.next else 'before'} this frame")
            return {"CANCELLED"}
        scene.frame_set(frame)
        return {"FINISHED"}


CLASSES = (
    BEAMWRIGHT_OT_analyze_frame,
    BEAMWRIGHT_OT_analyze_range,
    BEAMWRIGHT_OT_clear_report,
    BEAMWRIGHT_OT_jump_to_marker,
)
