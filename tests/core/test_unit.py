# SPDX-License-Identifier: GPL-3.0-or-later
"""The receiving unit without sockets: strict, bounded, dark without good cause."""

import sys
from dataclasses import replace

import numpy as np
import pytest
from beamwright.core.live.cutting import frame_messages, wave_messages
from beamwright.core.live.idn import (
    Acknowledgement,
    ChannelMessage,
    Chunk,
    Command,
    Configuration,
    Hello,
    Result,
    ScanResponse,
    ServiceMap,
    ServiceMode,
)
from beamwright.core.live.samples import Dictionary, encode_samples
from beamwright.core.live.unit import FAULT_KINDS_MAX, FRAME_BYTES_MAX, Unit
from hypothesis import given, settings
from hypothesis import strategies as st

HOME = ("127.0.0.1", 40000)
OTHER = ("127.0.0.1", 40001)
FRAME_US = 10_000


class Client:
    """A well-behaved client with a clock of its own."""

    def __init__(self, unit, address=HOME):
        self.unit, self.address = unit, address
        self.sequence = 0
        self.now = 100.0
        self.stamp = 0

    def send(self, message, command=Command.MESSAGE_ACKNOWLEDGE):
        """Send one message; return the result code, or None if none was asked for."""
        self.sequence = (self.sequence + 1) & 0xFFFF
        payload = message.encode() if isinstance(message, ChannelMessage) else message
        reply = self.unit.handle(
            Hello(command, self.sequence, payload).encode(), self.address, self.now
        )
        if reply is None:
            return None
        hello = Hello.decode(reply)
        assert (hello.command, hello.sequence) == (Command.ACKNOWLEDGEMENT, self.sequence)
        return Acknowledgement.decode(hello.payload).result

    def frame(self, samples, **changes):
        """Send one whole frame or all its fragments; return the last result."""
        result = None
        keywords = {"configuration": Configuration(), **changes}
        for message in frame_messages(samples, FRAME_US, self.stamp, **keywords):
            result = self.send(message)
        self.stamp += FRAME_US
        self.now += FRAME_US * 1e-6
        return result


def picture(count=300, level=1.0, seed=1):
    rng = np.random.default_rng(seed)
    return encode_samples(rng.uniform(-1, 1, (count, 2)), np.full((count, 3), level))


@pytest.fixture
def unit():
    return Unit(record_max=50)


@pytest.fixture
def client(unit):
    return Client(unit)


def test_a_frame_is_shown_and_repeated_until_silence(unit, client):
    """Lit from the frame on, dark once nothing good came for 200 ms."""
    assert not unit.lit_at(client.now)
    assert client.frame(picture()) == Result.ACCEPTED
    assert unit.lit_at(client.now + 0.15)
    assert not unit.lit_at(client.now + 0.2)
    assert unit.client is None
    assert unit.figures().losses == 1
    assert unit.dark_since_s is not None


@pytest.mark.parametrize("count", [1, 205, 206, 1000, 20_000])
def test_fragments_make_the_same_frame(unit, client, count):
    samples = picture(count)
    assert client.frame(samples) == Result.ACCEPTED
    received = unit.recorded[-1]
    assert encode_samples(received.xy, received.rgb) == samples
    assert received.duration_us == FRAME_US
    assert unit.figures().faults == {}


def test_a_frame_late_by_more_than_one_is_a_gap(unit, client):
    """Jitter is the difference of arrivals and stamps; a whole frame of it is a gap."""
    client.frame(picture())
    client.now += 0.004
    client.frame(picture())
    assert unit.figures().gaps == 0
    assert unit.figures().jitter.worst_ms == pytest.approx(4.0)
    client.now += 0.011
    client.frame(picture())
    assert unit.figures().gaps == 1


def test_closing_makes_dark(unit, client):
    client.frame(picture())
    closing = ChannelMessage(configuration=Configuration(routing=False, close=True))
    assert client.send(closing) == Result.ACCEPTED
    assert not unit.lit_at(client.now)
    client.frame(picture())
    assert client.send(ChannelMessage(), Command.CLOSE_ACKNOWLEDGE) == Result.ACCEPTED
    assert not unit.lit_at(client.now)
    assert unit.client is None
    assert client.send(b"", Command.CLOSE_ACKNOWLEDGE) == Result.NOT_CONNECTED
    assert unit.figures().faults == {}


def test_one_client_holds_the_session(unit, client):
    client.frame(picture(seed=1))
    shown = unit.picture()
    intruder = Client(unit, OTHER)
    intruder.now = client.now
    assert intruder.frame(picture(seed=2)) == Result.OCCUPIED
    assert unit.picture() is shown
    assert intruder.send(ChannelMessage(), Command.CLOSE_ACKNOWLEDGE) == Result.OCCUPIED
    assert unit.lit_at(client.now)
    intruder.now += 1.0
    assert intruder.frame(picture(seed=2)) == Result.ACCEPTED


def test_strangers_do_not_keep_it_lit(unit, client):
    """A flood from another address is no sign of life of the client."""
    client.frame(picture())
    start = client.now
    intruder = Client(unit, OTHER)
    for step in range(300):
        intruder.now = start + step * 0.001
        intruder.send(ChannelMessage(configuration=Configuration()), Command.MESSAGE)
        if intruder.now > start + 0.21:
            break
    frame = unit.picture()
    assert frame is None or not frame.lit


def test_rubbish_from_the_client_does_not_keep_it_lit(unit, client):
    client.frame(picture())
    start = client.now
    for step in range(250):
        client.now = start + step * 0.001
        client.send(b"\xff" * 30)
    assert not unit.lit_at(client.now)


def test_a_frame_drawn_once_goes_dark_after_it(unit, client):
    message = replace(
        frame_messages(picture(), FRAME_US, 0, configuration=Configuration())[0],
        chunk=Chunk.FRAME,
        once=True,
    )
    client.send(message)
    assert unit.lit_at(client.now + 0.009)
    assert not unit.lit_at(client.now + 0.011)


def test_a_wave_is_a_window_of_the_last_tenth_of_a_second(unit, client):
    wave = Configuration(mode=ServiceMode.GRAPHIC_CONTINUOUS)
    for turn in range(40):
        for message in wave_messages(
            picture(300, seed=turn), FRAME_US, turn * FRAME_US, configuration=wave
        ):
            assert client.send(message) == Result.ACCEPTED
        client.now += 0.01
    figures = unit.figures()
    assert figures.faults == {}
    assert figures.waves == 80
    assert 90_000 <= unit.picture().duration_us <= 110_000
    late = wave_messages(picture(), FRAME_US, 999_999, configuration=wave)[0]
    client.send(late)
    assert "wave chunk does not join" in str(unit.figures().faults)


def test_a_wave_that_ran_out_is_a_gap(unit, client):
    """What came ahead is drawn meanwhile; only when nothing is left has the light a gap."""
    wave = Configuration(mode=ServiceMode.GRAPHIC_CONTINUOUS)

    def turn(number):
        for message in wave_messages(
            picture(300, seed=number), FRAME_US, number * FRAME_US, configuration=wave
        ):
            assert client.send(message) == Result.ACCEPTED

    for number in range(4):  # 40 ms ahead
        turn(number)
    client.now += 0.039
    turn(4)
    assert unit.figures().gaps == 0
    client.now += 0.012
    turn(5)
    assert unit.figures().gaps == 1


@pytest.mark.parametrize(
    ("messages", "word"),
    [
        ([ChannelMessage(chunk=Chunk.FRAME, duration_us=9, samples=bytes(7))], "not configured"),
        ([ChannelMessage(configuration=Configuration(routing=False))], "routing"),
        ([ChannelMessage(configuration=Configuration(dictionary=Dictionary(())))], "x and y"),
        ([ChannelMessage(configuration=Configuration(mode=5))], "not laser graphics"),
        (
            [ChannelMessage(Chunk.FRAME, 0, 0, Configuration(data_match=2), 9, samples=bytes(7))],
            "another dictionary",
        ),
        (
            [ChannelMessage(Chunk.WAVE, 0, 0, Configuration(), 9, samples=bytes(7))],
            "service mode",
        ),
        (
            [ChannelMessage(Chunk.FRAME, 0, 0, Configuration(), 9, samples=bytes(8))],
            "whole samples",
        ),
        (
            [
                ChannelMessage(configuration=Configuration()),
                ChannelMessage(Chunk.FRAME_SEQUEL, samples=bytes(7)),
            ],
            "without a first",
        ),
        (
            [
                ChannelMessage(Chunk.FRAME_FIRST, 5, 0, Configuration(), 9, samples=bytes(7)),
                ChannelMessage(Chunk.FRAME_SEQUEL, 6, samples=bytes(7)),
            ],
            "mixed",
        ),
        (
            [
                ChannelMessage(Chunk.FRAME_FIRST, 5, 0, Configuration(), 9, samples=bytes(7)),
                ChannelMessage(Chunk.FRAME, 6, 0, None, 9, samples=bytes(7)),
            ],
            "not finished",
        ),
        (
            [
                ChannelMessage(configuration=Configuration()),
                ChannelMessage(
                    configuration=Configuration(
                        dictionary=Dictionary((0x4200, 0x4210, 0x527E, 0x0000))
                    )
                ),
            ],
            "match number",
        ),
        (
            [
                ChannelMessage(Chunk.FRAME, 9_000, 0, Configuration(), 9, samples=bytes(7)),
                ChannelMessage(Chunk.FRAME, 8_000, 0, None, 9, samples=bytes(7)),
            ],
            "backwards",
        ),
    ],
)
def test_faults_the_analyser_does_not_see(unit, client, messages, word):
    """The last message is refused, for its reason, and nothing is lit."""
    for message in messages[:-1]:
        assert client.send(message) == Result.ACCEPTED
    assert client.send(messages[-1]) == Result.INVALID_PAYLOAD
    assert word in str(unit.figures().faults)
    assert not unit.lit_at(client.now)


def test_a_repeated_sequence_number_is_noticed(unit, client):
    client.frame(picture())
    client.sequence -= 1
    client.frame(picture())
    assert "sequence number" in str(unit.figures().faults)


def test_questions_are_answered_without_a_session(unit):
    def ask(command, payload=b""):
        return Hello.decode(unit.handle(Hello(command, 77, payload, 3).encode(), OTHER, 0.0))

    echo = ask(Command.PING_REQUEST, b"hello")
    assert (echo.command, echo.sequence, echo.payload, echo.client_group) == (
        Command.PING_RESPONSE, 77, b"hello", 3,
    )  # fmt: skip
    scan = ScanResponse.decode(ask(Command.SCAN_REQUEST).payload)
    assert (scan.name, scan.occupied) == ("Virtual projector", False)
    services = ServiceMap.decode(ask(Command.SERVICE_MAP_REQUEST).payload).services
    assert [s.mode for s in services] == [ServiceMode.GRAPHIC_DISCRETE]
    assert unit.client is None


def test_memory_is_bounded(unit, client):
    """Endless fragments, channels, faults and frames leave bounded traces."""
    client.send(ChannelMessage(Chunk.FRAME_FIRST, 1, 0, Configuration(), 9, samples=bytes(7000)))
    refused = 0
    for _ in range(400):
        refused += (
            client.send(ChannelMessage(Chunk.FRAME_SEQUEL, 1, samples=bytes(7000)))
            == Result.INVALID_PAYLOAD
        )
    assert refused >= 400 - FRAME_BYTES_MAX // 7000
    for number in range(256):
        client.send(bytes([0, 20, number | 0x80, number, 0, 0, 0, 0]))
        client.unit.handle(bytes([number, 0, 0, 1]), OTHER, client.now)
    for number in range(300):
        client.send(b"\x00" * number)
    assert len(unit.figures().faults) <= FAULT_KINDS_MAX + 1
    for number in range(64):
        client.send(ChannelMessage(channel=number, configuration=Configuration()))
    for seed in range(120):
        client.frame(picture(50, seed=seed))
    assert len(unit.recorded) == 50
    assert sys.getsizeof(unit.figures().faults) < 20_000


@given(
    st.lists(
        st.tuples(
            st.sampled_from([HOME, OTHER]),
            st.floats(0.0, 0.05),
            st.one_of(
                st.binary(max_size=80),
                st.tuples(st.integers(0, 255), st.binary(max_size=60)).map(
                    lambda pair: bytes([pair[0], 0, 0, 1]) + pair[1]
                ),
                st.builds(
                    lambda chunk, channel, duration, samples, configured: Hello(
                        Command.MESSAGE_ACKNOWLEDGE, 5,
                        ChannelMessage(
                            chunk, 7, channel, Configuration() if configured else None,
                            duration, samples=samples,
                        ).encode(),
                    ).encode(),
                    st.sampled_from(list(Chunk)), st.integers(0, 63), st.integers(1, 1 << 20),
                    st.binary(max_size=56), st.booleans(),
                ),
            ),
        ),
        max_size=25,
    )
)  # fmt: skip
@settings(max_examples=150, deadline=None, derandomize=True)
def test_nothing_that_arrives_breaks_it(traffic):
    """Whatever comes, it answers or keeps silent, and silence makes it dark in 250 ms."""
    unit = Unit(record_max=5)
    now = 0.0
    for address, pause, data in traffic:
        now += pause
        reply = unit.handle(data, address, now)
        assert reply is None or Hello.decode(reply)
    assert not unit.lit_at(now + 0.25)
    assert unit.client is None
