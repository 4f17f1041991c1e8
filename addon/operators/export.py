# SPDX-License-Identifier: GPL-3.0-or-later
"""Frame sequences of the scene's range, one file for each projector."""

from collections.abc import Generator
from pathlib import Path
from typing import Any

import bpy
from bpy.props import BoolProperty, StringProperty

from ...core.errors import OutputError
from ...core.sequence import RenderRequest, RenderResult, render_sequence
from .. import preferences
from ..properties import PROPERTY
from ..session import BlenderSource
from .job import FrameJob, Step, scene_ready


def output_folder(scene: bpy.types.Scene, folder: str = "") -> Path:
    """Return the absolute folder to write to: `folder`, the scene's, or the preferences'.

    Raises
    ------
    OutputError
        If the folder is named relative to a file that was never saved.
    """
    chosen = preferences.chosen_folder(scene, folder)
    if preferences.is_homeless(chosen):
        raise OutputError(
            f"The output folder “{chosen}” lies beside the .blend file, which was never saved: "
            "save the file, or choose another folder."
        )
    return Path(bpy.path.abspath(chosen))


class BEAMWRIGHT_OT_export_sequence(FrameJob, bpy.types.Operator):
    """Write the scene's frames as one sequence file for each projector, with a report"""

    bl_idname = "beamwright.export_sequence"
    bl_label = "Export Sequence"
    bl_options = {"REGISTER"}

    label = "Export"

    folder: StringProperty(
        name="Folder",
        description="Folder to write to; empty takes the one set in the scene",
        subtype="DIR_PATH",
        options={"SKIP_SAVE", "PATH_SUPPORTS_BLEND_RELATIVE"},
    )
    projector: StringProperty(
        name="Projector",
        description="Projector to export; empty exports all of them",
        options={"SKIP_SAVE"},
    )
    directory: StringProperty(
        name="Directory",
        description="Folder chosen in the file browser; the scene keeps it as its output folder",
        subtype="DIR_PATH",
        options={"SKIP_SAVE", "HIDDEN"},
    )
    filter_folder: BoolProperty(
        name="Filter Folders",
        description="Show folders in the file browser",
        default=True,
        options={"SKIP_SAVE", "HIDDEN"},
    )

    @classmethod
    def poll(cls, context: Any) -> bool:
        """Need a camera."""
        return scene_ready(cls, context)

    def draw(self, _context: Any) -> None:
        """Say in the file browser what will be written."""
        column = self.layout.column(align=True)
        column.label(text="Writes one file for each")
        column.label(text="projector, report and its page")

    def invoke(self, context: Any, event: Any) -> set[str]:
        """Ask for a folder where none can be told, else start at once."""
        if preferences.is_homeless(preferences.chosen_folder(context.scene, self.folder)):
            context.window_manager.fileselect_add(self)
            return {"RUNNING_MODAL"}
        return super().invoke(context, event)

    def execute(self, context: Any) -> set[str]:
        """Write all before returning; after the file browser, hand on to a job of its own."""
        if not self.directory or self.folder:
            return super().execute(context)
        scene = context.scene
        if scene.library is None:
            # The next export goes there without asking.
            getattr(scene, PROPERTY).output_folder = self.directory
            bpy.ops.ed.undo_push(message="Choose Output Folder")
        operator: Any = bpy.ops.beamwright.export_sequence
        how = "EXEC_DEFAULT" if bpy.app.background else "INVOKE_DEFAULT"
        result: set[str] = operator(how, folder=self.directory, projector=self.projector)
        return {"FINISHED"} if "RUNNING_MODAL" in result else result

    def steps(self, context: Any, source: BlenderSource) -> Generator[Step, None, None]:
        """Render the sequence; refuses impossible settings before the first frame."""
        settings = getattr(source.scene, PROPERTY)
        request = RenderRequest(
            folder=output_folder(source.scene, self.folder),
            frame_step=source.frame_step,
            projectors=(self.projector,) if self.projector else (),
            format_code=int(settings.file_format),
            strokes={"NONE": None, "SVG": "svg", "JSON": "json"}[settings.strokes],
            page=True,
        )
        return self._render(render_sequence(source, request))

    def _render(self, rendering: Any) -> Generator[Step, None, None]:
        self._result: RenderResult | None = None
        try:
            for progress in rendering:
                self._result = progress.result
                yield progress.done, progress.total, progress.frame
        finally:
            rendering.close()

    def finish(self, context: Any) -> None:
        """Say what was written."""
        if self._result is None:
            return
        files = self._result.files
        sequences = [path.name for path in files if path.suffix == ".ild"]
        self.report({"INFO"}, f"Wrote {', '.join(sequences)} and the report to {files[-1].parent}")


CLASSES = (BEAMWRIGHT_OT_export_sequence,)
