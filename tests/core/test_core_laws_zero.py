"""Zero that is not read back, a stuck output, current though off: where, when, and what is no alarm by design."""

from __future__ import annotations

import pytest

from controller.core.state import Timer
from controller.core.types import Condition, Output, Reaction, State

AT_ZERO = (State.HELD, State.TRIPPED, State.STOPPED, State.COMPLETE, State.UNKNOWN)
FLOWS, SILENT, ZERO = {"current_A": 15.0}, {"current_A": None, "fresh": False, "stale": True}, {"current_A": 0.0}


def views(kit, *facts, share=None, settings=None, **state):
    state = kit.state(**{"state": State.HELD, "set_A": 0.0, "output": Output.OFF_SENT, **state})
    return [kit.view(state=state, facts=kit.facts(**fact), share=share, settings=settings) for fact in facts]


@pytest.mark.parametrize("state", AT_ZERO)
@pytest.mark.parametrize("read", [FLOWS, SILENT, {"current_A": -0.31}])
def test_zero_not_read_back_warns_where_it_should_stand(kit, state, read):
    """Held, tripped, stopped, complete, unknown with a run: current, or nothing read, after 4 s; zero clears."""
    seen = kit.watch("zero_unconfirmed", views(kit, *[read] * 5, ZERO, state=state, stored=State.HELD))
    assert seen == [False, False, False, False, True, False]


@pytest.mark.parametrize(("period_ms", "first"), [(1_000, 4), (5_000, 4)])
def test_zero_is_waited_for_as_long_as_a_device_needs_and_two_cycles(kit, period_ms, first):
    """2 s or two cycles for the device, two cycles more."""
    given = views(kit, *[SILENT] * 6, settings=kit.settings(period_ms))
    assert kit.watch("zero_unconfirmed", given, period_ms).index(True) == first


@pytest.mark.parametrize(("changes", "read", "warns"), [
    ({"state": State.IDLE}, FLOWS, True),
    ({"state": State.IDLE}, SILENT, True),
    ({"state": State.IDLE, "output": Output.OFF}, FLOWS, False),
    ({"state": State.IDLE, "output": Output.OFF}, SILENT, False),
    ({"state": State.RUNNING}, FLOWS, False),
    ({"state": State.IDLE, "blocked_by": "bert"}, FLOWS, True),
    ({"state": State.IDLE, "blocked_by": "bert", "output": Output.OFF}, SILENT, False),
    ({"output": Output.OFF}, SILENT, False),
    ({"output": Output.OFF}, FLOWS, True),
    ({"output": Output.STUCK}, SILENT, True),
    ({"output": Output.TO_ZERO}, {**SILENT, "current_A": 0.29}, False),
    ({"state": State.UNKNOWN, "stored": State.IDLE, "output": Output.OFF}, SILENT, False),
    ({"state": State.UNKNOWN, "stored": State.IDLE, "output": Output.OFF}, FLOWS, True),
    ({"state": State.UNKNOWN, "stored": State.IDLE, "blocked_by": "bert", "output": Output.OFF}, SILENT, True),
    ({"state": State.UNKNOWN, "stored": State.COMPLETE, "output": Output.OFF}, SILENT, True),
])  # fmt: skip
def test_what_is_an_alarm_and_what_is_none_by_design(kit, changes, read, warns):
    """A rectifier locked off after its zero was read says nothing any more; current always speaks."""
    assert any(kit.watch("zero_unconfirmed", views(kit, *[read] * 6, **changes))) is warns


def timed(at_ms, code="zero_unconfirmed"):
    return {"timers": (Timer("link_lost", 0), Timer(code, at_ms))}


@pytest.mark.parametrize(("since_ms", "changes", "share", "long"), [
    (40_000, {}, {}, True), (40_001, {}, {}, False), (96_000, {"blocked_by": "bert"}, {}, True),
    (96_001, {"blocked_by": "bert"}, {}, False),
    (96_000, {}, {"reactions": (Condition("hood", Reaction.HOLD, priority=1),)}, True),
    (96_000, {}, {"reactions": (Condition("hood", Reaction.TRIP, priority=1),)}, True),
    (96_000, {}, {"reactions": (Condition("hood", Reaction.DERATE, priority=1),)}, False),
    (96_000, {}, {"reactions": (Condition("water_hold", Reaction.HOLD, priority=2),)}, False),
])  # fmt: skip
def test_priority_one_after_a_minute_or_at_once_where_people_are(kit, since_ms, changes, share, long):
    """60 s; where the circuit is blocked or the cause is the whole bath's, with the first alarm."""
    read = {**SILENT, "now_ms": 100_000}
    given = views(kit, read, share=kit.share(**share), **timed(since_ms), **changes)
    assert kit.watch("zero_unconfirmed_long", given) == [long]
    assert kit.watch("zero_unconfirmed_long", views(kit, {**read, "current_A": 0.0}, **timed(since_ms))) == [False]


def test_priority_one_needs_the_first_alarms_time(kit):
    """Without that law's timer, or with another's, nothing has lasted."""
    read = {**SILENT, "now_ms": 100_000}
    assert kit.watch("zero_unconfirmed_long", views(kit, read)) == [False]
    assert kit.watch("zero_unconfirmed_long", views(kit, read, **timed(0, "open_string"))) == [False]


@pytest.mark.parametrize(("output", "read", "trips"), [
    (Output.STUCK, {"current_A": 1.01, "output_on": False}, True),
    (Output.STUCK, {"current_A": -1.01, "output_on": None}, True),
    (Output.STUCK, {"current_A": 1.0, "output_on": False}, False),
    (Output.STUCK, {"current_A": 0.0, "output_on": True}, True),
    (Output.STUCK, {"current_A": None, "output_on": True}, True),
    (Output.STUCK, {"current_A": None, "output_on": False}, False),
    (Output.OFF_SENT, {"current_A": 15.0, "output_on": True}, False),
    (Output.STUCK, {"current_A": None, "output_on": None}, False),
])  # fmt: skip
def test_an_output_that_does_not_go_off_trips(kit, output, read, trips):
    """More than one ampere, or the output itself, once the machine says that it is stuck."""
    assert kit.watch("output_stuck", views(kit, read, output=output)) == [trips]


def test_a_stuck_output_stays_while_nothing_is_read(kit):
    """Neither current nor output read: the cause is not gone; both read as good: it is."""
    stuck, unread, gone = FLOWS, {"current_A": None, "output_on": None}, {"current_A": 0.0, "output_on": False}
    assert kit.watch("output_stuck", views(kit, stuck, unread, gone, output=Output.STUCK)) == [True, True, False]


@pytest.mark.parametrize(("current_A", "output_on", "trips"), [
    (1.01, False, True), (-1.01, False, True), (1.0, False, False), (15.0, True, False), (15.0, None, False),
    (None, False, False),
])  # fmt: skip
def test_current_though_the_output_says_off_trips_in_two_readings(kit, current_A, output_on, trips):
    """More than one ampere, in every state."""
    for state in (State.RUNNING, State.IDLE, State.UNKNOWN):
        read = {"current_A": current_A, "output_on": output_on}
        assert kit.watch("current_though_off", views(kit, read, read, state=state)) == [False, trips]


def test_current_though_off_stays_while_one_of_the_two_is_not_read(kit):
    """Losing the source keeps the reaction."""
    off, unread = {"current_A": 9.0, "output_on": False}, {"current_A": None, "output_on": False}
    blind, on = {"current_A": 9.0, "output_on": None}, {"current_A": 9.0, "output_on": True}
    assert kit.watch("current_though_off", views(kit, off, off, unread, blind, on)) == [False, True, True, True, False]


def new(bench):
    return [(event.code, event.priority) for event in bench.events if event.data.get("life") == "new"]


def test_a_silent_link_in_mid_run_is_told_in_its_order(kit):
    """Silence holds; 4 s later zero is not confirmed, a minute later that is priority 1; zero read ends it."""
    bench = kit.bench(circuits=1).running()
    bench.bad[0, "link"] = "down"
    bench.cycles(62)
    assert new(bench) == [("link_lost", 2)]  # of which zero that is not confirmed follows: silent by design
    assert [alarm.suppressed for alarm in bench.circuit().alarms if alarm.code == "zero_unconfirmed"] == [True]
    bench.cycles(10)
    assert new(bench)[1:] == [("zero_unconfirmed_long", 1)]
    bench.toys[0].on = False
    bench.bad.clear()
    bench.cycles(2)
    assert not any(alarm.active for alarm in bench.circuit().alarms)


def test_a_rectifier_locked_off_before_hands_go_to_its_string_is_no_alarm(kit):
    """Held, zero and off read back, blocked, then silent: nothing new but the link, which was told."""
    bench = kit.bench(circuits=1).running()
    bench.order("hold")
    bench.cycles(5)
    assert bench.order("block") == "accepted"
    bench.bad[0, "link"] = "down"
    bench.cycles(80)
    assert new(bench) == [("link_lost", 2)]


def test_an_output_that_ignores_off_trips_and_is_not_reset_before_it_reads_off(kit):
    """Zero current, output on: stuck after its time; zero alone does not clear it."""
    bench = kit.bench(circuits=1).running()
    bench.bad[0, "output_on"] = 1.0
    bench.order("hold")
    bench.cycles(8)
    assert ("output_stuck", 1) in new(bench)
    assert bench.circuit().state is State.TRIPPED
    bench.cycles(20)
    assert bench.circuit().output is Output.STUCK
    bench.bad.clear()
    bench.cycles(2)
    assert bench.circuit().output is Output.OFF
    assert not any(alarm.active for alarm in bench.circuit().alarms)
