"""Whether a string stands at its voltage limit: there current is what the string takes."""

from __future__ import annotations

from controller.core.facts import Facts
from controller.core.planned import DISCHARGE, PlanStep
from controller.core.setpoint import limit_taken
from controller.core.state import CircuitState
from controller.core.values import ZERO_A
from controller.core.view import CircuitView

NEAR_LIMIT = 0.985
"""At the limit means within 1.5 % of it: a device's own voltage reading and limit differ by that much at most."""


def at_limit(view: CircuitView) -> bool | None:
    """Return whether volts stand at the limit written, or None where they were not read."""
    volts = view.facts.voltage_V
    return None if volts is None else volts >= NEAR_LIMIT * view.state.command.voltage_limit_V


def limited(state: CircuitState, facts: Facts, discharges: bool) -> bool:
    """Return whether volts were read at the limit, or at the floor where the step discharges.

    The device's own limit counts where it reads as taken: what it rounds off would else add to its voltmeter's error.
    """
    volts, limit, read = facts.voltage_V, state.command.voltage_limit_V, facts.set_voltage_V
    if volts is None:
        return False
    if read is not None and limit_taken(read, limit):
        limit = max(limit, read) if discharges else min(limit, read)
    return NEAR_LIMIT * volts <= limit if discharges else volts >= NEAR_LIMIT * limit


def held_back(state: CircuitState, facts: Facts, step: PlanStep) -> bool:
    """Return whether the string takes less than the step asks for: at its limit, and asked so for a settling time."""
    settled = all(abs(amount) >= step.current_A for _, amount in state.asked)
    return settled and limited(state, facts, step.kind is DISCHARGE)


def at_floor(view: CircuitView) -> bool | None:
    """Return whether volts of a discharge stand at the floor written, or None where they were not read."""
    volts = view.facts.voltage_V
    return None if volts is None else NEAR_LIMIT * volts <= view.state.command.voltage_limit_V


FALLS_V_PER_CELL = 0.002


def comes_down(state: CircuitState, facts: Facts) -> bool:
    """Return whether volts still fall to the lower limit of a step that was entered with current flowing.

    Until they are there a rectifier gives nothing, and then little: that is no open string, nor a current that fell.
    """
    trail, run, volts = state.trail, state.run, facts.voltage_V
    now, then = facts.voltage_V_per_cell, trail[-2].volts_per_cell if len(trail) > 1 else None
    if run is None or not volts or now is None or then is None or then - now < FALLS_V_PER_CELL:
        return False
    before = next((point for point in reversed(trail) if point.at_ms <= run.step_entered_ms), None)
    if before is None or before.current_A is None or before.volts_per_cell is None or before.current_A < ZERO_A:
        return False
    return before.volts_per_cell > now * state.command.voltage_limit_V / volts


def asked_low_A(view: CircuitView) -> float:
    """Return the lowest set-point (as an amount) of the last settling time: ramps and changes are not yet lacking."""
    asked = view.state.asked
    return min((abs(amount) for _, amount in asked), default=abs(view.state.command.set_current_A))
