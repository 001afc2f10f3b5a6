"""A run that stands because this service did not see it: no law of the plant holds it, so nobody else would tell.

Hazard: the string stands without current, nothing at the plant is wrong, and nobody comes.
Law: a run held by a time in which nothing was read, or by a bath that was not proved safe (`service_gap`), or by the
service being away (`service_away`): warn at once.
Default: at once, own choice: only a person resumes.
Clears: with the resume, or the end of the run.
"""

from __future__ import annotations

from controller.core.conditions import Family, Finding, Law
from controller.core.types import Reaction, State
from controller.core.view import CircuitView

GAPS = ("gap", "bath_not_safe")
AWAY = ("service_away",)


def _held_by(view: CircuitView, codes: tuple[str, ...]) -> Finding:
    state = view.state
    run = state.run
    if run is None or run.interruption is None or state.state not in (State.HELD, State.UNKNOWN):
        return Finding(False)
    minutes = (view.facts.now_ms - run.interruption.since_ms) / 60_000.0
    return Finding(run.interruption.code in codes, minutes)


def gap(view: CircuitView, active: bool) -> Finding:
    """Return whether the run is held by a gap in what was read; value in minutes."""
    return _held_by(view, GAPS)


def away(view: CircuitView, active: bool) -> Finding:
    """Return whether the run is held since the service was away; value in minutes."""
    return _held_by(view, AWAY)


LAWS: tuple[Law[CircuitView], ...] = (
    Law("service_gap", Reaction.WARN, 2, gap, readings=0),
    Law("service_away", Reaction.WARN, 2, away, readings=0),
)


def asleep(view: CircuitView) -> bool:
    """Return whether no comparison of this file can hold now: nothing interrupts a run."""
    return view.state.run is None or view.state.run.interruption is None


FAMILY = Family(LAWS, asleep)
