# SPDX-License-Identifier: GPL-3.0-or-later
"""The live commands: arguments, the question before arming, exit codes, what they write."""

import argparse
import io
import os
import signal
import threading
import time
from pathlib import Path

import numpy as np
import pytest
from beamwright.core.errors import SettingError
from beamwright.core.frame import Frame
from beamwright.core.live.commands import (
    add_discover_arguments,
    add_receive_arguments,
    add_stream_arguments,
    run_discover,
    run_receive,
    run_stream,
)
from beamwright.core.live.receiver import Receiver
from beamwright.core.points.projector import ScannerProfile
from beamwright.core.safety.exposure import BeamWidth
from beamwright.core.safety.hazard import PLANNING_NOTE
from beamwright.core.safety.laser import LaserSource
from beamwright.core.safety.limits import SafetyLimits
from beamwright.core.safety.notice import SAFETY_NOTICE, SAFETY_PAGE
from beamwright.core.safety.scanned import exposure_check

PROFILE = ScannerProfile()


def frames(length=5, count=300):
    angle = np.arange(count) / count * 2 * np.pi
    index = np.zeros(count, np.int32)
    return [
        Frame(
            np.c_[0.7 * np.cos(angle + 0.3 * n), 0.7 * np.sin(2 * angle)],
            np.ones((count, 3)), np.zeros(count, bool), index, index, 30000.0,
        )
        for n in range(length)
    ]  # fmt: skip


def wait_dark(receiver):
    """The last datagrams are on their way when a command returns."""
    until = time.monotonic() + 1.0
    while (receiver.lit or receiver.connected) and time.monotonic() < until:
        time.sleep(0.002)
    assert not receiver.lit
    assert not receiver.connected


def options(add, *arguments):
    parser = argparse.ArgumentParser()
    add(parser)
    return parser.parse_args([str(a) for a in arguments])


def stream(receiver, *arguments, **keywords):
    out = io.StringIO()
    chosen = options(add_stream_arguments, "--to", "127.0.0.1", "--port", receiver.port, *arguments)
    code = run_stream(chosen, frames(), SafetyLimits(), PROFILE, out=out, **keywords)
    return code, out.getvalue()


def test_streaming_needs_the_word():
    """The safety text comes first; anything but the word sends nothing at all."""
    asked = []
    with Receiver(port=0) as receiver:
        for answer in ("", "yes", "ARMED"):
            code, text = stream(receiver, ask=lambda q, a=answer: asked.append(q) or a)
            assert code == 1
            page, _, rest = text.partition(SAFETY_NOTICE)
            assert " ".join(page.split()) == " ".join(" ".join(SAFETY_PAGE).split())
            assert rest.startswith("Not armed")
            assert "Not armed" in text
        assert receiver.figures().datagrams == 0
        code, text = stream(receiver, "--fps", 20, ask=lambda q: "Arm")
        assert code == 0
        assert receiver.figures().frames > 5
        wait_dark(receiver)
    assert all("10 %" in question for question in asked)


def test_an_end_of_input_is_a_no():
    def closed(question):
        raise EOFError

    with Receiver(port=0) as receiver:
        assert stream(receiver, ask=closed)[0] == 1
        assert receiver.figures().datagrams == 0


def test_yes_still_shows_the_safety_text():
    with Receiver(port=0, record_max=500) as receiver:
        code, text = stream(receiver, "--yes", "--fps", 20, "--level", 30, "--wave")
        recorded = receiver.recorded()
    assert code == 0
    assert SAFETY_NOTICE in text
    assert max(f.rgb.max() for f in recorded) == pytest.approx(0.3, abs=1 / 255)
    assert PLANNING_NOTE in SAFETY_NOTICE


ENDINGS = [signal.SIGINT, signal.SIGTERM, *filter(None, [getattr(signal, "SIGHUP", None)])]


@pytest.mark.parametrize("number", ENDINGS)
def test_ctrl_c_and_termination_black_out(number, request):
    """Also the end of the terminal."""
    if number != signal.SIGINT and signal.getsignal(number) is signal.SIG_IGN:
        # Whoever started the tests had it ignored (nohup does); here it is to count.
        request.addfinalizer(lambda: signal.signal(number, signal.SIG_IGN))
        signal.signal(number, signal.SIG_DFL)
    with Receiver(port=0) as receiver:
        before = signal.getsignal(signal.SIGTERM)

        def interrupt():
            while not receiver.lit:
                time.sleep(0.005)
            os.kill(os.getpid(), number)

        thread = threading.Thread(target=interrupt)
        thread.start()
        code, text = stream(receiver, "--yes", "--loop")
        thread.join()
        assert code == 130
        assert "Blackout" in text
        wait_dark(receiver)
        assert signal.getsignal(signal.SIGTERM) is before


def test_an_interruption_that_the_shell_ignores_blacks_out_too(request):
    """As a job in the background, where Python starts without its handler for Ctrl-C."""
    before = signal.signal(signal.SIGINT, signal.SIG_IGN)
    try:
        test_ctrl_c_and_termination_black_out(signal.SIGINT, request)
        assert signal.getsignal(signal.SIGINT) is signal.SIG_IGN
    finally:
        signal.signal(signal.SIGINT, before)


def test_a_receiver_that_is_not_there_is_reported():
    with Receiver(port=0) as receiver:
        pass
    code, text = stream(receiver, "--yes", "--loop")
    assert code == 1
    assert "does not answer" in text


def test_a_receiver_that_never_answers_can_be_named_so():
    with Receiver(port=0) as receiver:
        pass
    assert stream(receiver, "--yes", "--no-acknowledge", "--fps", 20)[0] == 0


def test_the_hazard_check_stops_the_stream():
    """10 W that nobody would let into an audience at 5 m, also at a tenth of it."""
    source = LaserSource((638.0, 532.0, 450.0), (3.0, 4.0, 3.0), 1.0, 4.0, BeamWidth.INVERSE_E2)
    with Receiver(port=0, record_max=500) as receiver:
        code, text = stream(receiver, "--yes", over_limit=exposure_check(source, PROFILE, 5.0))
        assert code == 1
        assert "times its limit at 5 m" in text
        assert not any(f.lit for f in receiver.recorded())
        unknown = exposure_check(LaserSource(), PROFILE, 5.0)
        code, text = stream(receiver, "--yes", over_limit=unknown)
        assert code == 1
        assert "cannot be computed" in text
        lenient = exposure_check(source, PROFILE, 5.0, ratio_max=1e6)
        assert stream(receiver, "--yes", "--fps", 20, over_limit=lenient)[0] == 0


@pytest.mark.parametrize("level", [0, -1, 101, "nan"])
def test_master_levels_out_of_range(level):
    with Receiver(port=0) as receiver, pytest.raises(SettingError, match="level"):
        stream(receiver, "--yes", "--level", level)


@pytest.mark.parametrize("kind", ["html", "svg", "png"])
def test_receiving_draws_and_counts(tmp_path, kind):
    """While it is lit the picture has lines in it; at the end it is dark again."""
    target = tmp_path / f"view.{kind}"
    written = []

    def write(path, data):
        written.append(data)
        path.write_bytes(data)

    with Receiver(port=0) as probe:
        port = probe.port
    out = io.StringIO()
    chosen = options(add_receive_arguments, "--port", port, "--seconds", 1.4, "--picture", target)
    codes = []
    thread = threading.Thread(
        target=lambda: codes.append(run_receive(chosen, PROFILE, write, out=out))
    )
    thread.start()
    time.sleep(0.1)
    probe.port = port
    assert stream(probe, "--yes", "--fps", 6, "--level", 50)[0] == 0
    thread.join()
    assert codes == [0]
    assert "0 sessions lost" in out.getvalue()
    dark, lit = written[-1], max(written, key=len)
    assert target.read_bytes() == dark
    assert len(lit) > len(dark)
    if kind != "png":
        assert b"polyline" in lit
        assert b"polyline" not in dark


def test_receiving_refuses_unknown_pictures():
    chosen = options(add_receive_arguments, "--picture", "view.jpg")
    with pytest.raises(SettingError, match="jpg"):
        run_receive(chosen, PROFILE, Path.write_bytes)
    assert options(add_receive_arguments).host == "127.0.0.1"


def test_discovery_lists_units():
    out = io.StringIO()
    with Receiver(port=0, name="Right truss") as receiver:
        chosen = options(
            add_discover_arguments, "127.0.0.1", "--port", receiver.port, "--wait", 0.1
        )
        assert run_discover(chosen, out=out) == 0
    assert "127.0.0.1  Right truss  free" in out.getvalue()
    assert "service 1: Laser graphics" in out.getvalue()
    assert run_discover(chosen, out=out) == 1
