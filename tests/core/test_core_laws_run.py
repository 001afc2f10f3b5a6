"""The laws of a run: charge past its cap, a step past its longest time."""

from __future__ import annotations

import pytest

from controller.core.state import Counters
from controller.core.types import State

H_MS = 3_600_000


@pytest.mark.parametrize(("charge_Ah", "owed_Ah", "holds"), [(210.0, 0, False), (210.1, 0, True), (211.0, 2, False)])
def test_charge_past_the_cap_holds_at_once(kit, charge_Ah, owed_Ah, holds):
    """200 Ah planned, 105 %: 210 Ah, and what interruptions added."""
    state = kit.state(run=kit.run(counters=Counters(charge_Ah), owed_Ah=owed_Ah))
    assert kit.watch("charge_cap", [kit.view(state=state)]) == [holds]


def test_the_cap_is_kept_while_held_or_tripped_and_gone_with_the_run(kit):
    """Charge counted does not go down; an ended run has nothing to lose."""
    run = kit.run(counters=Counters(300.0))
    for state in State:
        holds = state in (State.RUNNING, State.HELD, State.TRIPPED)
        assert kit.watch("charge_cap", [kit.view(state=kit.state(state, run=run))]) == [holds]


def test_a_plan_that_only_discharges_is_not_held_by_a_shunts_offset(kit):
    """Nothing planned to be charged: a few mAh counted from an offset are no overcharge."""
    plan = kit.plan(kit.step(kind="discharge"), planned_charge_Ah=0.0, charge_cap_Ah=0.0)
    state = kit.state(load=kit.load(plan=plan), run=kit.run(counters=Counters(0.01, 5.0)))
    assert kit.watch("charge_cap", [kit.view(state=state)]) == [False]


def overdue(kit, on_overrun, fair_h, slow=False, state=State.RUNNING):
    step = kit.step(longest_ms=2 * H_MS, on_overrun=on_overrun)
    return kit.view(state=kit.state(state, steps=(step,), run=kit.run(fair_ms=fair_h * H_MS, slow=slow)))


@pytest.mark.parametrize(("on_overrun", "code"), [("hold", "step_overrun"), ("slow", "step_slow"), ("next", None)])
def test_a_step_past_its_longest_time_does_what_it_says(kit, on_overrun, code):
    """Hold holds, slow warns, next is no alarm; before its time none does anything."""
    for law in ("step_overrun", "step_slow"):
        assert kit.watch(law, [overdue(kit, on_overrun, 2.0)]) == [False]
        assert kit.watch(law, [overdue(kit, on_overrun, 2.001)]) == [law == code]


def test_a_slow_step_warns_until_it_ends(kit):
    """A resume grants the time once more, the step stays slow and says so."""
    assert kit.watch("step_slow", [overdue(kit, "slow", 0.0, slow=True)]) == [True]


def test_a_held_circuit_is_not_past_its_time(kit):
    """Time at zero current is nobody's step time."""
    assert kit.watch("step_overrun", [overdue(kit, "hold", 3.0, state=State.HELD)]) == [False]


def test_a_step_without_a_longest_time_has_none(kit):
    """An end by hours needs no other."""
    state = kit.state(steps=(kit.step(),), run=kit.run(fair_ms=99 * H_MS))
    assert kit.watch("step_overrun", [kit.view(state=state)]) == [False]


def test_overrun_hold_holds_a_living_circuit_and_a_resume_grants_the_time_again(kit):
    """Six seconds of longest time; after the resume six more."""
    bench = kit.bench(circuits=1).running(kit.step(longest_ms=6_000))
    bench.cycles(8)
    assert bench.circuit().state is State.HELD
    assert bench.set_A() == 0.0
    bench.cycles(3)
    assert bench.order("resume") == "accepted"
    bench.cycles(5)
    assert bench.circuit().state is State.RUNNING
    bench.cycles(4)
    assert bench.circuit().state is State.HELD


def test_overrun_slow_runs_on_at_restart_current(kit):
    """An early step tells, and goes on at 3 A."""
    bench = kit.bench(circuits=1).running(kit.step(longest_ms=6_000, on_overrun="slow"))
    bench.cycles(10)
    assert bench.circuit().state is State.RUNNING
    assert bench.set_A() == 3.0
    assert any(event.code == "step_slow" for event in bench.events)


def test_overrun_next_goes_to_the_next_step(kit):
    """A finish may go on to the rest behind it."""
    first = kit.step(longest_ms=6_000, on_overrun="next")
    bench = kit.bench(circuits=1).running(first, kit.step(2, current_A=6.0))
    bench.cycles(10)
    assert bench.circuit().run.step == 1
    assert bench.set_A() == 6.0


@pytest.mark.parametrize("cause", ["probe", "water"])
def test_a_derated_second_counts_by_its_allowed_share(kit, cause):
    """At 60 % ten seconds of step time are six of its longest time, whoever took the rest away."""
    bench = kit.bench(circuits=1).running(kit.step(longest_ms=H_MS))
    if cause == "probe":
        bench.toys[0].probe_C = 52.5
    else:
        bench.bath_signals["water_C"] = 47.5
    bench.cycles(3)
    before = bench.circuit().run
    assert bench.set_A() == pytest.approx(9.0)
    bench.cycles(10)
    after = bench.circuit().run
    assert after.step_time_ms - before.step_time_ms == 10_000
    assert after.fair_ms - before.fair_ms == pytest.approx(6_000.0)
