# SPDX-License-Identifier: GPL-3.0-or-later
"""Flat pages: shapes in stacking order, what they hide, lettering and write-on."""
