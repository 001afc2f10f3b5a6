"""Current where a person may have their hands: in a blocked circuit, or in a bath that is open or not purged.

Hazard: a second master, a panel or a welded switch drives a string that somebody has blocked and works on.
Law: current, or an output that is on, read while nothing was asked for and the output was off before (or ignores its
off), in two readings: trip, with the contactor opened under load; the whole bath is then held by `block_ignored`.
What still flows while an output of ours is being set to zero and off is no other master's; that has its own laws.
A circuit out of use whose leads are off is a bench's, and has no string; while it is blocked, somebody works there all
the same. A new service that has written nothing yet judges the blocked ones only: what it finds on elsewhere it
switches off first.
Defaults: two readings, so that one wrong one moves no contactor; 0.3 A is a shunt's offset (common practice). The
settling time of set-points is the device's.
Clears: zero read back and output off; the latch by acknowledge and reset.
"""

from __future__ import annotations

from controller.core.conditions import CANNOT_TELL, CLEAR, Family, Finding, Law
from controller.core.types import Output, Reaction, State
from controller.core.values import ZERO_A
from controller.core.view import CircuitView

NOT_OBEYED = ("hands_off",)
"""Codes of this file for which a contactor opens under load."""


def _people_near(view: CircuitView) -> bool:
    """Return whether a person may have hands at this string, and nothing of ours explains a current."""
    state, bath = view.state, view.bath
    if state.out_of_use and state.leads_off and not state.blocked_by:
        return False
    if not state.blocked_by and bath.hood_closed and bath.purge_left_ms == 0:
        return False
    told_off = state.output is Output.OFF and (state.state is not State.UNKNOWN or bool(state.blocked_by))
    resting = told_off or state.output is Output.STUCK
    return resting and view.asked_high_A < ZERO_A


def driven(view: CircuitView, active: bool) -> Finding:
    """Return whether current or an output that is on stands where nobody asked for any."""
    if not active and not _people_near(view):
        return CLEAR
    current, on = view.facts.current_A, view.facts.output_on
    if current is None:
        return Finding(True, None, ZERO_A) if on else CANNOT_TELL
    return Finding(not view.facts.zero or on is True, abs(current), ZERO_A)


LAWS: tuple[Law[CircuitView], ...] = (
    Law("hands_off", Reaction.TRIP, 1, driven, readings=2, explains=("output_came_on",)),
)


def asleep(view: CircuitView) -> bool:
    """Return whether no comparison of this file can hold now."""
    return not view.state.blocked_by and view.bath.hood_closed and view.bath.purge_left_ms == 0


FAMILY = Family(LAWS, asleep)
