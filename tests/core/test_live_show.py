# SPDX-License-Identifier: GPL-3.0-or-later
"""A sample show over the wire: the commands stream it, and what arrives is the file."""

import io
import threading
import time
from dataclasses import asdict, replace

import numpy as np
import pytest
from beamwright.core import cli, live_show
from beamwright.core.errors import SettingError
from beamwright.core.live.receiver import Receiver
from beamwright.core.live.samples import encode_samples
from beamwright.core.live_show import (
    examined,
    exposure_guard,
    programme_of_file,
    programme_of_scene,
)
from beamwright.core.output import ilda
from beamwright.core.points.projector import ScannerProfile
from beamwright.core.report import tables
from beamwright.core.safety.exposure import BeamWidth
from beamwright.core.safety.guard import guard
from beamwright.core.safety.hazard import PLANNING_NOTE, planning_figures
from beamwright.core.safety.laser import LaserSetup, LaserSource
from beamwright.core.safety.limits import SafetyLimits
from beamwright.core.safety.scanned import WorstSpot, worst_spot
from beamwright.core.safety.zones import KeepOut
from films import GRAPHICS, Film


class Host:
    """Opens the film of arrays."""

    def __init__(self, film):
        self.film = film

    def open(self, path, scene_name, camera_name):
        return self.film


def film(**extra):
    made = Film((GRAPHICS,))
    for name, value in extra.items():
        setattr(made, name, value)
    return made


def in_order(recorded):
    """Encoded frames that carry light, repeats left out."""
    arrived = [encode_samples(frame.xy, frame.rgb) for frame in recorded if frame.lit]
    return [a for a, b in zip(arrived, [b"", *arrived], strict=False) if a != b]


def wait_dark(receiver):
    until = time.monotonic() + 1.0
    while (receiver.lit or receiver.connected) and time.monotonic() < until:
        time.sleep(0.002)
    assert not receiver.lit
    assert not receiver.connected


def stream(receiver, *arguments, host=None):
    return cli.main(
        ["stream", *map(str, arguments), "--to", "127.0.0.1", "--port", str(receiver.port)], host
    )


def test_a_rendered_file_arrives_point_by_point(capsys, tmp_path):
    """Render a film, stream its file with the command, compare every point and colour."""
    assert cli.main(["render", "--out", str(tmp_path)], Host(film())) == 0
    path = tmp_path / "Graphics.ild"
    profile = GRAPHICS.profile
    frames = programme_of_file(path, profile).frames
    assert len(frames) == 4
    with Receiver(port=0, record_max=4000) as receiver:
        arguments = (path, "--yes", "--level", 50, "--fps", 10)
        assert stream(receiver, *arguments) == 0
        wait_dark(receiver)
        recorded = receiver.recorded()
        assert receiver.figures().faults == {}
    said = capsys.readouterr().out
    assert said.count(PLANNING_NOTE) == 1
    assert said.index(PLANNING_NOTE) < said.index("Played")
    wanted = []
    for frame in frames:
        dim = replace(frame, rgb=frame.rgb * 0.5)
        safe = guard(dim, SafetyLimits(), profile).frame
        assert not (safe.blanked & ~frame.blanked).any()
        if safe.rgb.any():
            wanted.append(encode_samples(safe.xy, safe.rgb))
    assert len(wanted) == 3  # the film is empty at its third frame
    assert in_order(recorded) == wanted


def test_a_scene_is_played_with_its_own_limits(capsys):
    """The keep-out area of the scene holds on the wire; its pictures are those of the render."""
    corner = KeepOut("door", ((0.0, -1.0), (1.0, -1.0), (1.0, 1.0), (0.0, 1.0)))
    source = film(limits={"Graphics": SafetyLimits(zones=(corner,))})
    with Receiver(port=0, record_max=4000) as receiver:
        code = stream(receiver, "show.blend", "--yes", "--projector", "Graphics", host=Host(source))
        assert code == 0
        wait_dark(receiver)
        lit = [frame for frame in receiver.recorded() if frame.lit]
    assert lit
    for frame in lit:
        assert frame.xy[frame.rgb.any(axis=1), 0].max() < 0.0


def test_frames_of_a_scene_are_those_of_the_pipeline():
    seen = []
    programme = programme_of_scene(
        film(), "", (1, 3), lambda done, total: seen.append((done, total))
    )
    assert seen == [(1, 3), (2, 3), (3, 3)]
    assert programme.fps == 25.0
    assert programme.profile == GRAPHICS.profile
    assert [bool(frame.rgb.any()) for frame in programme.frames] == [True, True, False]


def test_a_projector_must_be_named_where_there_are_two(capsys, tmp_path):
    with pytest.raises(SettingError, match="Say with --projector"):
        programme_of_scene(Film())
    with pytest.raises(SettingError, match="no projector “X”; the scene has “Graphics”"):
        programme_of_scene(Film(), "X")


def test_nothing_is_sent_without_arming(capsys, tmp_path, monkeypatch):
    """Another word than “arm” leaves the line silent."""
    path = tmp_path / "a.ild"
    ilda.write(path, programme_of_scene(film()).frames)
    monkeypatch.setattr("sys.stdin", io.StringIO("yes\n"))
    with Receiver(port=0) as receiver:
        assert stream(receiver, path) == 1
        assert receiver.figures().datagrams == 0
    assert "Not armed" in capsys.readouterr().out


def laser(ratio_max):
    source = LaserSource((638.0, 520.0, 450.0), (1.0, 1.0, 1.0), 1.0, 3.0, BeamWidth.INVERSE_E2)
    return LaserSetup(source, 10.0, ratio_max=ratio_max)


def test_an_exposure_limit_keeps_the_scene_dark(capsys):
    """A strong laser with the check on: a frame is over its limit, so nothing is sent at all."""
    lit = film(lasers={"Graphics": laser(1.0)})
    with Receiver(port=0, record_max=100) as receiver:
        assert stream(receiver, "show.blend", "--yes", host=Host(lit)) == 1
        assert receiver.figures().datagrams == 0
    out = capsys.readouterr().out
    assert "Frame 1: exposure" in out
    assert "times its limit at 10 m" in out


def test_frames_are_examined_before_they_are_played(capsys, monkeypatch):
    """While it plays no exposure is worked out any more, and the show is never late for it."""
    calls = []
    plain = live_show.exposure_check

    def counted(*arguments, **options):
        check = plain(*arguments, **options)
        return lambda frame: calls.append(time.monotonic()) or check(frame)

    monkeypatch.setattr(live_show, "exposure_check", counted)
    lit = film(lasers={"Graphics": laser(1e6)})
    with Receiver(port=0, record_max=1000) as receiver:
        assert stream(receiver, "show.blend", "--yes", "--fps", 10, host=Host(lit)) == 0
        first = next(frame.arrived_s for frame in receiver.recorded())
        wait_dark(receiver)
        assert len(in_order(receiver.recorded())) == 3
    assert len(calls) == 3
    assert max(calls) < first


def test_a_frame_in_the_middle_is_named():
    programme = programme_of_scene(film(lasers={"Graphics": laser(1.0)}), "", (3, 4))
    check, reason = examined(programme, 1.0)
    assert reason.startswith("frame 4: exposure ")  # the film is empty at its third frame
    assert check(programme.frames[1]).endswith(reason.partition(": ")[2])
    assert examined(programme, 1e-6)[1] == ""


def test_an_exposure_limit_without_data_keeps_dark():
    """Asked for and not computable is a refusal, not a pass."""
    check = exposure_guard(LaserSetup(ratio_max=1.0), ScannerProfile())
    (frame,) = programme_of_scene(film(), "", (1, 1)).frames
    assert "cannot be computed" in check(frame)
    assert exposure_guard(LaserSetup(), ScannerProfile()) is None


def test_receive_and_discover(capsys, tmp_path):
    """A virtual projector shows what came as a picture; it is found at its address."""
    picture = tmp_path / "view.svg"
    codes = []
    with Receiver(port=0) as receiver:
        assert cli.main(["discover", "127.0.0.1", "--port", str(receiver.port)]) == 0
        port = receiver.port
    assert "Virtual projector" in capsys.readouterr().out
    arguments = ["receive", "--port", str(port), "--seconds", "1.5", "--picture", str(picture)]
    thread = threading.Thread(target=lambda: codes.append(cli.main(arguments)))
    thread.start()
    time.sleep(0.4)
    sent = cli.main(
        ["stream", "a.blend", "--to", "127.0.0.1", "--port", str(port), "--yes"], Host(film())
    )
    thread.join()
    assert (sent, codes) == (0, [0])
    assert picture.read_text().startswith("<svg ")


def test_choices_of_a_scene_do_not_go_with_a_file(capsys, tmp_path):
    path = tmp_path / "a.ild"
    ilda.write(path, programme_of_scene(film()).frames)
    assert cli.main(["stream", str(path), "--to", "x", "--projector", "Graphics"]) == 2
    assert "an ILDA file is played as it is" in capsys.readouterr().err
    assert np.isfinite(ilda.read(path)[0].samples(30000.0).xy).all()


def test_the_report_tells_the_hazards_of_a_known_laser(capsys, tmp_path):
    """Figures are those of `planning_figures`; the worst spot is the largest of all frames."""
    source = LaserSource((638.0, 520.0, 450.0), (1.0, 1.0, 1.0), 1.0, 3.0, BeamWidth.INVERSE_E2)
    setup = LaserSetup(source, 10.0)
    made = film(lasers={"Graphics": setup})
    assert cli.main(["render", "--out", str(tmp_path)], Host(made)) == 0
    out = capsys.readouterr().out
    report = tables.read(tmp_path / "report.json")
    safety = report.projectors[0].safety
    spots = {
        number: worst_spot(planned.samples(30000.0), source, GRAPHICS.profile, 10.0)
        for number, planned in enumerate(ilda.read(tmp_path / "Graphics.ild"), 1)
    }
    frame = max(spots, key=lambda number: spots[number].ratio)
    assert safety["worst"]["frame"] == frame
    # The file's coordinates and colours are rounded, the report's are not.
    assert safety["worst"]["ratio"] == pytest.approx(spots[frame].ratio, rel=0.02)
    figures = planning_figures(source, 10.0, worst=WorstSpot(**without_frame(safety["worst"])))
    assert safety["figures"] == [asdict(figure) for figure in figures]
    assert safety["note"] == PLANNING_NOTE
    assert out.count(PLANNING_NOTE) == 1
    assert "Nominal ocular hazard distance, standing beam: " in out
    assert f"worst spot at frame {frame}" in out


def without_frame(worst):
    return {key: value for key, value in worst.items() if key != "frame"}


def test_a_doubtful_laser_gets_no_figure(capsys, tmp_path):
    """One unknown colour leaves every figure of the beam out, and says why."""
    source = LaserSource((638.0, 520.0, None), (1.0, 1.0, None), 1.0, 3.0, BeamWidth.INVERSE_E2)
    made = film(lasers={"Graphics": LaserSetup(source, 10.0)})
    assert cli.main(["render", "--out", str(tmp_path)], Host(made)) == 0
    safety = tables.read(tmp_path / "report.json").projectors[0].safety
    assert safety["worst"] is None
    known = [figure["name"] for figure in safety["figures"] if figure["value"] is not None]
    assert known
    assert all(name.startswith("Separation: ") for name in known)
    assert "No figure: the power of blue is not known." in capsys.readouterr().out


def test_an_unknown_laser_is_not_mentioned(capsys, tmp_path):
    assert cli.main(["render", "--out", str(tmp_path)], Host(film())) == 0
    assert tables.read(tmp_path / "report.json").projectors[0].safety is None
    assert "hazard" not in capsys.readouterr().out


@pytest.mark.parametrize("command", ["stream", "receive", "discover"])
def test_help_can_be_read(command, capsys):
    """All defaults that the help names are there."""
    with pytest.raises(SystemExit) as ended:
        cli.main([command, "--help"])
    assert ended.value.code == 0
    assert f"beamwright {command}" in capsys.readouterr().out
