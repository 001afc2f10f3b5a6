"""An output that is on by itself: where it trips, where it is another law's or nobody's, and what it stops."""

from __future__ import annotations

from dataclasses import replace

import pytest

from controller.core import bath
from controller.core.laws import hands_off, output_on
from controller.core.moves import restarted
from controller.core.types import Output, State

BENCHS = {"out_of_use": "shunt", "leads_off": True}


def view(kit, on=True, **state):
    state = {"state": State.IDLE, "set_A": 0.0, "output": Output.OFF, **state}
    return kit.view(state=kit.state(**state), facts=kit.facts(current_A=0.0, output_on=on, voltage_V=300.0))


def test_it_trips_after_the_settling_time_in_two_readings(kit):
    """Two seconds here; a moment of off begins it anew, what is not read stands still."""
    on, off, blind = view(kit), view(kit, on=False), view(kit, on=None)
    assert kit.watch("output_came_on", [on, on, on, off]) == [False, False, True, False]
    assert kit.watch("output_came_on", [on, off, on, on]) == [False] * 4
    assert kit.watch("output_came_on", [on, blind, on, blind]) == [False, False, True, True]
    assert kit.watch("output_came_on", [on, on], 5_000) == [False, True]
    assert output_on.by_itself(on, False).value == 300.0


@pytest.mark.parametrize(("state", "trips"), [
    ({"state": State.HELD}, True), ({"state": State.UNKNOWN}, True), ({"state": State.RUNNING}, True),
    ({"blocked_by": "bert"}, True), ({"output": Output.ON}, False), ({"output": Output.TO_ZERO}, False),
    ({"output": Output.OFF_SENT}, False), ({"output": Output.STUCK}, False), (BENCHS, False),
    ({**BENCHS, "blocked_by": "bert"}, True), ({"out_of_use": "shunt"}, True), ({"leads_off": True}, True),
])  # fmt: skip
def test_only_an_output_that_is_off_here_can_come_on(kit, state, trips):
    """What is on its way to off has its own laws; a bench's rectifier is driven by hand, but not while blocked."""
    views = [view(kit, **state)] * 3
    assert kit.watch("output_came_on", views) == [False, False, trips]
    assert output_on.FAMILY.asleep(views[0]) is (state.get("output", Output.OFF) is not Output.OFF)
    assert output_on.FAMILY.asleep(view(kit, on=False))


@pytest.mark.parametrize("current_A", [0.0, None])
@pytest.mark.parametrize("wanted", ["idle", "held", "rest"])
def test_a_rectifier_that_switches_itself_on_is_tripped(kit, wanted, current_A):
    """Idle, held or in a rest, with zero current read or none: within seconds, contactor open."""
    bench = kit.bench(own={"has_contactor": True})
    if wanted == "idle":
        bench.cycles(5)
    else:
        bench.running(kit.step(kind="rest", current_A=0.0) if wanted == "rest" else kit.step())
    if wanted == "held":
        bench.order("hold")
    bench.cycles(5)
    bench.bad[0, "output_on"], bench.bad[0, "voltage_V"] = 1.0, 300.0
    bench.cycles(4)
    if current_A is None:
        bench.bad[0, "current_A"] = None
    assert bench.circuit().state is State.TRIPPED
    assert not bench.out.commands[0].contactor_closed
    (alarm,) = (alarm for alarm in bench.circuit().alarms if alarm.code == "output_came_on")
    assert (alarm.latched, alarm.priority, bench.out.bath.horn) == (True, 1, 1)


def test_a_start_and_a_resume_need_an_output_that_reads_off(kit):
    """Refused in the very first cycle of it; accepted with off read back."""
    bench = kit.bench().cycles(5)
    bench.order("load", load=kit.load())
    bench.bad[0, "output_on"] = 1.0
    assert bench.order("start") == "output_on"
    bench.bad.clear()
    assert bench.order("start") == "accepted"
    bench.cycles(2)
    bench.order("hold")
    bench.cycles(5)
    bench.bad[0, "output_on"] = 1.0
    assert bench.order("resume") == "output_on"
    bench.bad.clear()
    assert bench.order("resume") == "accepted"


@pytest.mark.parametrize("current_A", [0.0, None])
def test_a_blocked_string_is_watched_by_a_new_service_too(kit, current_A):
    """State unknown, output on: hands off in two readings, and the bath is held."""
    bench = kit.bench().cycles(5)
    bench.order("block", who="bert")
    bench.cycles(3)
    circuits = tuple(restarted(each) for each in bench.state.circuits)
    bench.state = replace(bath.fresh_state(bench.settings), circuits=circuits, now_ms=bench.now_ms)
    bench.bad[0, "output_on"], bench.bad[0, "voltage_V"] = 1.0, 300.0
    if current_A is None:
        bench.bad[0, "current_A"] = None
    bench.cycles(3)
    assert bench.circuit().state is State.UNKNOWN
    assert ("hands_off", True) in {(alarm.code, alarm.latched) for alarm in bench.circuit().alarms}
    assert "block_ignored" in {alarm.code for alarm in bench.state.alarms}


@pytest.mark.parametrize(("state", "near"), [
    ({"state": State.UNKNOWN, "blocked_by": "bert"}, True), ({"state": State.UNKNOWN}, False),
    ({**BENCHS, "blocked_by": "bert"}, True), (BENCHS, False), ({"out_of_use": "shunt"}, True),
])  # fmt: skip
def test_who_may_be_near_an_open_bath_or_a_block(kit, state, near):
    """A block counts everywhere; an open hood neither at a bench's leads, nor before a new service's first off."""
    own = kit.state(set_A=0.0, **{"state": State.IDLE, "output": Output.OFF, **state})
    share = kit.share(hood_closed=False)
    views = [kit.view(state=own, facts=kit.facts(current_A=0.0, output_on=True), share=share)]
    assert bool(hands_off.driven(views[0], False).holds) is near
