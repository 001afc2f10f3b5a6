"""An alarm at night, and a circuit that is reduced: key by key in a real terminal, on a real service."""

from __future__ import annotations

import re

import pytest
from journey import CHARGE_A, hall

HANDS = (
    "off, zero read back", "block", "lock the rectifier off", "air on", "wait 10 min", "meter", "only then hands"
)  # fmt: skip


@pytest.mark.slow
def test_alarm_at_night(tmp_path):
    """Bell and line 3 by themselves; two keys to its circuit; the caution in order; seen, noted; no more."""
    with hall(tmp_path) as one:
        one.run("A01", "A02", "A03")
        console = one.console()
        assert b"\a" not in console.raw
        one.fault("A02 open_clamp")
        console.line(r"^\*2 \d\d:\d\d A02 no current at voltage limit", 3)
        console.until(lambda: b"\a" in console.raw, what="bell")
        console.wait("1 new  1 open")

        # Two keys from the hall: the list with what was done and what must be done before hands, then its circuit.
        console.keys = 0
        console.press("a")
        said = console.told(r">\*2 [\d:]+ A02 no current at voltage limit: .*resume")
        assert "did: tripped" in said
        places = [said.index(word) for word in HANDS]
        assert places == sorted(places)
        assert said.index("only then hands") < said.index("clamps first")
        console.press("enter")
        console.wait(r"/ Bath A / A02")
        console.wait(r"A02 TRIPPED")
        assert console.keys <= 2

        # Not on the screen, not seen: only what stood there for a second is acknowledged.
        console.seconds(3)
        console.press("k")
        console.wait("0 new  1 open")
        console.until(lambda: "*2" not in console.row(3), what="not new any more on line 3")
        shown = one.circuit("A02")
        assert [(each["code"], each["acknowledged"], each["latched"]) for each in shown["alarms"]] == [
            ("open_string", True, True)
        ]
        assert shown["state"] == "tripped"
        assert one.circuit("A01")["state"] == "running"

        # A note, kept with who wrote it.
        console.press("n")
        console.wait("NOTE on A02")
        console.type("smell at 2, looked from outside")
        console.press("enter")
        one.recorded(r"^A02 \S+ .*smell at 2, looked from outside$")

        # Two keys from any other page, too, and the alarm still stands there.
        console.press("h", "end", "t")
        console.wait("A03 / trend")
        console.press("a", "enter")
        console.wait(r"/ Bath A / A02")
        console.wait(r"#2")


@pytest.mark.slow
def test_reduced(tmp_path):
    """Percent, reason with value and limit, since when, the new end: one key; and no order raises the current."""
    with hall(tmp_path, circuits=2, probe="derate_C = 30\nhold_C = 45\ntrip_C = 50", soaked_min=30.0) as one:
        one.run("A01")
        console = one.console()
        percent = int(console.wait(r"A01>\d+% (\d+)%hot").split()[-1].partition("%")[0])
        assert 40 <= percent <= 95
        console.line(r"^\*2 \d\d:\d\d A01 probe 3\d\.\d C, above 30\.0", 3)
        console.keys = 0
        console.press("enter")
        said = console.told(
            r"A01 charge: reduced to \d+ % since \d\d:\d\d, probe 3\d\.\d C, above 30\.0\. .*"
            r"Ends (\w{3} )?\d\d:\d\d if \d+ % stays, (\w{3} )?\d\d:\d\d at 100 % from now on"
        )
        assert console.keys <= 1
        stays, whole = re.findall(r"(\d\d):(\d\d)(?: if| at)", said)
        later_min = (int(stays[0]) * 60 + int(stays[1]) - int(whole[0]) * 60 - int(whole[1])) % (24 * 60)
        assert 0 < later_min < 120
        console.press("enter")
        console.told(r"RUNNING at \d+ %, reduced since \d\d:\d\d: .* above 30\.0 \(hold 45\.0, trip 50\.0\)")

        # Nothing in the menu, no script raises it: it stays what the law allows.
        console.press("o")
        console.wait("hold A01, or end its run")
        assert not re.search(r"\d (start|resume|reset) A01", console.text)
        for verb in ("start", "resume", "reset"):
            assert one.command(verb, "A01", "--confirm", "A01").returncode == 1
        shown = one.circuit("A01")
        assert shown["set_current_A"] == pytest.approx(CHARGE_A * shown["allowed_percent"] / 100.0, rel=0.05)
        assert shown["current_A"][0] < 0.97 * CHARGE_A
