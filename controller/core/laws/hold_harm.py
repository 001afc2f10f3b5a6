"""A long stand without current early in a run.

Hazard: plates that are hardly formed stand in acid without current; they sulphate, and what they lost is not made up by
charging longer. Later in a run a stand only costs time.
Law: held or tripped for more than `harm_minutes` before a third of the planned charge is in (with what is credited from
an earlier run): warn, and again, as new, every `harm_minutes` until the run goes on or ends.
Default: 30 min. Common practice, no published source.
Clears: with the resume, or the end of the run.
"""

from __future__ import annotations

from controller.core.conditions import CLEAR, Family, Finding, Law
from controller.core.sequence import charged_Ah
from controller.core.settings import BathSettings
from controller.core.types import Reaction, State
from controller.core.view import CircuitView

MS_PER_MINUTE = 60_000.0
EARLY_SHARE = 1.0 / 3.0


def harms(view: CircuitView, active: bool) -> Finding:
    """Return whether an early stand has lasted too long; values in minutes."""
    run, load = view.state.run, view.state.load
    if run is None or load is None or run.interruption is None or view.state.state not in (State.HELD, State.TRIPPED):
        return CLEAR
    minutes = (view.facts.now_ms - run.interruption.since_ms) / MS_PER_MINUTE
    early = charged_Ah(run) < EARLY_SHARE * load.plan.planned_charge_Ah
    limit = view.settings.laws.alarm.harm_minutes
    return Finding(early and minutes > limit, minutes, limit)


def _again_ms(settings: BathSettings) -> float:
    return settings.laws.alarm.harm_minutes * MS_PER_MINUTE


LAWS: tuple[Law[CircuitView], ...] = (Law("hold_harms", Reaction.WARN, 2, harms, readings=0, repeat_ms=_again_ms),)


def asleep(view: CircuitView) -> bool:
    """Return whether no comparison of this file can hold now: nothing interrupts a run."""
    return view.state.run is None or view.state.run.interruption is None


FAMILY = Family(LAWS, asleep)
