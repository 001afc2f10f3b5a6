"""Room on the disk of the records, before it is full.

Hazard: a run that is begun on a nearly full disk ends without its record, or is held when memory is full as well.
Law: room for less than `space_warn_h` of every circuit's record: warn. For less than `space_refuse_h`: warn more
urgently, and refuse to start a run; open runs go on. Rows that live on the space kept back for a full disk count as no
room at all. Where the disk does not say how much room it has: warn. That
refuses nothing, as rows that cannot be written have laws of their own, with hours of memory before they hold the bath,
while filled batteries that may not start are harmed for certain.
Defaults: 168 h, a week in which somebody can make room by day; 24 h, a run of 18 to 20 h and a margin. Own choice.
Clears: with a tenth more room than the limit, for `quiet_s`, so that one deleted file does not make it come and go.
"""

from __future__ import annotations

from controller.core.conditions import CANNOT_TELL, CLEAR, Family, Finding, Law
from controller.core.laws.extraction import quiet_ms
from controller.core.types import Reaction
from controller.core.view import BathView

EASED = 1.1
LOW, REFUSES_START, UNKNOWN = "record_space_low", "record_space_ends", "record_space_unknown"


def _below(view: BathView, active: bool, limit_h: float) -> Finding:
    room_h = view.facts.record_space_h
    if room_h is None:
        return CANNOT_TELL if view.facts.record_space_unknown else CLEAR
    return Finding(room_h < (limit_h * EASED if active else limit_h), room_h, limit_h)


def low(view: BathView, active: bool) -> Finding:
    """Return whether there is room for less than a week; values in h."""
    return _below(view, active, view.settings.laws.record.space_warn_h)


def ends(view: BathView, active: bool) -> Finding:
    """Return whether there is room for less than a run; values in h."""
    return _below(view, active, view.settings.laws.record.space_refuse_h)


def not_told(view: BathView, active: bool) -> Finding:
    """Return whether the disk does not say."""
    return Finding(view.facts.record_space_unknown)


LAWS: tuple[Law[BathView], ...] = (
    Law(LOW, Reaction.WARN, 3, low, readings=0, quiet_ms=quiet_ms),
    Law(REFUSES_START, Reaction.WARN, 2, ends, readings=0, quiet_ms=quiet_ms, explains=(LOW,)),
    Law(UNKNOWN, Reaction.WARN, 3, not_told, readings=0, quiet_ms=quiet_ms),
)


def asleep(view: BathView) -> bool:
    """Return whether no comparison of this file can hold now."""
    return not (view.facts.record_space_unknown or low(view, False).holds or ends(view, False).holds)


FAMILY = Family(LAWS, asleep)
