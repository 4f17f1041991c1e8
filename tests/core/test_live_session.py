# SPDX-License-Identifier: GPL-3.0-or-later
"""Playing and receiving whole sequences on loopback, discovery, and the virtual projector."""

import socket
import struct
import sys
import threading
import time
import xml.etree.ElementTree as ElementTree
import zlib
from dataclasses import replace

import numpy as np
import pytest
from beamwright.core.errors import OutputError, SettingError
from beamwright.core.frame import Frame
from beamwright.core.live.cutting import frame_messages
from beamwright.core.live.discovery import discover
from beamwright.core.live.idn import Command, Configuration, Hello
from beamwright.core.live.link import SenderSettings
from beamwright.core.live.picture import page, png, svg
from beamwright.core.live.receiver import Receiver
from beamwright.core.live.samples import encode_samples
from beamwright.core.live.sender import OutputState
from beamwright.core.live.session import play, receive
from beamwright.core.live.unit import ReceivedFrame
from beamwright.core.output import ilda
from beamwright.core.points.projector import ScannerProfile
from beamwright.core.safety.guard import guard
from beamwright.core.safety.limits import SafetyLimits

PROFILE = ScannerProfile()
LIMITS = SafetyLimits()


def sequence(length=12, count=300):
    """A turning figure with a dark jump; every frame differs."""
    frames = []
    index = np.zeros(count, np.int32)
    angle = np.arange(count) / count * 2 * np.pi
    for number in range(length):
        xy = np.c_[0.7 * np.cos(angle + 0.2 * number), 0.7 * np.sin(2 * angle)]
        blanked = np.arange(count) < 20
        rgb = np.where(blanked[:, None], 0.0, [1.0, 0.5 + number / 40, 0.25])
        frames.append(Frame(xy, rgb, blanked, index, index, 30000.0))
    return frames


def test_a_file_arrives_point_by_point(tmp_path):
    """A sequence is written, read, streamed and received: each frame is the file's own."""
    path = tmp_path / "harbour.ild"
    ilda.write(path, sequence())
    frames = [frame.samples(30000.0) for frame in ilda.read(path)]
    with Receiver(port=0, record_max=4000) as receiver:
        status = play(
            frames,
            SenderSettings("127.0.0.1", receiver.port),
            LIMITS,
            PROFILE,
            frames_per_second=20.0,
            level=0.5,
        )
        wait_dark(receiver)
        recorded = receiver.recorded()
        assert receiver.figures().faults == {}
    assert status.state is OutputState.ARMED
    arrived = [encode_samples(f.xy, f.rgb) for f in recorded if f.lit]
    in_order = [a for a, b in zip(arrived, [b"", *arrived], strict=False) if a != b]
    wanted = []
    for frame in frames:
        dim = replace(frame, rgb=frame.rgb * 0.5)
        safe = guard(dim, LIMITS, PROFILE).frame
        assert not (safe.blanked & ~frame.blanked).any()
        wanted.append(encode_samples(safe.xy, safe.rgb))
    assert in_order == wanted


def wait_dark(receiver):
    until = time.monotonic() + 1.0
    while (receiver.lit or receiver.connected) and time.monotonic() < until:
        time.sleep(0.005)
    assert not receiver.lit
    assert not receiver.connected


@pytest.mark.skipif(sys.platform != "linux", reason="other systems do not note the time")
def test_jitter_is_that_of_the_wire():
    """A receiver that is kept from looking still knows when each datagram came."""
    with Receiver(port=0, record_max=10) as receiver:
        with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as client:
            client.connect(("127.0.0.1", receiver.port))
            with receiver._lock:
                for number in range(4):
                    (message,) = frame_messages(
                        bytes(7 * 30), 20_000, 20_000 * number, configuration=Configuration()
                    )
                    client.send(Hello(Command.MESSAGE, number, message.encode()).encode())
                    time.sleep(0.02)
                time.sleep(0.12)
            until = time.monotonic() + 2.0
            while len(receiver.recorded()) < 4 and time.monotonic() < until:
                time.sleep(0.005)
        arrived = [frame.arrived_s for frame in receiver.recorded()]
    assert len(arrived) == 4
    assert min(np.diff(arrived)) >= 0.0195
    # Read at once they would be no time apart.
    assert receiver.figures().faults == {}


def test_playing_ends_dark_when_told_to_stop():
    stop = threading.Event()
    seen = []

    def watch(status):
        seen.append(status)
        stop.set()

    with Receiver(port=0) as receiver:
        play(
            sequence(3),
            SenderSettings("127.0.0.1", receiver.port),
            LIMITS,
            PROFILE,
            loop=True,
            stop=stop,
            on_status=watch,
        )
        wait_dark(receiver)
    assert seen[0].state is OutputState.ARMED
    assert seen[0].lit


def test_an_interruption_leaves_dark():
    """Ctrl-C is an exception in the caller's thread."""

    def interrupt(status):
        raise KeyboardInterrupt

    with Receiver(port=0) as receiver:
        with pytest.raises(KeyboardInterrupt):
            play(
                sequence(3),
                SenderSettings("127.0.0.1", receiver.port),
                LIMITS,
                PROFILE,
                loop=True,
                on_status=interrupt,
            )
        wait_dark(receiver)
        assert receiver.figures().losses == 0


def test_playing_ends_when_the_receiver_is_gone():
    with Receiver(port=0) as receiver:
        port = receiver.port
    status = play(sequence(3), SenderSettings("127.0.0.1", port), LIMITS, PROFILE, loop=True)
    assert status.state is OutputState.DARK
    assert "answer" in status.reason


@pytest.mark.parametrize("rate", [0.0, np.nan, 1000.0])
def test_frame_rates_out_of_range_are_refused(rate):
    with pytest.raises(SettingError):
        play(sequence(1), SenderSettings("127.0.0.1"), LIMITS, PROFILE, frames_per_second=rate)


def test_nothing_to_play_is_refused():
    with pytest.raises(SettingError):
        play([], SenderSettings("127.0.0.1"), LIMITS, PROFILE)


def test_receiving_reports_what_came():
    receiver = Receiver(port=0, record_max=100)
    result = []
    thread = threading.Thread(
        target=lambda: result.append(receive(receiver, duration_s=1.2, status_s=0.1))
    )
    thread.start()
    while receiver.port == 0:
        time.sleep(0.005)
    play(
        sequence(6), SenderSettings("127.0.0.1", receiver.port), LIMITS, PROFILE,
        frames_per_second=20.0,
    )  # fmt: skip
    thread.join()
    assert result[0].figures.frames > 6
    assert result[0].figures.faults == {}
    assert len(result[0].recorded) > 6
    assert not result[0].lit


def test_discovery_asks_only_named_addresses():
    with Receiver(port=0, name="Left truss") as receiver:
        found = discover(["127.0.0.1"], port=receiver.port, wait_s=0.15)
        assert [(u.host, u.unit.name) for u in found] == [("127.0.0.1", "Left truss")]
        assert [s.name for s in found[0].services] == ["Laser graphics"]
        assert not receiver.lit
        port = receiver.port
    assert discover(["127.0.0.1"], port=port, wait_s=0.05) == []
    with pytest.raises(SettingError):
        discover([])
    with pytest.raises(OutputError, match="broadcast"):
        discover(["255.255.255.255"], wait_s=0.05)


def received(frame):
    return ReceivedFrame(frame.xy, frame.rgb, round(frame.duration_s * 1e6), 0, 0.0)


def read_png(data):
    """Decode an 8-bit RGB image by hand (PNG specification, W3C), checking every checksum."""
    assert data[:8] == b"\x89PNG\r\n\x1a\n"
    at, body, size = 8, b"", None
    while at < len(data):
        length, kind = struct.unpack_from(">I4s", data, at)
        content = data[at + 8 : at + 8 + length]
        assert zlib.crc32(kind + content) == struct.unpack_from(">I", data, at + 8 + length)[0]
        if kind == b"IHDR":
            size = struct.unpack(">IIBBBBB", content)
        elif kind == b"IDAT":
            body += content
        at += 12 + length
    assert size[2:] == (8, 2, 0, 0, 0)
    rows = np.frombuffer(zlib.decompress(body), np.uint8).reshape(size[1], -1)
    assert not rows[:, 0].any()
    return rows[:, 1:].reshape(size[1], size[0], 3)


def square_frame():
    """A slow red square in the upper right, drawn at a speed every scanner follows."""
    corners = np.array([[0.2, 0.2], [0.8, 0.2], [0.8, 0.8], [0.2, 0.8], [0.2, 0.2]])
    place = np.linspace(0, 4, 1200, endpoint=False)
    xy = np.c_[np.interp(place, range(5), corners[:, 0]), np.interp(place, range(5), corners[:, 1])]
    index = np.zeros(1200, np.int32)
    return Frame(xy, np.tile([0.1, 0.0, 0.0], (1200, 1)), np.zeros(1200, bool), index, index, 3e4)


def test_the_virtual_projector_draws_where_the_beam_is():
    """Lit pixels lie on the square in the upper right, in its colour, and nowhere else."""
    image = read_png(png(received(square_frame()), PROFILE, 200))
    lit = np.argwhere(image.any(axis=2))
    x, y = (lit[:, 1] + 0.5) / 100 - 1, 1 - (lit[:, 0] + 0.5) / 100
    edge = np.maximum(np.abs(x - 0.5), np.abs(y - 0.5))
    assert np.abs(edge - 0.3).max() < 0.03
    assert len(lit) > 4 * 55
    assert image[..., 0].max() == 255
    assert not image[..., 1:].any()
    assert not read_png(png(None, PROFILE, 50)).any()


def test_the_drawing_is_one_line_in_the_beam_s_colour():
    root = ElementTree.fromstring(svg(received(square_frame()), PROFILE))
    lines = root.findall(".//{*}polyline")
    assert [line.get("stroke") for line in lines] == ["rgb(255,0,0)"]
    points = np.array([p.split(",") for p in lines[0].get("points").split()], float)
    edge = np.abs(points - 0.5).max(axis=1)
    assert np.abs(edge - 0.3).max() < 0.03
    assert ElementTree.fromstring(svg(None, PROFILE)).findall(".//{*}polyline") == []


def test_the_page_shows_state_and_figures():
    with Receiver(port=0) as receiver:
        figures = receiver.figures()
    lit = page(received(square_frame()), PROFILE, figures, lit=True)
    dark = page(received(square_frame()), PROFILE, figures, lit=False)
    assert "polyline" in lit
    assert "<td>lit</td>" in lit
    assert "polyline" not in dark
    assert "<td>dark</td>" in dark
