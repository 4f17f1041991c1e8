# SPDX-License-Identifier: GPL-3.0-or-later
"""Makes a film of pictures and a sound with Blender's own FFmpeg, as a process of its own."""

from __future__ import annotations

import json
import os
import sys
from pathlib import Path
from typing import Any

import bpy

from ..core.proof_video import EncodeRequest

__all__ = ["make"]

CONTAINERS = {".mp4": "MPEG4", ".mkv": "MKV", ".mov": "QUICKTIME"}


def make(text: str) -> int:
    """Make the film of an `EncodeRequest` and tell its progress on standard output."""
    request = EncodeRequest.from_json(text)
    # What Blender says goes to standard error; the answers have standard output to themselves.
    sys.stdout.flush()
    with open(os.dup(1), "w", encoding="utf-8") as answers:
        os.dup2(2, 1)

        def say(**message: Any) -> None:
            answers.write(json.dumps(message) + "\n")
            answers.flush()

        if not bpy.app.build_options.codec_ffmpeg:
            say(error="this Blender was built without FFmpeg: use Blender's own release.")
            return 2
        try:
            _render(request, say)
        except RuntimeError as error:
            say(error=str(error).strip().removeprefix("Error: "))
            return 2
        written = Path(request.target)
        if not written.is_file() or not written.stat().st_size:
            say(error="Blender wrote no file. Make room on the disk.")
            return 2
        say(done=True)
    return 0


def _render(request: EncodeRequest, say: Any) -> None:
    scene = bpy.data.scenes.new("Film")
    render = scene.render
    render.resolution_x, render.resolution_y = request.width, request.height
    render.resolution_percentage = 100
    render.fps, render.fps_base = request.rate, request.base
    scene.frame_start, scene.frame_end = 1, request.count
    # The pictures are sRGB already and must stay what they are.
    scene.view_settings.view_transform = "Standard"
    scene.view_settings.look = "None"
    scene.view_settings.exposure, scene.view_settings.gamma = 0.0, 1.0
    scene.sequencer_colorspace_settings.name = "sRGB"
    _lay_out(scene, request)
    output = render.image_settings
    if hasattr(output, "media_type"):
        output.media_type = "VIDEO"
    output.file_format = "FFMPEG"
    output.color_mode = "RGB"
    film = render.ffmpeg
    film.format = CONTAINERS[Path(request.target).suffix.lower()]
    film.codec = "H264"
    film.constant_rate_factor = "HIGH"
    film.ffmpeg_preset = "REALTIME"
    film.gopsize = 12
    film.use_max_b_frames = False
    film.audio_codec = "AAC" if request.sound else "NONE"
    film.audio_bitrate = 192
    film.audio_mixrate = 48000
    film.audio_channels = "STEREO"
    render.use_sequencer, render.use_compositing = True, False
    render.use_file_extension = False
    render.use_stamp = False
    render.filepath = request.target
    done = 0

    def tell(*_: Any) -> None:
        nonlocal done
        done += 1
        say(frames=done)

    bpy.app.handlers.render_write.append(tell)
    try:
        with bpy.context.temp_override(scene=scene):
            bpy.ops.render.render(animation=True, scene=scene.name)
    finally:
        bpy.app.handlers.render_write.remove(tell)


def _lay_out(scene: Any, request: EncodeRequest) -> None:
    strips = scene.sequence_editor_create().strips
    folder = Path(request.folder)
    pictures = strips.new_image("Pictures", str(folder / "000000.png"), 1, 1, fit_method="ORIGINAL")
    for number in range(1, request.count):
        pictures.elements.append(f"{number:06d}.png")
    if hasattr(pictures, "right_handle"):
        pictures.right_handle = 1 + request.count
    else:
        pictures.frame_final_end = 1 + request.count
    if request.sound:
        strips.new_sound("Sound", request.sound, 2, 1)
