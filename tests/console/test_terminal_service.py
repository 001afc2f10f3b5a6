"""The console and its service, each a process: a service that freezes, dies, comes back; a second console beside it."""

from __future__ import annotations

import re
import signal

import floor
import pytest

CLOCK = re.compile(r"\d\d:\d\d:\d\d")


@pytest.fixture(scope="session")
def bath(request, tmp_path_factory) -> floor.Floor:
    return floor.shared(request.config, tmp_path_factory.mktemp("floor"))


@pytest.fixture
def own(tmp_path):
    made = floor.Floor(tmp_path)
    yield made
    made.close()


@pytest.mark.slow
def test_silent_service_is_said_and_leaves_when_it_is_back(own):
    """Frozen: line 3 says since when, the clock stands, and a state carries `?`. Killed: the same line, with where to
    look, and an order is told as not sent. Back again: the line goes, the clock runs, nothing was pressed.
    """
    with own.console() as console:
        console.wait("A04 free")
        own.service.send_signal(signal.SIGSTOP)
        console.until(lambda: "service silent since" in console.row(3), what="silent")
        assert "rectifiers' own displays" in console.row(3) + console.row(4)
        assert "baths 0 of 1 answer" in console.row(2)
        stands = CLOCK.search(console.row(1)).group()
        assert stands in console.row(3)
        console.wait(r"A04 idle\? +\?\d+s")
        # Time passes here, and the clock of a service that stands does not.
        raw = len(console.raw)
        console.press("down", "up")
        console.until(lambda: len(console.raw) > raw, what="drawn again")
        assert CLOCK.search(console.row(1)).group() == stands

        own.service.send_signal(signal.SIGCONT)
        console.until(lambda: "silent" not in console.row(3), what="it answers again")
        console.until(lambda: CLOCK.search(console.row(1)).group() != stands, what="the clock runs")

        own.service.kill()
        own.service.wait(floor.BOUND_S)
        console.until(lambda: "service silent since" in console.row(3), what="killed")
        dead = CLOCK.search(console.row(1)).group()
        assert "rectifiers' own displays" in console.row(3) + console.row(4)
        # An order given now was not sent, and the console works on.
        console.press("s", "enter")
        console.wait("NOT SENT, nothing was changed")
        console.press("a")
        console.wait("/ alarms")
        console.press("h")
        own.serve()
        console.until(lambda: "silent" not in console.row(3), what="a new service")
        assert CLOCK.search(console.row(1)).group() > dead
        assert "baths 1 of 1 answer" in console.row(2)


def test_second_console_sees_order_and_open_dialogue(bath):
    """What one console asks the other sees: the open dialogue in its own, then the order with its person."""
    with bath.console() as one, bath.console() as other:
        one.wait("A03 held")
        other.wait("A03 held")
        one.press("g", *"a03", "enter")
        other.press("g", *"a03", "enter")
        other.wait("A03")
        floor.choose(one, "resume")
        floor.choose(other, "resume")
        other.wait("root has this prompt open too")
        one.wait("root has this prompt open too")
        other.press("esc")
        one.wait_gone("has this prompt open too")
        one.press("esc", "n", *"seen by two", "enter")
        other.wait("root ordered note A03")
        bath.until_event("seen by two")


@pytest.mark.slow
def test_killed_console_changes_nothing(bath):
    """SIGKILL in the middle of a typed resume: no order on record, circuits as they were, another console works."""
    before = [(each["name"], each["state"], each["revision"]) for each in bath.snapshot()["circuits"]]
    orders = bath.orders()
    with bath.console() as console:
        console.wait("A03 held")
        console.press("g", *"a03", "enter")
        floor.choose(console, "resume")
        console.wait("(?i)type a03")
        console.press(*"a03")
        console.child.kill()
        console.end()
        assert bath.orders() == orders
        assert [(each["name"], each["state"], each["revision"]) for each in bath.snapshot()["circuits"]] == before
    assert not bath.snapshot().get("prompts")
    with bath.console() as console:
        console.wait("A03 held")
