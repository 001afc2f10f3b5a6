"""Who changed the set-point? One ordered table, asked wherever a set-point reads back as something else than written:
of the current, and of the voltage limit while output is asked for.

The order matters: what the device itself says comes first, then what our own writes explain, and what nothing
explains was written by somebody else. Own choice throughout; there is no published rule.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from enum import StrEnum

from controller.core.types import Fit
from controller.core.view import CircuitView

TAKEN_PERCENT = 1.0
TAKEN_A = 0.1
"""A read-back within 1 % or 0.1 A is the value written: registers have steps. From memory of usual register maps."""

LIMIT_PERCENT = 0.5
LIMIT_V = 0.5
"""The same for a voltage limit: within 0.5 % or 0.5 V, which is 5 mV a cell of 108. Own choice."""

DEFAULT_V = 0.5
"""A limit read back within 0.5 V is the device's default."""

YOUNG_CYCLES = 3
"""A write is younger than two cycles while what was written before it is younger than three."""


class Changer(StrEnum):
    """What explains a set-point that reads back as something else than the newest one written."""

    LOCAL = "local control"
    RESTARTED = "restarted"
    WATCHDOG = "watchdog"
    ACKNOWLEDGE = "an own write before the newest"
    WAIT = "on its way"
    DEFAULTS = "the device's defaults"
    FOREIGN = "foreign master"


def taken(read_A: float, asked_A: float) -> bool:
    """Return whether a read-back is this set-point."""
    away_A = abs(read_A - asked_A)
    return away_A <= TAKEN_A or away_A <= TAKEN_PERCENT / 100.0 * abs(asked_A)


def limit_taken(read_V: float, asked_V: float) -> bool:
    """Return whether a read-back is this voltage limit."""
    away_V = abs(read_V - asked_V)
    return away_V <= LIMIT_V or away_V <= LIMIT_PERCENT / 100.0 * abs(asked_V)


@dataclass(frozen=True, slots=True)
class ReadBack:
    """What was read back, what of its kind was written lately as (moment, value), and when the two are the same."""

    value: float
    written: tuple[tuple[int, float], ...]
    same: Callable[[float, float], bool]


def differs(view: CircuitView) -> bool:
    """Return whether the set-point was read and is none of those written in the last settling time."""
    read, state = view.facts.set_current_A, view.state
    asked_A = state.command.set_current_A
    if read is None or read == asked_A or taken(read, asked_A):
        return False
    return not any(taken(read, amount) for _, amount in state.asked)


def limit_differs(view: CircuitView) -> bool:
    """Return whether the voltage limit, while output is asked for, reads as none of those of the last settling time."""
    read, state = view.facts.set_voltage_V, view.state
    limit_V = state.command.voltage_limit_V
    if read is None or read == limit_V or not state.command.output_on or limit_taken(read, limit_V):
        return False
    since_ms = view.facts.now_ms - view.settings.settle_ms
    return not any(limit_taken(read, volts) for at_ms, volts in state.written_V if at_ms >= since_ms)


def _local(view: CircuitView, _back: ReadBack) -> bool:
    return view.facts.local is True


def restarted(view: CircuitView) -> bool:
    """Return whether the rectifier's uptime fell since the last reading of it."""
    uptime, before = view.facts.uptime_s, view.state.link.uptime_s
    return uptime is not None and before is not None and uptime < before


def _restarted(view: CircuitView, _back: ReadBack) -> bool:
    """Its uptime fell, or is shorter than its settling time; or another device answers."""
    uptime = view.facts.uptime_s
    young = uptime is not None and uptime * 1000.0 <= view.settings.settle_ms
    return young or restarted(view) or view.facts.fit in (Fit.IDENTITY, Fit.RATING)


def _watchdog(view: CircuitView, back: ReadBack) -> bool:
    """It reads zero, and nothing reached it for longer than its watchdog's time."""
    fresh_ms = view.state.link.fresh_ms
    return (
        fresh_ms is not None and view.facts.now_ms - fresh_ms > view.settings.watchdog_ms and back.same(back.value, 0.0)
    )


def _acknowledge(_view: CircuitView, back: ReadBack) -> bool:
    """It is one of ours: a later write did not reach it, or was not applied."""
    return any(back.same(back.value, amount) for _, amount in back.written)


def _waits(view: CircuitView, back: ReadBack) -> bool:
    """The newest write is younger than two cycles, and it reads between that and the one before."""
    written = back.written
    if len(written) < 2:
        return False
    (before_ms, before), (_, newest) = written[-2:]
    if view.facts.now_ms - before_ms >= YOUNG_CYCLES * view.settings.period_ms:
        return False
    return min(before, newest) <= back.value <= max(before, newest)


def _defaults(view: CircuitView, _back: ReadBack) -> bool:
    """Both limits read as those with which the device starts, by its map."""
    own, volts, read_A = view.own, view.facts.set_voltage_V, view.facts.set_current_A
    if own.default_A is None or own.default_V is None or volts is None or read_A is None:
        return False
    return taken(read_A, own.default_A) and abs(volts - own.default_V) <= DEFAULT_V


TABLE: tuple[tuple[Changer, Callable[[CircuitView, ReadBack], bool]], ...] = (
    (Changer.LOCAL, _local),
    (Changer.RESTARTED, _restarted),
    (Changer.WATCHDOG, _watchdog),
    (Changer.ACKNOWLEDGE, _acknowledge),
    (Changer.WAIT, _waits),
    (Changer.DEFAULTS, _defaults),
)


def changer(view: CircuitView, read_A: float) -> Changer:
    """Return the first that explains this read-back; where nothing does, somebody else wrote it."""
    return _changer(view, ReadBack(read_A, view.state.written, taken))


def limit_changer(view: CircuitView, read_V: float) -> Changer:
    """Return the same of a voltage limit."""
    return _changer(view, ReadBack(read_V, view.state.written_V, limit_taken))


def _changer(view: CircuitView, back: ReadBack) -> Changer:
    return next((who for who, explains in TABLE if explains(view, back)), Changer.FOREIGN)
