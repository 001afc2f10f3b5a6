"""Zero that is not read back, an output that does not go off, current although the output says off.

Hazard: a string that everybody takes for dead stands at hundreds of volts and carries current; hands go to it.
Law: a circuit that should stand at zero (held, tripped, stopped, complete, of unknown state, blocked, or idle with an
output that was not read back as off since its last run) whose current does not read as zero for the settling time and
two cycles: not confirmed, warn. After 60 s of that, or at once where the cause is the whole bath's or somebody works on
the string: the same at priority 1. An output machine that is stuck
(an output that reads on, or current above `above_A`, after off was written and its settling time passed), and current
above `above_A` in two readings while the output reads off: trip, and the contactor opens at once.
What is no alarm, by design: an idle circuit that was read back as off, and one that falls silent after it: a rectifier
is locked off before hands go to its string, and then it says nothing any more. A circuit of unknown state that knew no
run and is silent is shown as unknown, which is not confirmed either, and nothing more.
Defaults: 1 A is three times what counts as zero (a shunt's offset is some 0.1 A, common practice); 60 s is the time in
which a person at the console can have looked. Own choice, no published source.
Reaction: warn; trip where current is seen.
Clears: by zero read back; a stuck output by off read back, too; latches by acknowledge and reset.
"""

from __future__ import annotations

from controller.core.conditions import CANNOT_TELL, CLEAR, Family, Finding, Law
from controller.core.settings import BathSettings
from controller.core.state import CircuitState
from controller.core.types import RUNNING, STUCK, Output, Reaction, State
from controller.core.values import ZERO_A
from controller.core.view import CircuitView

LONG_MS = 60_000
AT_ZERO = (State.HELD, State.TRIPPED, State.STOPPED, State.COMPLETE, State.UNKNOWN)


def unconfirmed(view: CircuitView, active: bool) -> Finding:
    """Return whether zero is to be read back here, and is not."""
    return Finding(_open(view), view.facts.current_A, ZERO_A)


def _open(view: CircuitView) -> bool:
    state = view.state
    if not _stands(state) or view.facts.zero:
        return False
    return view.facts.current_A is not None or not _may_be_silent(state)


def _stands(state: CircuitState) -> bool:
    """Return whether a circuit should stand at zero: an idle one, too, until its last run's output was read as off."""
    after_run = state.state is State.IDLE and state.output is not Output.OFF
    return bool(state.blocked_by) or state.state in AT_ZERO or after_run


def _may_be_silent(state: CircuitState) -> bool:
    """Return whether silence says nothing new: zero and off were read back before it, or no run was ever known."""
    if state.state is State.UNKNOWN:
        return state.stored is State.IDLE and not state.blocked_by
    return state.output is Output.OFF


def unconfirmed_long(view: CircuitView, active: bool) -> Finding:
    """Return whether that has lasted for too long, or stands where people are concerned."""
    if not _open(view):
        return CLEAR
    since_ms = next((timer.since_ms for timer in view.state.timers if timer.code == "zero_unconfirmed"), None)
    whole_bath = any(found.reaction >= Reaction.HOLD and found.priority == 1 for found in view.bath.reactions)
    longest_ms = _two_cycles_more(view.settings) if whole_bath or view.state.blocked_by else LONG_MS
    lasted = since_ms is not None and view.facts.now_ms - since_ms >= longest_ms
    return Finding(lasted, view.facts.current_A, ZERO_A)


def stuck(view: CircuitView, active: bool) -> Finding:
    """Return whether the output does not go off: it reads on, or carries more than a shunt's offset."""
    current, is_on = view.facts.current_A, view.facts.output_on
    if view.state.output is not Output.STUCK:
        return CLEAR
    if current is None and is_on is None:
        return CANNOT_TELL
    above = current is not None and abs(current) > view.settings.laws.current.above_A
    return Finding(above or is_on is True, current, ZERO_A)


def though_off(view: CircuitView, active: bool) -> Finding:
    """Return whether current is read while the output reads off."""
    current, limit = view.facts.current_A, view.settings.laws.current.above_A
    if current is None or view.facts.output_on is None:
        return CANNOT_TELL
    return Finding(abs(current) > limit and not view.facts.output_on, abs(current), limit)


def _two_cycles_more(settings: BathSettings) -> float:
    return float(settings.settle_ms + 2 * settings.period_ms)


EXPLAINED = ("zero_unconfirmed", "zero_unconfirmed_long", "current_trip")

LAWS: tuple[Law[CircuitView], ...] = (
    Law("zero_unconfirmed", Reaction.WARN, 2, unconfirmed, _two_cycles_more, readings=0),
    Law("zero_unconfirmed_long", Reaction.WARN, 1, unconfirmed_long, readings=0, explains=("zero_unconfirmed",)),
    Law("output_stuck", Reaction.TRIP, 1, stuck, readings=0, explains=EXPLAINED),
    Law("current_though_off", Reaction.TRIP, 1, though_off, readings=2, explains=EXPLAINED),
)


def asleep(view: CircuitView) -> bool:
    """Return whether no comparison of this file can hold now."""
    facts, state = view.facts, view.state
    if state.output is STUCK:
        return False
    if facts.zero or (facts.output_on and state.state is RUNNING and not state.blocked_by):
        return True
    above = facts.current_A is not None and abs(facts.current_A) > view.settings.laws.current.above_A
    if above and facts.output_on is False:
        return False
    return not _stands(state)


FAMILY = Family(LAWS, asleep)
