"""The record that cannot be written.

Hazard: what nobody can read later nobody can answer for: batteries of unknown history go to customers.
Law: rows that wait in memory: warn. Less than an hour of room for them left: warn at once. None left: hold the bath,
as nothing may flow without its record; until then control goes on as if nothing was.
Defaults: no wait, as the writer tries again each second by itself; an hour is what a person needs to make room on a
disk in a night shift. Own choice.
Clears: when everything is written and has been for `quiet_s`; current by order only.
"""

from __future__ import annotations

from controller.core.conditions import CLEAR, Family, Finding, Law
from controller.core.laws.extraction import quiet_ms
from controller.core.types import Reaction
from controller.core.view import BathView

LAST_MS = 3_600_000
MS_PER_H = 3_600_000.0


def _less_than(view: BathView, limit_ms: int | None) -> Finding:
    left_ms = view.facts.record_left_ms
    if left_ms is None:
        return CLEAR
    holds = limit_ms is None or left_ms < limit_ms
    return Finding(holds, left_ms / MS_PER_H, None if limit_ms is None else limit_ms / MS_PER_H)


def waits(view: BathView, active: bool) -> Finding:
    """Return whether rows wait for their disk."""
    return _less_than(view, None)


def ends(view: BathView, active: bool) -> Finding:
    """Return whether less than an hour is left."""
    return _less_than(view, LAST_MS)


def full(view: BathView, active: bool) -> Finding:
    """Return whether nothing more can wait."""
    return _less_than(view, 1)


LAWS: tuple[Law[BathView], ...] = (
    Law("record_waits", Reaction.WARN, 2, waits, readings=0, quiet_ms=quiet_ms),
    Law("record_ends", Reaction.WARN, 1, ends, readings=0, quiet_ms=quiet_ms, explains=("record_waits",)),
    Law("record_full", Reaction.HOLD, 1, full, readings=0, explains=("record_waits", "record_ends")),
)


def asleep(view: BathView) -> bool:
    """Return whether no comparison of this file can hold now."""
    return view.facts.record_left_ms is None


FAMILY = Family(LAWS, asleep)
