# SPDX-License-Identifier: GPL-3.0-or-later
"""Inner loops. Import the functions from here, never from an implementation.

The native library serves where it can be loaded, passes its self-test and
``BEAMWRIGHT_KERNELS`` does not say ``numpy``; numpy serves elsewhere. It is decided once for
a process, so that an export never changes implementation half-way. ``BEAMWRIGHT_KERNELS=native``
makes a missing library an error instead.
"""

from __future__ import annotations

import os

from ..errors import HostError
from . import (
    native,
    numpy_chaining,
    numpy_coincident,
    numpy_crossings,
    numpy_joining,
    numpy_lines,
    numpy_points,
)
from .numpy_coincident import COINCIDENT_FIELD
from .records import Body, Chains, CrossingEnds, Joined, JoinInput, Pieces, VisibilityInput

__all__ = [
    "COINCIDENT_FIELD",
    "Body",
    "Chains",
    "CrossingEnds",
    "JoinInput",
    "Joined",
    "Pieces",
    "VisibilityInput",
    "chain",
    "clock_durations",
    "crossing_ends",
    "greedy_tour",
    "improve_tour",
    "is_native",
    "joined_pieces",
    "link_costs",
    "neighbour_lists",
    "saturating_response",
    "simplified",
    "status",
    "uncovered",
    "visible_pieces",
]


def choose(wanted: str) -> tuple[native.NativeKernels | None, str]:
    """Return the library, None where numpy has to serve, and one line that says why.

    Raises
    ------
    HostError
        Where `wanted` is ``native`` and the library cannot serve.
    """
    if wanted == "numpy":
        return None, "numpy: forced by BEAMWRIGHT_KERNELS"
    try:
        library = native.load()
    except HostError as error:
        if wanted == "native":
            raise HostError(
                f"The native kernels cannot serve: {error}. Build them with "
                "`python core/kernels/build.py`, or unset BEAMWRIGHT_KERNELS."
            ) from error
        return None, f"numpy: {error}"
    return library, f"native (abi {native.ABI_VERSION})"


_library, _status = choose(os.environ.get("BEAMWRIGHT_KERNELS", "").strip().lower())


def is_native() -> bool:
    """Tell whether the native library serves."""
    return _library is not None


def status() -> str:
    """Say in one line which implementation serves, and why if it is numpy."""
    return _status


visible_pieces = numpy_lines.visible_pieces
chain = numpy_chaining.chain
crossing_ends = numpy_crossings.crossing_ends
uncovered = numpy_coincident.uncovered
joined_pieces = numpy_joining.joined_pieces
simplified = numpy_joining.simplified
link_costs = numpy_points.link_costs
neighbour_lists = numpy_points.neighbour_lists
greedy_tour = numpy_points.greedy_tour
improve_tour = numpy_points.improve_tour
clock_durations = numpy_points.clock_durations
saturating_response = numpy_points.saturating_response
if _library is not None:
    visible_pieces = _library.visible_pieces
    chain = _library.chain
    crossing_ends = _library.crossing_ends
    uncovered = _library.uncovered
    joined_pieces = _library.joined_pieces
    simplified = _library.simplified
    link_costs = _library.link_costs
    neighbour_lists = _library.neighbour_lists
    greedy_tour = _library.greedy_tour
    improve_tour = _library.improve_tour
    clock_durations = _library.clock_durations
    saturating_response = _library.saturating_response
