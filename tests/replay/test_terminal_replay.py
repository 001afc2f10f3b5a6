"""A replay on a real terminal: REPLAY on every page and line, no order from any key, time goes where it is told."""

from __future__ import annotations

import re
import sys

import floor
import pytest
from terminal import Terminal
from urwid.display.raw import Screen

from controller.console.running import Sized

# Keys from page to page, and what stands in the first line there.
WAY = (
    ("enter", "Bath A"), ("enter", "Bath A / A01"), ("enter", "trend"), ("a", "alarms"), ("e", "events"),
    ("l", "A01 / start"), ("?", "help"), ("h", "north REPLAY"),
)  # fmt: skip


def test_every_page_says_replay_and_no_key_orders(kept, tmp_path):
    """Page by page, with a key of an order on each; then an event, a time, the end. The terminal is sane afterwards."""
    env = floor.clean_env() | {"TMPDIR": str(tmp_path)}
    words = [sys.executable, str(floor.FRONT_DOOR), "replay", str(kept.folder), "--speed", "1"]
    console = Terminal(words, tmp_path, env=env)
    try:
        console.wait(r"0:00:\d\d of 0:17:")
        for key, title in WAY:
            console.press(key)
            console.until(lambda title=title: title in console.row(1), what=title)
            assert re.search(r"\bREPLAY\b", console.row(1)), title
            console.press("s")
            console.wait("a replay takes no orders")
            assert re.search(r"\bREPLAY\b", console.row(1)), title
        console.press("]", "]", "]")
        console.wait("PAUSED")
        console.wait("probe_derate|probe 5[0-9]")
        console.press("g")
        console.type("+0:10")
        console.press("enter")
        console.wait(r"0:10:00 of 0:17:")
        console.press("g")
        console.type("+9")
        console.press("enter")
        console.wait("is beyond the end: the record is 0:17:")
        console.press("esc")
        console.press("g")
        console.type("+0:17:31")
        console.press("enter")
        console.wait("END$")
        console.press("q")
        assert console.end() == 0
        console.quiet()
        assert console.sane() == []
    finally:
        console.close()
    assert list(tmp_path.glob("formbath-replay-*")) == []


@pytest.mark.parametrize(
    ("said", "taken"), [((0, 0), (80, 24)), ((0, 50), (80, 24)), ((132, 0), (80, 24)), ((1, 1), (1, 1))]
)
def test_a_size_is_never_nothing(monkeypatch, said, taken):
    """Either way of having no size counts as 80 x 24; a small size is one."""
    monkeypatch.setattr(Screen, "get_cols_rows", lambda _: said)
    assert Sized().get_cols_rows() == taken


def test_a_terminal_without_a_size_is_80_by_24_until_it_has_one(kept, tmp_path):
    """As a serial line or a bare pty is: the console is drawn, takes a size that comes later, and leaves as ever."""
    env = floor.clean_env() | {"TMPDIR": str(tmp_path)}
    unsized = ["sh", "-c", 'stty cols 0 rows 0; exec "$@"', "sh"]
    console = Terminal([*unsized, sys.executable, str(floor.FRONT_DOOR), "replay", str(kept.folder)], tmp_path, env=env)
    try:
        console.wait("q leave")
        assert "q leave" in console.row(24)
        console.resize(120, 40)
        console.until(lambda: "q leave" in console.row(40), what="drawn in its size")
        console.press("q")
        assert console.end() == 0
        console.quiet()
        assert console.sane() == []
    finally:
        console.close()


@pytest.mark.slow
def test_every_plain_line_says_replay(kept, tmp_path):
    """On a terminal that can do no more each line begins with the word, whatever is typed; orders are refused."""
    env = floor.clean_env() | {"TMPDIR": str(tmp_path)}
    words = [sys.executable, str(floor.FRONT_DOOR), "replay", str(kept.folder), "--plain"]
    console = Terminal(words, tmp_path, env=env, columns=200, lines=40)
    try:
        console.wait("plain console")
        for line, answer in (
            ("status", "state running"), ("hold A01", "a replay takes no orders"),
            ("next", r"REPLAY DEMO \+0:0\d:\d\d A01: "),
            ("tick A01 1", "a replay takes no orders"), ("go +0:10", "held"), ("go noon", "write go"),
            ("help", "no order"),
        ):  # fmt: skip
            console.say(line)
            console.wait(answer)
        console.say("quit")
        assert console.end() == 0
        console.quiet()
        typed = {"status", "hold A01", "next", "tick A01 1", "go +0:10", "go noon", "help", "quit"}
        said = [line.rstrip() for line in console.text.splitlines() if line.strip()]
        assert [line for line in said if not line.startswith("REPLAY DEMO ") and line not in typed] == []
        assert len(said) > len(typed)
    finally:
        console.close()
