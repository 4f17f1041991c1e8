# SPDX-License-Identifier: GPL-3.0-or-later
"""Transitions on visible strokes that a laser can draw: reveal, mask, morph."""
