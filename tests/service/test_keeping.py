"""What a restart may never forget."""

from __future__ import annotations

import json
from dataclasses import replace

import pytest

from controller.core import output
from controller.core.bath import fresh_state
from controller.core.bathstate import Duty, Inputs
from controller.core.settings import BathSettings, CircuitSettings
from controller.core.state import Alarm, Allowed, CircuitState, Run, Tick, Timer
from controller.core.types import Output, Reaction, State
from controller.service.keeping import (
    ADDED,
    DROPPED,
    base_ms,
    begun_again,
    ended_folders,
    kept_alarms,
    kept_circuits,
    kept_duty,
    kept_memory,
    kept_resume_for,
    memory_of,
    state_to_keep,
    unreadable,
)

OWN = CircuitSettings("A01", 18, 0.5, 20.0, 340.0)
BATH = BathSettings("north", "A", True, 1000, 3000, 5000, (OWN, replace(OWN, name="A02")))
STOP = Alarm("emergency_stop", 1000, 1, Reaction.TRIP, active=True, acknowledged=False, latched=True)


def kept(**changes):
    """The content of state.json for a bath whose first circuit was changed so."""
    state = fresh_state(BATH)
    first = replace(state.circuits[0], state=State.IDLE, **changes)
    return state_to_keep(replace(state, circuits=(first, state.circuits[1]), alarms=(STOP,)), 5, {}, {})


def test_a_block_comes_back():
    """The person's name stands on the circuit again, and it is unknown until zero was read."""
    circuits, problems = kept_circuits(kept(blocked_by="anna"))
    state = begun_again(BATH, circuits, 7000, after_run=True)
    assert problems == []
    assert (state.circuits[0].blocked_by, state.circuits[0].state) == ("anna", State.UNKNOWN)
    assert state.current_ms == 7000


def test_a_circuit_that_cannot_be_read_comes_back_blocked():
    """One strange entry must not turn a blocked circuit into a free one."""
    content = kept(blocked_by="anna")
    content["circuits"]["A01"] = "rubbish"
    circuits, problems = kept_circuits(content)
    assert circuits["A01"] == unreadable("A01")
    assert circuits["A01"].blocked_by
    assert problems


def test_the_bath_s_own_latch_comes_back():
    """An emergency stop that nobody has reset stays latched, its cause to be seen anew."""
    alarms = kept_alarms(kept())
    assert alarms == (replace(STOP, active=False),)
    assert begun_again(BATH, {}, 0, alarms, after_run=False).alarms == alarms


def test_what_reacts_in_the_bath_outlives_a_restart():
    """With its alarm, though acknowledged: a source that is dead by then ends nothing. What only waits begins anew."""
    hot, waits = Timer("water_hold", 5, 2, True, Reaction.HOLD, 6), Timer("hydrogen_trip", 5, 1)
    told = Alarm("water_hold", 5, 1, Reaction.HOLD, acknowledged=True)
    state = replace(
        fresh_state(BATH),
        alarms=(told, replace(told, code="leak")),
        timers=(hot, waits, replace(hot, code="gone")),
        allowed=Allowed(30.0, 40.0, 3),
        inputs=Inputs(flow_lost_ms=9, base_ohm_per_V=400.0, hydrogen_LEL=3.0),
    )
    content = json.loads(json.dumps(state_to_keep(state, 5, {}, {})))
    alarms, memory = kept_alarms(content), kept_memory(content)
    begun = begun_again(BATH, {}, 7, alarms, after_run=False, memory=memory)
    assert (begun.timers, begun.allowed, begun.alarms) == ((hot,), Allowed(30.0, 40.0, 3), (told,))
    assert begun.inputs == Inputs(flow_lost_ms=9, base_ohm_per_V=400.0)
    for damaged in ({}, {"memory": {"timers": 1}}):
        assert kept_memory(damaged) == memory_of(fresh_state(BATH))
    assert begun_again(BATH, {}, 7, after_run=False).inputs == Inputs()


@pytest.mark.parametrize(("plain", "code"), [
    ({"code": "hydrogen_trip"}, "hydrogen_trip"), ({"code": "unheard"}, "emergency_stop"), ("x", "emergency_stop"),
    (None, "emergency_stop"), ({"code": ["x"]}, "emergency_stop"), ({"code": 3}, "emergency_stop"),
])  # fmt: skip
def test_an_alarm_that_cannot_be_read_comes_back_as_a_latch(plain, code):
    """Damage must not turn a latched bath into a free one."""
    (found,) = kept_alarms({"alarms": [plain], "now_ms": 8})
    assert (found.code, found.latched, found.active, found.acknowledged) == (code, True, False, False)
    assert (found.since_ms, found.priority, found.reaction) == (8, 1, Reaction.TRIP)


def test_a_gap_is_wall_time_or_said_to_be_unknown():
    """A clock that went backwards, or a week, is no gap to count with."""
    assert base_ms(10_000, 1_000_000, 1_060_000, 3_000) == (70_000, True)
    assert base_ms(10_000, 1_000_000, 999_000, 3_000) == (13_001, False)
    assert base_ms(10_000, 0, 8 * 24 * 3_600_000, 3_000) == (13_001, False)


def test_a_rectifier_found_on_goes_to_zero_before_it_goes_off():
    """A new service beside running current: set to zero with the output on, as ever."""

    class Found:
        output_on, zero, current_A, stale = True, False, 15.0, False

    assert output.found(Output.OFF, False, Found) is Output.OFF
    before = output.found(Output.OFF, True, Found)
    machine, since = output.moved(before, 0, False, Found, 2_000, 1_000)
    command = output.command(machine, 0.0, 0.0, is_closed=True)
    assert (machine, since) == (Output.TO_ZERO, 1_000)
    assert (command.set_current_A, command.output_on, command.contactor_closed) == (0.0, True, True)


def test_a_start_list_counts_no_more_after_a_restart():
    """Only the wall clock could say how old a tick is by then, and that cannot be trusted: the list is walked again."""
    circuits, _ = kept_circuits(kept(ticks=(Tick(1, True, "anna", 4_000), Tick(2, False, "bert", 5_000, "wet"))))
    assert len(circuits["A01"].ticks) == 2
    assert begun_again(BATH, circuits, 7_000, after_run=False).circuits[0].ticks == ()


def without(plain, kind):
    """A plain state as an older core kept it: without what it did not know, with what is gone since."""
    for name in ADDED.get(kind, ()):
        del plain[name]
    return {**plain, **dict.fromkeys(DROPPED.get(kind, ()), False)}


def test_a_state_of_an_older_core_is_read():
    """A circuit kept before there were start lists, shelves or trails comes back as it was, with nothing ticked."""
    content = kept(blocked_by="anna", run=Run(5, "anna"), timers=(Timer("link_lost"),))
    for name, plain in content["circuits"].items():
        plain["run"] = plain["run"] and without(plain["run"], "Run")
        plain["timers"] = [without(timer, "Timer") for timer in plain["timers"]]
        plain["link"] = without(plain["link"], "LinkMemory")
        plain["command"] = without(plain["command"], "Command")
        content["circuits"][name] = without(plain, "CircuitState")
    circuits, problems = kept_circuits(content)
    assert problems == []
    assert (circuits["A01"].blocked_by, circuits["A01"].ticks) == ("anna", ())


def test_what_people_did_outlives_a_restart():
    """The shift, the last round, what the horn's test found and whose resume is next; a permit does not."""
    did = Duty(
        round_ms=5, shift_by="anna", horn_ok=False, permit_until_ms=9, permit_by="bert", horn_test_ms=7, muted=True
    )
    state = replace(fresh_state(BATH), duty=did, resume_for="extraction_lost")
    content = json.loads(json.dumps(state_to_keep(state, 5, {}, {})))
    assert kept_duty(content) == Duty(round_ms=5, shift_by="anna", horn_ok=False)
    assert kept_resume_for(content) == "extraction_lost"
    assert (kept_duty({"duty": {"round_ms": "x"}}), kept_resume_for({})) == (Duty(), "")
    begun = begun_again(BATH, {}, 0, after_run=False, duty=kept_duty(content), resume_for="extraction_lost")
    assert (begun.duty.shift_by, begun.resume_for) == ("anna", "extraction_lost")


def test_another_field_that_lacks_still_blocks():
    """Only what an older core did not know may be missing."""
    content = kept(blocked_by="anna")
    del content["circuits"]["A01"]["alarms"]
    circuits, problems = kept_circuits(content)
    assert circuits["A01"] == unreadable("A01")
    assert "alarms" in problems[0]


def test_folders_of_ended_runs_come_back():
    """As bare names, and only of circuits that still have their ended run."""
    ended = Run(0, "anna", end_ms=5_000)
    content = kept(run=ended)
    content["ended_runs"] = {"A01": "/elsewhere/20260316T060000Z-A-A01-K1", "A02": "gone"}
    circuits, _ = kept_circuits(content)
    assert ended_folders(content, circuits) == {"A01": "20260316T060000Z-A-A01-K1"}
    assert ended_folders({}, circuits) == ended_folders({"ended_runs": [1]}, circuits) == {}


def test_nothing_kept_is_a_fresh_bath():
    """A first start: every circuit unknown, nobody blocked."""
    state = begun_again(BATH, {}, 0, after_run=False)
    assert state.circuits == (CircuitState("A01"), CircuitState("A02"))
