# SPDX-License-Identifier: GPL-3.0-or-later
"""Live output on loopback: dark unless armed, and dark again for every reason there is."""

import socket
import subprocess
import sys
import threading
import time
from dataclasses import replace

import numpy as np
import pytest
from beamwright.core.errors import FormatError, HostError, OutputError, SettingError
from beamwright.core.frame import Frame
from beamwright.core.live.idn import Acknowledgement, ChannelMessage, Command, Hello, Result
from beamwright.core.live.link import SenderSettings
from beamwright.core.live.receiver import Receiver
from beamwright.core.live.samples import encode_samples
from beamwright.core.live.sender import OutputState, Sender
from beamwright.core.points.projector import ScannerProfile
from beamwright.core.safety.guard import guard
from beamwright.core.safety.limits import SafetyLimits
from beamwright.core.safety.zones import KeepOut

PROFILE = ScannerProfile()
LIMITS = SafetyLimits()


def make_frame(count=300, phase=0.0, rate=30000.0):
    angle = np.arange(count) / count * 2 * np.pi
    xy = np.c_[0.8 * np.cos(angle + phase), 0.8 * np.sin(2 * angle)]
    index = np.zeros(count, np.int32)
    return Frame(xy, np.ones((count, 3)), np.zeros(count, bool), index, index, rate)


@pytest.fixture
def receiver():
    with Receiver(port=0, record_max=2000) as opened:
        yield opened


def sender_to(receiver, limits=LIMITS, over_limit=None, **changes):
    settings = SenderSettings("127.0.0.1", receiver.port, **changes)
    return Sender(settings, limits, PROFILE, over_limit=over_limit)


def wait_for(condition, seconds=2.0):
    """Poll until a condition holds; return how long it took, fail if it never does."""
    begin = time.monotonic()
    while not condition():
        assert time.monotonic() - begin < seconds, "never happened"
        time.sleep(0.002)
    return time.monotonic() - begin


def arm_and_wait(sender, receiver, frame=None, level=0.1):
    sender.submit(make_frame() if frame is None else frame)
    sender.arm(level)
    wait_for(lambda: receiver.lit)


def test_starts_dark_and_stays_dark_until_armed(receiver):
    with sender_to(receiver) as sender:
        for _ in range(20):
            sender.submit(make_frame())
            time.sleep(0.01)
        assert receiver.connected
        assert sender.status().state is OutputState.DARK
        assert sender.status().reason == "not armed"
        sender.arm()
        wait_for(lambda: receiver.lit)
        assert sender.status().state is OutputState.ARMED
        assert sender.status().level == 0.1
    before = [f for f in receiver.recorded() if not f.lit]
    assert len(before) >= 3
    assert not receiver.recorded()[0].lit


def test_the_master_level_bounds_every_sample(receiver):
    with sender_to(receiver) as sender:
        arm_and_wait(sender, receiver, level=0.25)
        time.sleep(0.05)
    levels = np.concatenate([f.rgb for f in receiver.recorded()])
    assert levels.max() == pytest.approx(0.25, abs=0.5 / 255)


def test_what_arrives_is_the_guarded_frame_point_by_point(receiver):
    """Also in a stream the keep-outs hold: what arrives is what the guard lets pass."""
    limits = SafetyLimits(zones=(KeepOut("right", ((0.5, -1), (1, -1), (1, 1), (0.5, 1))),))
    frame = make_frame()
    dim = replace(frame, rgb=frame.rgb * 0.5)
    expected = guard(dim, limits, PROFILE, previous=dim).frame
    assert 0 < expected.blanked.sum() < 300
    with sender_to(receiver, limits) as sender:
        arm_and_wait(sender, receiver, frame, level=0.5)
        time.sleep(0.08)
        status = sender.status()
    last = [f for f in receiver.recorded() if f.lit][-1]
    assert encode_samples(last.xy, last.rgb) == encode_samples(expected.xy, expected.rgb)
    assert last.point_rate_hz == pytest.approx(30000.0, rel=1e-3)
    assert status.darkened == expected.blanked.sum()
    assert "right" in status.findings[0]
    assert receiver.figures().faults == {}


def test_frames_change_only_at_their_end(receiver):
    """Stamps advance by whole durations, and no frame is mixed from two."""
    with sender_to(receiver) as sender:
        arm_and_wait(sender, receiver)
        for step in range(60):
            sender.submit(make_frame(phase=0.1 * step))
            time.sleep(0.005)
    frames = [f for f in receiver.recorded() if f.lit]
    assert len(frames) > 10
    steps = np.diff([f.stamp_us for f in frames])
    assert (steps % 10_000 == 0).all()
    for frame in frames:
        candidates = [make_frame(phase=0.1 * s).xy for s in range(60)] + [make_frame().xy]
        assert min(np.abs(frame.xy - c).max() for c in candidates) < 1e-4
    assert receiver.figures().faults == {}


@pytest.mark.parametrize("count", [1, 20, 205, 1000, 8000])
@pytest.mark.parametrize("wave", [False, True])
def test_long_and_short_frames_stream_cleanly(receiver, count, wave):
    """From one sample to a quarter of a second: no fault, no loss, no second session."""
    limits = SafetyLimits(dwell_max_us=0.0, picture_min_field=0.0, brightness_max=1.0)
    with sender_to(receiver, limits, wave=wave) as sender:
        sender.submit(make_frame(count))
        sender.arm()
        wait_for(lambda: receiver.lit)
        for _ in range(6):
            time.sleep(0.05)
            sender.touch()
            assert receiver.lit
        assert sender.status().state is OutputState.ARMED
    figures = receiver.figures()
    assert figures.faults == {}
    assert figures.losses == 0


def plugs():
    """Every way to lose the right to light, with the reason it must give."""
    return {
        "blackout": (lambda s, r: s.blackout(), "blackout"),
        "close": (lambda s, r: s.close(), "closed"),
        "stall": (lambda s, r: None, "stalled"),
        "receiver": (lambda s, r: r.close(), "does not answer"),
        "exception": (lambda s, r: setattr(s, "_limits_changed", "rubbish"), "AttributeError"),
    }


@pytest.mark.parametrize("name", list(plugs()))
def test_pulling_the_plug_makes_dark(receiver, name):
    """Dark within 250 ms (the stall: of its stall time), with a reason, until armed again."""
    pull, reason = plugs()[name]
    sender = sender_to(receiver, stall_s=0.15, loss_s=0.15).start()
    try:
        arm_and_wait(sender, receiver)
        pull(sender, receiver)
        begin = time.monotonic()
        alive = name not in ("stall",)
        while sender.status().lit or (name != "receiver" and receiver.lit):
            if alive:
                sender.touch()
            assert time.monotonic() - begin < 2.0
            time.sleep(0.002)
        took = time.monotonic() - begin
        assert took < (0.15 if name in ("stall", "receiver") else 0.0) + 0.25
        wait_for(lambda: reason in sender.status().reason)
        assert sender.status().state is not OutputState.ARMED
        # A source that goes on talking is no reason to come back.
        for _ in range(15):
            sender.submit(make_frame())
            time.sleep(0.01)
        assert not sender.status().lit
        if name != "receiver":
            assert not receiver.lit
            wait_for(lambda: receiver.connected == (name == "blackout"))
    finally:
        sender.close()
    assert receiver.figures().losses == 0


def test_arming_again_after_a_stall_needs_a_fresh_frame(receiver):
    with sender_to(receiver, stall_s=0.1) as sender:
        arm_and_wait(sender, receiver)
        wait_for(lambda: sender.status().state is OutputState.DARK)
        sender.arm()
        time.sleep(0.05)
        assert not receiver.lit
        sender.submit(make_frame())
        wait_for(lambda: receiver.lit)


def test_a_frame_over_the_exposure_limit_makes_dark(receiver):
    """The hazard check sees the frame as it would be sent, before it is."""
    seen = []

    def over_limit(frame):
        seen.append(frame.rgb.max())
        return "over the exposure limit" if frame.rgb.max() > 0.3 else ""

    with sender_to(receiver, over_limit=over_limit) as sender:
        arm_and_wait(sender, receiver, level=0.2)
        sender.arm(0.4)
        wait_for(lambda: sender.status().state is OutputState.DARK)
        assert "exposure limit" in sender.status().reason
        wait_for(lambda: not receiver.lit)
    assert max(f.rgb.max() for f in receiver.recorded()) < 0.3
    assert max(seen) > 0.3


@pytest.mark.parametrize("wave", [False, True])
@pytest.mark.parametrize("end", ["blackout", "close"])
def test_dark_does_not_wait_for_the_exposure_check(receiver, end, wave):
    """A check may take long; blackout while it runs is dark at once, and stays so."""
    slow = threading.Event()
    begun, go_on = threading.Event(), threading.Event()

    def check(frame):
        if slow.is_set():
            begun.set()
            go_on.wait(5.0)
        return ""

    with sender_to(receiver, over_limit=check, loss_s=5.0, wave=wave) as sender:
        arm_and_wait(sender, receiver)
        slow.set()
        sender.submit(make_frame(phase=1.0))
        assert begun.wait(5.0)
        pull = threading.Thread(target=getattr(sender, end))
        pull.start()
        try:
            assert wait_for(lambda: not receiver.lit) < 0.25
        finally:
            go_on.set()
        pull.join()
        for _ in range(10):
            time.sleep(0.01)
            assert not receiver.lit
    assert receiver.figures().faults == {}


def test_a_check_slower_than_the_receiver_s_silence_still_shows(receiver):
    """What was answered meanwhile is read before the receiver is called silent."""

    def check(frame):
        time.sleep(0.3)
        return ""

    with (
        Receiver(port=0, record_max=2000, timeout_s=2.0) as patient,
        sender_to(patient, over_limit=check, stall_s=5.0) as sender,
    ):
        arm_and_wait(sender, patient)
        assert sender.status().state is OutputState.ARMED


def test_an_exception_in_the_check_makes_dark(receiver):
    def broken(frame):
        raise ZeroDivisionError("boom")

    sender = sender_to(receiver, over_limit=broken).start()
    sender.submit(make_frame())
    sender.arm()
    wait_for(lambda: sender.status().state is OutputState.FAULT)
    assert "boom" in sender.status().reason
    wait_for(lambda: not receiver.connected)
    assert not any(f.lit for f in receiver.recorded())
    with pytest.raises(HostError, match="boom"):
        sender.arm()
    sender.close()


def test_the_end_of_the_process_leaves_dark(receiver):
    """A script that arms and just ends: its receiver gets dark frames and a close."""
    script = f"""
import sys, time
sys.path.insert(0, {str(__import__("pathlib").Path(__file__).parent)!r})
from test_sender import make_frame, LIMITS, PROFILE, SenderSettings, Sender
s = Sender(SenderSettings("127.0.0.1", {receiver.port}), LIMITS, PROFILE).start()
s.submit(make_frame()); s.arm()
time.sleep(0.3)
"""
    subprocess.run([sys.executable, "-c", script], check=True, timeout=60)
    assert any(f.lit for f in receiver.recorded())
    wait_for(lambda: not receiver.lit and not receiver.connected)
    assert receiver.figures().losses == 0
    assert not receiver.recorded()[-1].lit


def test_a_killed_process_is_dark_within_a_quarter_second(receiver):
    """Nobody says goodbye: the receiver's own silence rule makes it dark."""
    script = f"""
import sys, time
sys.path.insert(0, {str(__import__("pathlib").Path(__file__).parent)!r})
from test_sender import make_frame, LIMITS, PROFILE, SenderSettings, Sender
s = Sender(SenderSettings("127.0.0.1", {receiver.port}), LIMITS, PROFILE).start()
s.submit(make_frame()); s.arm()
while True: time.sleep(0.05); s.touch()
"""
    process = subprocess.Popen([sys.executable, "-c", script])
    try:
        wait_for(lambda: receiver.lit, 60.0)
        process.kill()
        process.wait()
        assert wait_for(lambda: not receiver.lit) < 0.25 + 0.05
    finally:
        process.kill()
    assert receiver.figures().losses == 1


class Hostile(threading.Thread):
    """A receiver that answers every datagram as it pleases."""

    def __init__(self, answer):
        super().__init__(daemon=True)
        self.answer = answer
        self.socket = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
        self.socket.bind(("127.0.0.1", 0))
        self.socket.settimeout(0.02)
        self.port = self.socket.getsockname()[1]
        self.stop = threading.Event()
        self.lit = 0
        self.last_lit_s = 0.0

    def run(self):
        while not self.stop.is_set():
            try:
                data, sender = self.socket.recvfrom(65_535)
            except TimeoutError:
                continue
            except OSError:
                return
            hello = Hello.decode(data)
            message = ChannelMessage.decode(hello.payload)
            samples = np.frombuffer(message.samples, np.uint8).reshape(-1, 7)
            if samples[:, 4:].any():
                self.lit += 1
                self.last_lit_s = time.monotonic()
            for reply in self.answer(hello):
                self.socket.sendto(reply, sender)

    def __enter__(self):
        self.start()
        return self

    def __exit__(self, *_):
        self.stop.set()
        self.join(1.0)
        self.socket.close()


def acknowledged(hello, result=Result.ACCEPTED, shift=0):
    if hello.command != Command.MESSAGE_ACKNOWLEDGE:
        return []
    payload = Acknowledgement(result).encode()
    return [Hello(Command.ACKNOWLEDGEMENT, hello.sequence + shift, payload).encode()]


ANSWERS = {
    "silence": lambda h: [],
    "wrong sequence": lambda h: acknowledged(h, shift=1000),
    "refusal": lambda h: acknowledged(h, Result.OCCUPIED),
    "truncated": lambda h: [d[:5] for d in acknowledged(h)],
    "oversized": lambda h: [d + bytes(60_000) for d in acknowledged(h)],
    "wrong command": lambda h: [b"\x13" + d[1:] for d in acknowledged(h)],
    "noise": lambda h: [bytes([255]) * 40],
    "flood": lambda h: [bytes([0x47, 0, 9, 9, 4, 0, 0, 0])] * 200,
}


@pytest.mark.parametrize("name", list(ANSWERS))
def test_hostile_receivers_get_no_light(name):
    """Without a good acknowledgement light ends within 250 ms, and memory does not grow."""
    with Hostile(ANSWERS[name]) as hostile:
        settings = SenderSettings("127.0.0.1", hostile.port, loss_s=0.15)
        with Sender(settings, LIMITS, PROFILE) as sender:
            sender.submit(make_frame())
            sender.arm()
            begin = time.monotonic()
            while time.monotonic() - begin < 0.6:
                sender.touch()
                time.sleep(0.01)
            status = sender.status()
            assert status.state is OutputState.DARK
            assert not status.lit
            assert status.reason
            assert hostile.last_lit_s - begin < 0.25
            assert len(sender._link._asked) <= 64


def test_a_flood_with_good_answers_in_it_is_endured():
    """Rubbish among the acknowledgements is counted and let be."""

    def answer(hello):
        return [b"\xff" * 30] * 5 + acknowledged(hello) + [b"\x47\0\0\0"] * 5

    with Hostile(answer) as hostile:
        settings = SenderSettings("127.0.0.1", hostile.port, loss_s=0.2)
        with Sender(settings, LIMITS, PROFILE) as sender:
            sender.submit(make_frame())
            sender.arm()
            for _ in range(30):
                sender.touch()
                time.sleep(0.01)
            assert sender.status().state is OutputState.ARMED
            assert hostile.lit > 5
            assert sender.status().odd_replies > 50


def test_replies_from_strangers_are_not_heard(receiver):
    """Only the named address is listened to."""
    with sender_to(receiver) as sender:
        arm_and_wait(sender, receiver)
        port = sender._link._socket.getsockname()[1]
        with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as stranger:
            refusal = Acknowledgement(Result.ERROR).encode()
            for sequence in range(200):
                stranger.sendto(
                    Hello(Command.ACKNOWLEDGEMENT, sequence, refusal).encode(),
                    ("127.0.0.1", port),
                )
        time.sleep(0.1)
        sender.touch()
        assert sender.status().state is OutputState.ARMED
        assert sender.status().odd_replies == 0


def test_no_call_waits_for_the_network():
    """All calls but close return at once though nobody listens."""
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as taken:
        taken.bind(("127.0.0.1", 0))
        sender = Sender(
            SenderSettings("127.0.0.1", taken.getsockname()[1]), LIMITS, PROFILE
        ).start()
        begin = time.monotonic()
        for _ in range(200):
            sender.submit(make_frame())
            sender.touch()
            sender.arm()
            sender.status()
            sender.blackout()
        elapsed = time.monotonic() - begin
        sender.close()
    # A thousand calls; one that waited for a receiver would take its loss time.
    assert elapsed < 1000 * 0.005


@pytest.mark.parametrize("level", [0.0, -0.1, 1.1, np.nan, np.inf])
def test_levels_out_of_range_are_refused(receiver, level):
    with sender_to(receiver) as sender, pytest.raises(SettingError, match="level"):
        sender.arm(level)


@pytest.mark.parametrize(
    "change",
    [
        {"host": ""},
        {"port": 0},
        {"channel": 64},
        {"interval_s": 0.0},
        {"stall_s": np.inf},
        {"loss_s": 0.06},
        {"client_group": 16},
    ],
)
def test_settings_out_of_range_are_refused(change):
    with pytest.raises(SettingError):
        SenderSettings(**{"host": "127.0.0.1", **change})


def test_a_broken_keep_out_is_refused_and_the_old_ones_stay(receiver):
    broken = SafetyLimits(zones=(KeepOut("balcony", ((np.nan, 0.0), (1.0, 0.0), (0.0, 1.0))),))
    with pytest.raises(SettingError, match="balcony"):
        sender_to(receiver, broken)
    everything = SafetyLimits(zones=(KeepOut("all", ((-1, -1), (1, -1), (1, 1), (-1, 1))),))
    with sender_to(receiver, everything) as sender:
        sender.submit(make_frame())
        sender.arm()
        with pytest.raises(SettingError, match="balcony"):
            sender.set_limits(broken)
        time.sleep(0.1)
        assert sender.status().state is OutputState.ARMED
        assert not any(f.lit for f in receiver.recorded())
        sender.set_limits(LIMITS)
        sender.touch()
        wait_for(lambda: receiver.lit)


def test_frames_too_long_to_state_are_refused(receiver):
    with sender_to(receiver) as sender:
        with pytest.raises(FormatError, match="too long"):
            sender.submit(make_frame(65_536))
        with pytest.raises(FormatError, match="too long"):
            sender.submit(make_frame(2000, rate=100.0))


def test_addresses_that_cannot_be_used_are_reported():
    sender = Sender(SenderSettings("no-such-host.invalid"), LIMITS, PROFILE)
    with pytest.raises(OutputError, match=r"no-such-host\.invalid"):
        sender.start()
    sender.close()
    with Receiver(port=0) as first, pytest.raises(OutputError, match="listen"):
        Receiver(port=first.port).start()
