# SPDX-License-Identifier: GPL-3.0-or-later
"""ILDA files against bytes written by hand from the layout of IDTF rev 011 (2014)."""

from __future__ import annotations

import io
import tracemalloc

import numpy as np
import pytest
from beamwright.core.errors import FormatError, OutputError, SettingError
from beamwright.core.frame import Frame
from beamwright.core.output import ilda
from beamwright.core.output.ilda_check import FINDINGS_PER_RULE, Severity, check_stream
from beamwright.core.output.ilda_layout import Header, decode_text, encode_text
from beamwright.core.output.palette import DEFAULT_PALETTE, OwnPalette, nearest_hue
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp
from strategies import STEADY

# Section header of the format's layout: signature, three reserved bytes, code, name, company,
# records, number, total, projector, reserved byte.
TWO_POINTS = bytes.fromhex(
    "494c4441 000000 05 5445535400000000 4f52470000000000 0002 0000 0001 00 00"
    "8000 7fff 40 000000"
    "0000 ffff 80 030201"
    "494c4441 000000 05" + "00" * 24
)


def frame(xy, rgb, blanked) -> Frame:
    count = len(xy)
    return Frame(
        xy=np.array(xy, np.float64).reshape(count, 2),
        rgb=np.array(rgb, np.float64).reshape(count, 3),
        blanked=np.array(blanked, bool),
        stroke=np.full(count, -1, np.int32),
        object_index=np.full(count, -1, np.int32),
        point_rate_hz=30000.0,
    )


def written(pictures, **options) -> bytes:
    stream = io.BytesIO()
    writer = ilda.SequenceWriter(stream, **options)
    for picture in pictures:
        writer.append(picture)
    writer.finish()
    return stream.getvalue()


def rules(raw: bytes, severity: Severity = Severity.ERROR) -> list[str]:
    return [
        finding.rule for finding in check_stream(io.BytesIO(raw)) if finding.severity is severity
    ]


SQUARE = frame(
    [(-1, -1), (-1, 1), (1, 1), (-1, -1)],
    [(0, 0, 0), (1, 0, 0), (0, 1, 0), (0, 0, 0)],
    [True, False, False, True],
)


class TestBytes:
    def test_two_points_of_format_5(self):
        picture = frame(
            [(-1.0, 1.0), (0.0, -1.0 / 32767.0)],
            [(0.9, 0.9, 0.9), (1 / 255, 2 / 255, 3 / 255)],
            [True, False],
        )
        expected = bytearray(TWO_POINTS)
        expected[32:34] = bytes.fromhex("8001")  # we never write -32768
        assert written([picture], name="TEST", company="ORG") == bytes(expected)

    def test_two_points_read_back(self):
        (picture,) = ilda.frames_of(io.BytesIO(TWO_POINTS))
        assert picture.xyz.tolist() == [[-32768, 32767, 0], [0, -1, 0]]
        assert picture.rgb.tolist() == [[0, 0, 0], [1, 2, 3]]
        assert picture.blanked.tolist() == [True, False]
        assert (picture.number, picture.total, picture.projector) == (0, 1, 0)
        assert (picture.name, picture.company) == ("TEST", "ORG")
        assert picture.samples(12000.0).xy.tolist() == [[-1.0, 1.0], [0.0, -1.0 / 32767.0]]

    def test_three_dimensions_in_true_colour(self):
        raw = written([SQUARE], format_code=4, name="N", company="C", projector=7)
        assert raw == bytes.fromhex(
            "494c4441 000000 04 4e00000000000000 4300000000000000 0004 0000 0001 07 00"
            "8001 8001 0000 40 000000"
            "8001 7fff 0000 00 0000ff"
            "7fff 7fff 0000 00 00ff00"
            "8001 8001 0000 c0 000000"
            "494c4441 000000 04" + "00" * 24
        )

    def test_indexed_colours_of_the_standard(self):
        raw = written([SQUARE], format_code=1, name="N", company="C", palette="standard")
        assert raw == bytes.fromhex(
            "494c4441 000000 01 4e00000000000000 4300000000000000 0004 0000 0001 00 00"
            "8001 8001 40 00"
            "8001 7fff 00 00"  # red is index 0
            "7fff 7fff 00 18"  # green is index 24
            "8001 8001 c0 00"
            "494c4441 000000 01" + "00" * 24
        )

    def test_own_palette_comes_first(self):
        raw = written([SQUARE], format_code=0, name="N", company="C")
        assert raw == bytes.fromhex(
            "494c4441 000000 02 4e00000000000000 4300000000000000 0003 0000 0000 00 00"
            "000000 00ff00 ff0000"
            "494c4441 000000 00 4e00000000000000 4300000000000000 0004 0000 0001 00 00"
            "8001 8001 0000 40 00"
            "8001 7fff 0000 00 02"
            "7fff 7fff 0000 00 01"
            "8001 8001 0000 c0 00"
            "494c4441 000000 00" + "00" * 24
        )

    @pytest.mark.parametrize(("code", "size"), [(0, 8), (1, 6), (4, 10), (5, 8)])
    def test_file_size(self, code, size):
        pictures = [SQUARE, SQUARE, SQUARE]
        assert len(written(pictures, format_code=code, palette="standard")) == (
            32 * 4 + 3 * 4 * size
        )

    def test_totals_are_patched_into_every_header(self):
        frames = list(ilda.frames_of(io.BytesIO(written([SQUARE] * 300))))
        assert [picture.number for picture in frames] == list(range(300))
        assert {picture.total for picture in frames} == {300}

    def test_coordinates_round_and_saturate(self):
        values = [0.0, 0.5 / 32767, 0.51 / 32767, 1.0, 1.5, -1.0, -7.0, 32766.5 / 32767]
        picture = frame([(v, -v) for v in values], np.ones((8, 3)), np.zeros(8, bool))
        (back,) = ilda.frames_of(io.BytesIO(written([picture])))
        assert back.xyz[:, 0].tolist() == [0, 0, 1, 32767, 32767, -32767, -32767, 32766]
        assert back.xyz[:, 1].tolist() == [0, 0, -1, -32767, -32767, 32767, 32767, -32766]

    def test_no_samples_become_one_blanked_point(self):
        empty = frame(np.zeros((0, 2)), np.zeros((0, 3)), np.zeros(0))
        raw = written([empty])
        assert raw[32:40] == bytes.fromhex("0000 0000 c0 000000")
        assert check_stream(io.BytesIO(raw)) == []


class TestRefusals:
    def test_too_many_points(self):
        count = 65536
        picture = frame(np.zeros((count, 2)), np.zeros((count, 3)), np.ones(count))
        with pytest.raises(FormatError, match=r"65536 points.*65535"):
            written([picture])
        biggest = frame(np.zeros((65535, 2)), np.zeros((65535, 3)), np.ones(65535))
        assert rules(written([biggest])) == []

    @pytest.mark.parametrize("value", [np.nan, np.inf])
    def test_no_numbers(self, value):
        with pytest.raises(FormatError, match="no numbers"):
            written([frame([(value, 0.0)], [(0, 0, 0)], [True])])

    def test_too_many_frames(self):
        writer = ilda.SequenceWriter(io.BytesIO())
        writer.count = 65535
        with pytest.raises(FormatError, match="65535 frames"):
            writer.append(SQUARE)

    def test_no_frames(self):
        with pytest.raises(FormatError, match="at least one frame"):
            written([])

    @pytest.mark.parametrize(
        "options", [{"format_code": 2}, {"format_code": 3}, {"projector": 256}, {"palette": "x"}]
    )
    def test_settings(self, options):
        with pytest.raises(SettingError):
            ilda.SequenceWriter(io.BytesIO(), **options)

    def test_missing_file(self, tmp_path):
        for reader in (ilda.read, ilda.check):
            with pytest.raises(OutputError, match=r"no\.ild can't be read"):
                reader(tmp_path / "no.ild")


pictures = st.integers(1, 30).flatmap(
    lambda count: st.builds(
        frame,
        hnp.arrays(np.float64, (count, 2), elements=st.floats(-1.2, 1.2)),
        hnp.arrays(np.float64, (count, 3), elements=st.floats(0, 1)),
        hnp.arrays(bool, count),
    )
)


class TestRoundTrip:
    @STEADY
    @given(st.lists(pictures, min_size=1, max_size=4), st.sampled_from((0, 1, 4, 5)))
    def test_write_then_read(self, sequence, code):
        raw = written(sequence, format_code=code)
        assert rules(raw) == []
        back = list(ilda.frames_of(io.BytesIO(raw)))
        assert len(back) == len(sequence)
        for old, new in zip(sequence, back, strict=True):
            samples = new.samples(30000.0)
            np.testing.assert_allclose(
                samples.xy, np.clip(old.xy, -1, 1), rtol=0, atol=0.5000001 / 32767
            )
            wanted = np.where(old.blanked[:, None], 0.0, old.rgb)
            np.testing.assert_allclose(samples.rgb, wanted, rtol=0, atol=0.5000001 / 255)
            # Dark is what was blanked, or so dim that it is black in eight bits.
            black = np.rint(wanted * 255).max(axis=1) == 0
            np.testing.assert_array_equal(samples.blanked, black)

    @STEADY
    @given(st.lists(pictures, min_size=1, max_size=3), st.sampled_from((0, 1)))
    def test_standard_palette_keeps_blanking(self, sequence, code):
        raw = written(sequence, format_code=code, palette="standard")
        assert rules(raw) == []
        for old, new in zip(sequence, ilda.frames_of(io.BytesIO(raw)), strict=True):
            wanted = np.where(old.blanked[:, None], 0.0, old.rgb)
            np.testing.assert_array_equal(new.blanked, np.rint(wanted * 255).max(axis=1) == 0)

    def test_through_a_file(self, tmp_path):
        path = tmp_path / "deep" / "a.ild"
        assert ilda.write(path, [SQUARE, SQUARE], name="Graphics and more") == 2
        frames = ilda.read(path, strict=True)
        assert [picture.name for picture in frames] == ["Graphics", "Graphics"]
        assert [item.name for item in path.parent.iterdir()] == ["a.ild"]


class TestPalette:
    def test_suggested_palette(self):
        # IDTF rev 011, suggested default palette: the ends of its ramps, and the entry off them.
        expected = {
            0: (255, 0, 0),
            15: (255, 240, 0),
            16: (255, 255, 0),
            23: (32, 255, 0),
            24: (0, 255, 0),
            30: (0, 255, 219),
            31: (0, 255, 255),
            38: (0, 56, 255),
            39: (0, 28, 255),
            40: (0, 0, 255),
            47: (224, 0, 255),
            48: (255, 0, 255),
            55: (255, 224, 255),
            56: (255, 255, 255),
            63: (255, 32, 32),
        }
        assert len(DEFAULT_PALETTE) == 64
        assert {index: tuple(DEFAULT_PALETTE[index].tolist()) for index in expected} == expected

    def test_entries_are_their_own_nearest(self):
        assert nearest_hue(DEFAULT_PALETTE).tolist() == list(range(64))

    def test_dim_colours_keep_their_hue(self):
        dim = np.array([(40, 40, 40), (30, 0, 0), (0, 0, 9), (0, 0, 0)], np.uint8)
        assert nearest_hue(dim).tolist() == [56, 0, 40, 0]

    def test_grows_until_it_is_full(self):
        palette = OwnPalette()
        ramp = np.arange(1, 256, dtype=np.uint8)
        reds = np.column_stack([ramp, 0 * ramp, 0 * ramp])
        index, changed = palette.indices(reds)
        assert changed
        np.testing.assert_array_equal(palette.colours[index], reds)
        assert not palette.indices(reds[:7])[1]
        index, changed = palette.indices(np.array([(0, 1, 0)], np.uint8))
        assert changed
        assert palette.colours[index].tolist() == [[0, 1, 0]]
        assert len(palette.colours) == 2

    def test_thousands_of_colours_are_reduced(self):
        rng = np.random.default_rng(5)
        colours = rng.integers(0, 256, (3000, 3)).astype(np.uint8)
        colours[0] = 0
        palette = OwnPalette()
        index, _ = palette.indices(colours)
        assert 200 < len(palette.colours) <= 256
        error = np.abs(palette.colours[index].astype(int) - colours).max(axis=1)
        # 255 boxes of equal count in a cube of 256 have sides of 256 / 255^(1/3), about 41.
        assert np.median(error) < 41
        assert palette.colours[index[0]].tolist() == [0, 0, 0]


class TestLenientReading:
    def test_missing_end_header_and_trailing_bytes(self):
        raw = written([SQUARE])
        assert len(list(ilda.frames_of(io.BytesIO(raw[:-32])))) == 1
        assert len(list(ilda.frames_of(io.BytesIO(raw + b"more")))) == 1

    def test_spaces_numbers_from_one_and_no_total(self):
        raw = bytearray(written([SQUARE]))
        raw[8:16] = b"AB      "
        raw[26:30] = bytes([0, 1, 0, 0])
        (picture,) = ilda.frames_of(io.BytesIO(bytes(raw)))
        assert (picture.name, picture.number, picture.total) == ("AB", 1, 0)

    def test_code_3_is_skipped_by_its_length(self):
        strange = Header(3, bytes(8), bytes(8), 5, 0, 0, 0).pack() + bytes(15)
        assert len(list(ilda.frames_of(io.BytesIO(strange + written([SQUARE]))))) == 1

    def test_last_point_bit_is_not_trusted(self):
        raw = bytearray(written([SQUARE]))
        raw[32 + 4] |= 0x80
        assert len(next(ilda.frames_of(io.BytesIO(bytes(raw))))) == 4

    def test_index_beyond_the_palette_is_white(self):
        raw = bytearray(written([SQUARE], format_code=1, palette="standard"))
        raw[32 + 6 + 5] = 200
        (picture,) = ilda.frames_of(io.BytesIO(bytes(raw)))
        assert picture.rgb[1].tolist() == [255, 255, 255]

    @pytest.mark.parametrize("cut", [1, 31, 33, 63])
    def test_truncated(self, cut):
        with pytest.raises(FormatError, match="the file ends"):
            list(ilda.frames_of(io.BytesIO(written([SQUARE])[:cut])))

    def test_files_are_named(self, tmp_path):
        path = tmp_path / "bad.ild"
        path.write_bytes(b"JPEG" * 20)
        with pytest.raises(FormatError, match=r"bad\.ild is no sound ILDA file.*byte 0"):
            ilda.read(path)
        path.write_bytes(b"")
        with pytest.raises(FormatError, match="holds no frame"):
            ilda.read(path)
        path.write_bytes(written([SQUARE])[:-32])
        assert len(ilda.read(path)) == 1
        with pytest.raises(FormatError, match=r"breaks the ILDA format.*byte 64"):
            ilda.read(path, strict=True)


def changed(raw: bytes, *patches: tuple[int, int]) -> bytes:
    result = bytearray(raw)
    for offset, value in patches:
        result[offset] = value
    return bytes(result)


GOOD = written([SQUARE, SQUARE])
INDEXED = written([SQUARE], format_code=1, palette="standard")
PALETTE = written([SQUARE], format_code=1)
SECOND = 32 + 4 * 8


class TestCheck:
    @pytest.mark.parametrize("raw", [GOOD, INDEXED, PALETTE, TWO_POINTS])
    def test_sound_files(self, raw):
        assert rules(raw) == []

    @pytest.mark.parametrize(
        ("raw", "rule", "offset"),
        [
            (b"", "empty", 0),
            (changed(GOOD, (0, 0x58)), "signature", 0),
            (changed(GOOD, (5, 1)), "reserved-byte", 5),
            (changed(GOOD, (31, 9)), "reserved-byte", 31),
            (changed(GOOD, (7, 9)), "format-code", 7),
            (changed(GOOD, (8, 0xE4)), "text", 8),
            (changed(GOOD, (SECOND + 27, 0)), "frame-number", SECOND + 26),
            (changed(GOOD, (27, 1)), "frame-number", 26),
            (changed(GOOD, (SECOND + 29, 3)), "total", SECOND + 28),
            (changed(GOOD, (29, 3), (SECOND + 29, 3)), "total", 28),
            (changed(GOOD, (29, 0), (SECOND + 29, 0)), "total", 28),
            (changed(GOOD, (32 + 3 * 8 + 4, 0x40)), "last-point", 32 + 3 * 8 + 4),
            (changed(GOOD, (32 + 8 + 4, 0x80)), "last-point", 32 + 8 + 4),
            (changed(GOOD, (32 + 8 + 4, 0x01)), "reserved-bits", 32 + 8 + 4),
            (GOOD[:-32], "end-header", len(GOOD) - 32),
            (GOOD[:-1], "truncated", len(GOOD) - 32),
            (GOOD[:-40], "truncated", len(GOOD) - 40),
            (GOOD + b"xyz", "trailing-bytes", len(GOOD)),
            (GOOD[-32:], "no-frames", 0),
            (changed(INDEXED, (32 + 6 + 5, 64)), "palette-index", 32 + 6 + 5),
            (changed(PALETTE, (29, 1)), "palette-total", 28),
            (changed(PALETTE, (32 + 9 + 32 + 6 + 5, 3)), "palette-index", 32 + 9 + 32 + 6 + 5),
        ],
    )
    def test_what_breaks_the_standard(self, raw, rule, offset):
        found = check_stream(io.BytesIO(raw))
        errors = [finding for finding in found if finding.severity is Severity.ERROR]
        assert (errors[0].rule, errors[0].offset) == (rule, offset)
        assert errors[0].message.endswith(".")

    def test_palette_of_one_colour(self):
        raw = Header(2, bytes(8), bytes(8), 1, 0, 0, 0).pack() + bytes(3) + INDEXED
        assert "palette-size" in rules(raw)

    def test_code_3_is_not_of_the_standard(self):
        strange = Header(3, bytes(8), bytes(8), 5, 0, 0, 0).pack() + bytes(15)
        assert rules(strange + GOOD) == ["format-code"]

    @pytest.mark.parametrize(
        ("raw", "rule"),
        [
            (changed(GOOD, (32 + 4, 0), (32 + 7, 255)), "start-lit"),
            (changed(GOOD, (32 + 3 * 8 + 4, 0x80), (32 + 3 * 8 + 7, 255)), "end-lit"),
            (changed(GOOD, (32 + 7, 255)), "blanked-colour"),
            (changed(GOOD, (32 + 3 * 8, 0)), "open-frame"),
            (changed(GOOD, (8, 0x41)), "names-vary"),
            (changed(GOOD, (10, 0x41), (SECOND + 10, 0x41)), "text-padding"),
            (PALETTE[: 32 + 9] + GOOD, "palette-unused"),
        ],
    )
    def test_what_breaks_common_practice(self, raw, rule):
        assert rules(raw) == []
        assert rule in rules(raw, Severity.WARNING)

    def test_projectors_are_counted_apart(self):
        first, second = written([SQUARE], projector=1), written([SQUARE], projector=2)
        assert rules(first[:-32] + second) == []

    def test_repeated_findings_are_counted(self):
        raw = bytearray(written([SQUARE] * 50))
        for number in range(50):
            raw[number * SECOND + 4] = 1
        found = check_stream(io.BytesIO(bytes(raw)))
        assert len(found) == FINDINGS_PER_RULE + 1
        assert "30 more" in found[-1].message


class TestHostileBytes:
    @STEADY
    @given(st.binary(max_size=400))
    def test_noise(self, raw):
        self.survive(raw)

    @STEADY
    @given(
        st.sampled_from([GOOD, INDEXED, PALETTE, written([SQUARE], format_code=4)]),
        st.lists(st.tuples(st.integers(0, 90), st.integers(0, 255)), max_size=6),
        st.integers(0, 300),
    )
    def test_damaged_files(self, raw, patches, cut):
        self.survive(changed(raw, *((min(at, len(raw) - 1), byte) for at, byte in patches))[:cut])

    @staticmethod
    def survive(raw: bytes) -> None:
        errors = rules(raw)
        try:
            frames = list(ilda.frames_of(io.BytesIO(raw)))
        except FormatError:
            assert errors
        else:
            assert all(len(picture) for picture in frames)

    def test_a_header_claims_no_memory(self):
        raw = Header(4, bytes(8), bytes(8), 65535, 0, 1, 0).pack() * 200
        tracemalloc.start()
        rules(raw)
        assert tracemalloc.get_traced_memory()[1] < 4_000_000
        tracemalloc.stop()


@given(st.text(max_size=12))
@STEADY
def test_names_fit_eight_bytes(text):
    raw = encode_text(text)
    assert len(raw) == 8
    plain = all(" " <= letter <= "~" for letter in text)
    if plain:
        assert decode_text(raw) == text[:8].rstrip()
