# SPDX-License-Identifier: GPL-3.0-or-later
"""From strokes to the samples a pair of scanners can draw."""
