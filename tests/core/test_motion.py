# SPDX-License-Identifier: GPL-3.0-or-later
"""A moved body is told from a changed one."""

import numpy as np
import pytest
from beamwright.core.lines.motion import similarity_between
from hypothesis import given, settings
from hypothesis import strategies as st
from scenes import rotation


@settings(max_examples=60, deadline=None, derandomize=True)
@given(seed=st.integers(0, 2**32 - 1), flat=st.booleans())
def test_rigid_motion_and_scale_are_found(seed, flat):
    rng = np.random.default_rng(seed)
    old = rng.normal(size=(30, 3)) * [1, 1, 0 if flat else 1] + rng.normal(size=3) * 5
    turn, scale, shift = rotation(rng), rng.uniform(0.1, 10), rng.normal(size=3) * 20
    found = similarity_between(old, scale * old @ turn.T + shift)
    assert np.allclose(found[:, :3], scale * turn, atol=1e-7 * scale)
    new = scale * old @ turn.T + shift
    assert np.allclose(old @ found[:, :3].T + found[:, 3], new, atol=1e-9 * np.abs(new).max())
    bent = new.copy()
    bent[rng.integers(30)] += 1e-3 * scale
    assert similarity_between(old, bent) is None


@pytest.mark.parametrize("matrix", [np.diag([1, 1, 2.0]), np.diag([1, 1, -1.0]),
                                    [[1, 0.2, 0], [0, 1, 0], [0, 0, 1]]])  # fmt: skip
def test_stretch_mirror_and_shear_change_the_shape(matrix):
    old = np.random.default_rng(0).normal(size=(20, 3))
    assert similarity_between(old, old @ np.asarray(matrix, float).T) is None


def test_no_frame_no_answer():
    line = np.outer(np.arange(5.0), [1, 2, 3])
    assert similarity_between(line, line) is None
    assert similarity_between(np.zeros((0, 3)), np.zeros((0, 3))) is None
    assert similarity_between(np.eye(3), np.eye(4)[:, :3]) is None
