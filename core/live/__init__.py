# SPDX-License-Identifier: GPL-3.0-or-later
"""Live output over the ILDA Digital Network."""
