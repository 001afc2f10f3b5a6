"""The set-point read back, and current that flows against it.

Hazard: a write that was acknowledged but not applied, a second master, a rectifier that does not fall when told to:
current that nobody here decided.
Law: a set-point that reads back as none of those of the settling time is explained by `controller.core.setpoint`. One
of our own older ones: not taken, hold after the settling time; it is written anew in every cycle meanwhile. One that
nothing explains, higher or lower: somebody else writes, trip. Local control, a restart and a watchdog that ran out have
their own laws. The same of the voltage limit while output is asked for (`limit_not_taken`, `foreign_limit`), within 0.5
V or 0.5 %. An output that reads off though it is asked on, for longer than the settling time: hold; it comes back by
order, at restart current. Current above the larger of `above_percent` and `above_A` more than what was asked, after
zero was asked or while the set-point reads back otherwise, for three cycles: not obeyed, trip, and the contactor opens.
Current that is too high at a set-point that was taken is `current_trip`.
Defaults: settling time and two readings stand with their settings; 10 % and 1 A as in `current_trip`; three cycles
(the settling time and one more) outlast a device's fall, which follows its own lag within 2 s. Own choice, no
published source.
Reaction: as said. What was written while the link was silent did not arrive: the cycles count anew from the first
reading after it. A circuit that is not known yet has no set-points to compare with; but current may not stay there
either.
Clears: a read-back that is ours again, current under its limit; latches by acknowledge and reset.
"""

from __future__ import annotations

from controller.core import setpoint, shortloss
from controller.core.conditions import CANNOT_TELL, CLEAR, Family, Finding, Law
from controller.core.laws.current import explained_A, most_A
from controller.core.setpoint import Changer
from controller.core.settings import BathSettings
from controller.core.types import Reaction, State
from controller.core.view import CircuitView


def not_taken(view: CircuitView, active: bool) -> Finding:
    """Return whether the set-point read back is one of ours from before."""
    return _changed_by(view, Changer.ACKNOWLEDGE)


def foreign_master(view: CircuitView, active: bool) -> Finding:
    """Return whether the set-point read back was written by somebody else."""
    return _changed_by(view, Changer.FOREIGN)


def _changed_by(view: CircuitView, who: Changer) -> Finding:
    read = view.facts.set_current_A
    if view.state.state is State.UNKNOWN:
        return CLEAR
    if read is None:
        return CANNOT_TELL
    if not setpoint.differs(view):
        return CLEAR
    return Finding(setpoint.changer(view, read) is who, read, view.state.command.set_current_A)


def limit_not_taken(view: CircuitView, active: bool) -> Finding:
    """Return whether the voltage limit read back is one of ours from before."""
    return _limit_changed_by(view, Changer.ACKNOWLEDGE)


def foreign_limit(view: CircuitView, active: bool) -> Finding:
    """Return whether the voltage limit read back was written by somebody else."""
    return _limit_changed_by(view, Changer.FOREIGN)


def _limit_changed_by(view: CircuitView, who: Changer) -> Finding:
    read = view.facts.set_voltage_V
    if view.state.state is State.UNKNOWN or not view.state.command.output_on:
        return CLEAR
    if read is None:
        return CANNOT_TELL
    if not setpoint.limit_differs(view):
        return CLEAR
    return Finding(setpoint.limit_changer(view, read) is who, read, view.state.command.voltage_limit_V)


def output_off(view: CircuitView, active: bool) -> Finding:
    """Return whether the output of a running circuit reads off though it is asked on."""
    if view.state.state is not State.RUNNING or not view.state.command.output_on:
        return CLEAR
    if view.facts.output_on is None:
        return CANNOT_TELL
    return Finding(not view.facts.output_on, view.facts.current_A)


def not_obeyed(view: CircuitView, active: bool) -> Finding:
    """Return whether current stays above what was asked, after zero was asked or with another set-point read back."""
    current = view.facts.current_A
    if current is None:
        return CANNOT_TELL
    if not active and shortloss.back(view.settings, view.state.link, view.facts):
        return CLEAR
    asked = view.state.command.set_current_A
    limit = most_A(view, max(0.0, asked if current > 0.0 else -asked))
    if view.facts.local:
        limit = most_A(view, explained_A(view, current))
    if abs(current) <= limit:
        return CLEAR
    return Finding(asked == 0.0 or setpoint.differs(view), abs(current), limit)


def _settled(settings: BathSettings) -> float:
    return float(settings.settle_ms)


def _three_cycles(settings: BathSettings) -> float:
    return float(settings.settle_ms + settings.period_ms)


LAWS: tuple[Law[CircuitView], ...] = (
    Law("set_not_taken", Reaction.HOLD, 2, not_taken, _settled, readings=2),
    Law("foreign_master", Reaction.TRIP, 1, foreign_master, readings=2),
    Law("limit_not_taken", Reaction.HOLD, 2, limit_not_taken, _settled, readings=2),
    Law("foreign_limit", Reaction.TRIP, 1, foreign_limit, readings=2),
    Law("output_off", Reaction.HOLD, 2, output_off, _settled, readings=2, explains=("current_low",)),
    Law("not_obeyed", Reaction.TRIP, 1, not_obeyed, _three_cycles, readings=2, explains=("current_trip",)),
)


def asleep(view: CircuitView) -> bool:
    """Return whether no comparison of this file can hold now."""
    facts, command = view.facts, view.state.command
    asked = command.set_current_A
    read, current = facts.set_current_A, facts.current_A
    if read is not None and read != asked and not setpoint.taken(read, asked):
        return False
    if command.output_on and (facts.output_on is False or setpoint.limit_differs(view)):
        return False
    above_A = view.settings.laws.current.above_A
    return asked != 0.0 or current is None or -above_A <= current <= above_A


FAMILY = Family(LAWS, asleep)
