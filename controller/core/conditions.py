"""How a law's comparison becomes a standing condition: for how long, in how many readings, and when it ends.

A comparison that holds must do so for the law's time and in the law's number of fresh readings. One that cannot be
told (its source is lost) keeps what stood: a reaction ends only by valid readings of its own source.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Generic, TypeVar

from controller.core.settings import BathSettings
from controller.core.state import Timer
from controller.core.types import Condition, Reaction

V = TypeVar("V")


@dataclass(frozen=True, slots=True)
class Finding:
    """What a comparison says now: it holds, it does not, or (None) it cannot be told.

    `allowed_A`, `allowed_percent`: what a derate leaves; also where it cannot be told, as it then keeps what stood.
    """

    holds: bool | None
    value: float | None = None
    limit: float | None = None
    allowed_A: float | None = None
    allowed_percent: float = 100.0


CLEAR = Finding(False)
CANNOT_TELL = Finding(None)


def kept(finding: Finding, active: bool, blind: bool) -> Finding:
    """Return a finding that cannot end while some of its sensors are `blind`: the one that began it may be there."""
    return replace(finding, holds=None) if active and blind and not finding.holds else finding


@dataclass(frozen=True, slots=True)
class Law(Generic[V]):
    """One interlock: its code, what it does, and the comparison `compare(view, active)`.

    `wait_ms(settings)`: how long the comparison must hold; `readings`: in at least how many fresh readings;
    `quiet_ms(settings)`: how long the comparison must be gone before the reaction ends (an input that chatters).
    `explains`: codes of alarms that follow from this one and are suppressed while it stands, none more urgent than it.
    `counts_on`: its wait, too, goes on over moments shorter than its quiet time.
    `repeat_ms(settings)`: while it stands, its alarm is new again so long after it was last told.
    """

    code: str
    reaction: Reaction
    priority: int
    compare: Callable[[V, bool], Finding]
    wait_ms: Callable[[BathSettings], float] | None = None
    readings: int = 1
    quiet_ms: Callable[[BathSettings], float] | None = None
    explains: tuple[str, ...] = ()
    repeat_ms: Callable[[BathSettings], float] | None = None
    counts_on: bool = False


@dataclass(frozen=True, slots=True)
class Family(Generic[V]):
    """The laws of one file, and when none of them can begin: `asleep(view)` is cheap, and asked before them.

    Asleep means that no comparison of the family would hold now; a test compares. What reacts or waits is always asked.
    """

    laws: tuple[Law[V], ...]
    asleep: Callable[[V], bool]

    @property
    def codes(self) -> frozenset[str]:
        """Codes of its laws."""
        return frozenset(law.code for law in self.laws)


@dataclass(frozen=True, slots=True)
class Judged:
    """The conditions standing after this cycle, and what began or ended in it.

    `again`: those standing whose alarm is told anew after a time, with that time in ms.
    """

    timers: tuple[Timer, ...]
    standing: tuple[Condition, ...]
    begun: tuple[Condition, ...]
    ended: tuple[Condition, ...]
    again: tuple[tuple[Condition, float], ...] = ()


QUIET = Judged((), (), (), ())
"""Nothing stands, nothing waits."""


def judge(
    families: tuple[Family[V], ...],
    view: V,
    settings: BathSettings,
    timers: tuple[Timer, ...],
    now_ms: int,
    fresh: bool,
) -> Judged:
    """Compare each law once and move its timer; `fresh` says whether this cycle brought any new reading."""
    awake = [family for family in families if not family.asleep(view)]
    if timers:
        awake = _with_waiting(families, awake, timers)
    elif not awake:
        return QUIET
    known = {timer.code: timer for timer in timers}
    kept: list[Timer] = []
    standing: list[Condition] = []
    begun: list[Condition] = []
    ended: list[Condition] = []
    again: list[tuple[Condition, float]] = []
    for family in awake:
        for law in family.laws:
            old = known.get(law.code)
            active = old is not None and old.active
            finding = law.compare(view, active)
            if old is None and not finding.holds:
                continue
            timer = _moved(law, old, finding, settings, now_ms, fresh)
            condition = condition_of(law, finding)
            if timer is not None:
                kept.append(timer)
                if timer.active:
                    standing.append(condition)
                    if not active:
                        begun.append(condition)
                    elif law.repeat_ms is not None:
                        again.append((condition, law.repeat_ms(settings)))
            if active and (timer is None or not timer.active):
                ended.append(condition)
    return Judged(tuple(kept), tuple(standing), tuple(begun), tuple(ended), tuple(again))


def _with_waiting(
    families: tuple[Family[V], ...], awake: list[Family[V]], timers: tuple[Timer, ...]
) -> list[Family[V]]:
    """Return the families that must be asked: those not asleep, and those of which a law reacts or waits."""
    waits = {timer.code for timer in timers}
    return [family for family in families if family in awake or not waits.isdisjoint(family.codes)]


def condition_of(law: Law[V], finding: Finding) -> Condition:
    """Return the condition that a law's finding stands for."""
    return Condition(
        law.code,
        law.reaction,
        finding.value,
        finding.limit,
        finding.allowed_percent,
        finding.allowed_A,
        law.priority,
    )


def _moved(
    law: Law[V], old: Timer | None, finding: Finding, settings: BathSettings, now_ms: int, fresh: bool
) -> Timer | None:
    """Return the law's timer after one comparison; None: nothing to remember."""
    if finding.holds is None:
        return old
    if not finding.holds:
        return _quietened(law, old, settings, now_ms)
    since = old.since_ms if old is not None else now_ms
    readings = (old.readings if old is not None else 0) + (1 if fresh else 0)
    if old is not None and old.active:
        return old if old.quiet_ms is None else replace(old, quiet_ms=None)
    wait = law.wait_ms(settings) if law.wait_ms is not None else 0.0
    active = now_ms - since >= wait and readings >= law.readings
    return Timer(law.code, since, readings, active, law.reaction, now_ms if active else 0)


def _quietened(law: Law[V], old: Timer | None, settings: BathSettings, now_ms: int) -> Timer | None:
    """Return what is left of a timer whose cause is gone: an active one waits out its quiet time."""
    if old is None or law.quiet_ms is None or not (old.active or law.counts_on):
        return None
    since = old.quiet_ms if old.quiet_ms is not None else now_ms
    if now_ms - since >= law.quiet_ms(settings):
        return None
    return replace(old, quiet_ms=since)
