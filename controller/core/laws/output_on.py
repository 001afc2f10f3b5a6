"""An output that is on by itself: it was written and read back as off, or nobody here has switched it on yet.

Hazard: a panel, a second master or a stuck relay puts hundreds of volts on a string that everybody takes for dead, even
where no current flows yet: the clamp that is put on next draws the arc.
Law: an output that reads on in two readings, for the settling time, while the circuit's own output machine is off
(which it is after off and zero were read back, and in a new service): trip, and the contactor opens.
A circuit out of use whose leads are off is a bench's, unless it is blocked. An output that never went off after its off
was written is `output_stuck`.
Default: the device's own settling time, own choice: a new service's first off must have arrived.
Clears: off read back; the latch by acknowledge and reset, which is for maintenance.
"""

from __future__ import annotations

from controller.core.conditions import CANNOT_TELL, CLEAR, Family, Finding, Law
from controller.core.types import OFF, Output, Reaction
from controller.core.view import CircuitView


def by_itself(view: CircuitView, active: bool) -> Finding:
    """Return whether the output reads on although this circuit's is off; only off read back ends it."""
    state, is_on = view.state, view.facts.output_on
    if is_on is None:
        return CANNOT_TELL
    if not is_on:
        return CLEAR
    at_bench = state.out_of_use and state.leads_off and not state.blocked_by
    return Finding(active or (state.output is Output.OFF and not at_bench), view.facts.voltage_V)


LAWS: tuple[Law[CircuitView], ...] = (
    Law("output_came_on", Reaction.TRIP, 1, by_itself, lambda settings: float(settings.settle_ms), readings=2),
)


def asleep(view: CircuitView) -> bool:
    """Return whether no comparison of this file can hold now."""
    return view.state.output is not OFF or not view.facts.output_on


FAMILY = Family(LAWS, asleep)
