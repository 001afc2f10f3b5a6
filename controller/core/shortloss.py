"""The short link loss: the one thing that brings current back by rule instead of by a person's order.

All of it must hold: the link was lost for less than `auto_resume_link_ms`, the rectifier did not restart meanwhile
(its uptime went on), the bath's inputs were good all through, nobody is blocked under the hood, zero was read back.
"""

from __future__ import annotations

from dataclasses import replace

from controller.core.facts import Facts
from controller.core.settings import BathSettings, CircuitSettings
from controller.core.state import CircuitState, LinkMemory
from controller.core.types import BathShare, Condition, Fit, Reaction, State


def bath_good(bath: BathShare) -> bool:
    """Return whether the bath lets current flow and nobody is blocked under its hood."""
    return (
        bath.inputs_ok
        and bath.emergency_stop_ok
        and bath.hood_closed
        and bath.airflow_ok
        and bath.purge_left_ms == 0
        and not bath.blocked
        and not any(condition.reaction >= Reaction.HOLD for condition in bath.reactions)
    )


def remembered(link: LinkMemory, facts: Facts, bath: BathShare) -> LinkMemory:
    """Return the memory of the link after this cycle."""
    if not facts.fresh:
        if not link.lost:
            return replace(
                link, lost=True, lost_ms=facts.now_ms, bath_good=bath_good(bath), uptime_before_s=link.uptime_s
            )
        return replace(link, bath_good=link.bath_good and bath_good(bath)) if link.bath_good else link
    return LinkMemory(facts.now_ms, facts.uptime_s, False, link.lost_ms, link.bath_good, link.uptime_before_s)


def may_resume(
    settings: BathSettings,
    own: CircuitSettings,
    state: CircuitState,
    facts: Facts,
    bath: BathShare,
    standing: tuple[Condition, ...],
) -> bool:
    """Return whether a held circuit resumes by rule now."""
    run, link = state.run, state.link
    if state.state is not State.HELD or run is None or run.interruption is None:
        return False
    if not run.interruption.resumable_by_rule or state.blocked_by or not own.has_uptime:
        return False
    if facts.stale or not facts.fresh or facts.fit is not Fit.OK or not facts.zero or not bath_good(bath):
        return False
    if any(condition.reaction >= Reaction.HOLD for condition in standing):
        return False
    away_ms = facts.now_ms - min(link.lost_ms, run.interruption.since_ms)
    if away_ms > settings.auto_resume_link_ms or not link.bath_good:
        return False
    return facts.uptime_s is not None and link.uptime_before_s is not None and facts.uptime_s >= link.uptime_before_s
