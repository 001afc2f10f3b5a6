"""Notes, and acknowledging one alarm of several: neither touches the process."""

from __future__ import annotations

from dataclasses import replace

import pytest

from controller.core import alarms
from controller.core.state import Alarm
from controller.core.types import Reaction

HOT = Alarm("probe_derate", 0, 2, Reaction.DERATE)
SLOW = Alarm("step_slow", 5, 3, Reaction.WARN)
GONE = Alarm("current_warn", 9, 3, Reaction.WARN, active=False)
STOP = Alarm("emergency_stop", 1, 1, Reaction.TRIP, active=False, latched=True)
BAD_NOTES = [None, "", "   ", 7, True, "x" * 501]


@pytest.mark.parametrize("target", ["A01", "A"])
def test_a_note_goes_to_the_record_and_changes_nothing(kit, target):
    """Circuit or bath, in any state, by anybody: an event with its words, and the state as without it."""
    noted, plain = kit.bench().running(), kit.bench().running()
    events = noted.cycle(kit.order("note", target, roles=(), who="guest", text="pump hums"))
    plain.cycle()
    assert noted.state == plain.state
    (event,) = (event for event in events if event.data.get("verb") == "note")
    assert (event.code, event.kind, event.target) == ("note", "order", target)
    assert (event.data["who"], event.data["text"]) == ("guest", "pump hums")


@pytest.mark.parametrize("target", ["A01", "A"])
@pytest.mark.parametrize("text", BAD_NOTES)
def test_a_note_says_something_and_not_too_much(kit, target, text):
    """Nothing, blanks, no text, or more than 500 characters."""
    bench = kit.bench()
    assert bench.order("note", target, text=text) == "no_text"
    assert [event.data["most"] for event in bench.events if event.code == "no_text"] == [500]


@pytest.mark.parametrize("length", [1, 500])
def test_the_longest_and_shortest_note_pass(kit, length):
    """Both ends included, on a circuit nobody knows anything of yet."""
    assert kit.bench().order("note", "A02", text="x" * length) == "note"


def test_one_alarm_of_several_is_acknowledged():
    """The named one alone; without a name all. What returned and was seen leaves, what was not seen stays."""
    found = (HOT, SLOW, GONE)
    one = alarms.acknowledged(found, "step_slow")
    assert one == (HOT, replace(SLOW, acknowledged=True), GONE)
    assert alarms.acknowledged(found, "current_warn") == (HOT, SLOW)
    assert alarms.acknowledged(found) == (replace(HOT, acknowledged=True), replace(SLOW, acknowledged=True))


@pytest.mark.parametrize(("alarm", "waits"), [
    (None, True), ("probe_derate", True), ("step_slow", False), ("nobody knows", False), ("", False), (7, False),
    (True, False),
])  # fmt: skip
def test_an_alarm_that_does_not_wait_cannot_be_acknowledged(kit, alarm, waits):
    """A code that is not open, seen already, empty or no code never widens to all alarms."""
    bench = kit.bench(circuits=1).running().change(alarms=(HOT, replace(SLOW, acknowledged=True)))
    assert bench.order("acknowledge", alarm=alarm) == ("accepted" if waits else "nothing_new")


def test_acknowledging_one_leaves_the_other_new(kit):
    """Through the whole core, on a circuit; the revision moves, so that other screens look again."""
    bench = kit.bench(circuits=1).running().change(alarms=(HOT, STOP))
    revision = bench.circuit().revision
    assert bench.order("acknowledge", alarm="emergency_stop") == "accepted"
    seen = {alarm.code: alarm.acknowledged for alarm in bench.circuit().alarms}
    assert seen["emergency_stop"] is True
    assert seen["probe_derate"] is False
    assert bench.circuit().revision > revision


def test_one_alarm_of_the_bath_is_acknowledged(kit):
    """The same for the bath's own, whose other alarm stays new."""
    bench = kit.bench()
    water = Alarm("water_warm", 2, 3, Reaction.WARN, active=False)
    bench.state = replace(bench.state, alarms=(STOP, water))
    assert bench.order("acknowledge", "A", alarm="hood_open") == "nothing_new"
    assert bench.order("acknowledge", "A", alarm="emergency_stop") == "accepted"
    assert bench.state.alarms == (replace(STOP, acknowledged=True), water)
    assert bench.order("acknowledge", "A") == "accepted"
    assert bench.state.alarms == (replace(STOP, acknowledged=True),)
