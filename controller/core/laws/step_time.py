"""A step that takes longer than it should, and one that takes longer than its longest time.

Hazard: a step whose end is never met overcharges or stands for ever, and nobody is told.
Law: a step that ends by charge is late past 1.1 times charge over current and its ramp: warn. Past `longest_hours` the
step's `on_overrun` acts: hold, or run on at restart current with a warning (`slow`), or go to the next step. A second
in which less than the step's current was allowed (derate, power, restart current) counts by the allowed share, so that
a run that was only slowed down is neither.
Defaults: late at 1.1 and longest at 1.5 times charge over current (own choices); early in a run `slow`, as standing
still harms unformed plates (common practice, no published source), later hold.
Clears: with the step. A person's resume grants the whole time once more, the order `extend` what it says.
"""

from __future__ import annotations

from controller.core.conditions import CLEAR, Family, Finding, Law
from controller.core.planned import PlanStep
from controller.core.sequence import MS_PER_H, late_after_ms, overrun, step_of
from controller.core.state import Run
from controller.core.types import RUNNING, Reaction, State
from controller.core.view import CircuitView


def _runs(view: CircuitView) -> tuple[Run, PlanStep] | None:
    """Return the run and the step of a running circuit, else None."""
    run, load = view.state.run, view.state.load
    if run is None or load is None or view.state.state is not State.RUNNING:
        return None
    return run, step_of(load.plan, run)


def late(view: CircuitView, active: bool) -> Finding:
    """Return whether a step that ends by charge should have ended by now; values in h of fair time."""
    at = _runs(view)
    if at is None:
        return CLEAR
    run, step = at
    after_ms = late_after_ms(run, step)
    if after_ms is None:
        return CLEAR
    return Finding(run.fair_ms > after_ms, run.fair_ms / MS_PER_H, after_ms / MS_PER_H)


def _over(view: CircuitView, what: str) -> Finding:
    at = _runs(view)
    if at is None:
        return CLEAR
    run, step = at
    if step.longest_ms is None or step.on_overrun != what:
        return CLEAR
    longest_ms = step.longest_ms + run.extended_ms
    return Finding(overrun(run, step) or (what == "slow" and run.slow), run.fair_ms / MS_PER_H, longest_ms / MS_PER_H)


def slow(view: CircuitView, active: bool) -> Finding:
    """Return whether the step runs on at restart current."""
    return _over(view, "slow")


def held(view: CircuitView, active: bool) -> Finding:
    """Return whether the step's time is over and it must be held."""
    return _over(view, "hold")


LAWS: tuple[Law[CircuitView], ...] = (
    Law("step_slow", Reaction.WARN, 3, slow, readings=0, explains=("step_late",)),
    Law("step_overrun", Reaction.HOLD, 2, held, readings=0, explains=("step_late",)),
    Law("step_late", Reaction.WARN, 3, late, readings=0),
)


def asleep(view: CircuitView) -> bool:
    """Return whether no comparison of this file can hold now; a late run's first step only has more time."""
    run, load = view.state.run, view.state.load
    if run is None or load is None or view.state.state is not RUNNING:
        return True
    step, fair_ms = load.plan.steps[run.step], run.fair_ms
    if run.slow or (step.longest_ms is not None and fair_ms > step.longest_ms):
        return False
    return step.expected_ms is None or fair_ms <= step.expected_ms


FAMILY = Family(LAWS, asleep)
