"""What a service knows of the time it was away with runs open: from when, what may not be counted, who has answered.

It only tells; nothing here lets current flow or keeps it from flowing. Pure.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

from controller.core.bathstate import BathState
from controller.core.settings import BathSettings
from controller.core.state import CircuitState
from controller.core.types import State
from controller.records.rows import time_utc

FALL_MS = 2_000
"""A rectifier's current is at zero so long after its watchdog ran out."""


@dataclass(frozen=True, slots=True)
class OpenRun:
    """One run that was found open. `unsure_Ah`: what may have flowed uncounted; `answered`: resumed or ended since."""

    unsure_Ah: float
    zero_utc_ms: int | None = None
    answered: bool = False


@dataclass(frozen=True, slots=True)
class Away:
    """The service was away from `from_utc_ms` (the last moment on record) to `to_utc_ms`; `away_ms` None: not known."""

    from_utc_ms: int | None
    to_utc_ms: int
    away_ms: int | None
    runs: Mapping[str, OpenRun]


def found_open(
    settings: BathSettings, left: Mapping[str, CircuitState], from_utc_ms: int | None, to_utc_ms: int, *, known: bool
) -> Away | None:
    """Return what a new service tells of the runs that an earlier one left open, None where there are none."""
    after_ms = settings.period_ms + settings.watchdog_ms + FALL_MS
    runs = {
        name: OpenRun(_last_A(each) * after_ms / 3_600_000.0)
        for name, each in left.items()
        if each.run is not None and each.run.end_ms is None
    }
    if not runs:
        return None
    away_ms = to_utc_ms - from_utc_ms if known and from_utc_ms is not None else None
    return Away(from_utc_ms, to_utc_ms, away_ms, runs)


def _last_A(left: CircuitState) -> float:
    """Return the last current on record as an amount: as it was read, else as it was asked for."""
    counters = left.run.counters if left.run is not None else None
    if counters is not None and counters.last_ms is not None:
        return abs(counters.last_A)
    return abs(left.command.set_current_A)


def followed(away: Away | None, state: BathState, utc_ms: int) -> Away | None:
    """Return it after a cycle: where zero was read back by now, what was resumed or ended; None once all were."""
    if away is None:
        return None
    circuits = {each.name: each for each in state.circuits}
    runs = {name: _followed(run, circuits.get(name), utc_ms) for name, run in away.runs.items()}
    if all(run.answered for run in runs.values()):
        return None
    return away if runs == away.runs else replace(away, runs=runs)


def _followed(run: OpenRun, each: CircuitState | None, utc_ms: int) -> OpenRun:
    if each is None or run.answered:
        return replace(run, answered=True)
    if run.zero_utc_ms is None and each.state is not State.UNKNOWN:
        run = replace(run, zero_utc_ms=utc_ms)
    # After a restart no rule resumes: a run that flows again was resumed by a person.
    ended = each.run is None or each.run.end_ms is not None
    return replace(run, answered=True) if ended or each.state is State.RUNNING else run


def away_shown(away: Away | None) -> dict[str, Any] | None:
    """Return it as a snapshot shows it; what may have flowed is said only where zero was read back."""
    if away is None:
        return None
    return {
        "from_utc": time_utc(away.from_utc_ms) if away.from_utc_ms is not None else None,
        "to_utc": time_utc(away.to_utc_ms),
        "away_s": away.away_ms / 1000.0 if away.away_ms is not None else None,
        "circuits": {
            name: {
                "unsure_Ah": round(run.unsure_Ah, 4) if run.zero_utc_ms is not None else None,
                "zero_utc": time_utc(run.zero_utc_ms) if run.zero_utc_ms is not None else None,
                "answered": run.answered,
            }
            for name, run in away.runs.items()
        },
    }
