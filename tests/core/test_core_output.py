"""The output machine: zero is read back before off, waits at most the settling time, and says when it is stuck."""

from __future__ import annotations

from dataclasses import replace

import pytest

from controller.core import output
from controller.core.types import Command, Output, State

OFF, ON, TO_ZERO, OFF_SENT, STUCK = Output.OFF, Output.ON, Output.TO_ZERO, Output.OFF_SENT, Output.STUCK
SETTLE_MS = 2_000


def moved(kit, machine, wanted=False, waited_ms=0, current_A=0.0, output_on=True):
    facts = kit.facts(current_A=current_A, output_on=output_on)
    return output.moved(machine, 10_000, wanted, facts, SETTLE_MS, 10_000 + waited_ms)[0]


@pytest.mark.parametrize("machine", [OFF, ON, TO_ZERO, OFF_SENT])
def test_wanted_current_turns_the_output_on(kit, machine):
    """From wherever the machine stands."""
    assert moved(kit, machine, wanted=True) is ON


UNWANTED = [
    # machine, waited, current read, output read, to
    (OFF, 0, 0.0, False, OFF),
    (ON, 0, 0.0, True, TO_ZERO),
    (ON, 0, 15.0, True, TO_ZERO),
    (TO_ZERO, 0, 15.0, True, TO_ZERO),
    (TO_ZERO, 1_999, 15.0, True, TO_ZERO),
    (TO_ZERO, 2_000, 15.0, True, OFF_SENT),
    (TO_ZERO, 0, 0.29, True, OFF_SENT),
    (TO_ZERO, 0, 0.31, True, TO_ZERO),
    (TO_ZERO, 0, None, None, TO_ZERO),
    (TO_ZERO, 2_000, None, None, OFF_SENT),
    (OFF_SENT, 0, 0.0, True, OFF_SENT),
    (OFF_SENT, 0, 0.0, None, OFF_SENT),
    (OFF_SENT, 0, 0.0, False, OFF),
    (OFF_SENT, 2_000, 15.0, False, OFF_SENT),
    (OFF_SENT, 2_001, 15.0, False, STUCK),
    (OFF_SENT, 9_000, None, None, OFF_SENT),
    (OFF_SENT, 2_000, 0.0, True, OFF_SENT),
    (OFF_SENT, 2_001, 0.0, True, STUCK),
    (OFF_SENT, 2_001, None, True, STUCK),
    (OFF_SENT, 2_001, 0.31, None, STUCK),
    (OFF_SENT, 9_000, 0.0, None, OFF_SENT),
    (STUCK, 9_000, 15.0, True, STUCK),
    (STUCK, 9_000, 15.0, False, STUCK),
    (STUCK, 9_000, None, False, STUCK),
    (STUCK, 9_000, None, None, STUCK),
    (STUCK, 9_000, 0.0, None, STUCK),
    (STUCK, 0, 0.0, True, STUCK),
    (STUCK, 0, 0.0, False, OFF),
]


@pytest.mark.parametrize(("machine", "waited_ms", "current_A", "output_on", "to"), UNWANTED)
def test_the_way_to_off(kit, machine, waited_ms, current_A, output_on, to):
    """On, to zero, off sent, off; stuck where current or the output stays; unread values confirm nothing."""
    assert moved(kit, machine, False, waited_ms, current_A, output_on) is to


def test_the_machine_remembers_since_when(kit):
    """The moment moves with the state only."""
    facts = kit.facts(current_A=15.0)
    assert output.moved(TO_ZERO, 10_000, False, facts, SETTLE_MS, 11_000) == (TO_ZERO, 10_000)
    assert output.moved(ON, 10_000, False, facts, SETTLE_MS, 11_000) == (TO_ZERO, 11_000)


COMMANDS = {
    ON: Command(9.0, 300.0, True),
    TO_ZERO: Command(0.0, 300.0, True),
    OFF_SENT: Command(0.0, 300.0, False),
    OFF: Command(0.0, 300.0, False),
    STUCK: Command(0.0, 300.0, False),
}


@pytest.mark.parametrize("machine", COMMANDS)
def test_each_state_of_the_machine_has_one_whole_command(machine):
    """Current in `on` alone; contactor and silence are handed through."""
    assert output.command(machine, 9.0, 300.0, is_closed=False) == COMMANDS[machine]
    closed = output.command(machine, 9.0, 300.0, is_closed=True, silent=True)
    assert closed == replace(COMMANDS[machine], contactor_closed=True, silent=True)


@pytest.mark.parametrize(("machine", "stale", "output_on", "current_A", "sure"), [
    (ON, False, True, 15.0, True), (ON, False, False, 15.0, False), (ON, True, True, 15.0, False),
    (ON, False, None, 15.0, False), (OFF, False, False, 0.0, True), (OFF, False, True, 0.0, False),
    (OFF, False, False, 0.5, False), (OFF, False, False, None, False), (OFF, True, False, 0.0, False),
    (TO_ZERO, False, True, 0.0, False), (OFF_SENT, False, False, 0.0, False), (STUCK, False, True, 9.0, False),
])  # fmt: skip
def test_only_what_was_read_back_is_shown_as_confirmed(kit, machine, stale, output_on, current_A, sure):
    """On and off are confirmed by fresh readings; what is on its way is not."""
    facts = kit.facts(stale=stale, output_on=output_on, current_A=current_A)
    assert output.confirmed(machine, facts) is sure


def course(bench, cycles):
    seen = []
    for _ in range(cycles):
        bench.cycle()
        command = bench.out.commands[0]
        seen.append((bench.circuit().output, command.set_current_A, command.output_on))
    return seen


def test_a_held_circuit_goes_to_zero_first_and_off_after_zero_was_read(kit):
    """Hold, zero with the output on, zero read, off sent, off."""
    bench = kit.bench(circuits=1).running()
    bench.order("hold")
    assert (bench.circuit().output, bench.set_A(), bench.out.commands[0].output_on) == (TO_ZERO, 0.0, True)
    assert course(bench, 3) == [(OFF_SENT, 0.0, False), (OFF, 0.0, False), (OFF, 0.0, False)]
    assert bench.circuit().confirmed


@pytest.mark.parametrize("period_ms", [1_000, 5_000])
def test_off_comes_after_two_seconds_or_two_cycles_even_without_a_zero(kit, period_ms):
    """Current that does not fall is not waited for."""
    bench = kit.bench(period_ms=period_ms, circuits=1).running()
    bench.bad[0, "current_A"] = 0.9
    bench.order("hold")
    assert [entry[0] for entry in course(bench, 5)] == [TO_ZERO, OFF_SENT, OFF_SENT, OFF_SENT, STUCK]


def test_a_stuck_output_is_told_and_opens_the_contactor(kit):
    """Above one ampere it trips; below it is at least not shown as off."""
    bench = kit.bench(circuits=1, own={"has_contactor": True}).running()
    assert bench.out.commands[0].contactor_closed
    bench.bad[0, "current_A"] = 15.0
    bench.order("hold")
    bench.cycles(10)
    assert bench.circuit().state is State.TRIPPED
    assert bench.circuit().output is STUCK
    assert not bench.out.commands[0].contactor_closed
    assert not bench.circuit().confirmed


def test_the_contactor_opens_at_zero_read_back_not_under_load(kit):
    """It stays closed while current falls."""
    bench = kit.bench(circuits=1, own={"has_contactor": True}).running()
    bench.bad[0, "current_A"] = 5.0
    bench.cycle(kit.order("hold"))
    assert bench.out.commands[0].contactor_closed
    bench.bad.clear()
    bench.cycles(3)
    assert not bench.out.commands[0].contactor_closed


def test_a_rest_turns_the_output_off_and_the_next_charge_on_again(kit):
    """By the plan, without an order."""
    rest = kit.step(2, kind="rest", current_A=0.0, ends={"time_ms": 6_000})
    bench = kit.bench(circuits=1).running(kit.step(ends={"time_ms": 4_000}), rest, kit.step(3, current_A=6.0))
    seen = [entry[0] for entry in course(bench, 14)]
    order = [state for index, state in enumerate(seen) if index == 0 or seen[index - 1] is not state]
    assert order == [ON, TO_ZERO, OFF_SENT, OFF, ON]
    assert bench.set_A() == 6.0


def test_a_discharge_asks_for_a_negative_current(kit):
    """Charge current is positive; a discharge's is written with its sign."""
    discharge = kit.step(kind="discharge", current_A=6.0)
    bench = kit.bench(circuits=1, own={"can_discharge": True}).running(discharge)
    assert bench.set_A() == -6.0


@pytest.mark.parametrize("machine", list(Output))
@pytest.mark.parametrize("unknown", [True, False])
def test_only_an_output_shown_as_off_is_found_as_on(kit, machine, unknown):
    """Of a circuit of which nothing is known, read as on under current; any other stays as it was."""
    facts = kit.facts(current_A=15.0, output_on=True)
    assert output.found(machine, unknown, facts) is (ON if unknown and machine is OFF else machine)
    for quiet in (kit.facts(current_A=0.0), kit.facts(current_A=None), kit.facts(output_on=False)):
        assert output.found(machine, unknown, quiet) is machine
    assert output.found(machine, unknown, kit.facts(output_on=None)) is machine


CONFIRMED = {(ON, 15.0, True), (ON, 0.0, True), (OFF, 0.0, False)}


@pytest.mark.parametrize("machine", list(Output))
@pytest.mark.parametrize("current_A", [15.0, 0.0])
@pytest.mark.parametrize("output_on", [True, False, None])
def test_what_a_circuit_is_shown_as_is_read_back(kit, machine, current_A, output_on):
    """On where it reads on; off at zero where it reads off; nothing on the way between, nothing stale."""
    facts = kit.facts(current_A=current_A, output_on=output_on)
    assert output.confirmed(machine, facts) is ((machine, current_A, output_on) in CONFIRMED)
    assert not output.confirmed(machine, replace(facts, stale=True))


@pytest.mark.parametrize("machine", [ON, OFF, TO_ZERO, OFF_SENT])
def test_the_settling_time_counts_from_the_last_change(kit, machine):
    """From 700 ms on here: whatever the clock shows."""
    facts = kit.facts(current_A=15.0, output_on=True)
    late = output.moved(machine, 700, False, facts, SETTLE_MS, 2_700)[0]
    later = output.moved(machine, 700, False, facts, SETTLE_MS, 2_701)[0]
    assert (late, later) == {
        ON: (TO_ZERO, TO_ZERO), OFF: (OFF, OFF), TO_ZERO: (OFF_SENT, OFF_SENT), OFF_SENT: (OFF_SENT, STUCK),
    }[machine]  # fmt: skip
