"""The laws of an early stand without current, and of a step up without cooling flow."""

from __future__ import annotations

from dataclasses import replace

import pytest

from controller.core.conditions import CANNOT_TELL, CLEAR
from controller.core.laws import flow_step, hold_harm
from controller.core.state import Counters, Interruption
from controller.core.types import Reaction, State

MINUTE_MS = 60_000


def found(law, view):
    """What a comparison says, as (holds, value, limit, allowed A)."""
    finding = law(view, active=False)
    return finding.holds, finding.value, finding.limit, finding.allowed_A


def law_of(family, code):
    return next(law for law in family.laws if law.code == code)


def standing(kit, minutes, charge_Ah=0.0, state=State.HELD, **run):
    run = kit.run(interruption=Interruption(1_000, "order"), counters=Counters(charge_Ah), **run)
    return kit.view(state=kit.state(state, run=run), facts=kit.facts(now_ms=1_000 + round(minutes * MINUTE_MS)))


@pytest.mark.parametrize(
    ("minutes", "charge_Ah", "credited_Ah", "harm"),
    [
        (30.0, 0.0, 0.0, False),
        (30.1, 0.0, 0.0, True),
        (31.0, 66.6, 0.0, True),
        (31.0, 66.7, 0.0, False),
        (31.0, 30.0, 36.7, False),
        (31.0, 30.0, 36.6, True),
    ],
)
def test_an_early_stand_of_more_than_half_an_hour_harms(kit, minutes, charge_Ah, credited_Ah, harm):
    """Before a third of 200 Ah is in, with what an earlier run put in; held as well as tripped."""
    for state in (State.HELD, State.TRIPPED):
        view = standing(kit, minutes, charge_Ah, state, credited_Ah=credited_Ah)
        assert kit.watch("hold_harms", [view]) == [harm]
        assert found(hold_harm.harms, view) == (harm, pytest.approx(minutes), 30.0, None)


def test_a_running_or_ended_circuit_stands_nowhere(kit):
    """Nor one without a run, a load, or an interruption."""
    for state in (State.RUNNING, State.IDLE, State.COMPLETE, State.STOPPED, State.UNKNOWN):
        assert hold_harm.harms(standing(kit, 99.0, state=state), False) == CLEAR
    view = standing(kit, 99.0)
    for bare in ({"run": None}, {"load": None}, {"run": kit.run()}):
        assert hold_harm.harms(replace(view, state=replace(view.state, **bare)), False) == CLEAR


def test_an_early_stand_is_told_again_every_half_hour_until_the_resume(kit):
    """Acknowledged or not it comes back as new, with the minutes of now; a resume ends it."""
    bench = kit.bench(circuits=1).running(kit.step())
    bench.order("hold")
    bench.settings = replace(bench.settings, stale_ms=10 * MINUTE_MS, watchdog_ms=20 * MINUTE_MS)
    told = []
    for _ in range(100):
        bench.cycle(skip_ms=59_000)
        told += [(e.data["life"], round(e.data["value"])) for e in bench.out.events if e.code == "hold_harms"]
        if told and not bench.circuit().alarms[0].acknowledged:
            bench.order("acknowledge")
    assert told == [("new", 31), ("new", 61), ("new", 91)]
    law = law_of(hold_harm.FAMILY, "hold_harms")
    assert (law.reaction, law.priority, law.repeat_ms(kit.settings())) == (Reaction.WARN, 2, 1_800_000.0)
    assert bench.order("resume") == "accepted"
    bench.cycle()
    assert not any(alarm.code == "hold_harms" and alarm.active for alarm in bench.circuit().alarms)


def without_flow(kit, volts=2.35, lost_ms=500, state=State.RUNNING, run=(), **second):
    steps = (kit.step(1, current_A=3.0), kit.step(2, **second))
    run = kit.run(**({"step": 1, "step_entered_ms": 500, "before_A": 3.0} | dict(run)))
    share = kit.share(flow_lost_ms=lost_ms)
    return kit.view(state=kit.state(state, steps=steps, run=run), facts=kit.facts(volts_per_cell=volts), share=share)


def test_without_flow_no_step_goes_up_into_gassing(kit):
    """From 3 to 15 A after the flow was lost: 3 A from 2.35 V a cell on."""
    assert found(flow_step.steps_up, without_flow(kit)) == (True, 2.35, 2.35, 3.0)
    assert kit.watch("flow_no_step_up", [without_flow(kit)]) == [True]
    assert found(flow_step.steps_up, without_flow(kit, run={"before_A": 0.5}))[3] == 0.5
    law = law_of(flow_step.FAMILY, "flow_no_step_up")
    assert (law.reaction, law.priority) == (Reaction.DERATE, 3)


@pytest.mark.parametrize(
    "changes",
    [
        {"volts": 2.349},
        {"lost_ms": None},
        {"lost_ms": 501},
        {"current_A": 1.5 + 1.5},
        {"current_A": 2.0},
        {"run": {"before_A": 0.0}},
        {"kind": "discharge"},
        {"state": State.HELD},
        {"state": State.TRIPPED},
    ],
)
def test_what_is_no_step_up_into_gassing_without_flow(kit, changes):
    """Below gassing, flowing, entered before the loss, no more than before, first charge, discharge, not running."""
    assert flow_step.steps_up(without_flow(kit, **changes), False).holds is False


def test_volts_that_fall_with_the_current_give_nothing_back(kit):
    """Else it would hunt; unread volts keep what stood, flow ends it."""
    views = [without_flow(kit), without_flow(kit, volts=2.2), without_flow(kit, volts=None)]
    assert kit.watch("flow_no_step_up", [*views, without_flow(kit, lost_ms=None)]) == [True, True, True, False]
    assert flow_step.steps_up(without_flow(kit, volts=None), False) == CANNOT_TELL
    view = without_flow(kit)
    for bare in ({"run": None}, {"load": None}):
        assert flow_step.steps_up(replace(view, state=replace(view.state, **bare)), False) == CLEAR


@pytest.mark.parametrize("module", [hold_harm, flow_step])
def test_neither_law_sleeps_where_it_would_hold(kit, module):
    """Each holds in one of these views, and is awake there; both sleep in a sound running circuit."""
    views = [kit.view(), standing(kit, 1.0), standing(kit, 31.0), without_flow(kit), without_flow(kit, lost_ms=None)]
    holding = [view for view in views if any(law.compare(view, False).holds for law in module.LAWS)]
    assert len(holding) == 1
    assert not module.FAMILY.asleep(holding[0])
    assert module.FAMILY.asleep(kit.view())
    assert module.FAMILY.laws is module.LAWS
    assert [(law.readings, law.wait_ms, law.explains) for law in module.LAWS] == [
        (0 if module is hold_harm else 1, None, ())
    ]


def test_the_law_of_an_early_stand_sleeps_while_nothing_interrupts(kit):
    """A run without an interruption, or no run at all."""
    asleep = hold_harm.FAMILY.asleep
    assert asleep(kit.view())
    assert asleep(kit.view(state=kit.state(State.IDLE)))
    assert not asleep(standing(kit, 1.0))


def test_the_law_of_lost_flow_sleeps_while_it_flows(kit):
    """Lost at moment 0 is lost too."""
    assert flow_step.FAMILY.asleep(without_flow(kit, lost_ms=None))
    assert not flow_step.FAMILY.asleep(without_flow(kit, lost_ms=0))
