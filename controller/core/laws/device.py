"""The rectifier itself: another device, local control, its own fault, a restart in mid-run.

Hazard: a device in other hands or with default settings does as it likes.
Law: a device that is not the one the map describes, local control, a restart in mid-run (its uptime fell, or both its
limits read as the defaults of its map): hold. A fault code of its own, over-temperature among them: trip.
In local control nothing is written to it any more, so that its own watchdog takes over what we do not control; but
current that flows on past the watchdog's time is current that nobody watches (`current_trip`, `not_obeyed`).
Defaults: two readings for bits, one for an uptime, which no noise makes smaller. Own choice, no published source.
Reaction: hold or trip as said; limits are written anew in every cycle, before anything flows.
Clears: by the device saying so; losing the source keeps what stood. Current comes back by order alone.
"""

from __future__ import annotations

from controller.core import setpoint
from controller.core.conditions import CANNOT_TELL, CLEAR, Family, Finding, Law
from controller.core.setpoint import Changer
from controller.core.types import Fit, Reaction
from controller.core.view import CircuitView

RESTARTS = (Changer.RESTARTED, Changer.DEFAULTS)


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
    """Return whether an open run's rectifier restarted: its uptime fell, or it stands at its defaults."""
    if not view.open_run:
        return CLEAR
    uptime, before, read = view.facts.uptime_s, view.state.link.uptime_s, view.facts.set_current_A
    if setpoint.restarted(view):
        return Finding(True, uptime, before)
    defaults = read is not None and setpoint.differs(view) and setpoint.changer(view, read) in RESTARTS
    return Finding(defaults, uptime, before)


LAWS: tuple[Law[CircuitView], ...] = (
    Law("another_device", Reaction.HOLD, 2, another_device, readings=0),
    Law("local_control", Reaction.HOLD, 2, local_control, readings=2),
    Law("rectifier_fault", Reaction.TRIP, 2, own_fault, readings=2),
    Law("rectifier_restarted", Reaction.HOLD, 2, restarted, readings=1),
)


def asleep(view: CircuitView) -> bool:
    """Return whether no comparison of this file can hold now."""
    facts = view.facts
    if facts.fault_code is not None and facts.fault_code != 0.0:
        return False
    if not view.open_run:
        return True
    sound = facts.local is not True and (facts.fit is Fit.OK or facts.fit is Fit.NOT_CHECKED)
    return sound and not setpoint.restarted(view) and not setpoint.differs(view)


FAMILY = Family(LAWS, asleep)
