"""The circuit's states: the table against a written-out expectation, and each way of it in a bath that lives."""

from __future__ import annotations

import pytest

from controller.core import moves
from controller.core.table import TABLE, Cause, after, mermaid
from controller.core.types import State

U, I, R, H, T, C, S = (  # noqa: E741 - short, so that the table below can be read at a glance
    State.UNKNOWN,
    State.IDLE,
    State.RUNNING,
    State.HELD,
    State.TRIPPED,
    State.COMPLETE,
    State.STOPPED,
)
COLUMNS = (U, I, R, H, T, C, S)
EXPECTED = {
    #                         U     I     R     H     T     C     S
    Cause.ZERO_READ_LATCHED: (T, None, None, None, None, None, None),
    Cause.ZERO_READ_OPEN: (H, None, None, None, None, None, None),
    Cause.ZERO_READ_IDLE: (I, None, None, None, None, None, None),
    Cause.ZERO_READ_COMPLETE: (C, None, None, None, None, None, None),
    Cause.ZERO_READ_STOPPED: (S, None, None, None, None, None, None),
    Cause.LOAD: (None, I, None, None, None, None, None),
    Cause.UNLOAD: (None, I, None, None, None, I, I),
    Cause.START: (None, R, None, None, None, None, None),
    Cause.HOLD: (None, None, H, None, None, None, None),
    Cause.RESUME: (None, None, None, R, None, None, None),
    Cause.LAST_END: (None, None, C, None, None, None, None),
    Cause.TRIP: (None, T, T, T, None, None, None),
    Cause.RESET_OPEN: (None, None, None, None, H, None, None),
    Cause.RESET_IDLE: (None, None, None, None, I, None, None),
    Cause.STOP: (None, None, S, S, S, None, None),
}
PAIRS = [(state, cause) for cause in Cause for state in State]


@pytest.mark.parametrize(("state", "cause"), PAIRS)
def test_every_state_and_cause_leads_where_the_written_table_says(state, cause):
    """All seven states times all causes: there is no way that is not written here."""
    assert after(state, cause) is EXPECTED[cause][COLUMNS.index(state)]


@pytest.mark.parametrize(("state", "cause"), PAIRS)
def test_a_cause_without_a_way_changes_nothing(kit, state, cause):
    """A cause that the table does not know leaves state, moment and revision as they were."""
    before = kit.state(state, revision=7, since_ms=5)
    moved = moves.moved(before, cause, 99)
    expected = EXPECTED[cause][COLUMNS.index(state)]
    if expected is None or expected is state:
        assert moved is before
    else:
        assert (moved.state, moved.since_ms, moved.revision) == (expected, 99, 8)


def test_the_written_table_has_every_cause_and_every_state():
    """A new state or cause must be written into the expectation, or this fails."""
    assert set(EXPECTED) == set(Cause)
    assert set(COLUMNS) == set(State)


def test_every_state_is_reached_and_left():
    """From unknown every state can be reached, and no state is a dead end."""
    reached, more = {State.UNKNOWN}, True
    while more:
        new = {to for (old, _), to in TABLE.items() if old in reached} - reached
        reached |= new
        more = bool(new)
    assert reached == set(State)
    assert {old for (old, _), to in TABLE.items() if to is not old} == set(State)


def test_only_start_and_resume_lead_to_running():
    """Nothing but a person's start and a resume makes a circuit run."""
    assert {cause for (_, cause), to in TABLE.items() if to is State.RUNNING} == {Cause.START, Cause.RESUME}


def test_the_drawing_names_every_way_of_the_table():
    """The documentation's drawing is the table, way by way."""
    drawn = mermaid()
    assert drawn.splitlines()[0] == "stateDiagram-v2"
    for (old, cause), new in TABLE.items():
        assert f"{old.value} --> {new.value}: {cause.value}" in drawn


def test_a_circuit_walks_through_all_states_in_a_living_bath(kit):
    """Unknown, idle, running, held, tripped, held, running, complete, idle, running, stopped, idle."""
    bench = kit.bench(circuits=1, after_run_ms=0)
    seen = [bench.circuit().state]

    def see():
        if seen[-1] is not bench.circuit().state:
            seen.append(bench.circuit().state)

    def order(verb, **changes):
        assert bench.order(verb, **changes) == "accepted", verb
        see()

    bench.cycles(5)
    see()
    order("load", load=kit.load(kit.step(ends={"time_ms": 12_000})))
    order("start")
    bench.cycles(3)
    order("hold")
    bench.bad[0, "fault_code"] = 5.0
    bench.cycles(3)
    see()
    bench.bad.clear()
    bench.cycles(3)
    order("acknowledge")
    order("reset")
    order("resume")
    bench.cycles(12)
    see()
    bench.cycles(5)
    order("unload")
    order("load", load=kit.load(fresh=False))
    order("start")
    order("stop")
    bench.cycles(5)
    order("unload")
    assert seen == [U, I, R, H, T, H, R, C, I, R, S, I]
