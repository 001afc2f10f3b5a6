"""A start from its list to its read-back, a hold with its resume: key by key in a real terminal, a real service."""

from __future__ import annotations

import re

import pytest
from journey import CHARGE_A, hall

ENERGY_KEYS = ("enter", "r", "S", "y", "1", "2", "space", "u", "x")


@pytest.mark.slow
def test_start(tmp_path):
    """List ticked item by item, sentence, typed name, asked, read back; never by one key, a paste or a second time."""
    with hall(tmp_path, purge=0.1) as one:
        one.load("A01", "A02")
        console = one.console()
        console.wait(r"PURGE \d:\d\d of 0:06")

        # Not yet purged, nothing ticked: the list says so, the order is refused with the reason.
        console.press("l")
        console.wait("START LIST A01")
        console.wait("NO  bath not purged")
        console.wait("still missing: items 1 2")
        console.press("o")
        console.wait(r"start A01 .*: not now, ")
        console.press("esc", "l")

        # One item at a time; Enter answers for the one at the cursor and for no other.
        console.press("enter")
        console.wait(r"> \[x\] 1 polarity.* \d\d:\d\d")
        assert re.search(r"\[ \] 2 nobody", console.text)
        console.press("down", "enter")
        console.wait(r"> \[x\] 2 nobody")
        console.wait("A01 may start: o, then start")

        # From the hall: menu, word, and the prompt says what will flow before anything is typed.
        console.press("h")
        console.keys = 0
        console.press("o")
        digit = console.wait(r"(\d) start A01").split()[0]
        console.press(digit)
        console.wait(r"START A01  four ampere, batch T1, 2 batteries")
        console.told(
            r"will flow: 4\.0 Ah in 1 steps?, at most 4\.0 A and 2\.75 V/cell, some 1:00 h; "
            r"first current at once, 4\.0 A people needed: at the end, after 1:00 h To start type a01"
        )

        # A paste is dropped, one key and Enter is refused, another circuit's name is refused: nothing flows.
        console.send(b"\x1b[200~a01\r\x1b[201~")
        console.wait(r"pasted \d+ characters, ignored")
        console.send(b"a01\r")
        console.wait(r"pasted 4 characters, ignored")
        console.seconds()
        console.press("enter")
        console.wait("type A01 first: nothing was sent")
        console.type("a02")
        console.press("enter")
        console.wait("'a02' is not 'A01': nothing was sent")
        assert one.circuit("A01")["state"] == "idle"
        console.press("esc")

        # The whole start: four keys more than the name.
        console.press("h")
        console.keys = 0
        console.press("o", digit)
        console.wait("type a01 and Enter")
        console.type("a01")
        console.press("enter")
        console.wait(r"start A01: read back \d\.\d A, running")
        assert console.keys <= 6
        one.until(lambda: one.current_A("A01") > 0.9 * CHARGE_A, "full current")
        assert b"start A01: asked" in console.raw

        # It is on the orders page with who gave it, and cannot be started twice.
        console.press("o")
        console.wait(r"start A01 \S+: .*read back")
        assert not re.search(r"^.. \d start A01", console.text, re.MULTILINE)
        assert not one.order("start", "A01").accepted

        # The other circuit: no key alone, nor with Enter, lets current flow.
        console.press("h", "right")
        for key in ENERGY_KEYS:
            console.press(key, "enter", "esc", "esc", "esc", "h")
        assert one.circuit("A02")["state"] == "idle"
        assert one.current_A("A02") < 0.2


@pytest.mark.slow
def test_hold_and_resume(tmp_path):
    """Two keys hold; no resume while a cause stands; it says what was and what will flow; the typed name resumes."""
    with hall(tmp_path) as one:
        one.run("A01", "A02")
        console = one.console()
        console.press("right")
        console.wait(r"A02>")
        console.keys = 0
        console.press("s")
        console.wait("STOP/HOLD A02   Enter hold: zero now, can resume")
        console.press("enter")
        assert console.keys <= 2
        console.wait(r"A02>held")
        one.until(lambda: one.circuit("A02")["state"] == "held" and one.current_A("A02") < 0.2, "zero")
        assert one.circuit("A01")["state"] == "running"
        charge_Ah = one.circuit("A02")["run"]["charge_Ah"]

        # While the rectifier stands in local control a resume is refused, with the reason, from here and from a script.
        one.fault("A02 local_control")
        console.press("o")
        console.told(r"resume A02: not now, .*local control")
        digit = console.wait(r"(\d) resume A02").split()[0]
        console.press(digit)
        console.wait(r"resume A02 would be refused: ")
        done = one.command("resume", "A02", "--confirm", "A02")
        assert done.returncode == 1
        assert "local control" in done.stdout
        one.fault("A02 local_control", gone=True)
        one.until(lambda: one.circuit("A02")["may"]["resume"] == "", "cause gone")

        # Cause gone: what was, what stands, what will flow; a changed circuit voids it.
        console.wait(rf"{digit} resume A02\s*$")
        console.press(digit)
        told = console.told(r"RESUME A02 held 0:0\d of 2:00 allowed; .*type a02 and Enter")
        assert re.search(r"air \d+ min of 0, H2 \d %LEL, hood shut; \d\d\.\d C", told)
        assert re.search(r"will flow: 3\.0 A 10 min, then 4\.0 A to 2\.75 V/cell; ends (\w{3} )?\d\d:\d\d", told)
        console.type("a02")
        console.press("enter")
        console.wait(r"resume A02: .*read back")
        one.until(lambda: one.current_A("A02") > 0.6 * CHARGE_A, "restart current")
        shown = one.circuit("A02")
        assert shown["state"] == "running"
        assert shown["set_current_A"] == 3.0
        assert shown["run"]["charge_Ah"] >= charge_Ah
