"""Cell voltage above its limit.

Hazard: a rectifier that ignores its own voltage limit overcharges, heats and gasses at hundreds of volts.
Law: trip `above_mV_per_cell` above the limit written, after `seconds` and in two readings; at once (two readings) at
the profile's own trip level. The rectifier's limit acts first: it turns the step into constant voltage.
Defaults: 50 mV is twice what a 0.1 V step and noise make of a 108-cell string's reading and lead drop; 10 s outlasts
a start peak's regulation. Own choice, adjustable.
Clears: below the limit; the latch by acknowledge and reset.
"""

from __future__ import annotations

from controller.core.conditions import CANNOT_TELL, CLEAR, Finding, Law
from controller.core.types import Reaction
from controller.core.view import CircuitView


def above_limit(view: CircuitView, active: bool) -> Finding:
    """Return whether the string stands above the limit written while charge current is asked for."""
    command, load = view.state.command, view.state.load
    if load is None or (command.set_current_A <= 0.0 and not active):
        return CLEAR
    volts = view.facts.voltage_V_per_cell
    if volts is None:
        return CANNOT_TELL
    if command.voltage_limit_V <= 0.0:
        return CLEAR
    written = command.voltage_limit_V / (load.plan.cells * load.batteries)
    limit = written + view.settings.laws.voltage.above_mV_per_cell / 1000.0
    return Finding(volts > limit, volts, limit)


def above_profile(view: CircuitView, active: bool) -> Finding:
    """Return whether the string stands at the profile's own trip level while output is asked for."""
    load = view.state.load
    if load is None or load.plan.voltage_trip_V_per_cell is None or not (view.state.command.output_on or active):
        return CLEAR
    volts, limit = view.facts.voltage_V_per_cell, load.plan.voltage_trip_V_per_cell
    if volts is None:
        return CANNOT_TELL
    return Finding(volts >= limit, volts, limit)


LAWS: tuple[Law[CircuitView], ...] = (
    Law("voltage_trip", Reaction.TRIP, 2, above_limit, lambda s: s.laws.voltage.seconds * 1000.0, readings=2),
    Law("voltage_trip_profile", Reaction.TRIP, 2, above_profile, readings=2),
)
