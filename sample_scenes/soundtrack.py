# SPDX-License-Identifier: GPL-3.0-or-later
"""A soundtrack for the harbour show, made of nothing but arithmetic.

The sea is noise that swells, a bell buoy rings at odd times, and a slow tune in a minor
pentatonic scale goes over it all, one note for each second of the boat's oars.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

RATE_HZ = 22050
PULL_S = 1.6
"""One pull of the oars, 40 frames at 25 frames a second."""

# Minor pentatonic on D: semitones above D3 (146.83 Hz, equal temperament, A4 = 440 Hz).
SCALE = (0, 3, 5, 7, 10, 12, 15)
TUNE = (0, 3, 2, 4, 3, 1, 2, 0, 4, 5, 6, 5, 3, 4, 2, 1)


def soundtrack(length_s: float) -> NDArray[np.float32]:
    """Return mono samples, -1…1."""
    count = round(length_s * RATE_HZ)
    time = np.arange(count) / RATE_HZ
    mix = 0.5 * sea(time) + bells(time) + tune(time)
    fade = np.clip(np.minimum(time, length_s - time) / 2.0, 0.0, 1.0)
    mix *= fade
    return (0.8 * mix / np.abs(mix).max()).astype(np.float32)


def sea(time: NDArray[np.float64]) -> NDArray[np.float64]:
    """Noise with its highs taken off, swelling with the waves."""
    noise = np.random.default_rng(24).normal(size=len(time))
    spectrum = np.fft.rfft(noise)
    frequency = np.fft.rfftfreq(len(time), 1.0 / RATE_HZ)
    spectrum *= 1.0 / (1.0 + (frequency / 350.0) ** 2)
    low = np.fft.irfft(spectrum, len(time))
    swell = 0.55 + 0.3 * np.sin(2 * np.pi * time / 6.4) + 0.15 * np.sin(2 * np.pi * time / 9.7)
    result: NDArray[np.float64] = 0.3 * swell * low / np.abs(low).std()
    return result


def bells(time: NDArray[np.float64]) -> NDArray[np.float64]:
    """A bell buoy: partials that are no multiples of one another, each dying away."""
    result = np.zeros_like(time)
    for start in np.arange(3.0, time[-1] if len(time) else 0.0, 7.3):
        since = np.maximum(time - start, 0.0)
        for ratio, level, life in ((1.0, 0.5, 2.2), (2.76, 0.3, 1.1), (5.4, 0.15, 0.5)):
            ring = level * np.exp(-since / life) * np.sin(2 * np.pi * 620.0 * ratio * since)
            result += 0.22 * np.where(time >= start, ring, 0.0)
    return result


def tune(time: NDArray[np.float64]) -> NDArray[np.float64]:
    """One plucked note for each pull of the oars."""
    result = np.zeros_like(time)
    for number, start in enumerate(np.arange(0.0, time[-1] if len(time) else 0.0, PULL_S)):
        pitch = 146.83 * 2.0 ** (SCALE[TUNE[number % len(TUNE)]] / 12.0)
        since = np.maximum(time - start, 0.0)
        envelope = np.minimum(since / 0.02, 1.0) * np.exp(-since / 0.9)
        wave = sum(np.sin(2 * np.pi * pitch * k * since) / k**2 for k in (1, 2, 3))
        result += 0.3 * envelope * wave
    return result
