"""What a record's rows say without deciding a cycle: charge within a bound, and whether the cycles go on behind them.

For `--chain-only`, and for cycles that cannot be decided again. Pure but for decoding cycles.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from itertools import pairwise

from controller.records.due import USUAL_LOG_S, bath_file_of, logged_each_s, usual_s
from controller.records.errors import RecordError
from controller.records.head import Head, read_head
from controller.records.outside import milliseconds_of, number_of, plain_number
from controller.records.reader import Block
from controller.verify.gather import Gathered
from controller.verify.losses import clock_of, lost_of, tail_ms
from controller.verify.rowsums import Moment, RowSum, row_sums
from controller.verify.tally import COUNTED

_LONGEST_MS = 3_600_000
"""Of a bath's cycle and stale time: more is no setting."""


def counted_rows(found: Gathered) -> list[RowSum]:
    """The counters added up from the rows alone."""
    most_V = _most_V(found.plain)
    moments = [moment for row in found.rows_of("log.csv") if (moment := _moment(row, most_V)) is not None]
    period_s, stale_s = _seconds(found.plain, "period_ms"), _seconds(found.plain, "stale_ms")
    log_s = logged_each_s(bath_file_of(found.plain)) or USUAL_LOG_S
    return row_sums(moments, period_s, stale_s or 0.0, None if period_s is None else usual_s(log_s, period_s))


def rows_cut(found: Gathered) -> list[str]:
    """Whether the cycles go on behind the last row for longer than a crash may leave it; nothing decided again."""
    log = found.rows_of("log.csv")
    last_ms = milliseconds_of(log[-1].get("elapsed_s", "")) if log else 0
    try:
        head = read_head(found.plain)
    except RecordError:
        return []
    if last_ms is None or not found.cycles.count:
        return []
    behind = _behind(found, head, last_ms)
    log_s = logged_each_s(bath_file_of(found.plain)) or USUAL_LOG_S
    lost = lost_of(found.summary)
    each_ms = round(1000 * log_s) + 2 * head.settings.period_ms + head.settings.stale_ms
    once_ms = each_ms * (1 + lost.rows) + (tail_ms(head.settings, log_s) if found.summary is None else 0)
    if behind.went_on_ms <= once_ms * (1 + behind.silences):
        return []
    ends, goes_on = clock_of(last_ms), clock_of(behind.end_ms)
    return [f"log.csv: rows are missing: it ends at {ends}, the cycles go on to {goes_on}"]


@dataclass(slots=True)
class _Behind:
    """Cycles behind the last row: how long they went on, the silences among them, and when the last one was."""

    went_on_ms: int = 0
    silences: int = 0
    end_ms: int = 0


def _behind(found: Gathered, head: Head, last_ms: int) -> _Behind:
    """Look at the cycles behind a moment of elapsed time, from the end on and no further."""
    moments: list[int] = []
    for frame in reversed(found.cycles.frames):
        block = next(iter(replace(found.cycles, frames=(frame,)).blocks(head.codec)))
        if not isinstance(block, Block):
            break
        here = [cycle.cin.now_ms - head.start_ms for cycle in block.cycles]
        moments = [each for each in here if each > last_ms] + moments
        if not here or here[0] <= last_ms:
            break
    behind = _Behind(end_ms=max(moments, default=last_ms))
    for before, after in pairwise(sorted({last_ms, *moments})):
        if after - before > head.settings.stale_ms:
            behind.silences += 1
        else:
            behind.went_on_ms += after - before
    return behind


def _seconds(plain: Mapping[str, object], name: str) -> float | None:
    """A time of the bath's settings; None where run.json does not hold it."""
    settings = plain.get("settings")
    value = settings.get(name) if isinstance(settings, dict) else None
    return value / 1000 if type(value) is int and 0 < value < _LONGEST_MS else None


def _most_V(plain: Mapping[str, object]) -> float:
    """The highest voltage of any circuit of the bath; 0: run.json does not hold one."""
    settings = plain.get("settings")
    circuits = settings.get("circuits") if isinstance(settings, dict) else None
    named = circuits if isinstance(circuits, list) else []
    told = [each.get("voltage_max_V") for each in named if isinstance(each, dict)]
    return max((number for each in told if (number := plain_number(each)) is not None), default=0.0)


def _moment(row: Mapping[str, str], most_V: float) -> Moment | None:
    """A row for counting; None where it is not of its form, which is said elsewhere."""
    elapsed_s, current_A = number_of(row.get("elapsed_s", "")), number_of(row.get("current_A", ""))
    voltage_V = number_of(row.get("voltage_V", ""))
    told = [number_of(row.get(name, "")) for name in COUNTED]
    if elapsed_s is None or told[0] is None or told[1] is None or told[2] is None:
        return None
    power_W = None if current_A is None or voltage_V is None else current_A * voltage_V
    asked_A = number_of(row.get("set_current_A", "")) or 0.0
    asked = (asked_A, -asked_A, asked_A * most_V)
    return Moment(elapsed_s, current_A, power_W, (told[0], told[1], told[2]), asked)
