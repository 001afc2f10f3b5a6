"""Emergency stop, open hood, a bath whose inputs are not known, and contacts that chatter.

Hazard: somebody is in danger, or stands with hands and tools over live strings and gas.
Law: emergency stop pressed: trip the bath. Hood open: hold the bath, unless a permit for readings stands and nothing
gasses; the purge begins anew all the same. Inputs stale or unreadable (the hood's among them): hold the bath, as nobody
can say that it is shut, ventilated and safe. A contact that changed `CHATTERS` times in a minute: warn.
The software is never the emergency stop: that is hard-wired.
Defaults: one reading, at once; inputs after the stale time; a contact ends nothing before it was calm for `quiet_s`
(10 s). Six changes in a minute are three times open and shut: more than a person does with a hood. Own choice.
Clears: the contact; then acknowledge and reset (emergency stop), and a person's order after the purge.
"""

from __future__ import annotations

from controller.core.conditions import CLEAR, Family, Finding, Law
from controller.core.laws.extraction import quiet_ms
from controller.core.types import Reaction
from controller.core.view import BathView

CHATTERS = 6


def pressed(view: BathView, active: bool) -> Finding:
    """Return whether the emergency stop is pressed; unreadable keeps what stood."""
    ok = view.facts.emergency_stop_ok
    return Finding(None if ok is None else not ok)


def hood_open(view: BathView, active: bool) -> Finding:
    """Return whether the hood is open without a permit; where it has no contact the law is off.

    `controller.core.inputs` takes a permit away when its time is over or a string begins to gas.
    """
    closed = view.facts.hood_closed
    if closed is None:
        return Finding(None if active else False)
    if closed or (view.state.duty.permit_until_ms is not None and not active):
        return CLEAR
    return Finding(view.in_use or view.after_run or active)


def unknown(view: BathView, active: bool) -> Finding:
    """Return whether the bath's inputs are stale."""
    return Finding(view.facts.stale, None, view.settings.stale_ms / 1000.0)


def chatters(view: BathView, active: bool) -> Finding:
    """Return whether one contact changed too often in the last minute."""
    which = [index for _, index in view.state.inputs.changes]
    most = max((which.count(index) for index in set(which)), default=0)
    return Finding(most >= CHATTERS, float(most), float(CHATTERS))


STOPS_ALL = (
    "link_lost",
    "rectifier_restarted",
    "set_not_taken",
    "limit_not_taken",
    "output_off",
    "open_string",
    "contactor_not_closed",
    "current_low",
)
"""What a stop brings with it in the circuits: it takes supply and contactors from them."""

LAWS: tuple[Law[BathView], ...] = (
    Law("emergency_stop", Reaction.TRIP, 1, pressed, readings=0, quiet_ms=quiet_ms, explains=STOPS_ALL),
    Law("hood_open", Reaction.HOLD, 2, hood_open, readings=0, quiet_ms=quiet_ms),
    Law(
        "inputs_stale",
        Reaction.HOLD,
        1,
        unknown,
        readings=0,
        quiet_ms=quiet_ms,
        explains=(
            "water_lost",
            "water_part_lost",
            "hydrogen_unknown",
            "level_unknown",
            "earth_unknown",
            "inputs_chatter",
        ),
    ),
    Law("inputs_chatter", Reaction.WARN, 3, chatters, readings=0),
)


def asleep(view: BathView) -> bool:
    """Return whether no comparison of this file can hold now."""
    facts = view.facts
    calm = len(view.state.inputs.changes) < CHATTERS
    return calm and facts.emergency_stop_ok is True and facts.hood_closed is not False and not facts.stale


FAMILY = Family(LAWS, asleep)
