"""What may come from a keyboard, a clipboard or a mouse by mistake, at a real terminal against a real service."""

from __future__ import annotations

import os
import random
import re

import floor
import pytest
from terminal import Terminal

SEED = 20_260_317
COUNT = 5_000 if os.environ.get("FORMBATH_LONG") == "1" else 700
KEYS = (
    *(bytes([byte]) for byte in range(32, 127) if byte not in b"qQ"), b"\r", b"\x1b", b"\t", b"\x7f", b"\x1b[A",
    b"\x1b[B",
    b"\x1b[C", b"\x1b[D", b"\x1b[5~", b"\x1b[6~", b"\x1b[H", b"\x1b[F", b"\x0c", b"\x1bOP", b"\x1bs", b"\x1b[24~",
    b"\x1b[?2026;2$y", b"\x1b[<0;10;6M", b"\x80", b"\xc3\xa9", b"\xff", b"\x1b[", b"\x00", b"\x1b[I",
)  # fmt: skip
LIKELY = (b"s", b"\r", b"\x1b", b"o", b"h", b"a", b"l", b"1", b"2", b"3", b"k", b"\x1b[C", b"\x1b[B", b"y", b"n")
WORDS = (
    "\ns\na07\n",
    "sa03\r",
    "start a02\r\n",
    "A03",
    "resume\r",
    "\x1b]0;title\x07",
    "y\n",
    "1\n2\n3\n",
    "K3107:1-2",
)
WHERE_KEYS = {
    "hall": ("h", "q leave"), "orders": ("o", "/ orders"), "hold": ("s", "STOP/HOLD A03   "),
    "alarms": ("a", "/ alarms"),
}  # fmt: skip
WHERE = ("circuit", "resume", *WHERE_KEYS)
IGNORED = r"pasted (\d+) characters, ignored"
PASTE = "s\n\ra03\ro\r1\ra07\nA03\nstart\ny\n" * 400


@pytest.fixture(scope="session")
def bath(request, tmp_path_factory) -> floor.Floor:
    return floor.shared(request.config, tmp_path_factory.mktemp("floor"))


@pytest.fixture
def own(tmp_path):
    made = floor.Floor(tmp_path)
    made.prepare()
    yield made
    made.close()


def one_input(chance: random.Random) -> bytes:
    """A key, a paste, or keys of one read, by chance."""
    kind = chance.random()
    if kind < 0.55:
        return chance.choice(KEYS)
    if kind < 0.996:
        return chance.choice(LIKELY)
    words = "".join(chance.choice(WORDS) for _ in range(chance.randint(1, 4))).encode()
    return b"\x1b[200~" + words + b"\x1b[201~" if kind < 0.998 else words


@pytest.mark.slow
def test_random_keys_resizes_and_pastes_at_a_real_terminal(own):
    """Inputs by chance (700; 5,000 with FORMBATH_LONG=1), with resizes among them, against a bath with idle, loaded
    and held circuits: the console never fails, never sticks (h shows the hall afterwards), and no circuit ever has
    current by its record.
    """
    chance = random.Random(SEED)
    before, since_utc = frozenset(own.orders()), own.snapshot()["time_utc"]
    with own.console() as console:
        console.wait("A03 held")
        for turn in range(COUNT):
            if turn % 100 == 99:
                console.resize(chance.randint(40, 200), chance.randint(8, 60))
            if turn % 50 == 25:
                console.press("s", "enter")  # by chance alone the two seldom meet
            given = one_input(chance)
            console.send(given)
            if len(given) > 8:
                console.quiet(0.2)  # what comes at once would still belong to the paste
            assert console.child.poll() is None, (turn, console.text)
        console.resize(80, 24)
        console.quiet(0.3)
        console.press("esc")
        console.quiet(0.3)
        console.press("esc")
        console.quiet(0.3)
        console.press("h")
        console.wait(r"s STOP/HOLD +k acknowledge")
        console.wait(r"A03\W?\S+ +\S")
        assert " / " not in console.row(1)
        console.press("g", *"a03", "enter", "s", "enter")
        console.wait("hold A03")
        console.press("q")
        assert console.end() == 0
        console.quiet()
        assert console.sane() == []
        assert b"Traceback" not in console.raw
        assert b"\x1b]" not in console.raw
    # The last hold is on record within a second of its cycle.
    floor.until(
        lambda: any("hold by" in row for row in frozenset(own.orders()) - before), what="the keys reached nothing"
    )
    given = frozenset(own.orders()) - before
    assert not [row for row in given if re.search(r"accepted,A\d\d,.*,(start|resume) by", row)]
    own.cycles(6)
    rows = own.rows_since(since_utc)
    assert len(rows) > 5
    assert max(abs(float(row["current_A"] or 0.0)) for row in rows) < 0.05
    assert {float(row["set_current_A"] or 0.0) for row in rows} == {0.0}
    assert {each["state"] for each in own.snapshot()["circuits"]}.isdisjoint({"running", "unknown"})


@pytest.mark.slow
def test_paste_of_ten_kilobytes_gives_no_order(bath):
    """Newlines, `s`, names and Enter, on pages and in dialogues, with and without paste mode: the record has no order
    more than before, and the console says each time that it ignored something and works on.
    """
    before = bath.orders()
    with bath.console() as console:
        console.wait("A03 held")
        for where in WHERE:
            for bracketed in (True, False):
                _paste_at(console, where, bracketed)
                assert bath.events().count(",order,") == len(before), (where, bracketed)
    assert bath.orders() == before


def _paste_at(console: Terminal, where: str, bracketed: bool) -> None:
    """Go there, paste, and come back to the hall."""
    console.press("g", *"a03", "enter")
    console.wait(r"/ Bath A / A03")
    if where == "resume":
        floor.choose(console, "resume")
        console.wait("(?i)type a03")
    elif where in WHERE_KEYS:
        key, seen = WHERE_KEYS[where]
        console.press(key)
        console.wait(seen)
    paste, told = PASTE.encode(), re.findall(IGNORED, console.text)
    assert len(paste) > 10_000
    console.pour(b"\x1b[200~" + paste + b"\x1b[201~" if bracketed else paste)
    # Whole or torn into reads: the line of this paste has another number than that of the one before.
    console.until(lambda: re.findall(IGNORED, console.text) not in ([], told), what=f"{where}: {IGNORED}")
    console.quiet(0.3)
    console.press("esc", "esc", "h")
    console.wait_gone(" / Bath A")


def test_control_characters_of_a_paste_reach_neither_record_nor_terminal(bath):
    """Escapes pasted into a note: what is kept and shown is text, the newline a space, no more than 500 characters."""
    dirty = b"flow\x1b]0;mine\x07 \x1b[31mlow\r\nat \x9b2J A03\x00\x08\x7f\xe2\x80\xae end-of-note"
    with bath.console() as console:
        console.wait("A03 held")
        console.press("n")
        console.wait("NOTE on")
        mark = len(console.raw)
        console.send(b"\x1b[200~" + dirty + b"\x1b[201~")
        console.wait("end-of-note")
        console.quiet(0.3)  # an Enter that comes at once would still belong to the paste
        console.press("enter")
        bath.until_event("end-of-note")
        console.press("e")
        console.wait("/ events")
        console.wait("end-of-note")
        console.quiet()
        shown = bytes(console.raw)[mark:]
        assert b"\x1b]" not in shown
        assert b"\x1b[31m" not in shown
        assert b"\x9b" not in shown
        assert b"\x00" not in shown
    row = next(line for line in bath.events().splitlines() if "end-of-note" in line)
    assert row.isprintable()
    assert "flow" in row
    assert "low at" in row


@pytest.mark.slow
def test_mouse_selects_and_scrolls_and_never_orders(bath):
    """With --mouse: a click on a circuit's cell selects it, the wheel moves on, neither gives an order; a click beside
    a dialogue leaves its circuit as it is.
    """
    before = bath.orders()
    with bath.console("--mouse") as console:
        console.wait("A03 held")
        assert b"\x1b[?1000h" in console.raw
        line = next(number for number in range(5, 20) if "A03" in console.row(number))
        column = console.row(line).index("A03") + 1
        console.click(column, line)
        console.wait("A03>")
        console.send(b"\x1b[<65;10;6M")
        console.press("left")
        console.wait("A0[124]>")
        console.click(column, line)
        console.wait("A03>")
        console.press("s")
        console.wait("STOP/HOLD A03")
        console.click(3, line)
        for number in range(1, 25):
            console.click(20, number)
        assert "STOP/HOLD A03" in console.text
        console.press("esc")
        console.wait_gone("STOP/HOLD A03")
        console.press("q")
        assert console.end() == 0
        console.quiet()
        assert console.sane() == []
    assert bath.orders() == before


def test_resizing_keeps_selection_and_open_dialogue(bath):
    """From 40x8 to 200x60 and back, live: the dialogue stays open with what was typed, the selection where it was."""
    chance = random.Random(SEED)
    with bath.console() as console:
        console.wait("A03 held")
        console.press("g", *"a02", "enter", "n", *"half")
        console.wait("half")
        sizes = [(40, 8), (200, 60), (41, 9), (160, 12), (79, 23), (120, 40)]
        sizes += [(chance.randint(40, 200), chance.randint(8, 60)) for _ in range(24)]
        for columns, lines in sizes:
            console.resize(columns, lines)
            console.wait("half")
            console.until(lambda lines=lines: "STOP/HOLD" in console.row(lines), what="the last line")
        console.resize(80, 24)
        console.press(*"way", "esc")
        console.wait_gone("halfway")
        console.press("s")
        console.wait("A02 is idle, at zero, read back: nothing to hold")
