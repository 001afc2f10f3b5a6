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

UPTIME_SLACK_s = 5.0
"""A device's clock and ours, whole seconds and the moment of reading included, part by less over two minutes."""


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


def remembered(link: LinkMemory, facts: Facts, bath: BathShare, waits: bool) -> LinkMemory:
    """Return the memory of the link after this cycle.

    `waits`: the circuit is held by its link; what was before its first silence is kept, and what of the bath was not
    good since then is not forgotten, however often the link comes and goes.
    """
    good = bath_good(bath) and (link.bath_good or not (waits or link.lost))
    uptime = facts.uptime_s if facts.uptime_s is not None else link.uptime_s
    if facts.fresh:
        return LinkMemory(facts.now_ms, uptime, False, link.lost_ms, good, link.uptime_before_s)
    if link.lost or waits:
        return link if link.lost and link.bath_good == good else replace(link, lost=True, bath_good=good)
    before_ms = link.fresh_ms if link.fresh_ms is not None else facts.now_ms
    return replace(link, lost=True, lost_ms=before_ms, bath_good=good, uptime_before_s=link.uptime_s)


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
    if facts.gap or facts.stale or not facts.fresh or facts.fit is not Fit.OK or not facts.zero or not bath_good(bath):
        return False
    if any(condition.reaction >= Reaction.HOLD for condition in standing):
        return False
    away_ms = facts.now_ms - min(link.lost_ms, run.interruption.since_ms)
    if away_ms > settings.auto_resume_link_ms or not link.bath_good:
        return False
    return _harmless(settings, facts) and _same_uptime(link, facts)


def _harmless(settings: BathSettings, facts: Facts) -> bool:
    """Return whether this very reading speaks for current: laws would wait for a second one."""
    cool = facts.probe_C is not None and facts.probe_C < settings.laws.probe.hold_C
    return cool and facts.local is False and facts.fault_code == 0.0


def _same_uptime(link: LinkMemory, facts: Facts) -> bool:
    """Return whether the rectifier's uptime went on by the time that passed since the last reading before the loss."""
    if facts.uptime_s is None or link.uptime_before_s is None:
        return False
    passed_s = (facts.now_ms - link.lost_ms) / 1000.0
    return abs(facts.uptime_s - link.uptime_before_s - passed_s) <= UPTIME_SLACK_s
