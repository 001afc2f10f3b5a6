"""Current where a person may have their hands: a string driven against its block, and what the bath does."""

from __future__ import annotations

import pytest

from controller.core.bathstate import BathState
from controller.core.interlocks import CIRCUIT_LAWS
from controller.core.laws.hands_off import NOT_OBEYED
from controller.core.state import CircuitState, Timer
from controller.core.types import Output, Reaction, State

NEAR = {
    "blocked": ({"blocked_by": "bert"}, {}),
    "open": ({}, {"hood_closed": False}),
    "unpurged": ({}, {"purge_left_ms": 1}),
}


def view(kit, near="blocked", current_A=2.0, on=True, share=None, **state):
    own, bath = NEAR[near]
    state = {"state": State.HELD, "set_A": 0.0, "output": Output.OFF, **own, **state}
    facts = kit.facts(current_A=current_A, output_on=on)
    return kit.view(state=kit.state(**state), facts=facts, share=kit.share(**(bath if share is None else share)))


@pytest.mark.parametrize("near", sorted(NEAR))
@pytest.mark.parametrize("period_ms", [1_000, 5_000])
def test_current_nobody_asked_for_trips_in_two_readings(kit, near, period_ms):
    """Blocked, open or not purged; one reading of it among sound ones does nothing."""
    calm = view(kit, near, 0.0, on=False)
    views = [view(kit, near), calm, view(kit, near), view(kit, near), calm]
    assert kit.watch("hands_off", views, period_ms) == [False, False, False, True, False]


@pytest.mark.parametrize(
    ("current_A", "on", "trips"),
    [
        (0.3, False, True),
        (-0.3, False, True),
        (0.29, False, False),
        (0.0, True, True),
        (None, True, True),
        (None, False, False),
        (None, None, False),
        (0.0, None, False),
    ],
)
def test_what_counts_is_current_or_an_output_that_is_on(kit, current_A, on, trips):
    """A shunt's offset is no current; what is not read begins nothing."""
    assert kit.watch("hands_off", [view(kit, current_A=current_A, on=on)] * 2) == [False, trips]


def test_what_is_not_read_ends_nothing(kit):
    """Only zero and off, both read."""
    lost, zero = view(kit, current_A=None, on=None), view(kit, current_A=0.0, on=False)
    assert kit.watch("hands_off", [view(kit), view(kit), lost, zero]) == [False, True, True, False]


def test_it_stays_until_zero_even_where_the_block_was_lifted(kit):
    """The cause is the current, not the block."""
    lifted = view(kit, blocked_by="")
    assert kit.watch("hands_off", [view(kit), view(kit), lifted]) == [False, True, True]
    assert kit.watch("hands_off", [lifted, lifted]) == [False, False]


@pytest.mark.parametrize(
    ("changes", "trips"),
    [
        ({"output": Output.STUCK}, True),
        ({"output": Output.TO_ZERO}, False),
        ({"output": Output.OFF_SENT}, False),
        ({"output": Output.ON}, False),
        ({"state": State.UNKNOWN}, True),
        ({"state": State.UNKNOWN, "output": Output.TO_ZERO}, False),
        ({"state": State.UNKNOWN, "output": Output.STUCK}, True),
        ({"state": State.IDLE}, True),
        ({"state": State.TRIPPED}, True),
        ({"asked": ((0, 0.3),)}, False),
        ({"asked": ((0, 0.29),)}, True),
        ({"asked": ((0, 5.0),)}, False),
        ({"out_of_use": "shunt", "leads_off": True}, True),
        ({"out_of_use": "shunt"}, True),
        ({"leads_off": True}, True),
    ],
)
def test_what_is_still_ours_or_a_benchs_is_no_other_masters(kit, changes, trips):
    """An output on its way to zero, a set-point that may still act; a blocked string is somebody's, bench or not."""
    assert kit.watch("hands_off", [view(kit, **changes)] * 2) == [False, trips]


def test_the_contactor_opens_for_it(kit):
    """The codes that open under load name a law there is, which trips with priority 1."""
    (law,) = (law for law in CIRCUIT_LAWS if law.code in NOT_OBEYED)
    assert (law.code, law.reaction, law.priority) == ("hands_off", Reaction.TRIP, 1)


def test_a_driven_circuit_holds_its_whole_bath(kit):
    """While the circuit's own alarm stands, not while it waits for its second reading, nor by another law."""
    for timer, holds in (
        (Timer("hands_off", active=True), True),
        (Timer("hands_off"), False),
        (Timer("probe_trip", active=True), False),
    ):
        state = BathState((CircuitState("A01"), CircuitState("A02", timers=(timer,))))
        assert kit.watch("block_ignored", [kit.bath_view(state=state)]) == [holds]
    assert kit.watch("block_ignored", [kit.bath_view()]) == [False]


@pytest.mark.parametrize("period_ms", [1_000, 5_000])
def test_a_foreign_master_on_a_blocked_string_is_seen_in_three_cycles(kit, period_ms):
    """The circuit trips, the bath is held, its horn sounds; the neighbour comes back by order alone."""
    bench = kit.bench(period_ms=period_ms).running()
    bench.order("hold")
    bench.cycles(5)
    bench.order("block", who="bert")
    bench.cycles(5)
    assert [each.state for each in bench.state.circuits] == [State.HELD, State.RUNNING]
    bench.bad[0, "current_A"], bench.bad[0, "output_on"] = 5.0, 1.0
    bench.cycle()
    assert bench.circuit(0).state is State.HELD
    bench.cycles(2)
    assert [each.state for each in bench.state.circuits] == [State.TRIPPED, State.HELD]
    assert any(alarm.code == "hands_off" and alarm.latched for alarm in bench.circuit(0).alarms)
    assert any(alarm.code == "block_ignored" and alarm.priority == 1 for alarm in bench.state.alarms)
    assert bench.out.bath.horn == 1
    bench.bad.clear()
    bench.cycles(10)
    assert bench.circuit(1).state is State.HELD


def test_an_ordinary_hold_in_an_open_bath_is_not_taken_for_another_master(kit):
    """Current that falls as it was told to, within the settling time, is ours."""
    bench = kit.bench().running()
    bench.bath_signals["hood_closed"] = 0.0
    bench.cycle()
    bench.bad[0, "current_A"] = 15.0
    bench.cycle()
    bench.bad[0, "current_A"] = 4.0
    bench.cycle()
    bench.bad.clear()
    bench.cycles(5)
    assert not any(event.code == "hands_off" for event in bench.events)
    assert [each.state for each in bench.state.circuits] == [State.HELD] * 2
