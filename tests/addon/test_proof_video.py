# SPDX-License-Identifier: GPL-3.0-or-later
"""The proof film is decoded again: its pictures, its length, its sound."""

import os
import subprocess
import sys
import wave

import bpy
import numpy as np
import pytest
from beamwright.core.output import ilda
from beamwright.core.proof_video import StagePainter
from beamwright.core.report import tables
from blender_scenes import add_cube

PROGRAM = "import sys; from beamwright.addon.command import main; sys.exit(main())"
SIZE = 256
FPS = 25
FRAMES = 30
CLICK_FRAME = 11
RATE_HZ = 22050


def render(tmp_path, *arguments):
    running = subprocess.run(
        [sys.executable, "-c", PROGRAM, "render", *map(str, arguments)],
        capture_output=True,
        timeout=120,
        env={**os.environ, "BEAMWRIGHT_CACHE": str(tmp_path / "cache")},
        check=False,
    )
    return running


def write_sound(path):
    """Silence, and a tone for one frame."""
    samples = np.zeros(RATE_HZ * FRAMES // FPS, "<i2")
    start = RATE_HZ * (CLICK_FRAME - 1) // FPS
    time = np.arange(RATE_HZ // FPS) / RATE_HZ
    samples[start : start + len(time)] = 20000 * np.sin(2 * np.pi * 1000.0 * time)
    with wave.open(str(path), "wb") as stream:
        stream.setparams((1, 2, RATE_HZ, 0, "NONE", ""))
        stream.writeframes(samples.tobytes())


@pytest.fixture
def moving(empty, tmp_path):
    """A page of 16 to 9 on which a cube turns and moves; two projectors, one askew; a sound."""
    empty.name = "Moving"
    empty.render.resolution_x, empty.render.resolution_y = 1600, 900
    empty.render.fps = FPS
    empty.frame_start, empty.frame_end = 1, FRAMES
    camera = bpy.data.objects.new("Camera", bpy.data.cameras.new("Camera"))
    camera.location, camera.rotation_euler = (0.0, -10.0, 0.0), (1.5707963, 0.0, 0.0)
    empty.collection.objects.link(camera)
    empty.camera = camera
    cube = add_cube("Cube", collection=empty.collection)
    for frame, x in ((1, -2.0), (FRAMES, 2.0)):
        cube.location = (x, 0.0, 0.0)
        cube.rotation_euler = (0.4, x, 0.3)
        cube.keyframe_insert("location", frame=frame)
        cube.keyframe_insert("rotation_euler", frame=frame)
    empty.beamwright.add_projector("Straight")
    askew = empty.beamwright.add_projector("Askew")
    askew.aim.scale_x, askew.aim.offset_y, askew.aim.rotation = 0.7, 0.1, 0.4
    sound = tmp_path / "tone.wav"
    write_sound(sound)
    empty.sequence_editor_create().strips.new_sound("Tone", str(sound), 1, 1)
    path = tmp_path / "moving.blend"
    bpy.ops.wm.save_as_mainfile(filepath=str(path))
    return path


def decoded(path, frames, folder):
    """Read pictures of a film through Blender's sequencer: {frame: (height, width, 3)}, y down."""
    scene = bpy.data.scenes.new("Reader")
    clip = bpy.data.movieclips.load(str(path))
    width, height = clip.size
    scene.render.resolution_x, scene.render.resolution_y = width, height
    scene.view_settings.view_transform = "Standard"
    scene.sequencer_colorspace_settings.name = "sRGB"
    scene.sequence_editor_create().strips.new_movie("Film", str(path), 1, 1)
    scene.render.image_settings.file_format = "PNG"
    scene.render.filepath = str(folder / "read_")
    scene.frame_start, scene.frame_end = 1, max(frames)
    bpy.ops.render.render(animation=True, scene=scene.name)
    found = {}
    for frame in frames:
        image = bpy.data.images.load(str(folder / f"read_{frame:04d}.png"))
        pixels = np.empty(width * height * 4, np.float32)
        image.pixels.foreach_get(pixels)
        found[frame] = pixels.reshape(height, width, 4)[::-1, :, :3]
    return found


def reported_points(folder, frame):
    """Lit samples of each projector's file, and the painter that says where they are seen."""
    report = tables.read(folder / "report.json")
    rows = {row.name: row for row in report.projectors}
    return {
        name: ilda.read(folder / f"{name}.ild")[frame - 1].samples(row.point_rate_hz)
        for name, row in rows.items()
    }


def test_the_film_shows_the_beam_and_keeps_time(moving, tmp_path):
    out = tmp_path / "out"
    running = render(tmp_path, moving, "--out", out, "--video", "proof.mp4", "--video-size", SIZE)
    assert running.returncode == 0, running.stderr.decode()
    film = out / "proof.mp4"
    assert str(film) in running.stdout.decode()

    clip = bpy.data.movieclips.load(str(film))
    assert clip.frame_duration == FRAMES
    assert clip.fps == pytest.approx(FPS)
    assert tuple(clip.size) == (SIZE, SIZE * 9 // 16)

    projectors = bpy.data.scenes["Moving"].beamwright.projectors_to_core()
    painter = StagePainter(projectors, (1.0, 0.5625), SIZE)
    for frame, picture in decoded(film, (1, 9, FRAMES), tmp_path).items():
        rows, columns = np.nonzero(picture.max(axis=2) > 0.35)
        pixels = np.stack([columns, rows], axis=1)
        assert len(pixels) > 100
        samples = np.concatenate([
            painter.to_pixels(name, each.xy[~each.blanked])
            for name, each in reported_points(out, frame).items()
        ])  # fmt: skip
        apart = np.abs(pixels[:, None, :] - samples[None, :, :]).max(axis=2)
        # All light is by a point of this frame's report, and every point has its light.
        assert apart.min(axis=1).max() < 5.0, frame
        assert apart.min(axis=0).max() < 4.0, frame
        other = reported_points(out, FRAMES + 1 - frame) if frame != 9 else reported_points(out, 20)
        astray = np.concatenate([
            painter.to_pixels(name, each.xy[~each.blanked]) for name, each in other.items()
        ])  # fmt: skip
        assert np.abs(pixels[:, None] - astray[None]).max(axis=2).min(axis=1).max() > 10.0

    import aud

    sound = aud.Sound(str(film))
    samples = sound.data()
    rate_hz = sound.specs[0]
    assert len(samples) / rate_hz == pytest.approx(FRAMES / FPS, abs=1.0 / FPS)
    loud = np.flatnonzero(np.abs(samples).max(axis=1) > 0.15)
    assert loud[0] / rate_hz == pytest.approx((CLICK_FRAME - 1) / FPS, abs=0.5 / FPS)
    assert loud[-1] / rate_hz == pytest.approx(CLICK_FRAME / FPS, abs=0.5 / FPS)


def test_a_film_that_fails_leaves_the_files_of_before(moving, tmp_path):
    out = tmp_path / "out"
    out.mkdir()
    (out / "Straight.ild").write_bytes(b"before")
    running = render(tmp_path, moving, "--out", out, "--video", "proof.gif")
    assert running.returncode == 2
    assert "must end in .mp4" in running.stderr.decode()
    assert [path.name for path in out.iterdir()] == ["Straight.ild"]
    assert (out / "Straight.ild").read_bytes() == b"before"
