"""A new service knows nothing: no current before zero was read back, and then by order only."""

from __future__ import annotations

from dataclasses import replace

import pytest

from controller.core import moves
from controller.core.state import Alarm
from controller.core.types import ALL_OFF, Fit, Output, Reaction, State


def service_restarted(bench, seconds=0):
    """Put away what the old service knew and begin anew, some seconds later."""
    bench.state = replace(bench.state, circuits=tuple(moves.restarted(each) for each in bench.state.circuits))
    bench.now_ms += seconds * 1_000
    return bench


def test_a_bath_nobody_has_seen_is_unknown_and_off(kit):
    """The first command of all is off."""
    bench = kit.bench()
    assert {each.state for each in bench.state.circuits} == {State.UNKNOWN}
    bench.bad[0, "current_A"] = 12.0
    bench.cycle()
    assert bench.out.commands[0] == ALL_OFF
    assert bench.circuit(0).state is State.UNKNOWN
    assert bench.circuit(1).state is State.IDLE


@pytest.mark.parametrize(("signal", "bad"), [
    ("current_A", 0.5), ("current_A", None), ("output_on", 1.0), ("output_on", None), ("voltage_V", None),
    ("set_current_A", None), ("current_A", "old"), ("link", "down"),
])  # fmt: skip
def test_unknown_stays_unknown_until_zero_was_read_back(kit, signal, bad):
    """Current, output, volts and set-point, each fresh; then the event says so."""
    bench = kit.bench(circuits=1)
    bench.bad[0, signal] = bad
    bench.cycles(20)
    assert bench.circuit().state is State.UNKNOWN
    bench.bad.clear()
    bench.cycles(1)
    assert bench.circuit().state is State.IDLE
    assert any(event.code == "zero_read" for event in bench.events)


@pytest.mark.parametrize("verb", ["start", "resume", "hold", "stop", "reset", "load", "unload"])
def test_no_order_works_on_an_unknown_circuit(kit, verb):
    """But to block it, to lift a block, and to acknowledge."""
    bench = kit.bench(circuits=1).running()
    service_restarted(bench)
    bench.bad[0, "link"] = "down"
    bench.change(alarms=(Alarm("current_trip", 0, 2, Reaction.TRIP, False, True, True),))
    assert bench.order(verb, load=kit.load()) == "state"
    assert bench.circuit().state is State.UNKNOWN


def test_an_unknown_circuit_can_be_blocked(kit):
    """A person at the string does not wait for the network."""
    bench = kit.bench(circuits=1)
    bench.bad[0, "link"] = "down"
    assert bench.order("block", who="bert") == "accepted"
    bench.bad.clear()
    bench.cycles(5)
    assert bench.circuit().blocked_by == "bert"


STORED = {
    State.RUNNING: State.HELD,
    State.HELD: State.HELD,
    State.TRIPPED: State.TRIPPED,
    State.COMPLETE: State.COMPLETE,
    State.STOPPED: State.STOPPED,
    State.IDLE: State.IDLE,
}


@pytest.mark.parametrize("stored", STORED)
def test_a_restarted_service_returns_to_what_was_stored_but_never_to_running(kit, stored):
    """A run that ran is held, its charge kept; a latch stays a latch."""
    bench = kit.bench(circuits=1).cycles(5)
    state = kit.state(stored, set_A=0.0)
    if stored in (State.COMPLETE, State.STOPPED):
        state = replace(state, run=replace(state.run, end_ms=1))
    bench.change(**{name: getattr(state, name) for name in ("state", "load", "run")})
    service_restarted(bench)
    assert bench.circuit().state is State.UNKNOWN
    assert bench.circuit().output is Output.OFF
    bench.cycles(3)
    assert bench.circuit().state is STORED[stored]
    assert bench.out.commands[0].set_current_A == 0.0


def test_a_restarted_service_shows_nothing_as_confirmed(kit):
    """Nothing of the old service's commands counts any more: not as asked for, not as read back."""
    bench = service_restarted(kit.bench(circuits=1).running())
    now = bench.circuit()
    assert (now.confirmed, now.command, now.asked, now.recent, now.pending) == (False, ALL_OFF, (), (), ())


def test_two_restarts_in_a_row_remember_what_the_first_stored(kit):
    """Killed again before zero was read back."""
    bench = kit.bench(circuits=1).running()
    service_restarted(service_restarted(bench))
    bench.cycles(3)
    assert bench.circuit().state is State.HELD


def test_after_a_restart_current_comes_back_by_order_only(kit):
    """Zero is written at once, zero read back, minutes pass; then a person's resume at restart current."""
    bench = kit.bench(circuits=1).running(kit.step(restart_ms=10_000))
    bench.cycles(30)
    charge_Ah = bench.circuit().run.counters.charge_Ah
    service_restarted(bench, seconds=20)
    bench.cycle()
    assert bench.set_A() == 0.0
    bench.cycles(300)
    assert bench.circuit().state is State.HELD
    assert bench.circuit().run.interruption.code == "service_away"
    assert bench.circuit().run.counters.charge_Ah == pytest.approx(charge_Ah, abs=0.01)
    assert bench.order("resume") == "accepted"
    assert bench.set_A() == 3.0


def test_a_restart_in_a_link_loss_does_not_resume_by_rule(kit):
    """What the old service would have done by rule, the new one does by order."""
    bench = kit.bench(circuits=1).running()
    bench.bad[0, "link"] = "down"
    bench.cycles(6)
    assert bench.circuit().run.interruption.resumable_by_rule
    service_restarted(bench)
    bench.bad.clear()
    bench.toys[0].on = False
    bench.cycles(60)
    assert bench.circuit().state is State.HELD


def test_a_block_survives_a_restart(kit):
    """The person is still at the string."""
    bench = kit.bench(circuits=1).running()
    bench.order("block", who="bert")
    service_restarted(bench)
    bench.cycles(5)
    assert bench.circuit().blocked_by == "bert"
    assert bench.order("resume", who="anna") == "blocked"


def test_a_trip_survives_a_restart_until_acknowledged_and_reset(kit):
    """Latched before, latched after; reset then leads to held."""
    bench = kit.bench(circuits=1).running()
    bench.bad[0, "fault_code"] = 3.0
    bench.cycles(3)
    bench.bad.clear()
    service_restarted(bench)
    bench.cycles(5)
    assert bench.circuit().state is State.TRIPPED
    assert bench.order("reset") == "not_acknowledged"
    assert [bench.order("acknowledge"), bench.order("reset")] == ["accepted"] * 2
    assert bench.circuit().state is State.HELD


def test_the_time_without_a_service_is_a_gap_said_and_not_filled(kit):
    """An hour away: told, not counted."""
    bench = kit.bench(circuits=1).running()
    charge_Ah = bench.circuit().run.counters.charge_Ah
    service_restarted(bench, seconds=3600)
    bench.cycles(3)
    gaps = [event.data["seconds"] for event in bench.events if event.code == "gap"]
    assert gaps == [3601.0]
    assert bench.circuit().run.counters.charge_Ah == pytest.approx(charge_Ah, abs=0.01)


def test_a_device_that_was_not_compared_yet_gets_no_current(kit):
    """Identity and rating first."""
    bench = kit.bench(circuits=1)
    bench.fits[0] = Fit.NOT_CHECKED
    bench.cycles(5)
    bench.order("load", load=kit.load())
    assert bench.order("start") == "device"
