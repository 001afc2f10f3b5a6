"""The rectifier and its link: silence, another device, local control, its own fault, a restart, what it did not take.

Hazard: what cannot be read cannot be controlled; a device in other hands or with default settings does as it likes.
Law: stale current, voltage, output or read-back: hold (the rectifier's watchdog takes the output to zero without us).
A device that is not the one the map describes, local control, a restart in mid-run, a set-point read back that is
none of ours and lower or elsewhere: hold. A fault code of its own, a set-point above all of ours: trip.
Defaults: stale time, settling time and two readings; the reasons stand with these settings.
Clears: stale by fresh readings, the others by the device saying so; current comes back by order alone, but after a
short link loss (`controller.core.shortloss`).
"""

from __future__ import annotations

from controller.core.conditions import CANNOT_TELL, CLEAR, Finding, Law
from controller.core.types import Fit, Reaction, State
from controller.core.view import CircuitView

TAKEN_PERCENT = 1.0
TAKEN_A = 0.1
"""A read-back within 1 % or 0.1 A is the value written: registers have steps."""


def silent(view: CircuitView, active: bool) -> Finding:
    """Return whether an open run's readings are stale."""
    if not view.open_run:
        return CLEAR
    return Finding(view.facts.stale, None, view.settings.stale_ms / 1000.0)


def another_device(view: CircuitView, active: bool) -> Finding:
    """Return whether an open run's device is not the one of the map."""
    if not view.open_run:
        return CLEAR
    if view.facts.fit is Fit.NOT_CHECKED:
        return CANNOT_TELL
    return Finding(view.facts.fit in (Fit.IDENTITY, Fit.RATING))


def local_control(view: CircuitView, active: bool) -> Finding:
    """Return whether somebody switched the rectifier to local control."""
    if not view.open_run:
        return CLEAR
    return CANNOT_TELL if view.facts.stale else Finding(view.facts.local)


def own_fault(view: CircuitView, active: bool) -> Finding:
    """Return whether the rectifier reports a fault code."""
    code = view.facts.fault_code
    if code is None:
        return CANNOT_TELL if active else CLEAR
    return Finding(code != 0.0, code)


def restarted(view: CircuitView, active: bool) -> Finding:
    """Return whether the rectifier's uptime fell since the last reading of an open run."""
    uptime, before = view.facts.uptime_s, view.state.link.uptime_s
    if not view.open_run or uptime is None or before is None:
        return CLEAR
    return Finding(uptime < before, uptime, before)


def _taken(read_A: float, asked_A: float) -> bool:
    return abs(read_A - asked_A) <= max(TAKEN_A, TAKEN_PERCENT / 100.0 * abs(asked_A))


def not_taken(view: CircuitView, active: bool) -> Finding:
    """Return whether the set-point read back is none of those written in the last settling time."""
    state, read = view.state, view.facts.set_current_A
    if state.state is not State.RUNNING:
        return CLEAR
    if read is None:
        return CANNOT_TELL
    asked = state.command.set_current_A
    if _taken(read, asked) or any(_taken(read, amount) for _, amount in state.asked):
        return CLEAR
    return Finding(True, read, asked)


def foreign_master(view: CircuitView, active: bool) -> Finding:
    """Return whether the set-point read back is above everything we asked for lately."""
    read = view.facts.set_current_A
    if view.state.state is State.UNKNOWN:
        return CLEAR
    if read is None:
        return CANNOT_TELL
    asked = view.asked_high_A
    return Finding(abs(read) > asked + max(TAKEN_A, TAKEN_PERCENT / 100.0 * asked), abs(read), asked)


LAWS: tuple[Law[CircuitView], ...] = (
    Law("link_lost", Reaction.HOLD, 2, silent, readings=0),
    Law("another_device", Reaction.HOLD, 2, another_device, readings=0),
    Law("local_control", Reaction.HOLD, 2, local_control, readings=2),
    Law("rectifier_fault", Reaction.TRIP, 2, own_fault, readings=2),
    Law("rectifier_restarted", Reaction.HOLD, 2, restarted, readings=1),
    Law("set_not_taken", Reaction.HOLD, 2, not_taken, lambda s: float(s.settle_ms), readings=2),
    Law("foreign_master", Reaction.TRIP, 1, foreign_master, readings=2),
)
