# SPDX-License-Identifier: GPL-3.0-or-later
"""Extension root: Blender calls these two functions."""


def register():
    from . import addon

    addon.register()


def unregister():
    from . import addon

    addon.unregister()
