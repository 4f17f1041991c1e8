# SPDX-License-Identifier: GPL-3.0-or-later
"""File formats: one module for each, with read() and write()."""
