"""How a law's comparison becomes a standing condition: for how long, in how many readings, and when it ends.

A comparison that holds must do so for the law's time and in the law's number of fresh readings. One that cannot be
told (its source is lost) keeps what stood: a reaction ends only by valid readings of its own source.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Generic, TypeVar

from controller.core.settings import BathSettings
from controller.core.state import Timer
from controller.core.types import Condition, Reaction

V = TypeVar("V")


@dataclass(frozen=True, slots=True)
class Finding:
    """What a comparison says now: it holds, it does not, or (None) it cannot be told."""

    holds: bool | None
    value: float | None = None
    limit: float | None = None
    allowed_A: float | None = None


CLEAR = Finding(False)
CANNOT_TELL = Finding(None)


@dataclass(frozen=True, slots=True)
class Law(Generic[V]):
    """One interlock: its code, what it does, and the comparison `compare(view, active)`.

    `wait_ms(settings)`: how long the comparison must hold; `readings`: in at least how many fresh readings.
    """

    code: str
    reaction: Reaction
    priority: int
    compare: Callable[[V, bool], Finding]
    wait_ms: Callable[[BathSettings], float] | None = None
    readings: int = 1


@dataclass(frozen=True, slots=True)
class Judged:
    """The conditions standing after this cycle, and what began or ended in it."""

    timers: tuple[Timer, ...]
    standing: tuple[Condition, ...]
    begun: tuple[Condition, ...]
    ended: tuple[Condition, ...]


def judge(
    laws: tuple[Law[V], ...], view: V, settings: BathSettings, timers: tuple[Timer, ...], now_ms: int, fresh: bool
) -> Judged:
    """Compare each law once and move its timer; `fresh` says whether this cycle brought a new reading."""
    known = {timer.code: timer for timer in timers} if timers else {}
    kept: list[Timer] = []
    standing: list[Condition] = []
    begun: list[Condition] = []
    ended: list[Condition] = []
    for law in laws:
        old = known.get(law.code)
        active = old is not None and old.active
        finding = law.compare(view, active)
        if old is None and not finding.holds:
            continue
        timer = _moved(law, old, finding, settings, now_ms, fresh)
        condition = Condition(
            law.code, law.reaction, finding.value, finding.limit, allowed_A=finding.allowed_A, priority=law.priority
        )
        if timer is not None:
            kept.append(timer)
            if timer.active:
                standing.append(condition)
                if not active:
                    begun.append(condition)
        if active and (timer is None or not timer.active):
            ended.append(condition)
    return Judged(tuple(kept), tuple(standing), tuple(begun), tuple(ended))


def _moved(
    law: Law[V], old: Timer | None, finding: Finding, settings: BathSettings, now_ms: int, fresh: bool
) -> Timer | None:
    """Return the law's timer after one comparison; None: nothing to remember."""
    if finding.holds is None:
        return old
    if not finding.holds:
        return None
    since = old.since_ms if old is not None else now_ms
    readings = (old.readings if old is not None else 0) + (1 if fresh else 0)
    if old is not None and old.active:
        return old
    wait = law.wait_ms(settings) if law.wait_ms is not None else 0.0
    active = now_ms - since >= wait and readings >= law.readings
    return Timer(law.code, since, readings, active, law.reaction, now_ms if active else 0)
