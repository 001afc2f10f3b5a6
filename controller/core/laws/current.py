"""Current above or below what was set.

Hazard: a rectifier with a wrong gain, an oscillation, or one stuck on drives current nobody asked for.
Law: compared with the highest set-point of the last `settle_s`, since a device follows with a lag (in local control,
where nothing is written, of its watchdog's time): above the larger of `above_percent` and `above_A` more: trip, in two
readings. `warn_percent` over `warn_s`: warn. Below the lowest set-point of that time by more than `low_percent` (at
least 0.3 A), with volts under their limit (in a discharge above their floor), for `low_s`: warn; it runs on, less
current is safe, and only what was read is counted.
Defaults: 10 % and 1 A: well above a thyristor rectifier's regulation of 0.5 to 1 % of full scale (common practice,
no published source), well below what heats a string before a person comes. 5 % for 30 s below: own choice, five times
that regulation, and longer than any ramp of a device.
Derates that leave less than the circuit's least current for a minute: hold, as a rectifier does not regulate there.
Clears: back under the limit; the latch by acknowledge and reset.
"""

from __future__ import annotations

from controller.core.atlimit import asked_low_A, at_floor, at_limit
from controller.core.conditions import CANNOT_TELL, CLEAR, Family, Finding, Law
from controller.core.planned import StepKind
from controller.core.sequence import step_of
from controller.core.swings import lately
from controller.core.types import RUNNING, Reaction, State
from controller.core.values import ZERO_A
from controller.core.view import CircuitView


def explained_A(view: CircuitView, current_A: float) -> float:
    """Return the highest set-point, in the direction of this current, that may still act."""
    asked = view.asked_along_A(current_A)
    if view.facts.local:
        sign = 1.0 if current_A >= 0.0 else -1.0
        written = lately(view.state.written, view.facts.now_ms, view.settings.watchdog_ms)
        asked = max((asked, *(sign * amount for _, amount in written)))
    return asked


def most_A(view: CircuitView, asked_A: float) -> float:
    """Return the most current that this set-point explains."""
    limits = view.settings.laws.current
    return max(asked_A * (1.0 + limits.above_percent / 100.0), asked_A + limits.above_A)


def far_above(view: CircuitView, active: bool) -> Finding:
    """Return whether more current flows than the set-points of the last settling time explain."""
    if view.state.state is State.UNKNOWN:
        return CLEAR
    current = view.facts.current_A
    if current is None:
        return CANNOT_TELL
    limit = most_A(view, explained_A(view, current))
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


def low(view: CircuitView, active: bool) -> Finding:
    """Return whether less current flows than was set although volts are not at their limit yet, nor at their floor."""
    set_A = view.state.command.set_current_A
    if view.state.state is not State.RUNNING or set_A == 0.0:
        return CLEAR
    current, stands = view.facts.current_A, at_limit(view) if set_A > 0.0 else at_floor(view)
    if current is None or stands is None:
        return CANNOT_TELL
    asked = asked_low_A(view)
    limit = asked - max(asked * view.settings.laws.current.low_percent / 100.0, ZERO_A)
    flows = current if set_A > 0.0 else -current
    return Finding(flows < limit and not stands, current, limit)


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
    Law("current_trip", Reaction.TRIP, 2, far_above, readings=2, explains=("current_warn",)),
    Law("current_warn", Reaction.WARN, 3, above, lambda s: s.laws.current.warn_s * 1000.0, readings=2),
    Law("current_low", Reaction.WARN, 3, low, lambda s: s.laws.current.low_s * 1000.0, readings=2),
    Law("below_least", Reaction.HOLD, 2, below_least, lambda _: 60_000.0, readings=2),
)


def asleep(view: CircuitView) -> bool:
    """Return whether no comparison of this file can hold now: current is as set, or none where none is."""
    current, state = view.facts.current_A, view.state
    asked, limits = state.command.set_current_A, view.settings.laws.current
    half = 0.5 * min(limits.above_A, ZERO_A)
    if asked == 0.0 or current is None:
        small = current is None or -half <= current <= half
        return small and (asked != 0.0 or state.state is not RUNNING)
    if len(state.asked) != 1 or state.asked[0][1] != asked:
        return False
    amount, flows = (asked, current) if asked > 0.0 else (-asked, -current)
    if amount - half <= flows <= amount + half:
        return True
    least = min(limits.warn_percent, limits.low_percent, limits.above_percent)
    room = max(half, amount * least * 0.009)
    stands = at_limit(view) if asked > 0.0 else at_floor(view)
    return flows <= amount + room and (flows >= amount - room or (flows >= 0.0 and stands is True))


FAMILY = Family(LAWS, asleep)
