"""Whether a string stands at its voltage limit: there current is what the string takes."""

from __future__ import annotations

from controller.core.view import CircuitView

NEAR_LIMIT = 0.985
"""At the limit means within 1.5 % of it: a device's own voltage reading and limit differ by that much at most."""


def at_limit(view: CircuitView) -> bool | None:
    """Return whether volts stand at the limit written, or None where they were not read."""
    volts = view.facts.voltage_V
    return None if volts is None else volts >= NEAR_LIMIT * view.state.command.voltage_limit_V


def asked_low_A(view: CircuitView) -> float:
    """Return the lowest set-point (as an amount) of the last settling time: ramps and changes are not yet lacking."""
    asked = view.state.asked
    return min((abs(amount) for _, amount in asked), default=abs(view.state.command.set_current_A))
