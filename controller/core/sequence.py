"""Where a running circuit stands in its plan, and what comes next."""

from __future__ import annotations

from dataclasses import replace

from controller.core import ends
from controller.core.facts import ZERO_A, Facts
from controller.core.state import Counters, Run
from controller.core.types import Event, Plan, PlanStep, Reaction


def step_of(plan: Plan, run: Run) -> PlanStep:
    """Return the step the run stands in."""
    return plan.steps[run.step]


def entered(run: Run, index: int, now_ms: int, from_A: float) -> Run:
    """Return the run at the beginning of step `index`; `from_A` is where its ramp begins."""
    return replace(
        run,
        step=index,
        step_time_ms=0,
        fair_ms=0.0,
        step_charge_Ah=0.0,
        step_discharge_Ah=0.0,
        step_entered_ms=now_ms,
        step_told=False,
        slow=False,
        done=False,
        ramp_from_A=from_A,
        steady=(),
        meets=0,
        flowing=False,
    )


def counted(run: Run, before: Counters, after: Counters) -> Run:
    """Return the run with what this cycle's reading added, in the totals and in the step."""
    if after is before:
        return run
    return replace(
        run,
        counters=after,
        step_charge_Ah=run.step_charge_Ah + (after.charge_Ah - before.charge_Ah),
        step_discharge_Ah=run.step_discharge_Ah + (after.discharge_Ah - before.discharge_Ah),
    )


def lived(run: Run, step: PlanStep, facts: Facts, percent: float, undisturbed: bool) -> Run:
    """Return a running circuit's run after `facts.dt_ms` of its step (nothing in a gap)."""
    if facts.gap:
        return run
    flowing = run.flowing or (facts.current_A is not None and abs(facts.current_A) >= ZERO_A)
    run = replace(
        run,
        step_time_ms=run.step_time_ms + facts.dt_ms,
        fair_ms=run.fair_ms + facts.dt_ms * percent / 100.0,
        restart_left_ms=max(0, run.restart_left_ms - facts.dt_ms) if flowing else run.restart_left_ms,
        flowing=flowing,
    )
    steady = ends.sampled(run, step, facts, undisturbed)
    if steady is not run.steady:
        run = replace(run, steady=steady)
    if facts.fresh:
        near = ends.measured_end(run, step, facts, undisturbed) is not None
        if near or run.meets:
            run = replace(run, meets=run.meets + 1 if near else 0)
    return run


def ended_by(run: Run, step: PlanStep, facts: Facts) -> str | None:
    """Return what ended the step, or None while it goes on."""
    by = ends.met(run, step)
    if by is None and run.meets >= ends.MEETS:
        by = ends.measured_end(run, step, facts, undisturbed=True)
    if by is None and step.on_overrun == "next" and overrun(run, step):
        by = "longest time"
    return by


def overrun(run: Run, step: PlanStep) -> bool:
    """Return whether the step has taken longer than its longest time."""
    return step.longest_ms is not None and run.fair_ms > step.longest_ms


def step_event(name: str, run: Run, step: PlanStep, by: str) -> Event:
    """Return the event that says how a step ended."""
    return Event(
        "step_ended",
        name,
        data={
            "step": step.number,
            "name": step.name,
            "by": by,
            "minutes": run.step_time_ms / 60_000.0,
            "charge_Ah": run.step_charge_Ah,
            "discharge_Ah": run.step_discharge_Ah,
        },
        reaction=Reaction.NONE,
    )
