# SPDX-License-Identifier: GPL-3.0-or-later
"""Packets of the ILDA Digital Network: bytes written by hand, and a general network analyser.

The datagram of 71 bytes is one that the analyser's dissector (tshark 4.0, packet-idn)
accepts; codes and field positions are what it reads.
"""

import shutil
import struct
import subprocess
import xml.etree.ElementTree as ElementTree

import numpy as np
import pytest
from beamwright.core.errors import FormatError
from beamwright.core.live.cutting import frame_messages, samples_in, wave_messages
from beamwright.core.live.idn import (
    Acknowledgement,
    ChannelMessage,
    Chunk,
    Command,
    Configuration,
    Hello,
    Result,
    ScanResponse,
    Service,
    ServiceMap,
    ServiceMode,
)
from beamwright.core.live.samples import XYRGB, Dictionary, decode_samples, encode_samples
from hypothesis import given, settings
from hypothesis import strategies as st

BY_HAND = bytes.fromhex(
    "40000003"
    "0043c002000f4240"
    "04010102"
    "4200401042104010527e521451cc0000"
    "00008235"
    "d120d120000000" "2ee0d120ff0000" "2ee02ee000ff00" "d1202ee00000ff" "d120d120ffffff"
)  # fmt: skip


def by_hand_message():
    samples = bytes.fromhex(
        "d120d1200000002ee0d120ff00002ee02ee000ff00d1202ee00000ffd120d120ffffff"
    )
    return ChannelMessage(
        chunk=Chunk.FRAME,
        stamp_us=1_000_000,
        configuration=Configuration(service_id=1),
        duration_us=33_333,
        samples=samples,
    )


def test_encodes_the_datagram_written_by_hand():
    hello = Hello(Command.MESSAGE, 3, by_hand_message().encode())
    assert hello.encode().hex() == BY_HAND.hex()


def test_decodes_the_datagram_written_by_hand():
    hello = Hello.decode(BY_HAND)
    assert (hello.command, hello.sequence, hello.client_group) == (Command.MESSAGE, 3, 0)
    assert ChannelMessage.decode(hello.payload) == by_hand_message()
    xy, rgb = decode_samples(by_hand_message().samples, XYRGB)
    np.testing.assert_array_equal(
        np.rint(xy * 32767),
        [[-12000, -12000], [12000, -12000], [12000, 12000], [-12000, 12000], [-12000, -12000]],
    )
    np.testing.assert_array_equal(rgb, [[0, 0, 0], [1, 0, 0], [0, 1, 0], [0, 0, 1], [1, 1, 1]])


def test_room_in_a_datagram():
    """205 samples with a configuration and 208 without fit 1472 bytes."""
    assert samples_in(1472, Configuration(), sequel=False) == 205
    assert samples_in(1472, None, sequel=False) == 208
    assert XYRGB.sample_bytes == 7


@given(
    st.lists(
        st.tuples(*[st.floats(-1.0, 1.0)] * 2, *[st.floats(0.0, 1.0)] * 3), min_size=1, max_size=40
    )
)
@settings(max_examples=60, deadline=None, derandomize=True)
def test_samples_round_trip_to_half_a_step(rows):
    table = np.array(rows)
    xy, rgb = decode_samples(encode_samples(table[:, :2], table[:, 2:]), XYRGB)
    np.testing.assert_allclose(xy, table[:, :2], atol=0.5 / 32767 + 1e-12)
    np.testing.assert_allclose(rgb, table[:, 2:], atol=0.5 / 255 + 1e-12)
    assert encode_samples(xy, rgb) == encode_samples(table[:, :2], table[:, 2:])


@pytest.mark.parametrize("cut", [frame_messages, wave_messages])
@pytest.mark.parametrize("count", [1, 205, 206, 413, 414, 1000, 65535])
def test_cut_frames_join_again(cut, count):
    """All samples, in order, in datagrams that fit; stamps and durations add up."""
    rng = np.random.default_rng(count)
    samples = encode_samples(rng.uniform(-1, 1, (count, 2)), rng.uniform(0, 1, (count, 3)))
    messages = cut(samples, 123_457, 4_294_967_290, configuration=Configuration())
    decoded = [ChannelMessage.decode(m.encode()) for m in messages]
    assert decoded == [ChannelMessage(**{f: getattr(m, f) for f in m.__slots__}) for m in messages]
    assert b"".join(m.samples for m in decoded) == samples
    assert max(len(m.encode()) for m in messages) + 4 <= 1472
    assert all(len(m.samples) % 7 == 0 for m in messages)
    if cut is wave_messages:
        assert sum(m.duration_us for m in decoded) == 123_457
        stamp = 4_294_967_290
        for message in decoded:
            assert message.stamp_us == stamp
            stamp = (stamp + message.duration_us) % 2**32
    elif len(messages) > 1:
        assert [m.chunk for m in decoded] == [
            Chunk.FRAME_FIRST, *[Chunk.FRAME_SEQUEL] * (len(messages) - 1)
        ]  # fmt: skip
        assert [m.last for m in decoded] == [*[False] * (len(messages) - 1), True]
    assert decoded[0].configuration == Configuration()
    assert all(m.configuration is None for m in decoded[1:])


def test_small_replies_round_trip():
    scan = ScanResponse(bytes([7, 1]) + b"ABCDEF".ljust(14, b"\0"), "Left", occupied=True)
    assert len(scan.encode()) == 40
    assert scan.encode()[:4] == bytes([40, 0x10, 0x10, 0])
    assert ScanResponse.decode(scan.encode()) == scan
    services = ServiceMap((Service(1, 2, "Graphics"), Service(2, 1, "Waves", 1, 1)),
                          (Service(0, 0, "Relay", 0, 1),))  # fmt: skip
    assert services.encode()[:4] == bytes([4, 24, 1, 2])
    assert ServiceMap.decode(services.encode()) == services
    assert Acknowledgement(Result.OCCUPIED, 5).encode() == bytes([4, 0xEC, 0, 5])
    assert Acknowledgement.decode(bytes([4, 0xEC, 0, 5])) == Acknowledgement(Result.OCCUPIED, 5)


def changed(offset, value, data=BY_HAND):
    return data[:offset] + bytes([value]) + data[offset + 1 :]


@pytest.mark.parametrize(
    ("data", "word"),
    [
        # What the analyser's dissector does not notice.
        (BY_HAND + b"\0", "states"),
        (BY_HAND[:4] + struct.pack(">H", 70) + BY_HAND[6:], "states"),
        (changed(6, 0x40), "Bit 7"),
        (changed(1, 0x80), "Reserved"),
        (changed(13, 0x41), "Reserved"),
        (changed(32, 0x80), "Reserved"),
        (changed(32, 0x02), "Reserved"),
        (BY_HAND[:33] + b"\0\0\0" + BY_HAND[36:], "duration"),
        # And the rest.
        (b"", "bytes"),
        (BY_HAND[:3], "bytes"),
        (BY_HAND[:9], "bytes"),
        (changed(0, 0x77), "not known"),
        (changed(7, 0x10), "graphics"),
        (b"\x10\0\0\1x", "exactly"),
        (BY_HAND[:4] + struct.pack(">H", 32) + BY_HAND[6:36], "no samples"),
        (BY_HAND[:4] + struct.pack(">HBBI", 9, 0x80, 0, 0) + b"x", "void"),
        (BY_HAND[:4] + struct.pack(">HBBI", 12, 0xC0, 0, 0) + b"\xff\0\0\0", "dictionary"),
        (BY_HAND[:4] + struct.pack(">HBBI", 10, 0xC0, 0, 0) + b"\0\0", "configuration"),
        (BY_HAND[:4] + struct.pack(">HBBI", 10, 0x80, 2, 0) + b"\0\0", "chunk"),
    ],
)
def test_strict_decoder_refuses(data, word):
    with pytest.raises(FormatError, match=word):
        ChannelMessage.decode(Hello.decode(data).payload)


def test_stray_octets_after_the_samples_are_refused():
    with pytest.raises(FormatError, match="whole samples"):
        decode_samples(by_hand_message().samples + b"\0", XYRGB)


@pytest.mark.parametrize(
    ("kind", "data"),
    [
        (ScanResponse, bytes(39)),
        (ScanResponse, bytes([41]) + bytes(39)),
        (ScanResponse, bytes([40, 0x10, 0, 1]) + bytes(36)),
        (ScanResponse, bytes([40, 0x10, 2, 0]) + bytes(36)),
        (ScanResponse, bytes([40, 0x10, 0, 0, 16]) + bytes(35)),
        (ServiceMap, bytes([4, 24, 0, 1])),
        (ServiceMap, bytes([4, 23, 0, 0])),
        (ServiceMap, bytes([4, 24, 1, 0, 1]) + bytes(23)),
        (ServiceMap, bytes([4, 24, 0, 0, 0])),
        (Acknowledgement, bytes([4, 0, 0])),
        (Acknowledgement, bytes([5, 0, 0, 0])),
    ],
)
def test_broken_replies_are_refused(kind, data):
    with pytest.raises(FormatError):
        kind.decode(data)


def test_dictionaries_of_others():
    """16-bit z, a wavelength of its own, intensity, tags to pass over."""
    tags = (0x4200, 0x4010, 0x4210, 0x4010, 0x4220, 0x4010, 0x5276, 0x5214, 0x51BD, 0x5C10,
            0x4100, 0x1100, 0x0002, 0xFFFF, 0xFFFF, 0x4000)  # fmt: skip
    dictionary = Dictionary(tags)
    assert dictionary.sample_bytes == 11
    sample = struct.pack(">hhhBBBBB", 32767, -32767, 5, 255, 0, 255, 51, 99)
    xy, rgb = decode_samples(sample, dictionary)
    np.testing.assert_allclose(xy, [[1.0, -1.0]])
    np.testing.assert_allclose(rgb, [[0.2, 0.0, 0.2]])


@pytest.mark.parametrize("tags", [(0x4010,), (0x9999,), (0x4200, 0x2000)])
def test_unknown_dictionaries_are_refused(tags):
    with pytest.raises(FormatError):
        _ = Dictionary(tags).sample_bytes


@pytest.mark.parametrize("tags", [(0x4200, 0x527E), (), (0x4210, 0x0000)])
def test_a_graphic_needs_both_coordinates(tags):
    with pytest.raises(FormatError):
        decode_samples(bytes(4), Dictionary(tags))


def test_what_does_not_fit_is_not_sent():
    for duration in (0, 1 << 24):
        with pytest.raises(FormatError):
            ChannelMessage(chunk=Chunk.FRAME, duration_us=duration, samples=b"x").encode()
    with pytest.raises(FormatError):
        ChannelMessage(chunk=Chunk.FRAME_SEQUEL, samples=bytes(65_530)).encode()


@given(st.binary(max_size=120), st.booleans())
@settings(max_examples=300, deadline=None, derandomize=True)
def test_no_bytes_break_the_decoder(noise, mutate):
    """Any datagram is read or refused with a FormatError, nothing else."""
    data = noise
    if mutate and noise:
        place = noise[0] % len(BY_HAND)
        data = BY_HAND[:place] + noise[1:5] + BY_HAND[place + len(noise[1:5]) :]
    try:
        message = ChannelMessage.decode(Hello.decode(data).payload)
    except FormatError:
        return
    assert ChannelMessage.decode(message.encode()).samples == message.samples


# --- the network analyser ------------------------------------------------------------------

needs_tshark = pytest.mark.skipif(
    shutil.which("tshark") is None or shutil.which("text2pcap") is None,
    reason="tshark and text2pcap are not installed (Debian: apt-get install tshark)",
)


def dissect(tmp_path, datagrams):
    """Run the dissector over datagrams; return the PDML packets and their Info columns."""
    dump, capture = tmp_path / "dump.txt", tmp_path / "dump.pcap"
    dump.write_text(
        "".join(
            "".join(
                f"{at:06x} {' '.join(f'{b:02x}' for b in data[at : at + 16])}\n"
                for at in range(0, len(data), 16)
            )
            + "\n"
            for data in datagrams
        )
    )
    subprocess.run(
        ["text2pcap", "-q", "-u", "40000,7255", dump, capture], check=True, capture_output=True
    )
    pdml = subprocess.run(
        ["tshark", "-r", capture, "-T", "pdml"], check=True, capture_output=True, text=True
    ).stdout
    info = subprocess.run(
        ["tshark", "-r", capture, "-T", "fields", "-e", "_ws.col.Info", "-e", "_ws.malformed"],
        check=True, capture_output=True, text=True,
    ).stdout.splitlines()  # fmt: skip
    return ElementTree.fromstring(pdml).findall("packet"), info


FAULTS = ("malformed", "no valid configuration", "scwc is zero", "doesn't match", "unknown")


@pytest.fixture(scope="module")
def every_packet():
    """One of each kind that is ever sent, in an order that is a lawful session."""
    rng = np.random.default_rng(7)
    samples = encode_samples(rng.uniform(-1, 1, (700, 2)), rng.uniform(0, 1, (700, 3)))
    discrete = Configuration(service_id=1)
    wave = Configuration(mode=ServiceMode.GRAPHIC_CONTINUOUS)
    closing = Configuration(routing=False, close=True)
    scan = ScanResponse(bytes([7, 1]) + b"ABCDEF".ljust(14, b"\0"), "Left")
    packets = [
        (Command.PING_REQUEST, b""),
        (Command.SCAN_REQUEST, b""),
        (Command.SCAN_RESPONSE, scan.encode()),
        (Command.SERVICE_MAP_REQUEST, b""),
        (Command.SERVICE_MAP_RESPONSE, ServiceMap((Service(1, 2, "Graphics"),)).encode()),
        (Command.MESSAGE_ACKNOWLEDGE, frame_messages(samples[:700], 10_000, 0,
                                                     configuration=discrete)[0].encode()),
        (Command.ACKNOWLEDGEMENT, Acknowledgement().encode()),
        (Command.MESSAGE, frame_messages(samples[:700], 10_000, 10_000)[0].encode()),
        *((Command.MESSAGE, m.encode()) for m in
          frame_messages(samples, 23_333, 20_000, configuration=discrete)),
        (Command.MESSAGE, ChannelMessage(stamp_us=43_333, configuration=discrete).encode()),
        (Command.MESSAGE, ChannelMessage(stamp_us=44_000, configuration=closing).encode()),
        *((Command.MESSAGE, m.encode()) for m in
          wave_messages(samples, 23_333, 50_000, configuration=wave, channel=1)),
        (Command.CLOSE, ChannelMessage(stamp_us=80_000).encode()),
        (Command.CLOSE_ACKNOWLEDGE, ChannelMessage(stamp_us=80_001).encode()),
    ]  # fmt: skip
    return samples, [
        Hello(command, number, payload).encode()
        for number, (command, payload) in enumerate(packets)
    ]


@needs_tshark
def test_the_analyser_reads_every_packet_without_fault(tmp_path, every_packet):
    samples, datagrams = every_packet
    packets, info = dissect(tmp_path, datagrams)
    assert len(packets) == len(datagrams)
    for packet, line in zip(packets, info, strict=True):
        names = {proto.get("name") for proto in packet.findall("proto")}
        assert "idn" in names, line
        assert "_ws.malformed" not in names, line
        assert not any(fault in line.lower() for fault in FAULTS), line
        assert not packet.findall(".//field[@name='_ws.expert']"), line
    # The samples it reads are the ones that were sent.
    read = b"".join(
        bytes.fromhex(field.get("value"))
        for packet in packets[8:12]
        for field in packet.findall(".//field[@name='idn.gts_sample']")
    )
    assert read == samples


@needs_tshark
def test_the_analyser_would_have_complained(tmp_path):
    """The check above can fail: an unconfigured channel and a cut dictionary are reported."""
    lone = Hello(Command.MESSAGE, 1, frame_messages(bytes(7), 1000, 0)[0].encode()).encode()
    cut = BY_HAND[:20]
    packets, info = dissect(tmp_path, [lone, cut])
    assert "no valid configuration" in info[0].lower()
    assert "_ws.malformed" in {proto.get("name") for proto in packets[1].findall("proto")}
