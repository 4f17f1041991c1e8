# SPDX-License-Identifier: GPL-3.0-or-later
"""A sample show over the wire: what arrives is the rendered file, point by point."""

import time
from pathlib import Path

import numpy as np
import pytest
from beamwright.addon.command import BlenderHost
from beamwright.core import cli
from beamwright.core.live.receiver import Receiver
from beamwright.core.live.samples import encode_samples
from beamwright.core.output import ilda
from beamwright.core.report import tables
from beamwright.core.show import work

SHOW = Path(__file__).parents[2] / "sample_scenes" / "harbour_show.blend"
FIRST, LAST = 92, 103
"""Two scenes of the show and the beginning of the fade between them; the title lies above."""


def beamwright(*arguments):
    with BlenderHost(inside=True) as host:
        return cli.main([str(argument) for argument in arguments], host)


def changes(encoded):
    """Leave out what only repeats the frame before it."""
    return [a for a, b in zip(encoded, [None, *encoded], strict=False) if a != b]


def has_light(encoded):
    """Whether a frame's octets, seven a sample, hold any colour."""
    return np.frombuffer(encoded, np.uint8).reshape(-1, 7)[:, 4:].any()


@pytest.fixture(scope="module")
def rendered(addon, tmp_path_factory):
    """The part of the show as files, and the cache that the render filled."""
    folder = tmp_path_factory.mktemp("show")
    out, cache = folder / "out", folder / "cache"
    asked = beamwright(
        "render", SHOW, "--out", out, "--cache", cache, "--frames", f"{FIRST}-{LAST}",
        "--measure", 0, "--no-page",
    )  # fmt: skip
    assert asked == 0
    return out, cache


@pytest.mark.parametrize(
    ("projector", "different"),
    # The title may rest in this part, the two scenes of the fade move all the time.
    [("Pictures", LAST - FIRST + 1), ("Lettering", 1)],
)
def test_a_sample_show_arrives_point_by_point(rendered, projector, different, monkeypatch, capsys):
    """All frames of one projector, in order, none left out, from the cache alone."""
    out, cache = rendered
    report = tables.read(out / "report.json")
    rate = next(row.point_rate_hz for row in report.projectors if row.name == projector)
    evaluated = []
    monkeypatch.setattr(work, "_see", lambda *task: evaluated.append(task) or iter(()))
    with Receiver(port=0, record_max=4000) as receiver:
        code = beamwright(
            "stream", SHOW, "--to", "127.0.0.1", "--port", receiver.port, "--yes",
            "--projector", projector, "--frames", f"{FIRST}-{LAST}", "--cache", cache,
            "--level", 100, "--fps", 12,
        )  # fmt: skip
        assert code == 0, capsys.readouterr()
        until = time.monotonic() + 1.0
        while (receiver.lit or receiver.connected) and time.monotonic() < until:
            time.sleep(0.002)
        assert not receiver.lit
        assert not receiver.connected
        recorded = receiver.recorded()
        figures = receiver.figures()
    assert evaluated == []
    assert (figures.faults, figures.losses) == ({}, 0)
    assert not recorded[0].lit
    assert not recorded[-1].lit
    file = [frame.samples(rate) for frame in ilda.read(out / f"{projector}.ild")]
    assert len(file) == LAST - FIRST + 1
    wanted = changes([encode_samples(frame.xy, frame.rgb) for frame in file])
    assert len(wanted) >= different
    lit = [frame for frame in recorded if frame.lit]
    assert lit
    # The output opens and closes dark; between them it is the file, also where that is dark.
    dark = {wanted[k] for k, frame in enumerate(wanted) if not has_light(frame)}
    arrived = changes([encode_samples(frame.xy, frame.rgb) for frame in recorded])
    first = next(place for place, frame in enumerate(arrived) if has_light(frame) or frame in dark)
    assert arrived[first : first + len(wanted)] == wanted
    assert not any(has_light(frame) for frame in arrived[first + len(wanted) :])
    for frame in lit:
        assert frame.point_rate_hz == pytest.approx(rate, rel=1e-3)
