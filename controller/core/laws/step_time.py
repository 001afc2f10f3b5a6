"""A step that takes longer than its longest time.

Hazard: a step whose end is never met overcharges or stands for ever, and nobody is told.
Law: past `longest_hours` (a derated hour counts by its allowed share) the step's `on_overrun` acts: hold, or run on at
restart current with a warning (`slow`), or go to the next step.
Defaults: 1.5 times charge over current; early in a run `slow`, as standing still harms unformed plates, later hold.
Clears: with the step. A person's resume grants the longest time once more.
"""

from __future__ import annotations

from controller.core.conditions import CLEAR, Finding, Law
from controller.core.sequence import overrun, step_of
from controller.core.types import Reaction, State
from controller.core.view import CircuitView


def _over(view: CircuitView, what: str) -> Finding:
    run, load = view.state.run, view.state.load
    if run is None or load is None or view.state.state is not State.RUNNING:
        return CLEAR
    step = step_of(load.plan, run)
    if step.longest_ms is None or step.on_overrun != what:
        return CLEAR
    return Finding(overrun(run, step) or (what == "slow" and run.slow), run.fair_ms / 3.6e6, step.longest_ms / 3.6e6)


def slow(view: CircuitView, active: bool) -> Finding:
    """Return whether the step runs on at restart current."""
    return _over(view, "slow")


def held(view: CircuitView, active: bool) -> Finding:
    """Return whether the step's time is over and it must be held."""
    return _over(view, "hold")


LAWS: tuple[Law[CircuitView], ...] = (
    Law("step_slow", Reaction.WARN, 3, slow, readings=0),
    Law("step_overrun", Reaction.HOLD, 2, held, readings=0),
)
