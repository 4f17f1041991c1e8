# SPDX-License-Identifier: GPL-3.0-or-later
"""WAV files against bytes by hand from Microsoft's layouts, and against the standard library."""

from __future__ import annotations

import io
import struct
import sys
import wave

import numpy as np
import pytest
import strategies
from beamwright.core.errors import FormatError, OutputError, SettingError
from beamwright.core.frame import Frame
from beamwright.core.output import wav
from hypothesis import given
from hypothesis import strategies as st
from strategies import STEADY


def samples(xy, red, blanked, point_rate_hz=1000.0) -> Frame:
    count = len(xy)
    rgb = np.zeros((count, 3))
    rgb[:, 0] = red
    none = np.full(count, -1, np.int32)
    return Frame(np.array(xy, np.float64), rgb, np.array(blanked, bool), none, none, point_rate_hz)


def written(frames, **options) -> bytes:
    stream = io.BytesIO()
    writer = wav.WavWriter(stream, **options)
    for frame in frames:
        writer.append(frame)
    writer.finish()
    return stream.getvalue()


RAMP = samples([(-1, 0), (0, 0.5), (1, 1), (0, -1)], [0, 1, 0.5, 1], [True, False, False, True])


class TestBytes:
    def test_16_bit(self):
        raw = written([RAMP], fps=250.0, sample_rate_hz=1000, encoding="pcm16")
        # Multiple Channel Audio Data and WAVE Files (2001): extensible format of 40 bytes with
        # 22 more than the plain one, no channel mask, subformat PCM.
        assert raw == bytes.fromhex(
            "52494646 64000000 57415645"
            "666d7420 28000000 feff 0500 e8030000 10270000 0a00 1000 1600 1000 00000000"
            "01000000 0000 1000 8000 00aa00389b71"
            "64617461 28000000"
            "0180 0000 0000 0000 0000"
            "0000 0040 ff7f 0000 0000"
            "ff7f ff7f 0040 0000 0000"
            "0000 0180 0000 0000 0000"
        )

    def test_24_bit_is_three_bytes_little_endian_and_padded(self):
        one = samples([(1, -1)], [0.5], [False])
        raw = written([one], fps=1000.0, sample_rate_hz=1000, encoding="pcm24")
        assert raw[68:] == bytes.fromhex("ffff7f 010080 000040 000000 000000") + b"\0"
        assert struct.unpack("<I", raw[4:8])[0] == len(raw) - 8
        assert struct.unpack("<I", raw[64:68])[0] == 15

    def test_float(self):
        one = samples([(1, -1)], [0.5], [False])
        raw = written([one], fps=1000.0, sample_rate_hz=1000, encoding="float32")
        assert struct.unpack("<H", raw[44:46])[0] == 3
        assert struct.unpack("<5f", raw[68:]) == (1.0, -1.0, 0.5, 0.0, 0.0)

    @pytest.mark.skipif(
        sys.version_info < (3, 12), reason="wave reads the extensible format since Python 3.12"
    )
    @pytest.mark.parametrize(("encoding", "width"), [("pcm16", 2), ("pcm24", 3)])
    def test_standard_library_reads_it(self, encoding, width):
        raw = written([RAMP] * 3, fps=250.0, sample_rate_hz=1000, encoding=encoding)
        with wave.open(io.BytesIO(raw)) as reader:
            assert reader.getparams()[:4] == (5, width, 1000, 12)
            assert reader.readframes(12) == raw[68 : 68 + 12 * 5 * width]

    @pytest.mark.parametrize("width", [2, 3])
    def test_standard_library_writes_for_us(self, width):
        stream = io.BytesIO()
        with wave.open(stream, "wb") as writer:
            writer.setparams((5, width, 48000, 0, "NONE", ""))
            writer.writeframes((b"\0" * (width - 1) + b"\x40") * 10)
        signal = wav.read_stream(io.BytesIO(stream.getvalue()))
        assert signal.sample_rate_hz == 48000
        assert signal.channels.shape == (2, 5)
        np.testing.assert_allclose(signal.channels, 0.5, rtol=0, atol=2e-5)


class TestTime:
    def test_a_frame_is_repeated_until_the_next_is_due(self):
        # 4 points at 1000 a second; 25 frames a second leave room for ten repeats.
        raw = written([RAMP, samples([(0.5, 0.5)], [1], [False])], fps=25.0, sample_rate_hz=1000)
        channels = wav.read_stream(io.BytesIO(raw)).channels
        assert len(channels) == 80
        for repeat in range(10):
            np.testing.assert_allclose(
                channels[4 * repeat : 4 * repeat + 4, :2], RAMP.xy, atol=1e-6
            )
        np.testing.assert_allclose(channels[40:, :3], [[0.5, 0.5, 1.0]] * 40, atol=1e-6)

    def test_a_long_frame_is_never_cut_and_time_is_caught_up(self):
        long = samples(np.linspace([-1, -1], [1, 1], 100), np.ones(100), np.zeros(100))
        short = [samples([(x, 0)], [1], [False]) for x in (0.1, 0.2, 0.3, 0.4)]
        raw = written([long, *short], fps=25.0, sample_rate_hz=1000)
        channels = wav.read_stream(io.BytesIO(raw)).channels
        # 100 ms drawn in a slot of 40 ms: the next frame is left out, the third is shortened.
        assert len(channels) == 200
        np.testing.assert_allclose(channels[:100, :2], long.xy, atol=1e-6)
        np.testing.assert_allclose(
            channels[100:, 0], np.repeat([0.2, 0.3, 0.4], [20, 40, 40]), atol=1e-6
        )

    def test_positions_are_interpolated_and_colours_hold(self):
        raw = written([RAMP], fps=250.0, sample_rate_hz=2000, encoding="float32")
        channels = wav.read_stream(io.BytesIO(raw)).channels
        np.testing.assert_allclose(channels[:, 0], [-1, -1, -0.5, 0, 0.5, 1, 0.5, 0], atol=1e-6)
        np.testing.assert_allclose(channels[:, 2], [0, 0, 1, 1, 0.5, 0.5, 0, 0], atol=1e-6)

    @STEADY
    @given(
        st.lists(strategies.frames(), min_size=1, max_size=4),
        st.sampled_from([8000, 44100, 48000, 96000]),
    )
    def test_length_range_and_darkness(self, frames, rate):
        fps = 25.0
        raw = written(frames, fps=fps, sample_rate_hz=rate, encoding="float32")
        channels = wav.read_stream(io.BytesIO(raw)).channels
        longest = max(frame.duration_s for frame in frames)
        assert abs(len(channels) / rate - len(frames) / fps) <= longest / 2 + 2 / rate
        assert np.abs(channels).max() <= 1.0
        assert channels[:, 2:].min() >= 0.0
        if all(frame.blanked.all() for frame in frames):
            assert channels[:, 2:].max() == 0.0


class TestRoundTrip:
    @STEADY
    @given(strategies.frames(), st.sampled_from(["pcm16", "pcm24", "float32"]))
    def test_at_the_point_rate_samples_are_points(self, frame, encoding):
        step = {"pcm16": 1 / 32767, "pcm24": 1 / 8388607, "float32": 2**-23}[encoding]
        raw = written(
            [frame],
            fps=1.0 / frame.duration_s,
            sample_rate_hz=round(frame.point_rate_hz),
            encoding=encoding,
        )
        signal = wav.read_stream(io.BytesIO(raw))
        assert signal.encoding == encoding
        wanted = np.column_stack([frame.xy, frame.rgb])
        np.testing.assert_allclose(signal.channels, wanted, rtol=0, atol=step)


class TestRefusals:
    @pytest.mark.parametrize(
        "options",
        [{"encoding": "pcm8"}, {"sample_rate_hz": 0}, {"fps": 0.0}, {"fps": float("nan")}],
    )
    def test_settings(self, options):
        with pytest.raises(SettingError):
            wav.WavWriter(io.BytesIO(), **{"fps": 25.0, "sample_rate_hz": 48000, **options})

    def test_nothing_to_write(self):
        with pytest.raises(FormatError, match="at least one frame"):
            written([], fps=25.0, sample_rate_hz=48000)

    def test_no_numbers(self):
        with pytest.raises(FormatError, match="no numbers"):
            written([samples([(np.nan, 0)], [1], [False])], fps=25.0, sample_rate_hz=48000)

    def test_four_gibibytes(self):
        writer = wav.WavWriter(io.BytesIO(), fps=25.0, sample_rate_hz=1000, encoding="pcm16")
        writer.samples = 0xFFFFFFFF // 10 - 10
        writer.count = round(writer.samples / 1000 * 25)
        writer._elapsed_s = writer.samples / 1000
        with pytest.raises(FormatError, match="4 GiB"):
            writer.append(RAMP)

    GOOD = written([RAMP], fps=250.0, sample_rate_hz=1000)

    @pytest.mark.parametrize(
        "raw",
        [
            b"",
            b"RIFF",
            GOOD[:40],
            GOOD[:68],
            GOOD[:-1],
            GOOD[:22] + b"\0\0" + GOOD[24:],
            GOOD[:34] + b"\x08\0" + GOOD[36:],
            GOOD[:12] + GOOD[60:],
        ],
    )
    def test_broken_files(self, raw, tmp_path):
        path = tmp_path / "a.wav"
        path.write_bytes(raw)
        with pytest.raises(FormatError, match=r"a\.wav"):
            wav.read(path)
        with pytest.raises(OutputError):
            wav.read(tmp_path / "b.wav")

    @STEADY
    @given(st.integers(0, 75), st.integers(0, 255))
    def test_damaged_headers(self, place, value):
        raw = bytearray(self.GOOD)
        raw[place] = value
        try:
            signal = wav.read_stream(io.BytesIO(bytes(raw)))
        except FormatError:
            return
        assert np.isfinite(signal.channels).all()
