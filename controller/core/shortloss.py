"""The short link loss: the one thing that brings current back by rule instead of by a person's order.

All of it must hold: the link was lost for less than `auto_resume_link_ms`, the rectifier did not restart meanwhile
(its uptime went on), the bath's inputs were good all through, nobody is blocked under the hood, zero was read back, the
next resume is not maintenance's, and no other circuit's first current flows alone.
"""

from __future__ import annotations

from controller.core.bathsafe import safe
from controller.core.changed import changed
from controller.core.facts import Facts
from controller.core.laws.link import HOUR_MS, MINUTE_MS
from controller.core.lawsettings import LinkLimits
from controller.core.settings import BathSettings, CircuitSettings
from controller.core.state import CircuitState, LinkMemory
from controller.core.types import HELD, UP, BathShare, Condition, Fit, LinkState, Reaction

UPTIME_SLACK_s = 5.0
"""A device's clock and ours, whole seconds and the moment of reading included, part by less over two minutes."""


def bath_good(bath: BathShare) -> bool:
    """Return whether the bath lets current flow and nobody is blocked under its hood."""
    return (
        safe(bath)
        and bath.hood_closed
        and not bath.permit
        and bath.purge_left_ms == 0
        and bath.gas_ok
        and not bath.blocked
        and not (bath.reactions and any(condition.reaction >= Reaction.HOLD for condition in bath.reactions))
    )


def remembered(link: LinkMemory, facts: Facts, bath: BathShare, waits: bool, limits: LinkLimits) -> LinkMemory:
    """Return the memory of the link after this cycle.

    `waits`: the circuit is held by its link; what was before its first silence is kept, and what of the bath was not
    good since then is not forgotten, however often the link comes and goes.
    """
    good = bath_good(bath) and (link.bath_good or not (waits or link.lost))
    uptime = facts.uptime_s if facts.uptime_s is not None else link.uptime_s
    if facts.link is UP and facts.fresh and not (link.wrong or link.late_ms or link.garbled_ms):
        return changed(link, fresh_ms=facts.now_ms, uptime_s=uptime, lost=False, bath_good=good)
    late_ms = _minute(link.late_ms, facts, facts.link is LinkState.LATE and not facts.stale, limits.late_a_minute)
    is_wrong = facts.link is LinkState.WRONG_ANSWER
    garbled_ms = _minute(link.garbled_ms, facts, is_wrong, limits.garbled_a_minute)
    wrong = 0 if facts.link is UP else min(link.wrong + is_wrong, limits.wrong_answers)
    fresh_ms, lost_ms, before_s = link.fresh_ms, link.lost_ms, link.uptime_before_s
    if facts.fresh:
        fresh_ms = facts.now_ms
    elif not (link.lost or waits):
        lost_ms, before_s = facts.now_ms if fresh_ms is None else fresh_ms, link.uptime_s
    kept_s = uptime if facts.fresh else link.uptime_s
    new = LinkMemory(fresh_ms, kept_s, not facts.fresh, lost_ms, good, before_s, wrong, late_ms, garbled_ms)
    return link if new == link else new


def _minute(moments_ms: tuple[int, ...], facts: Facts, again: bool, most: int) -> tuple[int, ...]:
    """Return the moments of the last minute, this cycle's with them; no more than are counted."""
    if not again and not moments_ms:
        return ()
    kept = tuple(at_ms for at_ms in moments_ms if facts.now_ms - at_ms <= MINUTE_MS)
    return (*kept, facts.now_ms)[-most:] if again else kept


def back(settings: BathSettings, link: LinkMemory, facts: Facts) -> bool:
    """Return whether this is the first reading after a silence: what was written meanwhile did not arrive.

    `link` is the memory before this cycle. What a device does against an order counts from here anew.
    """
    return facts.fresh and link.fresh_ms is not None and facts.now_ms - link.fresh_ms > settings.stale_ms


def ridden(state: CircuitState) -> CircuitState:
    """Return a circuit that the rule has just resumed, with this ride-through among those of the last hour."""
    run = state.run
    if run is None:
        return state
    kept = tuple(at_ms for at_ms in run.rides_ms if state.since_ms - at_ms <= HOUR_MS)
    return changed(state, run=changed(run, rides_ms=(*kept, state.since_ms)))


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
    if state.state is not HELD or run is None or run.interruption is None:
        return False
    if not run.interruption.resumable_by_rule or state.blocked_by or not own.has_uptime:
        return False
    another = bath.alone not in ("", state.name) and facts.now_ms < bath.alone_until_ms
    if state.resume_for or bath.resume_for or another:
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
    hold_C, seen = settings.laws.probe.hold_C, facts.seen_C
    cool = facts.probe_C is not None and facts.probe_C < hold_C and seen is not None and seen < hold_C
    return cool and facts.local is False and facts.fault_code == 0.0


def _same_uptime(link: LinkMemory, facts: Facts) -> bool:
    """Return whether the rectifier's uptime went on by the time that passed since the last reading before the loss."""
    if facts.uptime_s is None or link.uptime_before_s is None:
        return False
    passed_s = (facts.now_ms - link.lost_ms) / 1000.0
    return abs(facts.uptime_s - link.uptime_before_s - passed_s) <= UPTIME_SLACK_s
