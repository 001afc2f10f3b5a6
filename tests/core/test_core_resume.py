"""Coming back after an interruption: restart current, owed charge, the resume limit and the engineer."""

from __future__ import annotations

from dataclasses import replace

import pytest

from controller.core.state import Interruption
from controller.core.types import State

H_MS = 3_600_000


def held(kit, *steps, hours=0.0, **changes):
    """A bath whose first circuit was held `hours` ago by an order."""
    bench = kit.bench(circuits=1).running(*steps)
    assert bench.order("hold") == "accepted"
    bench.cycles(4)
    run = bench.circuit().run
    since = bench.now_ms + bench.settings.period_ms - round(hours * H_MS)
    return bench.change(run=replace(run, interruption=Interruption(since, "order"), **changes))


def test_a_resume_begins_at_restart_current_for_its_time_of_flowing(kit):
    """3 A for 20 s of current, then the step's 15 A."""
    bench = held(kit, kit.step(restart_ms=20_000))
    bench.order("resume")
    assert bench.set_A() == 3.0
    seen = []
    for _ in range(30):
        bench.cycle()
        seen.append(bench.set_A())
    assert set(seen) == {3.0, 15.0}
    assert seen == sorted(seen)
    assert 19 <= seen.index(15.0) <= 21


def test_restart_time_does_not_pass_while_no_current_flows(kit):
    """A clamp still off: the gentle beginning is not used up by zero."""
    bench = held(kit, kit.step(restart_ms=3_000))
    bench.order("resume")
    bench.bad[0, "current_A"] = 0.0
    bench.bad[0, "voltage_V"] = 200.0
    bench.cycles(20)
    assert bench.set_A() == 3.0


@pytest.mark.parametrize(("hours", "percent", "owed_Ah"), [(1.0, 0.5, 1.0), (2.0, 0.5, 2.0), (0.5, 1, 1.0), (1, 0, 0)])
def test_a_resume_owes_a_share_of_the_planned_charge_an_hour(kit, hours, percent, owed_Ah):
    """0.5 % of 200 Ah an hour is 1 Ah."""
    bench = held(kit, kit.step(owes_percent_per_hour=percent), hours=hours)
    assert bench.order("resume") == "accepted"
    assert bench.circuit().run.owed_Ah == pytest.approx(owed_Ah)


def test_owed_charge_adds_up_over_interruptions(kit):
    """One hour, and one hour again: 2 Ah."""
    bench = held(kit, hours=1.0, owed_Ah=1.0)
    bench.order("resume")
    assert bench.circuit().run.owed_Ah == pytest.approx(2.0)


def test_owed_charge_moves_the_end_of_the_last_step_that_ends_by_charge(kit):
    """A step of 0.05 Ah that owes 1 Ah goes on past 0.05 Ah."""
    step = kit.step(ends={"charge_Ah": 0.05}, takes_owed=True, restart_ms=0)
    bench = held(kit, step, hours=1.0)
    bench.order("resume")
    bench.cycles(60)
    assert bench.circuit().state is State.RUNNING
    assert bench.circuit().run.step_charge_Ah > 0.2


@pytest.mark.parametrize(("hours", "answer"), [(0.0, "accepted"), (2.0, "accepted"), (2.01, "past_resume_limit")])
def test_past_the_steps_resume_limit_no_technician_resumes(kit, hours, answer):
    """120 minutes; the refusal names both times."""
    bench = held(kit, hours=hours)
    assert bench.order("resume", roles=("technician",)) == answer
    if answer != "accepted":
        assert bench.out.events[-1].data["limit"] == 120.0
        assert bench.circuit().state is State.HELD
        assert bench.set_A() == 0.0


@pytest.mark.parametrize(
    ("roles", "reason", "answer"),
    [
        (("engineer",), "plates looked at", "accepted"),
        (("engineer",), "", "past_resume_limit"),
        (("technician",), "I want to", "past_resume_limit"),
        (("technician", "engineer"), "named deviation", "accepted"),
    ],
)
def test_past_the_limit_the_engineer_resumes_with_a_reason(kit, roles, reason, answer):
    """Role and reason, both; the order's event keeps the reason."""
    bench = held(kit, hours=5.0)
    assert bench.order("resume", roles=roles, reason=reason) == answer
    assert any(event.data.get("reason") == reason for event in bench.out.events)


def test_charge_and_step_survive_a_hold_and_its_resume(kit):
    """The run goes on where it stood: no step begins anew, no charge is lost."""
    bench = kit.bench(circuits=1).running(kit.step(ends={"time_ms": 5_000}), kit.step(2)).cycles(10)
    bench.order("hold")
    bench.cycles(5)
    before = bench.circuit().run
    assert before.step == 1
    bench.order("resume")
    run = bench.circuit().run
    assert (run.step, run.step_time_ms, run.counters.charge_Ah) == (1, before.step_time_ms, before.counters.charge_Ah)


def test_a_trip_keeps_the_first_interruptions_moment(kit):
    """Held at noon, tripped at one: the resume limit counts from noon."""
    bench = held(kit, hours=1.0)
    since = bench.circuit().run.interruption.since_ms
    bench.bad[0, "fault_code"] = 9.0
    bench.cycles(3)
    assert bench.circuit().state is State.TRIPPED
    assert bench.circuit().run.interruption.since_ms == since


def test_a_hold_during_a_ramp_restarts_at_restart_current(kit):
    """After the restart time the ramp goes on where its step time stands."""
    bench = held(kit, kit.step(ramp_ms=1_000_000, restart_ms=5_000, restart_current_A=1.0), step_time_ms=400_000)
    bench.order("resume")
    assert bench.set_A() == 1.0
    bench.cycles(12)
    assert bench.set_A() == pytest.approx(6.0, abs=0.3)
