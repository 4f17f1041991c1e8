# SPDX-License-Identifier: GPL-3.0-or-later
"""Frames cut into messages that fit a datagram: fragments, or chunks of a wave."""

from __future__ import annotations

from .idn import (
    CHUNK_BYTES,
    DATAGRAM_MAX,
    HELLO_BYTES,
    MESSAGE_BYTES,
    STAMP_MODULUS,
    ChannelMessage,
    Chunk,
    Configuration,
)
from .samples import XYRGB

__all__ = ["frame_messages", "samples_in", "wave_messages"]


def samples_in(datagram_bytes: int, configuration: Configuration | None, *, sequel: bool) -> int:
    """Return how many `XYRGB` samples a datagram of that size has room for."""
    room = datagram_bytes - HELLO_BYTES - MESSAGE_BYTES
    if configuration is not None:
        room -= len(configuration.encode())
    if not sequel:
        room -= CHUNK_BYTES
    return max(0, room // XYRGB.sample_bytes)


def frame_messages(
    samples: bytes,
    duration_us: int,
    stamp_us: int,
    *,
    configuration: Configuration | None = None,
    data_match: int = 0,
    channel: int = 0,
    datagram_bytes: int = DATAGRAM_MAX,
) -> list[ChannelMessage]:
    """Return the messages of one frame in `XYRGB`: whole, or as fragments in order."""
    size = XYRGB.sample_bytes
    first = samples_in(datagram_bytes, configuration, sequel=False) * size
    whole = len(samples) <= first
    messages = [
        ChannelMessage(
            chunk=Chunk.FRAME if whole else Chunk.FRAME_FIRST,
            configuration=configuration,
            duration_us=duration_us,
            data_match=data_match,
            samples=samples[:first],
            stamp_us=stamp_us,
            channel=channel,
        )
    ]
    step = samples_in(datagram_bytes, None, sequel=True) * size
    for start in range(first, len(samples), step):
        messages.append(
            ChannelMessage(
                chunk=Chunk.FRAME_SEQUEL,
                last=start + step >= len(samples),
                samples=samples[start : start + step],
                stamp_us=stamp_us,
                channel=channel,
            )
        )
    return messages


def wave_messages(
    samples: bytes,
    duration_us: int,
    stamp_us: int,
    *,
    configuration: Configuration | None = None,
    data_match: int = 0,
    channel: int = 0,
    datagram_bytes: int = DATAGRAM_MAX,
) -> list[ChannelMessage]:
    """Return `XYRGB` samples as wave chunks that join without a gap by stamp and duration."""
    size = XYRGB.sample_bytes
    count = len(samples) // size
    messages = []
    start = 0
    while start < count:
        here = configuration if start == 0 else None
        stop = min(count, start + samples_in(datagram_bytes, here, sequel=False))
        # Rounding the ends, not the lengths, keeps the sum exact.
        begin_us, end_us = (duration_us * edge // count for edge in (start, stop))
        messages.append(
            ChannelMessage(
                chunk=Chunk.WAVE,
                stamp_us=(stamp_us + begin_us) % STAMP_MODULUS,
                channel=channel,
                configuration=here,
                duration_us=max(1, end_us - begin_us),
                data_match=data_match,
                samples=samples[start * size : stop * size],
            )
        )
        start = stop
    return messages
