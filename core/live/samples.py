# SPDX-License-Identifier: GPL-3.0-or-later
"""Samples on the wire: the dictionary that explains their octets, and the octets."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ..errors import FormatError

__all__ = ["XYRGB", "Dictionary", "decode_samples", "encode_samples"]

COORDINATE_MAX = 32767


@dataclass(frozen=True, slots=True)
class Dictionary:
    """How the octets of one sample are to be read.

    Attributes
    ----------
    tags
        16-bit tags, as sent.
    """

    tags: tuple[int, ...]

    @property
    def fields(self) -> tuple[tuple[str, int, int], ...]:
        """Name, first octet and octets of what a sample holds.

        Names are x, y, z, u4 …, intensity, a wavelength in nm as digits, or empty for what
        is passed over.

        Raises
        ------
        FormatError
            If a tag is unknown or a precision tag widens nothing.
        """
        found: list[list[str | int]] = []
        skip = 0
        for tag in self.tags:
            if skip:
                skip -= 1
                continue
            if tag <= 0x000F:
                skip = tag
                continue
            if 0x1000 <= tag <= 0x11FF or tag in (0x4100, 0x4101):
                continue
            if tag == 0x4010:
                if not found:
                    raise FormatError("A precision tag of the dictionary widens nothing.")
                found[-1][2] = int(found[-1][2]) + 1
                continue
            first = int(found[-1][1]) + int(found[-1][2]) if found else 0
            if tag == 0x4000:
                name = ""
            elif 0x4200 <= tag <= 0x422F:
                name = "xyz"[(tag >> 4) & 15] + (str(tag & 15) if tag & 15 else "")
            elif 0x5000 <= tag <= 0x53FF:
                name = str(tag & 0x3FF)
            elif tag == 0x5C10:
                name = "intensity"
            elif tag in (0x5C00, 0x5C20):
                name = ""
            else:
                raise FormatError(f"Dictionary tag {tag:#06x} is not known.")
            found.append([name, first, 1])
        return tuple((str(name), int(first), int(size)) for name, first, size in found)

    @property
    def sample_bytes(self) -> int:
        """Octets of one sample."""
        fields = self.fields
        return fields[-1][1] + fields[-1][2] if fields else 0


XYRGB = Dictionary((0x4200, 0x4010, 0x4210, 0x4010, 0x527E, 0x5214, 0x51CC, 0x0000))
"""16-bit x and y, red 638 nm, green 532 nm, blue 460 nm: 7 octets a sample."""


def encode_samples(xy: NDArray[np.float64], rgb: NDArray[np.float64]) -> bytes:
    """Return samples, field -1…1 and light 0…1, as `XYRGB` octets.

    Coordinates are rounded to 1/32767, colours to 1/255, as in files.
    """
    place = np.clip(np.rint(np.asarray(xy) * COORDINATE_MAX), -COORDINATE_MAX, COORDINATE_MAX)
    light = np.clip(np.rint(np.asarray(rgb) * 255.0), 0.0, 255.0)
    octets = np.empty((len(place), 7), np.uint8)
    octets[:, :4] = place.astype(">i2").view(np.uint8).reshape(-1, 4)
    octets[:, 4:] = light.astype(np.uint8)
    return octets.tobytes()


def decode_samples(
    samples: bytes, dictionary: Dictionary
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return positions, (n, 2), and red, green and blue, (n, 3), of any dictionary.

    A wavelength counts as red from 590 nm, as blue below 500 nm, else as green.

    Raises
    ------
    FormatError
        If the octets are not whole samples, or the dictionary has no x and y.
    """
    size = dictionary.sample_bytes
    if size == 0 or len(samples) % size:
        raise FormatError(f"{len(samples)} bytes are not whole samples of {size}.")
    octets = np.frombuffer(samples, np.uint8).reshape(-1, size)
    xy = np.zeros((len(octets), 2))
    rgb = np.zeros((len(octets), 3))
    intensity = np.ones(len(octets))
    seen = set()
    for name, first, width in dictionary.fields:
        value = np.zeros(len(octets))
        for octet in range(first, first + width):
            value = value * 256.0 + octets[:, octet]
        if name in ("x", "y"):
            full = 256.0**width
            signed = np.where(value >= full / 2, value - full, value)
            xy[:, "xy".index(name)] = np.maximum(-1.0, signed / (full / 2 - 1))
            seen.add(name)
        elif name == "intensity":
            intensity = value / (256.0**width - 1)
        elif name.isdigit():
            colour = 0 if int(name) >= 590 else 2 if int(name) < 500 else 1
            rgb[:, colour] = np.maximum(rgb[:, colour], value / (256.0**width - 1))
    if seen != {"x", "y"}:
        raise FormatError("The dictionary of a laser graphic has no x and y.")
    return xy, rgb * intensity[:, None]
