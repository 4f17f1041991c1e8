# SPDX-License-Identifier: GPL-3.0-or-later
"""Live output from Blender to the virtual projector, and every way to pull the plug."""

import os
import subprocess
import sys
import textwrap
import time

import beamwright.addon
import bpy
import numpy as np
import pytest
from beamwright.addon import handlers, live, worst_spot
from beamwright.addon.panels import live as panel
from beamwright.addon.session import BlenderSource
from beamwright.core import pipeline
from beamwright.core.live.link import LOSS_S
from beamwright.core.live.receiver import Receiver
from beamwright.core.live.samples import encode_samples
from beamwright.core.live.sender import OutputState
from beamwright.core.safety.scanned import worst_spot as worst_spot_of
from blender_scenes import add_cube

OPERATORS = bpy.ops.beamwright
DARK_WITHIN_S = 0.25
"""After a loss that the sender sees; asserted with room for a busy machine."""


def run_until(condition, seconds=5.0):
    """Do what Blender's timer does until something holds."""
    until = time.monotonic() + seconds
    while not condition():
        assert time.monotonic() < until, "it did not happen in time"
        live.tick()
        time.sleep(0.005)


def wait(condition, seconds=5.0):
    """Wait without ticking: Blender does nothing meanwhile."""
    until = time.monotonic() + seconds
    while not condition():
        assert time.monotonic() < until, "it did not happen in time"
        time.sleep(0.005)


@pytest.fixture
def receiver():
    with Receiver(port=0, record_max=4000) as unit:
        yield unit


@pytest.fixture
def projector(scene, receiver):
    """A cube before the camera, and a projector at the receiver's address."""
    bpy.context.preferences.system.use_online_access = True
    if not bpy.app.online_access:
        pytest.skip("Blender was started in offline mode, which a script cannot leave")
    item = add_cube()
    item.rotation_euler = (0.3, 0.2, 0.5)
    bpy.context.view_layer.update()
    added = scene.beamwright.add_projector("Pictures")
    added.live.host, added.live.port = "127.0.0.1", receiver.port
    yield added
    live.stop()
    worst_spot.stop()


def armed(receiver, level=0.5):
    projector = bpy.context.scene.beamwright.projectors[0]
    projector.live.level = level
    assert OPERATORS.live_start() == {"FINISHED"}
    run_until(lambda: receiver.connected)
    assert not receiver.lit
    until = time.monotonic() + 10.0
    while not receiver.lit:
        # The receiver is a thread of this process, and may be kept from answering for a while.
        if live.status(projector.name).state is not OutputState.ARMED:
            assert OPERATORS.live_arm() == {"FINISHED"}
        assert time.monotonic() < until, live.status(projector.name)
        live.tick()
        time.sleep(0.005)
    return projector


def test_what_arrives_is_the_planned_frame(scene, projector, receiver):
    """Each frame of the scene arrives point by point, at the level that was armed."""
    item = bpy.data.objects["Cube"]
    for frame, turn in ((1, 0.0), (4, 1.0)):
        item.rotation_euler.z = turn
        item.keyframe_insert("rotation_euler", frame=frame)
    scene.frame_set(1)
    armed(receiver)
    for frame in (2, 3, 1):
        scene.frame_set(frame)
        live.frame_changed()
        live.tick()
        run_until(lambda: not live._engine.busy)
        run_until(lambda f=frame: live._engine.picture_of(scene)[0].frame == f)
        wanted = live._engine.picture_of(scene)[0].memories["Pictures"].frame
        expected = encode_samples(wanted.xy, wanted.rgb * 0.5)
        run_until(
            lambda e=expected: any(
                encode_samples(f.xy, f.rgb) == e for f in receiver.recorded()[-20:]
            )
        )
    assert receiver.figures().faults == {}


def test_the_first_picture_is_that_of_a_render(scene, projector, receiver):
    armed(receiver)
    source = BlenderSource(scene)
    planned = pipeline.draw_frame(source.current(), source.projectors, limits=source.limits)
    frame = planned["Pictures"].frame
    expected = encode_samples(frame.xy, frame.rgb * 0.5)
    run_until(lambda: any(encode_samples(f.xy, f.rgb) == expected for f in receiver.recorded()))


def test_blackout_is_dark_at_once_and_stays_so(projector, receiver):
    armed(receiver)
    assert OPERATORS.live_blackout() == {"FINISHED"}
    wait(lambda: not receiver.lit, 4 * DARK_WITHIN_S)
    for _ in range(40):
        live.tick()
        time.sleep(0.005)
        assert not receiver.lit
    assert receiver.connected
    status = live.status("Pictures")
    assert (status.state, status.reason) == (OutputState.DARK, "blackout")
    assert OPERATORS.live_arm() == {"FINISHED"}
    run_until(lambda: receiver.lit)


def test_a_blender_that_hangs_goes_dark(projector, receiver):
    """Nobody ticks: the sender's own thread takes the light away after the stall time."""
    armed(receiver)
    wait(lambda: not receiver.lit and not receiver.connected, 3.0)
    assert live.status("Pictures").reason == "the source stalled"
    for _ in range(20):
        live.tick()
        time.sleep(0.005)
    assert not receiver.lit


PLUGS = {
    "stop": lambda: OPERATORS.live_stop(),
    "file": lambda: bpy.ops.wm.read_homefile(use_empty=True),
    "projector": lambda: (OPERATORS.projector_remove(), live.tick()),
    "renamed": lambda: (
        setattr(bpy.context.scene.beamwright.projectors[0], "name", "Other"),
        live.tick(),
    ),
    "address": lambda: (
        setattr(bpy.context.scene.beamwright.projectors[0].live, "port", 1),
        live.tick(),
    ),
    "permission": lambda: (
        setattr(bpy.context.preferences.system, "use_online_access", False),
        live.tick(),
    ),
    "handlers": lambda: (handlers.unregister(), handlers.register()),
    "disabled": lambda: (beamwright.addon.unregister(), beamwright.addon.register()),
}


@pytest.mark.parametrize("plug", PLUGS)
def test_pulled_plugs(projector, receiver, plug):
    """Light and session are gone, and no thread or timer stays."""
    armed(receiver)
    PLUGS[plug]()
    wait(lambda: not receiver.lit and not receiver.connected, 4 * DARK_WITHIN_S)
    assert not live.is_running()
    assert not bpy.app.timers.is_registered(live._timer)


def test_a_receiver_that_is_gone_goes_dark(projector, receiver):
    """It does not answer any more: no light within a quarter second, whatever Blender says."""
    armed(receiver)
    receiver.close()
    run_until(lambda: not live.status("Pictures").lit, LOSS_S + 4 * DARK_WITHIN_S)
    status = live.status("Pictures")
    assert (status.state, status.reason) == (OutputState.DARK, "the receiver does not answer")


def test_a_frame_over_the_exposure_limit_is_not_shown(scene, projector, receiver):
    """Asked for in the panel: a strong laser at a short throw never comes on."""
    light = projector.light
    light.wavelength_nm, light.power_w = (638.0, 520.0, 450.0), (1.0, 1.0, 1.0)
    light.divergence_mrad, light.diameter_mm, light.width = 1.0, 4.0, "INVERSE_E2"
    light.distance_m, light.check_live, projector.live.level = 5.0, True, 1.0
    assert OPERATORS.live_start() == {"FINISHED"}
    run_until(lambda: receiver.connected)
    run_until(lambda: live._engine.picture_of(scene)[1])
    assert OPERATORS.live_arm() == {"FINISHED"}
    run_until(lambda: live.status("Pictures").state is OutputState.DARK)
    assert "times its limit at 5 m" in live.status("Pictures").reason
    run_until(lambda: not receiver.connected)
    assert not any(frame.lit for frame in receiver.recorded())


def test_an_exception_goes_dark(projector, receiver, monkeypatch, capsys):
    armed(receiver)

    def broken(*_):
        raise ZeroDivisionError("a defect")

    monkeypatch.setattr(live, "_feed", broken)
    live.tick()
    wait(lambda: not receiver.lit and not receiver.connected, 4 * DARK_WITHIN_S)
    assert live.reason_of("Pictures") == "ZeroDivisionError: a defect"
    assert "a defect" in capsys.readouterr().err


def test_a_scene_that_cannot_be_drawn_is_dark(scene, projector, receiver):
    armed(receiver)
    bpy.data.objects.remove(bpy.data.objects["Cube"])
    live._engine.mark(changed=True)
    run_until(lambda: not receiver.lit)


def test_a_keep_out_drawn_while_live_counts(scene, projector, receiver):
    """Once a square lies over the cube nothing of it is lit, whatever was planned before."""
    armed(receiver)
    collection = bpy.data.collections.new("Keep Out")
    scene.collection.children.link(collection)
    mesh = bpy.data.meshes.new("Band")
    mesh.from_pydata([(-9, -5, -9), (9, -5, -9), (9, -5, 9), (-9, -5, 9)], [], [(0, 1, 2, 3)])
    collection.objects.link(bpy.data.objects.new("Band", mesh))
    projector.safety.keep_outs = collection
    bpy.context.view_layer.update()
    run_until(lambda: not receiver.lit)
    assert live.status("Pictures").state is OutputState.ARMED
    run_until(
        lambda: [zone.name for zone in live._outputs["Pictures"].sender._limits.zones] == ["Band"]
    )
    # It also hides the cube, as any object does.
    bpy.data.objects.remove(bpy.data.objects["Band"])
    bpy.context.view_layer.update()
    live._engine.mark(changed=True)
    live._engine.forget()
    run_until(lambda: receiver.lit)


def test_the_master_level_follows_down_and_not_up(projector, receiver):
    armed(receiver, 0.5)
    projector.live.level = 0.25
    run_until(lambda: live.status("Pictures").level == 0.25)
    projector.live.level = 1.0
    for _ in range(20):
        live.tick()
        time.sleep(0.005)
    assert live.status("Pictures").level == 0.25
    assert max(f.rgb.max() for f in receiver.recorded()[-3:]) <= np.ceil(0.25 * 255) / 255


def test_without_permission_nothing_is_sent(projector, receiver):
    bpy.context.preferences.system.use_online_access = False
    try:
        assert not OPERATORS.live_start.poll()
        with pytest.raises(RuntimeError, match="Online access is off"):
            OPERATORS.live_start()
        with pytest.raises(Exception, match="Online access is off"):
            live.start(bpy.context.scene, projector)
    finally:
        bpy.context.preferences.system.use_online_access = True
    assert receiver.figures().datagrams == 0


def test_an_address_is_needed(projector, receiver):
    projector.live.host = "  "
    with pytest.raises(RuntimeError, match="no address"):
        OPERATORS.live_start()


def test_quitting_leaves_dark(receiver, tmp_path):
    """A whole process that arms and ends without a word."""
    script = tmp_path / "quit.py"
    script.write_text(
        textwrap.dedent(
            f"""
            import sys, time
            import bpy
            import beamwright.addon
            beamwright.addon.register()
            from beamwright.addon import live
            bpy.context.preferences.system.use_online_access = True
            scene = bpy.context.scene
            projector = scene.beamwright.add_projector("P")
            projector.live.host, projector.live.port = "127.0.0.1", {receiver.port}
            live.start(scene, projector)
            live.arm("P", 0.5)
            until = time.monotonic() + 10
            while not live.status("P").lit and time.monotonic() < until:
                live.tick()
                time.sleep(0.005)
            print("lit", live.status("P").lit)
            import atexit
            # Blender 4.5 as a module hangs at the end where classes of ours are left to it.
            atexit.register(beamwright.addon.unregister)
            """
        )
    )
    done = subprocess.run(
        [sys.executable, script], capture_output=True, text=True, timeout=60, env=os.environ
    )
    assert "lit True" in done.stdout, done.stderr
    assert any(frame.lit for frame in receiver.recorded())
    wait(lambda: not receiver.lit and not receiver.connected, 1.0)
    assert receiver.figures().losses == 0  # it said goodbye


class Sheet:
    """A layout that keeps what is written on it."""

    def __init__(self):
        self.lines, self.alert, self.active, self.parts = [], False, True, []

    def column(self, **_):
        self.parts.append(Sheet())
        return self.parts[-1]

    def label(self, text="", icon="NONE"):
        self.lines.append(text)

    @property
    def text(self):
        return " ".join([*self.lines, *(part.text for part in self.parts)])


def written(projector, level=1.0):
    """What the panel says of the worst spot, once it has been worked out."""
    until = time.monotonic() + 5.0
    while True:
        live.tick()
        worst_spot._poll()
        sheet = Sheet()
        panel._worst_spot(sheet, bpy.context.scene, projector, level, 1000)
        if "working" not in sheet.text and "switch the preview on" not in sheet.text:
            return sheet
        assert time.monotonic() < until, sheet.text
        time.sleep(0.01)


def test_the_panel_tells_the_worst_spot_of_the_current_frame(scene, projector, receiver):
    """The figures of `worst_spot` for the planned frame; none without data of the laser."""
    item = bpy.data.objects["Cube"]
    for frame, size in ((1, 1.0), (4, 0.3)):
        item.scale = (size,) * 3
        item.keyframe_insert("scale", frame=frame)
    scene.frame_set(1)
    sheet = Sheet()
    panel._worst_spot(sheet, scene, projector, 1.0, 1000)
    assert "switch the preview on" in sheet.text
    assert OPERATORS.live_start() == {"FINISHED"}
    unknown = written(projector)
    assert "no figure, the power of red is not known" in unknown.text
    assert "Longest dwell" in unknown.text
    light = projector.light
    light.wavelength_nm, light.power_w = (638.0, 520.0, 450.0), (1.0, 1.0, 1.0)
    light.divergence_mrad, light.diameter_mm, light.width = 1.0, 4.0, "INVERSE_E2"
    live.stop()  # as another laser does by itself
    assert OPERATORS.live_start() == {"FINISHED"}
    assert "no figure, the throw is not known" in written(projector).text
    light.distance_m = 12.0
    live.stop()
    assert OPERATORS.live_start() == {"FINISHED"}
    seen = {}
    for number in (1, 4, 1):
        scene.frame_set(number)
        live.frame_changed()
        run_until(lambda: live._engine.picture_of(scene)[1])
        sheet = written(projector, 0.5)
        frame = live._engine.picture_of(scene)[0].memories["Pictures"].frame
        spot = worst_spot_of(frame, light.to_core().source, projector.to_core().profile, 12.0)
        assert f"OVER THE LIMIT: {spot.ratio * 0.5:.3g} times the limit at 50%" in sheet.text
        assert f"Worst spot, frame {number}" in sheet.text
        assert "These are planning figures" in sheet.text
        assert sheet.parts[0].alert
        seen.setdefault(number, spot.ratio)
    assert seen[1] != seen[4]
    low = written(projector, 0.9 / max(seen.values()))
    assert "Below the limit" in low.text
    assert not low.parts[0].alert


def test_readings_are_kept_for_each_frame_and_the_worker_ends(scene, projector, monkeypatch):
    """Asking again costs nothing; whoever asks for many gets the newest."""
    calls = []
    plain = worst_spot.worst_spot
    monkeypatch.setattr(worst_spot, "worst_spot", lambda *a, **k: calls.append(a) or plain(*a, **k))
    assert OPERATORS.live_start() == {"FINISHED"}
    written(projector)
    count = len(calls)
    assert count
    for _ in range(20):
        written(projector)
    assert len(calls) == count
    worst_spot.stop()
    assert not worst_spot._worker.alive
    assert not bpy.app.timers.is_registered(worst_spot._poll)
