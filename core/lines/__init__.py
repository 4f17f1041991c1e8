# SPDX-License-Identifier: GPL-3.0-or-later
"""Feature edges of surfaces, hidden-line removal, chaining into strokes."""
