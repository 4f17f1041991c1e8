# SPDX-License-Identifier: GPL-3.0-or-later
"""Import of drawings, new lettering, routing of layers."""

import threading
from pathlib import Path
from typing import Any

import bpy
from bpy.props import BoolProperty, CollectionProperty, EnumProperty, FloatProperty, IntProperty
from bpy.props import StringProperty as Text

from ...core.artwork.sequence import read_sequence
from ...core.artwork.usvg import usvg_missing
from ...core.errors import BeamwrightError
from .. import lettering
from ..artwork_import import ImportOptions, build_artwork, choose_files, preprocessor
from ..properties import PROPERTY, assign

FILE_TYPES = ".svg;.svgz"
TEXT_MODES = {"STROKES": "strokes", "LETTERING": "lettering", "NONE": "none"}


class _Reading(threading.Thread):
    """Reads the files beside Blender; touches nothing of Blender's."""

    def __init__(self, files: Any, program: Any, text: Any) -> None:
        super().__init__(daemon=True)
        self._files, self._program, self._text = files, program, text
        self.done, self.total = 0, len(files)
        self.stopped = False
        self.pages: Any = None
        self.error: Exception | None = None

    def _tell(self, done: int, total: int) -> bool:
        self.done, self.total = done, total
        return not self.stopped

    def run(self) -> None:
        try:
            self.pages = read_sequence(
                self._files, self._program, text=self._text, progress=self._tell
            )
        except Exception as error:  # handed to the operator, which raises what is not ours
            self.error = error


class BEAMWRIGHT_OT_import_artwork(bpy.types.Operator):
    """Bring SVG drawings in as one Grease Pencil object: one file, several, or a numbered
    sequence as an animation"""

    bl_idname = "beamwright.import_artwork"
    bl_label = "Import Artwork"
    bl_options = {"REGISTER", "UNDO"}

    filepath: Text(name="File", subtype="FILE_PATH", options={"SKIP_SAVE"})
    directory: Text(name="Folder", subtype="DIR_PATH", options={"SKIP_SAVE", "HIDDEN"})
    files: CollectionProperty(
        type=bpy.types.OperatorFileListElement, options={"SKIP_SAVE", "HIDDEN"}
    )
    filter_glob: Text(default="*.svg;*.svgz", options={"HIDDEN"})
    sequence: BoolProperty(
        name="Numbered Sequence",
        description="Also read the files beside the chosen one whose names differ by their "
        "number, one frame each",
        default=True,
    )
    text: EnumProperty(
        name="Text",
        description="What becomes of text in the drawings",
        items=[
            ("STROKES", "Pen Strokes", "Set in the single-stroke font, as strokes of the drawing"),
            ("LETTERING", "Lettering", "Kept as text objects that can be typed into"),
            ("NONE", "Leave Out", "Text is not read"),
        ],
        default="STROKES",
    )
    frame_start: IntProperty(
        name="First Frame",
        description="Frame of the scene that shows the first drawing",
        default=1,
    )
    frame_step: IntProperty(
        name="Frames per Drawing",
        description="How many frames of the scene each number of the sequence stands for",
        default=1,
        min=1,
        soft_max=12,
    )
    placement: EnumProperty(
        name="Place",
        description="Where the page goes",
        items=[
            ("CAMERA", "Fill the Camera", "In front of the camera, as large as its frame"),
            ("ORIGIN", "Origin", "Upright at the world's origin, facing the front"),
            ("CURSOR", "3D Cursor", "Upright at the 3D cursor, facing the front"),
        ],
        default="CAMERA",
    )
    size: FloatProperty(
        name="Size",
        description="Longer side of the page, where the camera does not decide it",
        default=4.0,
        min=0.001,
        subtype="DISTANCE",
    )

    _reading: _Reading | None = None
    _timer: Any = None

    @classmethod
    def poll(cls, context: Any) -> bool:
        """Need a scene to put it into, and the reader."""
        if context.scene is None or context.scene.library is not None:
            cls.poll_message_set("There is no scene that can be changed")
            return False
        if context.mode != "OBJECT":
            cls.poll_message_set("Leave the edit or drawing mode first")
            return False
        if reason := usvg_missing():
            cls.poll_message_set(reason)
            return False
        return True

    def invoke(self, context: Any, _event: Any) -> set[str]:
        """Read what was dropped, or ask for files."""
        if self.filepath or len(self.files):
            return self.execute(context)
        context.window_manager.fileselect_add(self)
        return {"RUNNING_MODAL"}

    def execute(self, context: Any) -> set[str]:
        """Read and build; in a window the reading shows progress and can be cancelled."""
        try:
            self._chosen = choose_files(self._paths(), self.sequence)
            program = preprocessor()
        except BeamwrightError as error:
            return self._failed(str(error))
        self._reading = _Reading(self._chosen, program, TEXT_MODES[self.text])
        waits = self.options.is_invoke and not self.options.is_repeat and not bpy.app.background
        if waits and context.window is not None and len(self._chosen) > 1:
            self._reading.start()
            manager = context.window_manager
            self._timer = manager.event_timer_add(0.1, window=context.window)
            manager.progress_begin(0, 100)
            manager.modal_handler_add(self)
            return {"RUNNING_MODAL"}
        self._reading.run()
        return self._build(context)

    def modal(self, context: Any, event: Any) -> set[str]:
        """Show how far the reading is."""
        reading = self._reading
        assert reading is not None, "started by execute"
        if event.type == "ESC":
            reading.stopped = True
        if event.type != "TIMER":
            return {"RUNNING_MODAL"}
        context.window_manager.progress_update(100 * reading.done // max(reading.total, 1))
        context.workspace.status_text_set(
            f"Import: {reading.done} of {reading.total} drawings  —  Esc: Cancel"
        )
        if reading.is_alive():
            return {"RUNNING_MODAL"}
        self._end(context)
        return self._build(context)

    def cancel(self, context: Any) -> None:
        """Stop where Blender itself ends the operator."""
        if self._reading is not None:
            self._reading.stopped = True
        self._end(context)

    def _end(self, context: Any) -> None:
        if self._timer is not None:
            context.window_manager.event_timer_remove(self._timer)
            context.window_manager.progress_end()
            context.workspace.status_text_set(None)
        self._timer = None

    def _paths(self) -> list[Path]:
        folder = Path(bpy.path.abspath(self.directory or "//"))
        named = [folder / item.name for item in self.files if item.name]
        if not named and self.filepath:
            named = [Path(bpy.path.abspath(self.filepath))]
        return named

    def _build(self, context: Any) -> set[str]:
        reading = self._reading
        assert reading is not None, "started by execute"
        self._reading = None
        if isinstance(reading.error, BeamwrightError):
            return self._failed(str(reading.error))
        if reading.error is not None:
            raise reading.error
        if reading.pages is None:
            self.report({"INFO"}, "Import cancelled; nothing was brought in")
            return {"CANCELLED"}
        options = ImportOptions(
            text=TEXT_MODES[self.text],  # type: ignore[arg-type] # one of the three
            frame_start=self.frame_start,
            frame_step=self.frame_step,
            placement=self.placement,
            size=self.size,
        )
        try:
            item, messages = build_artwork(
                context.scene, context.collection, reading.pages, self._chosen, options
            )
        except BeamwrightError as error:
            return self._failed(str(error))
        for other in context.selected_objects:
            other.select_set(False)
        item.select_set(True)
        context.view_layer.objects.active = item
        for message in messages:
            self.report({"WARNING"}, message)
        count = len(self._chosen)
        self.report({"INFO"}, f"Brought in {item.name}: {count} drawing{'s' * (count != 1)}")
        return {"FINISHED"}

    def _failed(self, message: str) -> set[str]:
        self.report({"ERROR"}, message)
        return {"CANCELLED"}


class BEAMWRIGHT_FH_artwork(bpy.types.FileHandler):
    """Drawings dropped on a 3D view."""

    bl_idname = "BEAMWRIGHT_FH_artwork"
    bl_label = "Laser Artwork"
    bl_import_operator = "beamwright.import_artwork"
    bl_file_extensions = FILE_TYPES

    @classmethod
    def poll_drop(cls, context: Any) -> bool:
        """Take files over 3D views and the outliner."""
        return context.area is not None and context.area.type in {"VIEW_3D", "OUTLINER"}


class BEAMWRIGHT_OT_new_lettering(bpy.types.Operator):
    """Add a text in the single-stroke font, drawn by the lettering projector"""

    bl_idname = "beamwright.new_lettering"
    bl_label = "New Lettering"
    bl_options = {"REGISTER", "UNDO"}

    body: Text(name="Text", description="What is written", default="Lettering")
    share: FloatProperty(
        name="Width",
        description="Width of the text, as a share of the camera's frame",
        default=0.6,
        min=0.01,
        max=1.0,
        subtype="FACTOR",
    )

    @classmethod
    def poll(cls, context: Any) -> bool:
        """Need a scene that can be changed."""
        if context.scene is None or context.scene.library is not None:
            cls.poll_message_set("There is no scene that can be changed")
            return False
        if context.mode != "OBJECT":
            cls.poll_message_set("Leave the edit or drawing mode first")
            return False
        return True

    def execute(self, context: Any) -> set[str]:
        """Set it before the camera, or upright at the 3D cursor where there is none."""
        item, missing = lettering.new_text(self.body, "Lettering", context.collection)
        curve: Any = item.data
        curve.align_x = "CENTER"
        curve.align_y = "CENTER"
        lettering.place(context.scene, item, self.share)
        curve.materials.append(lettering.line_material((1.0, 1.0, 1.0)))
        assign(item, lettering.lettering_projector(context.scene))
        for other in context.selected_objects:
            other.select_set(False)
        item.select_set(True)
        context.view_layer.objects.active = item
        if missing:
            self.report({"WARNING"}, missing)
        return {"FINISHED"}


class BEAMWRIGHT_OT_assign_layer(bpy.types.Operator):
    """Switch whether this projector draws the layer; with none chosen, those of the object do"""

    bl_idname = "beamwright.assign_layer"
    bl_label = "Assign Layer"
    bl_options = {"REGISTER", "UNDO"}

    layer: Text(name="Layer", description="Name of the layer")
    projector: Text(name="Projector", description="Name of the projector")

    @classmethod
    def poll(cls, context: Any) -> bool:
        """Need an object."""
        if context.object is None:
            cls.poll_message_set("There is no active object")
            return False
        return True

    def execute(self, context: Any) -> set[str]:
        """Add the projector to the layer, or take it away."""
        if not self.layer or not self.projector:
            self.report({"ERROR"}, "Name the layer and the projector.")
            return {"CANCELLED"}
        layer = getattr(context.object, PROPERTY).artwork.layer(self.layer, create=True)
        names = list(layer.projectors())
        if self.projector in names:
            names.remove(self.projector)
        else:
            names.append(self.projector)
        layer.assign(*names)
        return {"FINISHED"}


class BEAMWRIGHT_OT_list_layers(bpy.types.Operator):
    """List the layers of the drawing, so that each can be set"""

    bl_idname = "beamwright.list_layers"
    bl_label = "List Layers"
    bl_options = {"REGISTER", "UNDO"}

    @classmethod
    def poll(cls, context: Any) -> bool:
        """Need a drawing with layers."""
        if context.object is None or context.object.type != "GREASEPENCIL":
            cls.poll_message_set("Choose a Grease Pencil object")
            return False
        return True

    def execute(self, context: Any) -> set[str]:
        """Add the layers that are new, and drop those that are gone."""
        artwork = getattr(context.object, PROPERTY).artwork
        names = [layer.name for layer in context.object.data.layers]
        for place in reversed(range(len(artwork.layers))):
            if artwork.layers[place].name not in names:
                artwork.layers.remove(place)
        for name in names:
            artwork.layer(name, create=True)
        return {"FINISHED"}


def draw_import_menu(menu: Any, _context: Any) -> None:
    """Add the import to File > Import."""
    menu.layout.operator("beamwright.import_artwork", text="Laser Artwork (.svg)")


def draw_add_menu(menu: Any, _context: Any) -> None:
    """Add lettering to Add."""
    menu.layout.operator(
        "beamwright.new_lettering", text="Laser Lettering", icon="OUTLINER_OB_FONT"
    )


CLASSES = (
    BEAMWRIGHT_OT_import_artwork,
    BEAMWRIGHT_OT_new_lettering,
    BEAMWRIGHT_OT_assign_layer,
    BEAMWRIGHT_OT_list_layers,
)

MENUS = (("TOPBAR_MT_file_import", draw_import_menu), ("VIEW3D_MT_add", draw_add_menu))


def register_menus() -> None:
    """Add the menu entries, and take dropped files."""
    bpy.utils.register_class(BEAMWRIGHT_FH_artwork)
    for name, draw in MENUS:
        getattr(bpy.types, name).append(draw)


def unregister_menus() -> None:
    """Take the menu entries back."""
    for name, draw in reversed(MENUS):
        getattr(bpy.types, name).remove(draw)
    bpy.utils.unregister_class(BEAMWRIGHT_FH_artwork)
