# SPDX-License-Identifier: GPL-3.0-or-later
"""Kept name of `core.writing`."""

from ..writing import WriteMode, WriteSettings, Written, write_on

__all__ = ["WriteMode", "WriteSettings", "Written", "write_on"]
