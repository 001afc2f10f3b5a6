"""When a row of log.csv is due: one rule, for who writes rows and for who counts whether they are all there. Pure."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from controller.core.state import CircuitState

USUAL_LOG_S = 10.0
"""Distance of rows where the bath file does not say another."""
MOST_LOG_S = 600.0
"""No bath file may ask for a longer one."""


@dataclass(frozen=True, slots=True)
class Due:
    """How often rows are written: each `log_ms`, `early_ms` before that is on time, and at each change that matters.

    Real cycles come some ms early or late and would miss their turn by one of them: half a cycle early is on time.
    """

    log_ms: int
    early_ms: int

    def at(self, logged_ms: int | None, old: CircuitState, new: CircuitState) -> bool:
        """Return whether a cycle from `old` to `new` has a row; `logged_ms`: the last one's core time (None: none)."""
        if logged_ms is None or new.now_ms - logged_ms >= self.log_ms - self.early_ms:
            return True
        step = new.run.step if new.run is not None else None
        old_step = old.run.step if old.run is not None else None
        return new.state is not old.state or step != old_step or new.confirmed is not old.confirmed


def due(log_ms: int, period_ms: int) -> Due:
    """The rule for a bath's logging interval and its cycle."""
    return Due(log_ms, period_ms // 2)


def usual_s(log_s: float, period_s: float) -> float:
    """How far apart rows stand while nothing changes: the whole cycles after which one is due again."""
    cycles = 1
    while cycles * period_s < log_s - period_s / 2:
        cycles += 1
    return cycles * period_s


def logged_each_s(bath_file: str) -> float | None:
    """The distance of rows that a bath file asks for; None where the text is no bath file that can be read."""
    try:
        plain = tomllib.loads(bath_file)
    except (tomllib.TOMLDecodeError, RecursionError, ValueError):
        return None
    if plain.get("kind") != "bath":
        return None
    runs = plain.get("runs", {})
    asked = runs.get("log_s", USUAL_LOG_S) if isinstance(runs, dict) else None
    if not isinstance(asked, int | float) or isinstance(asked, bool) or not 1.0 <= asked <= MOST_LOG_S:
        return None
    return float(asked)


def bath_file_of(plain: Mapping[str, Any]) -> str:
    """The text of the bath file as a run.json keeps it; empty where it does not."""
    part = plain.get("bath_file")
    text = part.get("text") if isinstance(part, dict) else None
    return text if isinstance(text, str) else ""


def rule_of(plain: Mapping[str, Any], period_ms: int) -> Due | None:
    """The rule by which a record's rows were written; None where its run.json does not tell how often.

    Versions that did not name `summary_format` yet waited for the whole interval.
    """
    log_s = logged_each_s(bath_file_of(plain))
    if log_s is None:
        return None
    log_ms = round(log_s * 1000)
    return due(log_ms, period_ms) if "summary_format" in plain else Due(log_ms, 0)
