# SPDX-License-Identifier: GPL-3.0-or-later
"""Figures of each frame and the files that carry them."""
