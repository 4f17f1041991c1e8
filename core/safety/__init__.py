# SPDX-License-Identifier: GPL-3.0-or-later
"""The last stage before any output: it may darken samples, never move or lighten them."""
