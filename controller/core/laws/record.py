"""The record that cannot be written, or is written slowly.

Hazard: what nobody can read later nobody can answer for: batteries of unknown history go to customers.
Law: a row waits longer than `slow_s`: warn. Rows that wait in memory because their disk takes none: warn, and refuse to
start a run, of which a crash would leave nothing; open runs go on. Less than an hour of room for them left: warn at
once. None left: hold the bath, as nothing may flow without its record.
Defaults: 3 s, as the writer goes round once a second and a sound disk takes milliseconds; no wait, as the writer tries
again by itself; an hour is what a person needs to make room on a disk in a night shift. Own choice.
Clears: when everything is written and has been for `quiet_s`; current by order only.
"""

from __future__ import annotations

from controller.core.conditions import CLEAR, Family, Finding, Law
from controller.core.laws.extraction import quiet_ms
from controller.core.types import Reaction
from controller.core.view import BathView

LAST_MS = 3_600_000
MS_PER_H = 3_600_000.0
MS_PER_S = 1_000.0


def slow(view: BathView, active: bool) -> Finding:
    """Return whether the oldest row has waited for too long; values in s."""
    age_ms, limit_s = view.facts.record_age_ms, view.settings.laws.record.slow_s
    if age_ms is None:
        return CLEAR
    return Finding(age_ms >= limit_s * MS_PER_S, age_ms / MS_PER_S, limit_s)


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


SLOW, WAITS, ENDS = "record_slow", "record_waits", "record_ends"

LAWS: tuple[Law[BathView], ...] = (
    Law(SLOW, Reaction.WARN, 3, slow, readings=0, quiet_ms=quiet_ms),
    Law(WAITS, Reaction.WARN, 2, waits, readings=0, quiet_ms=quiet_ms, explains=(SLOW,)),
    Law(ENDS, Reaction.WARN, 1, ends, readings=0, quiet_ms=quiet_ms, explains=(SLOW, WAITS)),
    Law("record_full", Reaction.HOLD, 1, full, readings=0, explains=(SLOW, WAITS, ENDS)),
)


def asleep(view: BathView) -> bool:
    """Return whether no comparison of this file can hold now."""
    facts = view.facts
    return facts.record_left_ms is None and not slow(view, False).holds


FAMILY = Family(LAWS, asleep)
