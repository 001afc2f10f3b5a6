"""The demo on a real terminal: every page says that it is one, and leaving it leaves a usable terminal."""

from __future__ import annotations

import re
import sys

import floor
import pytest
from terminal import Terminal

# Keys from page to page, and what stands in the first line there.
WAY = (
    ("enter", "Bath A"), ("enter", "Bath A / A"), ("enter", "trend"), ("a", "alarms"), ("e", "events"), ("o", "orders"),
    ("l", "start list"), ("?", "help"), ("h", "demo DEMO"),
)  # fmt: skip


@pytest.mark.slow
@pytest.mark.parametrize(("columns", "lines"), [(80, 24), (120, 40)])
def test_every_page_of_a_demo_says_demo(tmp_path, columns, lines):
    """At both sizes, on every page and under a dialogue, DEMO stands in the first line; `q` ends plant and service and
    leaves the terminal as it was.
    """
    words = [sys.executable, str(floor.FRONT_DOOR), "demo", "--speed", "600"]
    console = Terminal(words, tmp_path, columns=columns, lines=lines, env=floor.clean_env())
    try:
        console.wait(r"A08\W")
        assert re.search(r"\bDEMO\b", console.row(1))
        assert "x600" in console.row(2)
        for key, title in WAY:
            console.press(key)
            console.until(lambda title=title: title in console.row(1), what=title)
            assert re.search(r"\bDEMO\b", console.row(1)), title
        console.press("n")
        console.wait("NOTE on")
        assert re.search(r"\bDEMO\b", console.row(1))
        console.press("esc", " ")
        console.wait("PAUSED")
        console.press("q")
        assert console.end() == 0
        console.quiet()
        assert console.sane() == []
        assert b"DEMO, virtual plant, seed 7" in bytes(console.raw).rpartition(b"\x1b[?1049l")[2]
    finally:
        console.close()
