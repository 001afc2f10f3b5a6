"""Charge past the cap of the profile, or of the step.

Hazard: a step that never meets its end, or a counter that is wrong, overcharges a whole string for hours.
Law: charge counted above the cap holds. The profile's: per cent of the planned charge, and what interruptions added;
what is credited from an earlier run counts. The step's: 105 % of the charge that ends it and what it takes of the owed,
else the profile's per cent of its current for its longest time. Both let a reading's worth of charge pass more, as a
step ends in the cycle after the one that meets its end. Current that still flows 10 s after such a hold: trip.
Defaults: 105 %: more than the charge any interruption inside its own limit adds; 10 s: five times what a device takes
to settle. Own choices; the profile sets its own cap.
Clears: charge cannot go down. The step's with its step (the engineer's order `skip`), the profile's by `stop`; the trip
once no current flows.
"""

from __future__ import annotations

from controller.core.conditions import CANNOT_TELL, CLEAR, Family, Finding, Law
from controller.core.ends import moved_Ah
from controller.core.sequence import MS_PER_H, charged_Ah, step_cap_Ah, step_of
from controller.core.types import Reaction
from controller.core.view import CircuitView

NOT_OBEYED_MS = 10_000


def _reading_Ah(view: CircuitView, current_A: float) -> float:
    """Return the charge that flows until the latest moment at which a step can see that its end was met."""
    return current_A * (view.settings.stale_ms + view.settings.period_ms) / MS_PER_H


def above_cap(view: CircuitView, active: bool) -> Finding:
    """Return whether an open run has counted more charge than its profile's cap; values in Ah."""
    run, load = view.state.run, view.state.load
    if run is None or load is None or not view.open_run or load.plan.planned_charge_Ah <= 0.0:
        return CLEAR
    charge, cap = charged_Ah(run), load.plan.charge_cap_Ah + run.owed_Ah
    more = _reading_Ah(view, load.plan.steps[run.step].current_A)
    return Finding(charge > cap + more, charge, cap)


def above_step_cap(view: CircuitView, active: bool) -> Finding:
    """Return whether the step of an open run has moved more charge than it may; values in Ah."""
    run, load = view.state.run, view.state.load
    if run is None or load is None or not view.open_run:
        return CLEAR
    step = step_of(load.plan, run)
    moved, cap = moved_Ah(run, step), step_cap_Ah(run, step)
    if cap is None:
        return CLEAR
    return Finding(moved > cap + _reading_Ah(view, step.current_A), moved, cap)


def not_obeyed(view: CircuitView, active: bool) -> Finding:
    """Return whether current flows though a cap holds; in A."""
    if not (above_cap(view, active).holds or above_step_cap(view, active).holds):
        return CLEAR
    current = view.facts.current_A
    return CANNOT_TELL if current is None else Finding(not view.facts.zero, abs(current), 0.0)


LAWS: tuple[Law[CircuitView], ...] = (
    Law("charge_cap", Reaction.HOLD, 2, above_cap, readings=0, explains=("step_cap",)),
    Law("step_cap", Reaction.HOLD, 2, above_step_cap, readings=0),
    Law(
        "cap_not_obeyed",
        Reaction.TRIP,
        1,
        not_obeyed,
        wait_ms=lambda _: NOT_OBEYED_MS,
        readings=2,
        explains=("charge_cap", "step_cap"),
    ),
)


def asleep(view: CircuitView) -> bool:
    """Return whether no comparison of this file can hold now: all charge is below the caps as they are at least."""
    run, load = view.state.run, view.state.load
    if run is None or load is None:
        return True
    if run.counters.charge_Ah + run.credited_Ah > load.plan.charge_cap_Ah:
        return False
    cap = load.plan.steps[run.step].charge_cap_Ah
    return cap is None or (run.step_charge_Ah <= cap and run.step_discharge_Ah <= cap)


FAMILY = Family(LAWS, asleep)
