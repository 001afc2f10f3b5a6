"""Orders to the whole bath, and targets that do not exist."""

from __future__ import annotations

from dataclasses import replace

import pytest

from controller.core.bathorders import BATH_RULES
from controller.core.orderchecks import reset_refusal
from controller.core.orders import RULES
from controller.core.state import Alarm
from controller.core.types import Reaction, State

ROLES = ("technician", "engineer", "maintenance", "quality")
QUIET = 12
"""Cycles of a second until an input that came back counts as quiet."""


def test_hold_to_the_bath_holds_every_running_circuit(kit):
    """Anybody's order, no role asked for."""
    bench = kit.bench(circuits=3).running()
    assert bench.order("hold", "A", roles=()) == "accepted"
    assert [each.state for each in bench.state.circuits] == [State.HELD] * 3
    assert [command.set_current_A for command in bench.out.commands] == [0.0] * 3


def test_stop_to_the_bath_stops_every_open_run(kit):
    """Running and held ones; an idle circuit stays idle."""
    bench = kit.bench(circuits=3).cycles(5)
    for name in ("A01", "A02"):
        bench.order("load", name, load=kit.load())
        bench.order("start", name)
    bench.cycles(2)
    bench.order("hold", "A02")
    assert bench.order("stop", "A", roles=()) == "accepted"
    assert [each.state for each in bench.state.circuits] == [State.STOPPED, State.STOPPED, State.IDLE]


def test_each_circuit_answers_for_itself(kit):
    """The bath's answer and one from every circuit that took the order."""
    bench = kit.bench().running()
    events = bench.cycle(kit.order("hold", "A"))
    assert [event.target for event in events if event.code == "accepted"] == ["A", "A01", "A02"]


def test_a_reason_given_to_the_bath_is_told_by_all_that_take_the_order(kit):
    """So that it stands in each run's own record, as long as a record keeps one."""
    bench = kit.bench().running()
    events = bench.cycle(kit.order("hold", "A", reason=f" batch recalled {'x' * 600}"))
    told = {event.target: event.data["reason"] for event in events if event.code == "accepted"}
    assert told == dict.fromkeys(("A", "A01", "A02"), f"batch recalled {'x' * 482}...")


def test_an_order_to_the_bath_ignores_the_revision_seen_for_hold_and_stop(kit):
    """Danger does not wait for a fresh screen."""
    bench = kit.bench().running()
    assert bench.order("hold", "A", seen=-1) == "accepted"
    assert bench.circuit(0).state is State.HELD


@pytest.mark.parametrize("verb", [*sorted(set(RULES) - set(BATH_RULES)), "explode", ""])
def test_nothing_starts_a_whole_bath(kit, verb):
    """What is a circuit's is no bath's, and what is no order neither."""
    assert "start" not in BATH_RULES
    assert "resume" not in BATH_RULES
    bench = kit.bench().running()
    bench.order("hold", "A")
    assert bench.order(verb, "A") == "not_for_a_bath"
    assert [each.state for each in bench.state.circuits] == [State.HELD] * 2


@pytest.mark.parametrize("target", ["B", "a", "A99", "", "A01 ", "../A01"])
def test_an_unknown_target_is_refused(kit, target):
    """Neither the bath nor one of its circuits."""
    bench = kit.bench().cycles(5)
    assert bench.order("stop", target) == "unknown_target"


def stopped(kit):
    bench = kit.bench().running()
    bench.bath_signals["emergency_stop_ok"] = 0.0
    return bench.cycles(2)


def test_the_baths_latch_is_acknowledged_then_reset_with_its_cause_gone(kit):
    """Too early, unseen, and in order."""
    bench = stopped(kit)
    assert bench.order("reset", "A") == "not_acknowledged"
    assert bench.order("acknowledge", "A") == "accepted"
    assert bench.order("acknowledge", "A") == "nothing_new"
    assert bench.order("reset", "A") == "cause_stands"
    bench.bath_signals["emergency_stop_ok"] = 1.0
    bench.cycles(QUIET)
    assert bench.order("reset", "A") == "accepted"
    assert bench.order("reset", "A") == "nothing_latched"


@pytest.mark.parametrize("verb", ["acknowledge", "reset"])
@pytest.mark.parametrize("role", ROLES)
def test_the_baths_alarms_are_the_technicians_and_maintenances(kit, verb, role):
    """Others are refused for their role."""
    bench = stopped(kit)
    bench.bath_signals["emergency_stop_ok"] = 1.0
    bench.cycles(QUIET)
    if verb == "reset":
        bench.order("acknowledge", "A")
    told = {"maintenance": "accepted", "technician": "accepted" if verb == "acknowledge" else "maintenance_reset"}
    assert bench.order(verb, "A", roles=(role,)) == told.get(role, "role")


def test_the_baths_reset_does_not_reset_its_circuits(kit):
    """Each tripped circuit keeps its own latch."""
    bench = stopped(kit)
    bench.bath_signals["emergency_stop_ok"] = 1.0
    bench.cycles(QUIET)
    bench.order("acknowledge", "A")
    assert bench.order("reset", "A") == "accepted"
    assert [each.state for each in bench.state.circuits] == [State.TRIPPED] * 2
    assert bench.order("start") == "state"


def test_a_circuits_reset_does_not_reset_the_bath(kit):
    """Reset and resumed while the bath's own latch stands: refused."""
    bench = stopped(kit)
    bench.bath_signals["emergency_stop_ok"] = 1.0
    bench.cycles(QUIET)
    assert [bench.order("acknowledge"), bench.order("reset")] == ["accepted"] * 2
    assert bench.circuit(0).state is State.HELD
    assert bench.order("resume") == "emergency_stop"
    bench.order("acknowledge", "A")
    bench.order("reset", "A")
    assert bench.order("resume") == "accepted"


def test_a_circuits_repeat_of_the_baths_trip_waits_for_the_baths_own_reset(kit):
    """Acknowledged and reset at the bath first: the circuit's silent repeat alone frees nothing before."""
    bench = kit.bench(circuits=1).running()
    bench.bad[-1, "emergency_stop_ok"] = 0.0
    bench.cycles(3)
    bench.bad.clear()
    bench.cycles(15)
    assert [(alarm.latched, alarm.suppressed) for alarm in bench.circuit().alarms] == [(True, True)]
    assert bench.order("reset") == "not_acknowledged"
    assert bench.order("acknowledge", "A") == "accepted"
    assert bench.order("reset") == "not_acknowledged"
    assert bench.order("reset", "A") == "accepted"
    bench.cycles(1)
    assert bench.order("reset") == "accepted"
    assert bench.set_A() == 0.0


def test_a_silent_latch_waits_for_the_alarm_it_follows_from(kit):
    """The told alarm is acknowledged first, though it is not latched itself."""
    told = Alarm("link_lost", 0, 2, Reaction.HOLD)
    silent = Alarm("output_stuck", 0, 1, Reaction.TRIP, latched=True, suppressed=True)
    order = kit.order("reset")
    refusal = reset_refusal((told, silent), kit.settings(), order)
    assert (refusal.code, refusal.data["cause"]) == ("not_acknowledged", "link_lost")
    assert reset_refusal((replace(told, acknowledged=True), silent), kit.settings(), order) is None
