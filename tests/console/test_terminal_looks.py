"""What bytes reach the terminal: colours, characters and modes, by terminal, locale and option. Every page is seen."""

from __future__ import annotations

import re
from collections.abc import Iterator
from contextlib import contextmanager

import floor
import pytest
from terminal import Terminal

SGR = re.compile(rb"\x1b\[([0-9;]*)m")
ESCAPES = re.compile(rb"\x1b(\[[?0-9;]*\$?[a-zA-Z]|[()][0-9A-B])")
PAGES = ("a", "e", "o", "l", "?", "h", "enter", "enter", "enter", "h")
INK, GROUND = {"231", "16"}, {"124", "214", "25"}
MOUSE_ON = re.compile(rb"\x1b\[\?(9|1000|1001|1002|1003|1005|1006|1015|1016)h")


@pytest.fixture(scope="module")
def alarmed() -> Iterator[floor.Painted]:
    """Four baths full of states, alarms, blocks and old values."""
    made = floor.Painted()
    yield made
    made.close()


@contextmanager
def toured(baths: floor.Painted, *words: str, **env: str) -> Iterator[Terminal]:
    """A console that has shown every page and a dialogue."""
    with baths.console(*words, **env) as console:
        console.wait("A07")
        for key in PAGES:
            console.press(key)
        console.press("g", *"a07", "enter", "s")
        console.wait("STOP/HOLD A07")
        console.press("esc", "h")
        console.wait("B10")
        console.quiet()
        yield console


def said(console: Terminal) -> bytes:
    return bytes(console.raw)


def colours(raw: bytes) -> set[str]:
    """Every parameter of a colour that was sent."""
    found: set[str] = set()
    for given in SGR.findall(raw):
        words = given.decode().split(";")
        while words:
            word = words.pop(0)
            if word in {"38", "48"}:
                kind, number = words.pop(0), words.pop(0)
                found.add(f"{word};{kind};{number}")
            elif word.isdecimal() and (30 <= int(word) <= 37 or 40 <= int(word) <= 47 or 90 <= int(word) <= 107):
                found.add(word)
    return found


@pytest.mark.parametrize(("words", "env"), [((), {"NO_COLOR": "1"}), (("--no-colour",), {})])
def test_no_colour_where_none_is_wanted(alarmed, words, env):
    """With NO_COLOR or the option not one colour is sent; marks are told apart by bold, underline, standout."""
    with toured(alarmed, *words, **env) as console:
        assert colours(said(console)) == set()
        assert any({"1", "4", "7"} & set(given.decode().split(";")) for given in SGR.findall(said(console)))


def test_empty_no_color_is_none(alarmed):
    """An empty NO_COLOR asks for nothing."""
    with toured(alarmed, NO_COLOR="") as console:
        assert colours(said(console))


def test_only_the_palette_and_never_one_colour_alone(alarmed):
    """At 256 colours only those of the palette; every cell has both of its colours set, or neither, so that dark and
    light grounds read alike.
    """
    with toured(alarmed) as console:
        assert colours(said(console)) <= {f"38;5;{ink}" for ink in INK} | {f"48;5;{ground}" for ground in GROUND}
        assert {f"48;5;{ground}" for ground in ("214", "25")} <= colours(said(console))
        for key in ("h", "enter", "enter", "a", "o"):
            console.press(key)
            console.quiet(0.05)
            odd = [
                cell for line in console.cells() for cell in line if (cell.fg == "default") != (cell.bg == "default")
            ]
            assert odd == []
            assert any(cell.bg != "default" for line in console.cells() for cell in line)


def test_linux_console_gets_ascii_and_sixteen_colours(alarmed):
    """TERM=linux: no byte above 127, and only colours that it has."""
    with toured(alarmed, TERM="linux") as console:
        assert max(said(console)) < 128
        found = colours(said(console))
        assert found
        assert not [each for each in found if ";" in each]


@pytest.mark.parametrize(
    ("words", "env"), [((), {"LANG": "C", "LC_ALL": "C"}), (("--ascii",), {}), ((), {"LANG": "C", "LC_ALL": "POSIX"})]
)
def test_no_byte_above_127_where_the_locale_has_none(alarmed, words, env):
    """Without UTF-8 only ASCII is sent, also where a name from outside has other letters."""
    with toured(alarmed, *words, **env) as console:
        assert max(said(console)) < 128
        # The hall's name holds a degree sign, an ohm and a dash, which have spellings of their own.
        assert floor.HALL_ASCII in console.row(1)


def test_no_letter_becomes_a_question_mark_where_the_locale_has_none(alarmed):
    """Page by page, a screen without UTF-8 has its `?` in the lines, and as many, where that with UTF-8 has them."""
    with alarmed.console() as full, alarmed.console(LANG="C", LC_ALL="C") as bare:
        for key in ("", *PAGES):
            for console in (full, bare):
                console.wait("B10") if not key else console.press(key)
                console.quiet()
            lines = [console.text.splitlines() for console in (full, bare)]
            assert [line.count("?") for line in lines[0]] == [line.count("?") for line in lines[1]], key
            assert "".join(lines[1]).isascii()
            assert floor.HALL_ASCII in lines[1][0]
            assert "?" not in lines[1][0]


def test_dumb_terminal_gets_lines(alarmed):
    """TERM=dumb: no escape, no bell, nothing but printable text and line ends."""
    with alarmed.console(TERM="dumb") as console:
        console.wait("plain console")
        console.say("status")
        console.wait("V/cell")
        console.quiet()
        assert set(said(console)) <= {*range(32, 127), 10, 13}


def test_mouse_is_never_switched_on_unasked(alarmed):
    """By default nothing switches a mouse mode on, so that marking text works; paste mode is on, focus reports not."""
    with toured(alarmed) as console:
        assert MOUSE_ON.search(said(console)) is None
        assert b"\x1b[?2004h" in said(console)
        assert b"\x1b[?1004h" not in said(console)


def test_the_bell_is_the_only_control_character_outside_a_sequence(alarmed):
    """Between the sequences there is text, shifts of character set, line ends and the bell of a new alarm."""
    with toured(alarmed) as console:
        left = ESCAPES.sub(b"", said(console))
        assert b"\x07" in left
        assert {byte for byte in left if byte < 32} <= {7, 10, 13, 14, 15}


def test_hostile_words_of_a_service_are_shown_harmless(alarmed):
    """A bath's names and texts with escapes in them move no cursor, set no title, and colour nothing."""
    with toured(alarmed) as console:
        assert b"\x1b]" not in said(console)
        assert b"\x1b[2J" not in said(console)
        assert b"\x1b[31m" not in said(console)
