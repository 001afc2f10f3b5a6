"""Extraction of hydrogen: airflow that is not proved.

Hazard: a charging bath gives off hydrogen and oxygen in the ratio in which they explode; gas leaves the cells for a
long time after the current ended.
Law: airflow not proved while current flows or is asked for: the whole bath is held at once, gassing or not. Lost in
the after-run: the bath is shut for orders, with an alarm of its own. Only measured airflow counts,
never a fan's contact.
Default: one reading, at once; a contact that chatters ends nothing before it was calm for `quiet_s` (10 s, own choice).
A purge of `purge_minutes` of airflow without a break comes before any current.
Clears: airflow proved; current by order only, after the purge, and the first resume by maintenance: somebody must have
looked at the fan.
"""

from __future__ import annotations

from controller.core.conditions import CLEAR, Family, Finding, Law
from controller.core.settings import BathSettings
from controller.core.types import Reaction
from controller.core.view import BathView

FOR_MAINTENANCE = ("extraction_lost", "extraction_lost_after_run")
"""After these the first resume of any circuit is for maintenance."""


def quiet_ms(settings: BathSettings) -> float:
    """Return how long an input must be calm before its alarm ends."""
    return settings.laws.alarm.quiet_s * 1000.0


def lost_under_current(view: BathView, active: bool) -> Finding:
    """Return whether airflow is not proved (or not known) while the bath is in use."""
    if view.facts.airflow:
        return CLEAR
    return Finding(view.in_use or active)


def lost_in_after_run(view: BathView, active: bool) -> Finding:
    """Return whether airflow is not proved while gas may still leave the cells; lost under current it is one loss."""
    if view.facts.airflow:
        return CLEAR
    told = any(timer.active and timer.code == "extraction_lost" for timer in view.state.timers)
    return Finding((view.after_run and not view.in_use and not told) or active)


LAWS: tuple[Law[BathView], ...] = (
    Law(
        "extraction_lost",
        Reaction.HOLD,
        1,
        lost_under_current,
        readings=0,
        quiet_ms=quiet_ms,
        explains=("hydrogen_unknown",),
    ),
    Law("extraction_lost_after_run", Reaction.HOLD, 1, lost_in_after_run, readings=0, quiet_ms=quiet_ms),
)


def asleep(view: BathView) -> bool:
    """Return whether no comparison of this file can hold now."""
    return view.facts.airflow is True


FAMILY = Family(LAWS, asleep)
