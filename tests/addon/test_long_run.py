# SPDX-License-Identifier: GPL-3.0-or-later
"""A thousand random operations: no exception, and nothing that grows."""

import gc
import threading
from collections import Counter

import bpy
import numpy as np
import pytest
from beamwright.addon import handlers, jobs, live, results, session
from beamwright.addon.preview import overlay, settings
from blender_scenes import add_cube
from test_registration import our_handlers

STEPS = 1000
CORE_OBJECTS = 250
"""How many more records core's bounded caches may hold once they are full."""

CAMERA = "Eye"

BOUNDED = {"beamwright.addon.extract.assignment._Own"}
"""Records of the extension that are kept by their content, up to a bound of their own."""


def new_file():
    """Open a file with a camera and a cube."""
    bpy.ops.wm.read_homefile(use_empty=True)
    scene = bpy.context.scene
    camera = bpy.data.objects.new(CAMERA, bpy.data.cameras.new(CAMERA))
    camera.location = (0.0, -10.0, 0.0)
    camera.rotation_euler = (1.5707963267948966, 0.0, 0.0)
    scene.collection.objects.link(camera)
    scene.camera = camera
    scene.frame_end = 3
    add_cube("Crate")
    bpy.ops.ed.undo_push(message="new")


def update():
    bpy.context.view_layer.update()


def push(message):
    update()
    bpy.ops.ed.undo_push(message=message)


def meshes():
    return [item for item in bpy.context.scene.objects if item.type == "MESH"]


class Hand:
    """Does what an artist might do next."""

    def __init__(self, folder, seed):
        self.chance = np.random.default_rng(seed)
        self.folder = folder
        self.done = Counter()
        self.saved = []

    def pick(self, items):
        return items[int(self.chance.integers(len(items)))]

    def step(self):
        """Do something; return whether there was anything to do."""
        names = [name for name in dir(self) if name.startswith("do_")]
        name = self.pick(names)
        if getattr(self, name)() is False:
            return False
        self.done[name] += 1
        return True

    def do_move(self):
        if not meshes():
            return False
        self.pick(meshes()).location = self.chance.uniform(-2.0, 2.0, 3).tolist()
        push("move")

    def do_key(self):
        if not meshes():
            return False
        item = self.pick(meshes())
        item.location.x = float(self.chance.uniform(-2.0, 2.0))
        item.keyframe_insert("location", frame=int(self.chance.integers(1, 4)))
        push("key")

    def do_add(self):
        if len(meshes()) > 3:
            return False
        add_cube("Crate", location=self.chance.uniform(-2.0, 2.0, 3).tolist())
        push("add")

    def do_delete(self):
        if not meshes():
            return False
        bpy.data.objects.remove(self.pick(meshes()))
        push("delete")

    def do_hide(self):
        if not meshes():
            return False
        item = self.pick(meshes())
        flag = self.pick(["hide_viewport", "hide_render"])
        setattr(item, flag, not getattr(item, flag))
        push("hide")

    def do_undo(self):
        if not bpy.ops.ed.undo.poll():
            return False
        bpy.ops.ed.undo()

    def do_redo(self):
        if not bpy.ops.ed.redo.poll():
            if not bpy.ops.ed.undo.poll():
                return False
            bpy.ops.ed.undo()
        if not bpy.ops.ed.redo.poll():
            return False
        bpy.ops.ed.redo()

    def do_frame(self):
        bpy.context.scene.frame_set(int(self.chance.integers(1, 4)))

    def do_file(self):
        if self.chance.random() > 0.4:
            return False
        new_file()

    def do_save(self):
        if self.chance.random() > 0.3:
            return False
        path = str(self.folder / f"{len(self.saved) % 3}.blend")
        bpy.ops.wm.save_as_mainfile(filepath=path, check_existing=False)
        self.saved.append(path)

    def do_load(self):
        if not self.saved or self.chance.random() > 0.4:
            return False
        bpy.ops.wm.open_mainfile(filepath=self.pick(self.saved))

    def do_switch(self):
        settings.current().enabled = not settings.current().enabled

    def do_preview_setting(self):
        chosen = settings.current()
        name = self.pick(["simulate", "points", "hidden_lines", "blank_moves", "meter"])
        setattr(chosen, name, not getattr(chosen, name))

    def do_projector(self):
        projectors = bpy.context.scene.beamwright.projectors
        if len(projectors) > 2:
            bpy.ops.beamwright.projector_remove()
        else:
            bpy.ops.beamwright.projector_add()
        push("projector")

    def do_setting(self):
        projectors = bpy.context.scene.beamwright.projectors
        if not len(projectors):
            return False
        self.pick(projectors).target_refresh_hz = float(self.chance.uniform(10.0, 90.0))
        push("setting")

    def do_rating(self):
        if not bpy.ops.beamwright.profile_apply.poll():
            return False
        bpy.ops.beamwright.profile_apply(name=self.pick(["12 kpps", "30 kpps", "60 kpps"]))
        push("rating")

    def do_assign(self):
        if not meshes() or not len(bpy.context.scene.beamwright.projectors):
            return False
        bpy.context.view_layer.objects.active = self.pick(meshes())
        name = self.pick(bpy.context.scene.beamwright.projectors).name
        bpy.ops.beamwright.assign(projector=name)
        push("assign")

    def do_scene(self):
        if len(bpy.data.scenes) > 1:
            other = next(item for item in bpy.data.scenes if item != bpy.context.scene)
            bpy.data.scenes.remove(other)
        else:
            other = bpy.data.scenes.new("Other")
            if CAMERA in bpy.data.objects:
                other.camera = bpy.data.objects[CAMERA]
        push("scene")

    def do_analyze(self):
        if not any(not item.hide_render for item in meshes()):
            return False
        if not bpy.ops.beamwright.analyze_frame.poll():
            return False
        assert bpy.ops.beamwright.analyze_frame() == {"FINISHED"}

    def do_report(self):
        if not meshes() or not bpy.ops.beamwright.analyze_range.poll():
            return False
        assert bpy.ops.beamwright.analyze_range() == {"FINISHED"}
        push("report")

    def do_export(self):
        if not meshes() or not bpy.ops.beamwright.export_sequence.poll():
            return False
        folder = str(self.folder / "out")
        assert bpy.ops.beamwright.export_sequence(folder=folder) == {"FINISHED"}

    def do_job(self):
        """Begin a job and do something else before it ends."""
        if not meshes() or bpy.context.scene.camera is None:
            return False
        source = session.open_source()
        run = jobs.Run("Count", source, (source.scene_at(frame) for frame in (1, 2, 3)))
        next(run.steps)
        self.pick([self.do_delete, self.do_undo, self.do_load, self.do_frame, self.do_switch])()
        run.close()

    def do_look(self):
        """A view draws what there is, and waits for it."""
        engine = overlay.engine()
        if engine is None:
            return False
        for scene in bpy.data.scenes:
            engine.picture_of(scene)
        engine.finish()
        picture, fresh = engine.picture_of(bpy.context.scene)
        assert fresh
        assert picture.frame == bpy.context.scene.frame_current

    def do_tick(self):
        engine = overlay.engine()
        if engine is None:
            return False
        engine.picture_of(bpy.context.scene)
        engine.tick()


def holds():
    """What must not grow, after everything that may be dropped was dropped."""
    gc.collect()
    ours = Counter(
        type(item).__module__ + "." + type(item).__qualname__
        for item in gc.get_objects()
        if str(type(item).__module__).startswith("beamwright.")
    )
    return {
        "objects": ours,
        "threads": threading.active_count(),
        "handlers": our_handlers(),
        "timer": bpy.app.timers.is_registered(overlay._tick),
        "readers": (len(session._READERS), len(session._ARTWORK)),
        "results": len(results._LATEST),
        "jobs": jobs.running(),
        "live": live.is_running(),
    }


def rest():
    """Bring everything to the state of a new file with the preview off."""
    settings.current().enabled = False
    new_file()
    return holds()


@pytest.fixture
def hand(addon, tmp_path):
    yield Hand(tmp_path, seed=6)
    settings.current().enabled = False
    jobs.stop_all("the test ended")
    for name in ("simulate", "points", "hidden_lines", "blank_moves"):
        setattr(settings.current(), name, False)
    settings.current().meter = True


def test_a_thousand_operations(hand):
    """After each third of them, a new file holds no more than it did before."""
    new_file()
    settings.current().enabled = True
    for _ in range(100):  # until everything that is made once was made
        hand.step()
    before = rest()
    objects = before.pop("objects")
    assert len(before["handlers"]) == len(handlers._HANDLERS)
    hand.done.clear()
    while sum(hand.done.values()) < STEPS:
        if not hand.step():
            continue
        scenes = len(bpy.data.scenes)
        engine = overlay.engine()
        if engine is not None:
            assert engine.cache.nbytes <= settings.current().cache_mb << 20
            assert len(engine._scenes) <= 2 + scenes
        assert not session.is_reading()
        assert not session.is_peeking()
        engine = None
        if sum(hand.done.values()) % 333 == 0:
            after = rest()
            grown = after.pop("objects") - objects
            ours = {name for name in grown if ".addon." in name} - BOUNDED
            assert not ours, grown
            # Core keeps scenes by their content: few, and no more for being asked more often.
            assert sum(grown.values()) <= CORE_OBJECTS, grown
            assert after == before
            settings.current().enabled = True
    assert min(hand.done.values()) >= 5, hand.done
    assert len(hand.done) == sum(name.startswith("do_") for name in dir(hand))
