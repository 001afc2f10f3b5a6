"""Where a running circuit stands in its plan, and what comes next."""

from __future__ import annotations

from dataclasses import replace

from controller.core import ends
from controller.core.changed import changed
from controller.core.facts import Facts
from controller.core.planned import REST, Load, Plan, PlanStep, StepKind
from controller.core.state import Counters, Run
from controller.core.types import BathShare, Event, Reaction
from controller.core.values import ZERO_A

MS_PER_H = 3_600_000.0


def step_of(plan: Plan, run: Run) -> PlanStep:
    """Return the step the run stands in, as it is run: a late run's first charge is slow."""
    step = plan.steps[run.step]
    return slowed(step) if run.late and run.step == first_charge(plan) else step


def first_charge(plan: Plan) -> int | None:
    """Return the index of the plan's first charge, or None."""
    return next((index for index, step in enumerate(plan.steps) if step.kind is StepKind.CHARGE), None)


def slowed(step: PlanStep) -> PlanStep:
    """Return a step at half its current and for twice its time: the same charge.

    For the first charge of a string that soaked too long: acid has left its plates more sulphate and less conductance
    than the profile counts on, and a smaller current heats them less. The factor of two is an own choice.
    """
    times, currents = step.ends, step.current_A / 2.0
    slow_ends = replace(
        times,
        time_ms=None if times.time_ms is None else 2 * times.time_ms,
        current_A=None if times.current_A is None else times.current_A / 2.0,
    )
    return replace(
        step,
        current_A=currents,
        ends=slow_ends,
        longest_ms=None if step.longest_ms is None else 2 * step.longest_ms,
        expected_ms=None if step.expected_ms is None else 2 * step.expected_ms,
        restart_current_A=min(step.restart_current_A, currents),
    )


def soaked_too_long(load: Load, now_ms: int) -> bool:
    """Return whether a fresh string stands filled for longer than its profile allows."""
    most = load.plan.soak_max_ms
    return load.fresh and most is not None and now_ms - load.first_filled_ms > most


def charged_Ah(run: Run) -> float:
    """Return the charge that the string has had in all, with what is credited from an earlier run."""
    return run.counters.charge_Ah + run.credited_Ah


def entered(plan: Plan, run: Run, index: int, now_ms: int, from_A: float) -> Run:
    """Return the run at the beginning of step `index`; `from_A` is where its ramp begins."""
    return changed(
        run,
        step=index,
        step_time_ms=0,
        fair_ms=0.0,
        step_charge_Ah=0.0,
        step_discharge_Ah=0.0,
        step_entered_ms=now_ms,
        slow=False,
        done=False,
        ramp_from_A=from_A,
        steady=(),
        meets=0,
        flowing=False,
        extended_ms=0,
        before_A=_before_A(plan, index),
    )


def _before_A(plan: Plan, index: int) -> float:
    """Return the current of the last charge before step `index`; 0 where there is none."""
    return next((step.current_A for step in reversed(plan.steps[:index]) if step.kind is StepKind.CHARGE), 0.0)


def counted(run: Run, before: Counters, after: Counters) -> Run:
    """Return the run with what this cycle's reading added, in the totals and in the step."""
    if after is before:
        return run
    return changed(
        run,
        counters=after,
        step_charge_Ah=run.step_charge_Ah + (after.charge_Ah - before.charge_Ah),
        step_discharge_Ah=run.step_discharge_Ah + (after.discharge_Ah - before.discharge_Ah),
    )


def fair_percent(run: Run, step: PlanStep, percent: float, share_A: float | None) -> float:
    """Return by how much of a second the step's longest time goes on: what of its current was allowed.

    `percent`: the smallest derate; `share_A`: what power sharing left. Restart current counts like a derate.
    """
    if step.kind is REST:
        return 100.0
    if share_A is not None and step.kind is StepKind.CHARGE:
        percent = min(percent, 100.0 * share_A / step.current_A)
    if run.restart_left_ms > 0:
        percent = min(percent, 100.0 * step.restart_current_A / step.current_A)
    return percent


def lived(run: Run, step: PlanStep, facts: Facts, percent: float, undisturbed: bool, limited: bool) -> Run:
    """Return a running circuit's run after `facts.dt_ms` of its step (nothing in a gap).

    `percent`: see `fair_percent`; `undisturbed`: the step's whole current was asked for; `limited`: volts stand at the
    limit written.
    """
    if facts.gap:
        return run
    flowing = run.flowing or (facts.current_A is not None and abs(facts.current_A) >= ZERO_A)
    run = changed(
        run,
        step_time_ms=run.step_time_ms + facts.dt_ms,
        fair_ms=run.fair_ms + facts.dt_ms * percent / 100.0,
        restart_left_ms=max(0, run.restart_left_ms - facts.dt_ms)
        if run.restart_left_ms and flowing
        else run.restart_left_ms,
        flowing=flowing,
        first_ms=facts.now_ms if flowing and run.first_ms is None else run.first_ms,
    )
    steady = ends.sampled(run, step, facts, undisturbed)
    if steady is not run.steady:
        run = changed(run, steady=steady)
    if facts.fresh:
        near = ends.measured_end(run, step, facts, undisturbed, limited) is not None
        if near or run.meets:
            run = changed(run, meets=run.meets + 1 if near else 0)
    return run


def ended_by(run: Run, step: PlanStep, facts: Facts, limited: bool) -> str | None:
    """Return what ended the step, or None while it goes on; `limited`: see `lived`."""
    by = ends.met(run, step)
    if by is None and run.meets >= ends.MEETS:
        by = ends.measured_end(run, step, facts, undisturbed=True, limited=limited)
    if by is None and step.on_overrun == "next" and overrun(run, step):
        by = "longest time"
    return by


def waits_alone(plan: Plan, run: Run, bath: BathShare, name: str, now_ms: int) -> bool:
    """Return whether a step that ended waits: the run's first current would mix with another's, which flows alone."""
    if bath.alone in ("", name) or now_ms >= bath.alone_until_ms or run.first_ms is not None:
        return False
    return run.step + 1 < len(plan.steps) and plan.steps[run.step + 1].kind is not REST


def overrun(run: Run, step: PlanStep) -> bool:
    """Return whether the step has taken longer than its longest time and what a person added to it."""
    return step.longest_ms is not None and run.fair_ms > step.longest_ms + run.extended_ms


def late_after_ms(run: Run, step: PlanStep) -> float | None:
    """Return the fair time after which a step that ends by charge is late, or None; what it owes takes its time too."""
    if step.expected_ms is None:
        return None
    owed_ms = run.owed_Ah / step.current_A * MS_PER_H if step.takes_owed else 0.0
    return step.expected_ms + owed_ms


def step_cap_Ah(run: Run, step: PlanStep) -> float | None:
    """Return the most charge the step may move, or None.

    With what it owes; and where no charge ends it, with what flows in the time that a person added.
    """
    cap = step.charge_cap_Ah
    if cap is None:
        return None
    if step.takes_owed:
        cap += run.owed_Ah
    return cap if step.ends.charge_Ah is not None else cap + step.current_A * run.extended_ms / MS_PER_H


def began_event(name: str, step: PlanStep) -> Event:
    """Return the event that says which step begins."""
    return Event("step_began", name, data={"step": step.number, "name": step.name, "task": step.task})


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
