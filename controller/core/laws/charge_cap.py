"""Charge past the profile's cap.

Hazard: a step that never meets its end, or a counter that is wrong, overcharges a whole string for hours.
Law: charge counted above the cap (per cent of the planned charge, and what interruptions added): hold.
Default: 105 %: more than the charge any interruption inside its own limit adds. Own choice, set in the profile.
Clears: it cannot go down; an engineer ends the run by `stop`.
"""

from __future__ import annotations

from controller.core.conditions import CLEAR, Finding, Law
from controller.core.types import Reaction
from controller.core.view import CircuitView


def above_cap(view: CircuitView, active: bool) -> Finding:
    """Return whether an open run has counted more charge than its cap."""
    run, load = view.state.run, view.state.load
    if run is None or load is None or not view.open_run or load.plan.planned_charge_Ah <= 0.0:
        return CLEAR
    cap = load.plan.charge_cap_Ah + run.owed_Ah
    return Finding(run.counters.charge_Ah > cap, run.counters.charge_Ah, cap)


LAWS: tuple[Law[CircuitView], ...] = (Law("charge_cap", Reaction.HOLD, 2, above_cap, readings=0),)
