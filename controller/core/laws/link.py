"""The link to the rectifier: silence, wrong answers, garbled and slow ones, and how often it was ridden through.

Hazard: what cannot be read cannot be controlled; an answer that is not this device's may be taken for its own.
Law: stale current, voltage, output or read-back: hold (the rectifier's watchdog takes the output to zero without us).
`wrong_answers` on end (another unit's, a frame that cannot be right, an exception other than busy) without one good
answer between: hold. `garbled_a_minute` wrong answers in a minute, with good ones between: warn. `late_a_minute`
late or missing answers in a minute, none of them long enough to be silence: warn. More than `rides_an_hour` short link
losses ridden through in an hour: warn.
Defaults: the stale time's reason stands with its setting; 3 wrong answers: one is noise, two may be its echo; 3 a
minute garbled and 6 a minute late (a tenth of the cycles at one a second) are far above a sound wire's, which shows
none in hours; 5 rides an hour: each costs the string ten minutes at restart current. Own choice, adjustable; no
published source.
Reaction: hold or warn as said. Where no run is open nothing is said: an idle rectifier may be switched off at the wall.
Clears: silence by fresh readings, wrong answers by a good one, the counts by the time that passes; current comes back
by order alone, but after a short link loss (`controller.core.shortloss`).
"""

from __future__ import annotations

from controller.core.conditions import CLEAR, Family, Finding, Law
from controller.core.types import WRONG_ANSWER, LinkState, Reaction
from controller.core.view import CircuitView

MINUTE_MS = 60_000
HOUR_MS = 3_600_000


def silent(view: CircuitView, active: bool) -> Finding:
    """Return whether an open run's readings are stale."""
    if not view.open_run:
        return CLEAR
    return Finding(view.facts.stale, None, view.settings.stale_ms / 1000.0)


def wrong_answer(view: CircuitView, active: bool) -> Finding:
    """Return whether wrong answers came on end, this cycle's counted; only a good one ends that."""
    if not view.open_run or view.facts.link is LinkState.UP:
        return CLEAR
    limit = view.settings.laws.link.wrong_answers
    count = view.state.link.wrong + (view.facts.link is LinkState.WRONG_ANSWER)
    return Finding(count >= limit, count, limit)


def _lately(moments_ms: tuple[int, ...], now_ms: int, within_ms: int) -> int:
    return sum(1 for at_ms in moments_ms if now_ms - at_ms <= within_ms)


def garbled(view: CircuitView, active: bool) -> Finding:
    """Return whether wrong answers came now and then, more often than a sound wire brings them."""
    if not view.open_run:
        return CLEAR
    limit = view.settings.laws.link.garbled_a_minute
    count = _lately(view.state.link.garbled_ms, view.facts.now_ms, MINUTE_MS)
    return Finding(count >= limit, count, limit)


def slow(view: CircuitView, active: bool) -> Finding:
    """Return whether answers were late, or missing for a moment, more often than a sound device's are."""
    if not view.open_run:
        return CLEAR
    limit = view.settings.laws.link.late_a_minute
    count = _lately(view.state.link.late_ms, view.facts.now_ms, MINUTE_MS)
    return Finding(count >= limit, count, limit)


def ridden(view: CircuitView, active: bool) -> Finding:
    """Return whether short link losses were ridden through too often in the last hour."""
    run = view.state.run
    if run is None or not view.open_run:
        return CLEAR
    limit = view.settings.laws.link.rides_an_hour
    count = _lately(run.rides_ms, view.facts.now_ms, HOUR_MS)
    return Finding(count > limit, count, limit)


FOLLOWS = ("link_slow", "link_garbled", "probe_lost", "zero_unconfirmed")
"""What a silent link brings with it; that zero is STILL not confirmed after a minute is told all the same."""

LAWS: tuple[Law[CircuitView], ...] = (
    Law("link_lost", Reaction.HOLD, 2, silent, readings=0, explains=FOLLOWS),
    Law("wrong_answer", Reaction.HOLD, 2, wrong_answer, readings=0, explains=FOLLOWS),
    Law("link_garbled", Reaction.WARN, 3, garbled, readings=0),
    Law("link_slow", Reaction.WARN, 3, slow, readings=0),
    Law("link_rides", Reaction.WARN, 3, ridden, readings=0),
)


def asleep(view: CircuitView) -> bool:
    """Return whether no comparison of this file can hold now."""
    link, run = view.state.link, view.state.run
    if view.facts.stale or view.facts.link is WRONG_ANSWER or link.wrong:
        return not view.open_run
    rides = run is not None and len(run.rides_ms) > view.settings.laws.link.rides_an_hour
    return not (rides or link.late_ms or link.garbled_ms)


FAMILY = Family(LAWS, asleep)
