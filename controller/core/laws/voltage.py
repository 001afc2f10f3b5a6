"""Cell voltage above its limit.

Hazard: a rectifier that ignores its own voltage limit overcharges, heats and gasses at hundreds of volts.
Law, while current flows: `warn_mV_per_cell` above the limit written for `seconds`: warn. Trip `above_mV_per_cell` above
it, after `seconds` and in two readings; at once (two readings) at the profile's own trip level. The rectifier's limit
acts first: it turns the step into constant voltage.
Defaults: 50 mV is twice what a 0.1 V step and noise make of a 108-cell string's reading and lead drop, 20 mV a little
less than once that; 10 s outlasts a start peak's regulation. Own choice, adjustable; no published source.
Reaction: warn, trip.
Clears: below the limit; the latch by acknowledge and reset.
"""

from __future__ import annotations

from controller.core.conditions import CANNOT_TELL, CLEAR, Family, Finding, Law
from controller.core.types import Reaction
from controller.core.view import CircuitView


def above_limit(view: CircuitView, active: bool) -> Finding:
    """Return whether the string stands so far above the limit written that it trips."""
    return _above(view, active, view.settings.laws.voltage.above_mV_per_cell)


def a_little_above(view: CircuitView, active: bool) -> Finding:
    """Return whether the string stands a little above the limit written."""
    return _above(view, active, view.settings.laws.voltage.warn_mV_per_cell)


def _above(view: CircuitView, active: bool, margin_mV: float) -> Finding:
    """Compare while charge current is asked for and flows: without it volts are the string's own, and fall by time."""
    command, load = view.state.command, view.state.load
    if load is None or (command.set_current_A <= 0.0 and not active):
        return CLEAR
    volts = view.facts.voltage_V_per_cell
    if volts is None:
        return CANNOT_TELL
    if command.voltage_limit_V <= 0.0 or view.facts.zero:
        return CLEAR
    written = command.voltage_limit_V / (load.plan.cells * load.batteries)
    limit = written + margin_mV / 1000.0
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
    Law(
        "voltage_trip",
        Reaction.TRIP,
        2,
        above_limit,
        lambda s: s.laws.voltage.seconds * 1000.0,
        readings=2,
        explains=("voltage_warn",),
    ),
    Law("voltage_trip_profile", Reaction.TRIP, 2, above_profile, readings=2, explains=("voltage_warn",)),
    Law("voltage_warn", Reaction.WARN, 3, a_little_above, lambda s: s.laws.voltage.seconds * 1000.0, readings=2),
)


def asleep(view: CircuitView) -> bool:
    """Return whether no comparison of this file can hold now: volts are at or below the limit written."""
    load, volts, command = view.state.load, view.facts.voltage_V, view.state.command
    if load is None or volts is None or not (command.output_on or command.set_current_A > 0.0):
        return True
    trip = load.plan.voltage_trip_V_per_cell
    if command.set_current_A > 0.0 and volts > command.voltage_limit_V > 0.0:
        return False
    per_cell = view.facts.voltage_V_per_cell
    return trip is None or per_cell is None or per_cell < trip


FAMILY = Family(LAWS, asleep)
