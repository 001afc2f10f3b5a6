"""No step up into gassing while no cooling flow is proved.

Hazard: a gassing battery turns nearly all power above the cell's own voltage into heat, and the bath that should carry
it away does not flow.
Law: a step that was entered after the flow was lost, asks for more than the charge before it, and whose string comes up
to gassing is derated to the current of that charge. A step that ran already goes on: its temperature derates and holds.
Default: 2.35 V a cell, where a flooded lead-acid cell begins to gas noticeably. Common practice, no published source.
Clears: when flow is proved again, or with the step; not by the volts that fall with the current, else it would hunt.
"""

from __future__ import annotations

from controller.core.conditions import CANNOT_TELL, CLEAR, Family, Finding, Law
from controller.core.gassing import GASSING_V_PER_CELL
from controller.core.planned import StepKind
from controller.core.types import Reaction, State
from controller.core.view import CircuitView


def steps_up(view: CircuitView, active: bool) -> Finding:
    """Return whether a step goes up into gassing without flow; values in V a cell."""
    lost_ms, run, load = view.bath.flow_lost_ms, view.state.run, view.state.load
    if lost_ms is None or run is None or load is None or view.state.state is not State.RUNNING:
        return CLEAR
    step = load.plan.steps[run.step]
    up = step.kind is StepKind.CHARGE and step.current_A > run.before_A > 0.0
    if not up or run.step_entered_ms < lost_ms:
        return CLEAR
    volts = view.facts.voltage_V_per_cell
    if volts is None:
        return CANNOT_TELL
    return Finding(active or volts >= GASSING_V_PER_CELL, volts, GASSING_V_PER_CELL, run.before_A)


LAWS: tuple[Law[CircuitView], ...] = (Law("flow_no_step_up", Reaction.DERATE, 3, steps_up),)


def asleep(view: CircuitView) -> bool:
    """Return whether no comparison of this file can hold now: the water flows."""
    return view.bath.flow_lost_ms is None


FAMILY = Family(LAWS, asleep)
