# SPDX-License-Identifier: GPL-3.0-or-later
"""Pictures of the proof film: light where the beam is, once for each projector, and its files."""

from __future__ import annotations

import json
import sys
import zlib
from dataclasses import replace

import numpy as np
import pytest
from beamwright.core.errors import HostError, OutputError, SettingError
from beamwright.core.frame import Frame
from beamwright.core.points.aim import projected
from beamwright.core.points.plan import plan_strokes
from beamwright.core.points.projector import Aim, Projector
from beamwright.core.proof_video import EncodeRequest, FilmMaker, StagePainter, Video, encode, png
from beamwright.core.strokes import Strokes

RED = (1.0, 0.0, 0.0)
GREEN = (0.0, 1.0, 0.0)
LINE = np.array([(-0.7, 0.25), (0.6, 0.25)])
AIM = Aim(scale_x=0.8, scale_y=-0.6, rotation_rad=0.3, offset_x=0.1, offset_y=-0.05,
          corners=((-1.0, -1.0), (0.9, -0.95), (1.0, 0.9), (-0.95, 1.0)))  # fmt: skip


def planned(projector, *lines, colour=RED):
    strokes = Strokes.from_polylines(list(lines), colour=np.array([colour] * len(lines)))
    return plan_strokes(projected(strokes, projector.aim), [], unaimed(projector)).frame


def unaimed(projector):
    """The planner aims by itself; here the strokes are aimed already."""
    return replace(projector, aim=Aim(scale_x=1.0, scale_y=1.0))


def lit_pixels(picture, channel):
    rows, columns = np.nonzero(picture[:, :, channel] > 40)
    return np.stack([columns, rows], axis=1)


def test_all_projectors_lie_in_one_picture_whatever_their_aim():
    """A line drawn by two projectors with different aims is seen at one place, in its colours."""
    plain = Projector(name="Plain", aim=Aim(scale_x=1.0, scale_y=1.0))
    askew = Projector(name="Askew", aim=AIM)
    painter = StagePainter([plain, askew], (1.0, 0.5625), 640)
    assert (painter.width, painter.height) == (640, 360)
    frames = {
        "Plain": planned(plain, LINE, colour=RED),
        "Askew": planned(askew, LINE, colour=GREEN),
    }
    picture = painter.paint(frames)
    assert picture.shape == (360, 640, 3)
    scale = 320 / 1.02
    wanted = LINE * (scale, -scale) + (319.5, 179.5)
    for channel in (0, 1):
        seen = lit_pixels(picture, channel)
        assert len(seen) > 300
        assert abs(seen[:, 1] - wanted[0, 1]).max() < 4.0
        assert abs(seen[:, 0].min() - wanted[0, 0]) < 6.0
        assert abs(seen[:, 0].max() - wanted[1, 0]) < 6.0
    assert not picture[:, :, 2].any()


def test_light_falls_only_near_the_samples():
    projector = Projector(name="P", aim=Aim(scale_x=1.0, scale_y=1.0))
    circle = np.stack([np.cos(np.linspace(0, 6.2, 60)), np.sin(np.linspace(0, 6.2, 60))], 1) * 0.5
    frame = planned(projector, circle, LINE)
    painter = StagePainter([projector], longer_side=320)
    picture = painter.paint({"P": frame})
    samples = painter.to_pixels("P", frame.xy[~frame.blanked])
    rows, columns = np.nonzero(picture.max(axis=2) > 40)
    pixels = np.stack([columns, rows], axis=1)
    apart = np.abs(pixels[:, None, :] - samples[None, :, :]).max(axis=2)
    assert apart.min(axis=1).max() < 8.0
    assert apart.min(axis=0).max() < 4.0


def test_light_is_time():
    """Half the time on each line is half the light: a picture of twice the samples is dimmer."""
    projector = Projector(name="P", aim=Aim(scale_x=1.0, scale_y=1.0))
    painter = StagePainter([projector], longer_side=320)
    few = planned(projector, LINE)
    dark = Frame.dark(few.point_rate_hz, tuple(few.xy[-1]))
    many = Frame(
        *(np.concatenate([getattr(few, name), np.repeat(getattr(dark, name), 3 * len(few), axis=0)])
          for name in ("xy", "rgb", "blanked", "stroke", "object_index")),
        few.point_rate_hz,
    )  # fmt: skip
    full, quarter = (painter.paint({"P": frame}).astype(int).max() for frame in (few, many))
    middle = painter.paint({"P": few})[:, 160, 0].max(), painter.paint({"P": many})[:, 160, 0].max()
    assert full >= quarter
    assert middle[0] > middle[1] + 30


def test_dark_frames_and_light_outside_the_picture():
    projector = Projector(name="P", aim=Aim(scale_x=1.0, scale_y=1.0))
    painter = StagePainter([projector], (1.0, 0.25), 128)
    assert painter.paint({"P": Frame.dark(30000.0)}).shape == (32, 128, 3)
    assert not painter.paint({"P": Frame.dark(30000.0)}).any()
    assert not painter.paint({}).any()
    high = np.array([(-0.5, 0.9), (0.5, 0.9)])
    assert not painter.paint({"P": planned(projector, high)}).any()


def test_png_holds_the_picture():
    """Chunks and filter 0 rows as in ISO/IEC 15948."""
    picture = np.arange(2 * 3 * 3, dtype=np.uint8).reshape(2, 3, 3)
    raw = png(picture)
    assert raw[:8] == b"\x89PNG\r\n\x1a\n"
    assert raw[8:33] == (
        b"\0\0\0\x0dIHDR\0\0\0\x03\0\0\0\x02\x08\x02\0\0\0"
        + zlib.crc32(raw[12:29]).to_bytes(4, "big")
    )
    size = int.from_bytes(raw[33:37], "big")
    assert raw[37:41] == b"IDAT"
    rows = np.frombuffer(zlib.decompress(raw[41 : 41 + size]), np.uint8).reshape(2, 10)
    assert not rows[:, 0].any()
    assert (rows[:, 1:].reshape(2, 3, 3) == picture).all()
    assert raw[-12:] == b"\0\0\0\0IEND\xaeB`\x82"


@pytest.mark.parametrize("name", ["folder/film.mp4", "film.gif", "film", "../film.mp4"])
def test_a_name_that_can_not_be(name):
    with pytest.raises(SettingError, match="film"):
        Video(name, lambda text: ())


@pytest.mark.parametrize("size", [10, 5000])
def test_a_size_that_can_not_be(size):
    with pytest.raises(SettingError, match="64 to 4096"):
        Video("film.mp4", lambda text: (), size)


REQUEST = EncodeRequest("folder", 3, 64, 64, 25, 1, "", "film.mp4")


def program(text):
    return lambda request: (sys.executable, "-c", text)


def test_what_the_encoder_tells():
    said = "print('Read blend'); print('{\"frames\": 2}'); print('{\"done\": true}')"
    assert list(encode(REQUEST, program(said))) == [2]


def test_an_encoder_that_fails():
    with pytest.raises(OutputError, match="no room here"):
        list(encode(REQUEST, program('print(\'{"error": "no room here"}\')')))
    with pytest.raises(HostError, match=r"by itself.*out of luck"):
        list(encode(REQUEST, program("import sys; sys.exit('out of luck')")))
    with pytest.raises(HostError, match="can't be started"):
        list(encode(REQUEST, lambda text: ("/no/such/program",)))


def test_a_film_that_is_given_up_leaves_nothing(tmp_path):
    """Closing ends the encoder; leaving the block takes its pictures."""
    seen = tmp_path / "request.json"
    forever = (
        f"import sys, time; open({str(seen)!r}, 'w').write(sys.argv[1]); "
        "print('{\"frames\": 1}', flush=True); time.sleep(600)"
    )
    projector = Projector(name="P")
    video = Video("film.mkv", lambda text: (sys.executable, "-c", forever, text), 64)
    with FilmMaker(StagePainter([projector], longer_side=64), 29.97, video) as maker:
        maker.append({"P": Frame.dark(30000.0)})
        folder = maker.file.parent
        steps = maker.finish(None)
        assert next(steps) == 1
        steps.close()
        request = EncodeRequest.from_json(seen.read_text())
        assert (request.count, request.width, request.height) == (1, 64, 64)
        assert (request.rate, request.base) == (2997, 100)
        assert json.loads(seen.read_text())["target"].endswith("film.mkv")
        assert (folder / "000000.png").is_file()
    assert not folder.exists()
