"""Current above what was set.

Hazard: a rectifier with a wrong gain, an oscillation, or one stuck on drives current nobody asked for.
Law: compared with the highest set-point of the last `settle_s`, since a device follows with a lag: above the larger
of `above_percent` and `above_A` more: trip, in two readings. `warn_percent` over `warn_s`: warn.
Defaults: 10 % and 1 A: well above a thyristor rectifier's regulation of 0.5 to 1 % of full scale (common practice,
no published source), well below what heats a string before a person comes.
Derates that leave less than the circuit's least current for a minute: hold, as a rectifier does not regulate there.
It also covers an output that says off while the shunt says current, as nothing is asked for then.
Clears: back under the limit; the latch by acknowledge and reset.
"""

from __future__ import annotations

from controller.core.conditions import CANNOT_TELL, CLEAR, Finding, Law
from controller.core.facts import ZERO_A
from controller.core.sequence import step_of
from controller.core.types import Reaction, State, StepKind
from controller.core.view import CircuitView


def far_above(view: CircuitView, active: bool) -> Finding:
    """Return whether more current flows than the set-points of the last settling time explain."""
    if view.state.state is State.UNKNOWN:
        return CLEAR
    current, limits = view.facts.current_A, view.settings.laws.current
    if current is None:
        return CANNOT_TELL
    asked = view.asked_along_A(current)
    limit = max(asked * (1.0 + limits.above_percent / 100.0), asked + limits.above_A)
    return Finding(abs(current) > limit, abs(current), limit)


def above(view: CircuitView, active: bool) -> Finding:
    """Return whether current is above its set-point by more than regulation explains."""
    current, limits = view.facts.current_A, view.settings.laws.current
    asked = view.asked_high_A
    if asked == 0.0:
        return CLEAR
    if current is None:
        return CANNOT_TELL
    limit = asked * (1.0 + limits.warn_percent / 100.0) + ZERO_A
    return Finding(abs(current) > limit, abs(current), limit)


def below_least(view: CircuitView, active: bool) -> Finding:
    """Return whether the limits leave a step that wants current less than the circuit's least."""
    state = view.state
    if state.state is not State.RUNNING or state.run is None or state.load is None:
        return CLEAR
    at = step_of(state.load.plan, state.run)
    if at.kind is StepKind.REST or state.run.step_time_ms <= at.ramp_ms:
        return CLEAR
    return Finding(state.command.set_current_A == 0.0, 0.0, view.own.current_min_A)


LAWS: tuple[Law[CircuitView], ...] = (
    Law("current_trip", Reaction.TRIP, 2, far_above, readings=2),
    Law("current_warn", Reaction.WARN, 3, above, lambda s: s.laws.current.warn_s * 1000.0, readings=2),
    Law("below_least", Reaction.HOLD, 2, below_least, lambda _: 60_000.0, readings=2),
)
