"""The life of an alarm: new, acknowledged, returned, latched, reset."""

from __future__ import annotations

import pytest

from controller.core import alarms
from controller.core.state import Alarm
from controller.core.types import Condition, Reaction, State

WARN = Condition("warm", Reaction.WARN, 41.0, 40.0, priority=2)
TRIP = Condition("hot", Reaction.TRIP, 61.0, 60.0, priority=1)


def raised(*conditions, before=()):
    return alarms.raised(before, conditions, "A01", 5_000)


def test_a_new_alarm_carries_its_value_limit_and_moment():
    """And the event says new."""
    (alarm,), (event,) = raised(WARN)
    assert (alarm.code, alarm.since_ms, alarm.value, alarm.limit, alarm.active) == ("warm", 5_000, 41.0, 40.0, True)
    assert not alarm.acknowledged
    assert not alarm.latched
    assert (event.code, event.target, event.data["life"], event.priority) == ("warm", "A01", "new", 2)


def test_a_trip_latches_and_nothing_else_does():
    """Latched alarms wait for a reset."""
    found, _ = raised(WARN, TRIP)
    assert [alarm.latched for alarm in found] == [False, True]


@pytest.mark.parametrize(("condition", "seen", "stays"), [
    (WARN, False, True), (WARN, True, False), (TRIP, False, True), (TRIP, True, True),
])  # fmt: skip
def test_an_alarm_leaves_when_its_cause_is_gone_and_a_person_saw_it(condition, seen, stays):
    """Unseen ones stay, latched ones stay; each is told to have returned."""
    found, _ = raised(condition)
    found = alarms.acknowledged(found) if seen else found
    found, (event,) = alarms.returned(found, (condition,), "A01")
    assert bool(found) is stays
    assert event.data["life"] == "returned"
    assert all(not alarm.active for alarm in found)


def test_acknowledging_a_returned_alarm_lets_it_go_but_not_a_latch():
    """The last one to see it."""
    found, _ = raised(WARN, TRIP)
    found, _ = alarms.returned(found, (WARN, TRIP), "A01")
    assert [alarm.code for alarm in alarms.acknowledged(found)] == ["hot"]


def test_an_alarm_that_comes_back_is_new_again_and_keeps_its_latch():
    """Seen once is not seen twice."""
    found, _ = raised(TRIP)
    found = alarms.acknowledged(found)
    found, _ = alarms.returned(found, (TRIP,), "A01")
    (alarm,), events = raised(TRIP, before=found)
    assert (alarm.acknowledged, alarm.latched, alarm.active) == (False, True, True)
    assert len(events) == 1


def test_a_return_without_an_alarm_or_twice_says_nothing():
    """One return, one event."""
    found, _ = raised(TRIP)
    found, _ = alarms.returned(found, (TRIP,), "A01")
    assert alarms.returned(found, (TRIP,), "A01") == (found, [])
    assert alarms.returned((), (TRIP,), "A01") == ((), [])


def test_a_reset_takes_the_latch_of_alarms_still_standing_and_ends_the_others():
    """What stands goes on standing."""
    standing = Alarm("a", 0, 2, Reaction.TRIP, active=True, acknowledged=True, latched=True)
    gone = Alarm("b", 0, 2, Reaction.TRIP, active=False, acknowledged=True, latched=True)
    (left,) = alarms.reset((standing, gone))
    assert (left.code, left.latched, left.active) == ("a", False, True)


def test_the_marks_show_every_change_a_person_could_see():
    """Active, acknowledged, latched."""
    alarm = Alarm("a", 0, 2, Reaction.TRIP, active=True, acknowledged=False, latched=True)
    assert alarms.marks((alarm,)) == (("a", True, False, True),)


def test_every_change_of_an_alarm_raises_the_revision(kit):
    """So that an order from an older screen is refused."""
    bench = kit.bench(circuits=1).running()
    seen = [bench.circuit().revision]
    bench.bad[0, "fault_code"] = 3.0
    bench.cycles(3)
    seen.append(bench.circuit().revision)
    bench.bad.clear()
    bench.cycles(2)
    seen.append(bench.circuit().revision)
    for verb in ("acknowledge", "reset"):
        assert bench.order(verb, seen=seen[-1]) == "accepted"
        seen.append(bench.circuit().revision)
    assert seen == sorted(set(seen))


def test_a_trip_stays_latched_in_every_state_until_acknowledged_and_reset(kit):
    """Its cause gone for minutes: still tripped, still refused."""
    bench = kit.bench(circuits=1).running()
    bench.bad[0, "fault_code"] = 3.0
    bench.cycles(3)
    bench.bad.clear()
    bench.cycles(120)
    assert bench.circuit().state is State.TRIPPED
    assert bench.order("resume") == "state"
    assert bench.order("reset") == "not_acknowledged"
    bench.order("acknowledge")
    bench.bad[0, "fault_code"] = 3.0
    bench.cycles(3)
    assert bench.order("reset") == "not_acknowledged"
    bench.order("acknowledge")
    assert bench.order("reset") == "cause_stands"


def test_a_trip_of_a_finished_run_latches_and_keeps_the_run_finished(kit):
    """Complete stays complete; unload waits for the reset."""
    bench = kit.bench(circuits=1, after_run_ms=0).running(kit.step(ends={"time_ms": 4_000}))
    bench.cycles(10)
    bench.bad[0, "fault_code"] = 3.0
    bench.cycles(3)
    assert bench.circuit().state is State.COMPLETE
    assert bench.order("unload") == "latched"
    bench.bad.clear()
    bench.cycles(2)
    assert [bench.order(verb) for verb in ("acknowledge", "reset", "unload")] == ["accepted"] * 3
