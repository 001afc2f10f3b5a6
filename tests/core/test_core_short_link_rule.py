"""The rule of the short link loss itself, one condition broken at a time; and what is no link loss."""

from __future__ import annotations

from dataclasses import replace

import pytest

from controller.core import circuit, moves, shortloss
from controller.core.state import Interruption, LinkMemory
from controller.core.types import ChannelReading, CircuitIn, Condition, Fit, LinkState, Reaction, State, Value

RESUMED = "resumed_by_rule"


def sound(kit):
    """All that the rule asks for, as its arguments."""
    settings = kit.settings()
    interruption = Interruption(10_000, "link_lost", resumable_by_rule=True)
    state = kit.state(
        State.HELD,
        set_A=0.0,
        run=kit.run(interruption=interruption),
        link=LinkMemory(40_000, 1_030.0, False, 8_000, True, 1_000.0),
    )
    facts = kit.facts(now_ms=40_000, current_A=0.0, set_current_A=0.0, output_on=False, uptime_s=1_032.0, seen_C=30.0)
    return {
        "settings": settings,
        "own": settings.circuits[0],
        "state": state,
        "facts": facts,
        "bath": kit.share(),
        "standing": (),
    }


def test_the_rule_resumes_when_all_of_it_holds(kit):
    """The base of the negations below."""
    assert shortloss.may_resume(**sound(kit))
    warn = Condition("water_warm", Reaction.WARN)
    derate = Condition("water_derate", Reaction.DERATE)
    assert shortloss.may_resume(**{**sound(kit), "standing": (warn, derate)})


NEGATIONS = {
    "not held": ("state", {"state": State.TRIPPED}),
    "no run": ("state", {"run": None}),
    "blocked": ("state", {"blocked_by": "bert"}),
    "bath bad meanwhile": ("state", {"link": LinkMemory(40_000, 1_030.0, False, 8_000, False, 1_000.0)}),
    "uptime before unknown": ("state", {"link": LinkMemory(40_000, 1_030.0, False, 8_000, True, None)}),
    "away too long": ("facts", {"now_ms": 129_000}),
    "stale": ("facts", {"stale": True}),
    "not fresh": ("facts", {"fresh": False}),
    "current flows": ("facts", {"current_A": 0.4}),
    "current not read": ("facts", {"current_A": None}),
    "another device": ("facts", {"fit": Fit.IDENTITY}),
    "device not checked": ("facts", {"fit": Fit.NOT_CHECKED}),
    "uptime fell": ("facts", {"uptime_s": 999.0}),
    "uptime stood still": ("facts", {"uptime_s": 1_001.0}),
    "hot in this reading": ("facts", {"seen_C": 55.0}),
    "no probe read": ("facts", {"seen_C": None}),
    "hydrogen above its warning level": ("bath", {"gas_ok": False}),
    "fault code not read": ("facts", {"fault_code": None}),
    "fault code set": ("facts", {"fault_code": 5.0}),
    "uptime not read": ("facts", {"uptime_s": None}),
    "nobody watched": ("facts", {"gap": True}),
    "no uptime signal": ("own", {"has_uptime": False}),
    "hood open": ("bath", {"hood_closed": False}),
    "no airflow": ("bath", {"airflow_ok": False}),
    "inputs stale": ("bath", {"inputs_ok": False}),
    "emergency stop": ("bath", {"emergency_stop_ok": False}),
    "not purged": ("bath", {"purge_left_ms": 1}),
    "neighbour blocked": ("bath", {"blocked": ("A02 by bert",)}),
    "bath holds": ("bath", {"reactions": (Condition("water_hold", Reaction.HOLD),)}),
    "bath trips": ("bath", {"reactions": (Condition("emergency_stop", Reaction.TRIP),)}),
}


@pytest.mark.parametrize("name", NEGATIONS)
def test_the_rule_needs_each_of_its_conditions(kit, name):
    """One condition broken, all others good: no resume."""
    which, change = NEGATIONS[name]
    good = sound(kit)
    assert not shortloss.may_resume(**{**good, which: replace(good[which], **change)})


@pytest.mark.parametrize("reaction", [Reaction.HOLD, Reaction.TRIP])
def test_the_rule_waits_for_whatever_else_holds(kit, reaction):
    """Anything standing that holds or trips."""
    assert not shortloss.may_resume(**{**sound(kit), "standing": (Condition("probe_hold", reaction),)})


def test_the_rule_is_for_interruptions_marked_as_link_losses_only(kit):
    """The mark is set where the link alone held the circuit."""
    good = sound(kit)
    run = replace(good["state"].run, interruption=Interruption(10_000, "order"))
    assert not shortloss.may_resume(**{**good, "state": replace(good["state"], run=run)})


def test_a_second_reason_takes_the_mark_away(kit):
    """Held by the link, then by the bath too: by order, whichever goes first."""
    bench = kit.bench().running()
    bench.bad[0, "link"] = "down"
    bench.cycles(6)
    assert bench.circuit(0).run.interruption.resumable_by_rule
    bench.bath_signals["water_C"] = 51.0
    bench.cycles(3)
    assert not bench.circuit(0).run.interruption.resumable_by_rule


def test_a_circuits_step_alone_decides_a_resume_again(kit):
    """`circuit.step` with the recorded input gives the decision; nothing of the bath is needed."""
    good = sound(kit)
    state = replace(good["state"], now_ms=39_000)
    flag = Value(0.0)
    reading = ChannelReading(
        Value(0.0), Value(220.0), flag, flag, flag, flag, flag, Value(1_032.0), probes=(Value(30.0),),
        link=LinkState.UP, fit=Fit.OK,
    )  # fmt: skip
    cin = CircuitIn(40_000, reading, kit.share())
    new, command, events = circuit.step(good["settings"], good["own"], state, cin)
    assert new.state is State.RUNNING
    assert command.set_current_A == 3.0
    assert [event.code for event in events] == [RESUMED]


def resumed(bench):
    return any(event.code == RESUMED and event.target == "A01" for event in bench.events)


def test_a_step_overdue_in_the_cycle_of_the_link_loss_is_no_link_loss_alone(kit):
    """Two reasons at once: by order."""
    bench = kit.bench().running(kit.step(longest_ms=60_000, restart_ms=10_000))
    bench.bad[0, "link"] = "down"
    bench.cycles(3)
    assert bench.circuit(0).state is State.RUNNING
    bench.change(0, run=replace(bench.circuit(0).run, fair_ms=70_000.0))
    bench.cycle()
    assert bench.circuit(0).state is State.HELD
    assert not bench.circuit(0).run.interruption.resumable_by_rule


def test_a_block_in_the_first_seconds_of_a_silence_counts(kit):
    """Before the silence has held the circuit: blocked and lifted all the same."""
    bench = kit.bench().running(kit.step(restart_ms=10_000))
    bench.bad[0, "link"] = "down"
    assert [bench.order("block", "A02", who="bert"), bench.order("unblock", "A02", who="bert")] == ["accepted"] * 2
    bench.toys[0].on = False
    bench.cycles(7)
    bench.bad.clear()
    bench.cycles(3)
    assert not resumed(bench)
    assert bench.circuit(0).state is State.HELD


@pytest.mark.parametrize("why", ["hold", "trip", "restart", "block"])
def test_what_was_not_a_link_loss_never_resumes_by_rule(kit, why):
    """Held by a person, tripped and reset, restarted service, blocked: each waits for an order for minutes."""
    bench = kit.bench(circuits=1).running(kit.step(restart_ms=10_000))
    if why == "trip":
        bench.bad[0, "fault_code"] = 3.0
        bench.cycles(4)
        bench.bad.clear()
        bench.cycles(2)
        assert [bench.order("acknowledge"), bench.order("reset")] == ["accepted"] * 2
    elif why == "restart":
        bench.state = replace(bench.state, circuits=tuple(moves.restarted(each) for each in bench.state.circuits))
    else:
        assert bench.order(why) == "accepted"
    bench.cycles(5)
    if why == "block":
        assert bench.order("unblock") == "accepted"
    bench.cycles(200)
    assert bench.circuit().state is State.HELD
    assert not resumed(bench)


def test_a_neighbour_runs_on_through_anothers_link_loss(kit):
    """A02 keeps its 15 A all the time."""
    bench = kit.bench().running()
    bench.cycles(3)
    bench.bad[0, "link"] = "down"
    for _ in range(20):
        bench.cycle()
        assert bench.set_A(1) == 15.0
