"""No current at the voltage limit: a clamp off, a link broken, a cell open or never filled.

Hazard: an open clamp under hydrogen arcs when it moves; the rectifier stands at its limit of hundreds of volts.
Law: while a charge step asks for current and the string stands at the limit, current below the larger of `least_A`
and `least_percent` of the set-point for `seconds`, in two readings, and either less than half of what flowed in the
10 s before (a finish under constant voltage tapers slowly and must not trip) or none at all since it was switched on.
Defaults: 0.3 A is a shunt's offset, 5 s outlasts a rectifier's ramp. Own choice, adjustable.
Clears: the trip itself ends the comparison; the latch by acknowledge and reset.
"""

from __future__ import annotations

from controller.core.conditions import CANNOT_TELL, CLEAR, Finding, Law
from controller.core.types import Reaction, State
from controller.core.view import CircuitView

NEAR_LIMIT = 0.985
"""At the limit means within 1.5 % of it: a device's own voltage reading and limit differ by that much at most."""


def no_current(view: CircuitView, active: bool) -> Finding:
    """Return whether the string takes no current at its voltage limit."""
    state, facts, limits = view.state, view.facts, view.settings.laws.open_string
    set_A = state.command.set_current_A
    if state.state is not State.RUNNING or set_A <= 0.0 or state.run is None:
        return CLEAR
    if facts.current_A is None or facts.voltage_V is None:
        return CANNOT_TELL
    least = max(limits.least_A, limits.least_percent / 100.0 * set_A)
    if facts.current_A >= least or facts.voltage_V < NEAR_LIMIT * state.command.voltage_limit_V:
        return CLEAR
    before = max((amount for _, amount in state.recent), default=0.0)
    fell = facts.current_A < 0.5 * before and before >= least
    return Finding(fell or not state.run.flowing, facts.current_A, least)


LAWS: tuple[Law[CircuitView], ...] = (
    Law("open_string", Reaction.TRIP, 2, no_current, lambda s: s.laws.open_string.seconds * 1000.0, readings=2),
)
