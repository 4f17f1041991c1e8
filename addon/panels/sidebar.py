# SPDX-License-Identifier: GPL-3.0-or-later
"""What all panels of the sidebar tab share."""

from typing import Any

CATEGORY = "Beamwright"


class SidebarPanel:
    """Place of a panel: the tab in the 3D view's sidebar."""

    bl_space_type = "VIEW_3D"
    bl_region_type = "UI"
    bl_category = CATEGORY


def split(layout: Any) -> Any:
    """Set a layout to Blender's two columns, label and value."""
    layout.use_property_split = True
    layout.use_property_decorate = False
    return layout


def wrapped(layout: Any, text: str, width: int, icon: str = "NONE") -> None:
    """Draw a text over several lines of at most `width` letters."""
    line = ""
    # A number keeps its per cent sign.
    for word in " ".join(text.split()).replace(" %", "\N{NO-BREAK SPACE}%").split(" "):
        if line and len(line) + 1 + len(word) > width:
            layout.label(text=line, icon=icon)
            icon = "BLANK1" if icon != "NONE" else "NONE"
            line = word
        else:
            line = f"{line} {word}".strip()
    if line:
        layout.label(text=line, icon=icon)


def letters(context: Any) -> int:
    """Return about how many letters fit into a line of the region."""
    scale = context.preferences.system.ui_scale
    return max(16, int((context.region.width / scale - 60) / 6.3))
