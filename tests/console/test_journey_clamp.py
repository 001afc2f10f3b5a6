"""A clamp is made safe: key by key in a real terminal, on a real service."""

from __future__ import annotations

import re

import pytest
from journey import CHARGE_A, hall


@pytest.mark.slow
def test_clamp_made_safe(tmp_path):
    """Trip, zero read back, block; while blocked no resume, no reset, from nowhere; unblock, reset, held, resume."""
    with hall(tmp_path, circuits=2) as one:
        one.run("A01", "A02")
        one.until(lambda: one.circuit("A02")["run"]["charge_Ah"] > 0.002, "some charge")
        console = one.console()
        one.fault("A02 open_clamp")
        console.line(r"^\*2 \d\d:\d\d A02", 3)
        console.press("a", "enter")
        console.wait(r"A02 TRIPPED since")
        one.until(lambda: one.circuit("A02")["confirmed"], "zero read back")
        assert one.current_A("A02") < 0.2
        before_Ah = one.circuit("A02")["run"]["charge_Ah"]
        console.seconds(3)
        console.press("k")
        console.wait("0 new")

        # Block: what it does and that it is no isolation stand there before Enter.
        console.choose("block A02")
        console.told(r"NOT ISOLATION: padlock, prove dead\. .*wait 10 min; meter; only then hands Enter blocks")
        console.press("enter")
        console.wait("ORDERS for A02  BLOCKED")
        console.told(r"reset A02, a latch waits: not now, BLOCKED by \S+: somebody works on the string")
        assert not re.search(r"\d (start|resume) A02", console.text)
        assert one.command("resume", "A02", "--confirm", "A02").returncode == 1
        assert not one.order("start", "A02").accepted
        # The neighbour is blocked as well: it is held first, and its resume is refused by name.
        one.accepted("block", "A01")
        one.until(lambda: one.circuit("A01")["state"] == "held", "neighbour held")
        done = one.command("reset", "A02", "--confirm", "A02")
        assert (done.returncode, "BLOCKED by" in done.stdout) == (1, True), done.stdout
        refused = one.order("resume", "A01")
        assert (refused.accepted, "BLOCKED by" in refused.text) == (False, True), refused.text

        # Another person takes it away only as maintenance, with a reason.
        done = one.command("unblock", "A02", "--confirm", "A02", "--as-stated", "other")
        assert (done.returncode, "by" in done.stdout) == (1, True)
        assert one.circuit("A02")["blocked_by"]

        # The clamp is remade; unblock and reset each by the typed name, and neither brings current.
        one.fault("A02 open_clamp", gone=True)
        console.press("esc", "esc", "h", "end")
        console.wait(r"A02>BLOCKED")
        console.choose("unblock A02")
        console.told("people, tools and padlock away from the string")
        console.press("enter")
        console.wait("type A02 first: nothing was sent")
        console.give("a02")
        one.until(lambda: not one.circuit("A02").get("blocked_by"), "unblocked")
        one.until(lambda: one.circuit("A02")["may"].get("reset") == "", "may reset")
        console.choose("reset A02")
        console.told("RESET A02 latched: no current at voltage limit")
        console.give("a02")
        one.until(lambda: one.circuit("A02")["state"] == "held", "held")
        assert one.circuit("A02")["run"]["charge_Ah"] == pytest.approx(before_Ah, abs=0.001)
        assert one.circuit("A02")["run"].get("end_ms") is None
        assert one.current_A("A02") < 0.2

        # On again, at the restart current.
        one.until(lambda: one.circuit("A02")["may"].get("resume") == "", "may resume")
        console.choose("resume A02")
        told = console.told(r"RESUME A02 held 0:0\d of 2:00 allowed; .*will flow: 3\.0 A 10 min, then 4\.0 A")
        assert "cause open string, NOT PROVED gone: no current flows" in told
        assert re.search(r"A01 is BLOCKED by \S+: told\?", told)
        console.give("a01")
        console.told("To resume type a02 and Enter")
        console.give("a02")
        one.until(lambda: one.current_A("A02") > 0.6 * CHARGE_A, "restart current")
        shown = one.circuit("A02")
        assert (shown["state"], shown["set_current_A"]) == ("running", 3.0)
        assert shown["run"]["charge_Ah"] >= before_Ah
