"""The help page: keys, marks, priorities, what this is not, and four cautions, on one page of 80 x 18. Pure."""

from __future__ import annotations

from controller.console.row import Row, fitted, wrapped
from controller.console.scene import Scene

LINES = (
    "help.not",
    "help.keys_do",
    "help.keys_go",
    "help.keys_pages",
    "help.keys_list",
    "help.keys_trend",
    "help.keys_digits",
    "help.more",
    "help.marks",
    "help.priorities",
    "help.values",
    "help.course",
    "help.charts",
    "help.block",
    "help.acid",
    "help.hydrogen",
    "help.volts",
    "help.lead",
)
"""The lines in their order; the first is the one that must be read first."""

REPLAYED = {
    "help.keys_do": "replay.help_what",
    "help.keys_pages": "replay.help_pages",
    "help.keys_list": "replay.help_keys",
    "help.keys_digits": "replay.help_go",
    "help.more": "",
}
"""What stands in a line's place in a replay; empty: nothing does."""


def rows(scene: Scene, width: int, height: int) -> list[Row]:
    """Return the page, wrapped to the width; where it is longer than the body it scrolls."""
    indent = "  " if width > 20 else ""
    keys = [REPLAYED.get(key, key) for key in LINES] if scene.replay else LINES
    lines = [each for key in keys if key for each in wrapped(scene.say(key), width, indent, most=9)]
    first = max(0, min(max(scene.place.top, scene.place.cursor), len(lines) - height))
    return [fitted(each, width) for each in lines[first : first + max(0, height)]]
