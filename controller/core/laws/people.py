"""Emergency stop, open hood, and a bath whose inputs are not known.

Hazard: somebody is in danger, or stands with hands and tools over live strings and gas.
Law: emergency stop pressed: trip the bath. Hood open: hold the bath. Inputs stale or unreadable: hold the bath, as
nobody can say that it is shut, ventilated and safe. The software is never the emergency stop: that is hard-wired.
Defaults: one reading, at once; inputs after the stale time.
Clears: the contact; then acknowledge and reset (emergency stop), and a person's order after the purge.
"""

from __future__ import annotations

from controller.core.conditions import CLEAR, Finding, Law
from controller.core.types import Reaction
from controller.core.view import BathView


def pressed(view: BathView, active: bool) -> Finding:
    """Return whether the emergency stop is pressed; unreadable keeps what stood."""
    ok = view.facts.emergency_stop_ok
    return Finding(None if ok is None else not ok)


def hood_open(view: BathView, active: bool) -> Finding:
    """Return whether the hood is open; where it has no contact the law is off."""
    closed = view.facts.hood_closed
    if closed is None:
        return Finding(None if active else False)
    return CLEAR if closed else Finding(view.in_use or view.after_run or active)


def unknown(view: BathView, active: bool) -> Finding:
    """Return whether the bath's inputs are stale."""
    return Finding(view.facts.stale, None, view.settings.stale_ms / 1000.0)


LAWS: tuple[Law[BathView], ...] = (
    Law("emergency_stop", Reaction.TRIP, 1, pressed, readings=0),
    Law("hood_open", Reaction.HOLD, 2, hood_open, readings=0),
    Law("inputs_stale", Reaction.HOLD, 1, unknown, readings=0),
)
