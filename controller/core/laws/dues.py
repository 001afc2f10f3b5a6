"""What people owe an open run: the meter walk, and the readings that its plan asks for.

Hazard: a reversed unformed battery and swapped end leads are invisible from the string's ends; only a meter at each
battery finds them, and found early such a battery is often saved. A reading that nobody takes is missing for ever.
Law: from the walk's first minute until every item was found right it is due, past its last minute it is overdue. A
reading is due when its step has ended, overdue after half an hour, long overdue after an hour.
Defaults: 15 to 60 min after the first current (common practice, no published source); 30 and 60 min are own choices: a
round's length, and twice that.
Clears: with the walk or the reading, or with the end of the run for the walk. It only tells; it holds nothing.
"""

from __future__ import annotations

from controller.core.conditions import CLEAR, Family, Finding, Law
from controller.core.listchecks import due_readings
from controller.core.settings import BathSettings
from controller.core.types import Reaction
from controller.core.view import CircuitView

MS_PER_MINUTE = 60_000.0
READING_MINUTES, READING_LONG_MINUTES = 30.0, 60.0


def _walk_min(view: CircuitView) -> tuple[float, float, float] | None:
    """Return minutes since the first current and the walk's first and last minute; None: there is nothing to walk."""
    run, walk_ms = view.state.run, view.settings.walk_ms
    if run is None or run.first_ms is None or run.end_ms is not None or walk_ms is None:
        return None
    right = {tick.item for tick in run.walk if tick.ok}
    if all(item in right for item in range(1, len(view.settings.walk_items) + 1)):
        return None
    since = (view.facts.now_ms - run.first_ms) / MS_PER_MINUTE
    return since, walk_ms[0] / MS_PER_MINUTE, walk_ms[1] / MS_PER_MINUTE


def walk_due(view: CircuitView, _: bool) -> Finding:
    """Return whether the meter walk should be made now."""
    found = _walk_min(view)
    return CLEAR if found is None else Finding(found[1] <= found[0] < found[2], found[0], found[2])


def walk_overdue(view: CircuitView, _: bool) -> Finding:
    """Return whether the meter walk should have been made by now."""
    found = _walk_min(view)
    return CLEAR if found is None else Finding(found[0] >= found[2], found[0], found[2])


def reading_missing(view: CircuitView, _: bool) -> Finding:
    """Return whether a step has ended after which a reading by hand is still missing."""
    run, load = view.state.run, view.state.load
    if run is None or load is None:
        return CLEAR
    return Finding(
        any(
            (index, position) not in run.read
            for index, wanted in due_readings(run, load.plan)
            for position in wanted.batteries
            if position <= view.own.places
        )
    )


def _soon(_: BathSettings) -> float:
    return READING_MINUTES * MS_PER_MINUTE


def _long(_: BathSettings) -> float:
    return READING_LONG_MINUTES * MS_PER_MINUTE


LAWS: tuple[Law[CircuitView], ...] = (
    Law("walk_due", Reaction.WARN, 3, walk_due, readings=0),
    Law("walk_overdue", Reaction.WARN, 2, walk_overdue, readings=0),
    Law("reading_overdue", Reaction.WARN, 3, reading_missing, _soon, readings=0),
    Law("reading_overdue_long", Reaction.WARN, 2, reading_missing, _long, readings=0, explains=("reading_overdue",)),
)


def asleep(view: CircuitView) -> bool:
    """Return whether no comparison of this file can hold now."""
    run, load = view.state.run, view.state.load
    if run is None or load is None:
        return True
    if load.plan.readings:
        return False
    found = _walk_min(view)
    return found is None or found[0] < found[1]


FAMILY = Family(LAWS, asleep)
