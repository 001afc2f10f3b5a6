"""What people owe the whole bath: the round past all its circuits, and a horn that sounds.

Hazard: leaks, dry vents, warm clamps and smells show to eyes and noses alone; a horn that failed calls nobody.
Law: while a run is open, a round is due each interval since the last one (or since the oldest open run began); 30 min
past that it is overdue, 60 min past that long overdue. A horn that nobody heard in its test is an alarm until heard.
Defaults: every one to two hours (common practice, no published source); 30 and 60 min are own choices.
Clears: with the order `round`; with a horn test that is heard.
"""

from __future__ import annotations

from controller.core.conditions import CLEAR, Family, Finding, Law
from controller.core.types import Reaction
from controller.core.view import BathView

MS_PER_MINUTE = 60_000.0
LATE_MINUTES, LONG_MINUTES = 30.0, 60.0


def _late_minutes(view: BathView) -> float | None:
    """Return for how many minutes a round has been due (negative: it is not yet), or None where none is asked for."""
    interval_ms, last_ms = view.settings.round_ms, view.state.duty.round_ms
    if interval_ms is None:
        return None
    open_runs = [each.run.start_ms for each in view.state.circuits if each.run is not None and each.run.end_ms is None]
    if not open_runs:
        return None
    begun_ms = min(open_runs)
    since_ms = begun_ms if last_ms is None else max(last_ms, begun_ms)
    return (view.facts.now_ms - since_ms - interval_ms) / MS_PER_MINUTE


def _overdue(view: BathView, limit: float) -> Finding:
    late = _late_minutes(view)
    return CLEAR if late is None else Finding(late >= limit, late, limit)


def overdue(view: BathView, _: bool) -> Finding:
    """Return whether the round is overdue."""
    return _overdue(view, LATE_MINUTES)


def long_overdue(view: BathView, _: bool) -> Finding:
    """Return whether the round is long overdue."""
    return _overdue(view, LONG_MINUTES)


def horn_silent(view: BathView, _: bool) -> Finding:
    """Return whether nobody heard the horn in its last test."""
    return Finding(not view.state.duty.horn_ok)


LAWS: tuple[Law[BathView], ...] = (
    Law("round_overdue", Reaction.WARN, 3, overdue, readings=0),
    Law("round_overdue_long", Reaction.WARN, 2, long_overdue, readings=0, explains=("round_overdue",)),
    Law("horn_failed", Reaction.WARN, 2, horn_silent, readings=0),
)


def asleep(view: BathView) -> bool:
    """Return whether no comparison of this file can hold now."""
    return view.settings.round_ms is None and view.state.duty.horn_ok


FAMILY = Family(LAWS, asleep)
