"""A run that stands though nothing at the plant holds it is told; level and leakage that are not read; one lost air."""

from __future__ import annotations

import pytest

from controller.core.bathstate import BathState
from controller.core.laws import service_hold
from controller.core.moves import restarted
from controller.core.state import CircuitState, Interruption, Timer
from controller.core.types import State

CODES = {"gap": "service_gap", "bath_not_safe": "service_gap", "service_away": "service_away"}


def held(kit, code, state=State.HELD):
    run = kit.run(interruption=Interruption(0, code)) if code else kit.run()
    return kit.view(state=kit.state(state, run=run, set_A=0.0), facts=kit.facts(now_ms=120_000, current_A=0.0))


@pytest.mark.parametrize("code", [*CODES, "link_lost", "hold", ""])
@pytest.mark.parametrize("law", ["service_gap", "service_away"])
def test_each_cause_has_its_own_alarm_and_others_have_none(kit, code, law):
    """At once, with the minutes it has lasted; asleep only where nothing interrupts a run."""
    view = held(kit, code)
    assert kit.watch(law, [view]) == [CODES.get(code) == law]
    assert service_hold.gap(view, False).value == (2.0 if code else None)
    assert service_hold.FAMILY.asleep(view) is (code == "")


@pytest.mark.parametrize("state", list(State))
def test_only_a_run_that_is_held_or_of_unknown_state_waits_for_a_person(kit, state):
    """A tripped one has its trip; one that runs or ended needs nobody."""
    waits = state in (State.HELD, State.UNKNOWN)
    assert kit.watch("service_gap", [held(kit, "gap", state)]) == [waits]
    idle = kit.view(state=CircuitState("A01", state=state))
    assert kit.watch("service_gap", [idle]) == [False]
    assert service_hold.FAMILY.asleep(idle)


def test_a_gap_is_told_until_somebody_resumes(kit):
    """And a restart of the service likewise."""
    bench = kit.bench().running()
    bench.cycle(skip_ms=10_000)
    bench.cycles(10)
    assert ("service_gap", True) in {(alarm.code, alarm.active) for alarm in bench.circuit().alarms}
    assert bench.order("resume") == "accepted"
    bench.cycles(2)
    assert ("service_gap", False) in {(alarm.code, alarm.active) for alarm in bench.circuit().alarms}
    bench.change(0, **{name: getattr(restarted(bench.circuit()), name) for name in ("state", "stored", "run")})
    bench.cycle()
    assert ("service_away", True) in {(alarm.code, alarm.active) for alarm in bench.circuit().alarms}


@pytest.mark.parametrize(("law", "signal"), [
    ("level_unknown", "level"), ("level_unknown", "level_mm"), ("earth_unknown", "earth_ohm_per_V"),
])  # fmt: skip
def test_a_dead_sensor_is_told_after_a_minute_where_there_is_one(kit, law, signal):
    """Sixty seconds, no less; never where it reads, or where the bath has none."""
    dead = kit.bath_view(kit.bath_facts(has=frozenset({signal})))
    reads = kit.bath_view(kit.bath_facts(has=frozenset({signal}), **{signal: 900.0}))
    assert kit.watch(law, [dead] * 61) == [False] * 60 + [True]
    assert kit.watch(law, [dead, reads, *[dead] * 60]) == [False] * 62
    assert not any(kit.watch(law, [kit.bath_view()] * 61))


@pytest.mark.parametrize(("timers", "begins"), [
    ((), True), ((Timer("extraction_lost", active=True),), False), ((Timer("extraction_lost"),), True),
    ((Timer("hood_open", active=True),), True),
])  # fmt: skip
def test_air_lost_under_current_is_told_once(kit, timers, begins):
    """While that loss stands no second alarm begins for the same fan; one that stands goes on."""
    state = BathState((CircuitState("A01"),), timers=timers)
    view = kit.bath_view(kit.bath_facts(airflow=False), in_use=False, after_run=True, state=state)
    assert kit.watch("extraction_lost_after_run", [view, view]) == [begins, begins]


def test_one_loss_of_air_is_one_alarm_and_one_cause(kit):
    """From the hold into the after-run and back; a later loss at rest has its own."""
    bench = kit.bench().running()
    bench.bath_signals["airflow"] = 0.0
    bench.cycles(30)
    assert [alarm.code for alarm in bench.state.alarms] == ["extraction_lost"]
    assert bench.state.resume_for == "extraction_lost"
    bench.bath_signals["airflow"] = 1.0
    bench.cycles(20)
    assert not any(alarm.active for alarm in bench.state.alarms)
    bench.bath_signals["airflow"] = 0.0
    bench.cycles(2)
    assert [alarm.code for alarm in bench.state.alarms if alarm.active] == ["extraction_lost_after_run"]
