"""When rows were written, held against each other: wall time against elapsed time, and the distance of rows. Pure.

Wall time and elapsed time go together from the start on, but where the wall clock was set (an event says so) or nobody
knows how long nothing was read (a gap). What is looked for is another hour or day: smaller steps stay within a bound.
"""

from __future__ import annotations

import re
from bisect import bisect_left
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

from controller.records.outside import milliseconds_of, number_of, plain_number
from controller.records.rows import parse_time

MOST_STEP_MS = 60_000
"""A step of the wall clock beyond this has its event (own choice; a service tells of those beyond 2 s)."""
SLEWED_SHARE = 0.0005
"""By at most this a time service lets a clock run fast or slow: 500 ppm, Linux's own bound (from memory)."""
USUAL_LOG_S = 10.0
"""Distance of rows where the bath file does not say another."""
_MOST_LOG_S = 600.0
_MOVES = ("clock_step", "gap", "gap_unknown", "gap_not_known", "service_started")
_LOG_S = re.compile(r"^\s*log_s\s*=\s*([0-9.]{1,12})\s*(?:#.*)?$", re.MULTILINE)

Cells = Mapping[str, str]


@dataclass(frozen=True, slots=True)
class _Point:
    elapsed_ms: int
    offset_ms: int
    row: int


def wrong_times(start_utc: str, log: Sequence[Cells], events: Sequence[Cells]) -> list[str]:
    """The first row of each table whose time_utc does not fit start_utc and elapsed_s, as a sentence."""
    begin_ms = _time_ms(start_utc)
    if begin_ms is None:
        return ["run.json: start_utc: is no time"]
    moved = sorted(_moved(events))
    found = []
    for table, rows in (("log.csv", log), ("events.csv", events)):
        points = [_Point(0, 0, 0), *_points(rows, begin_ms)]
        leap = next((pair for pair in pairwise(points) if _is_off(*pair) and not _explained(moved, *pair)), None)
        if leap is not None:
            row, off_s = leap[1].row, (leap[1].offset_ms - leap[0].offset_ms) / 1000
            found.append(
                f"{table}:{row + 1}: row {row}: time_utc is {off_s:+.0f} s off what elapsed_s says, "
                "and no event tells of a clock that was set"
            )
    return found


def _is_off(before: _Point, point: _Point) -> bool:
    bound_ms = MOST_STEP_MS + SLEWED_SHARE * abs(point.elapsed_ms - before.elapsed_ms)
    return abs(point.offset_ms - before.offset_ms) > bound_ms


def wrong_end_time(
    summary: Mapping[str, Any], start_utc: str, log: Sequence[Cells], events: Sequence[Cells]
) -> list[str]:
    """Whether end_utc is when duration_s was over, by the wall time of the rows around it.

    A record is closed up to a minute later, and says so by the clock of then: one set meanwhile leaves nothing to ask.
    """
    begin_ms, end_ms = _time_ms(start_utc), _time_ms(str(summary.get("end_utc")))
    duration_s = plain_number(summary.get("duration_s"))
    if begin_ms is None or duration_s is None or "end_utc" not in summary:
        return []
    over_ms = round(duration_s * 1000)
    points = sorted(_points(log, begin_ms), key=lambda one: abs(one.elapsed_ms - over_ms))
    if not points or abs(points[0].elapsed_ms - over_ms) > MOST_STEP_MS:
        return []  # no row near that end: a duration that is wrong shows elsewhere
    over = _Point(over_ms, 0, 0)
    if _explained(sorted(_moved(events)), over, over):
        return []
    if end_ms is not None and abs(end_ms - (begin_ms + over_ms + points[0].offset_ms)) <= MOST_STEP_MS:
        return []
    return [f"summary.json: end_utc is {_short(summary['end_utc'])}, the rows have another time at that end"]


def _points(rows: Sequence[Cells], begin_ms: int) -> Iterator[_Point]:
    for number, row in enumerate(rows, 1):
        elapsed_ms, utc_ms = milliseconds_of(row.get("elapsed_s", "")), _time_ms(row.get("time_utc", ""))
        if elapsed_ms is not None and utc_ms is not None:
            yield _Point(elapsed_ms, utc_ms - begin_ms - elapsed_ms, number)


def _moved(events: Sequence[Cells]) -> Iterator[int]:
    """Moments at which wall time may leave elapsed time; of a row without one, that of the row before it."""
    last_ms = 0
    for row in events:
        elapsed_ms = milliseconds_of(row.get("elapsed_s", ""))
        last_ms = last_ms if elapsed_ms is None else elapsed_ms
        if row.get("code") in _MOVES:
            yield last_ms


def _explained(moved: Sequence[int], before: _Point, point: _Point) -> bool:
    begin_ms, end_ms = before.elapsed_ms - MOST_STEP_MS, point.elapsed_ms + MOST_STEP_MS
    at = bisect_left(moved, begin_ms)
    return at < len(moved) and moved[at] <= end_ms


def _time_ms(text: str) -> int | None:
    try:
        return parse_time(text)
    except (ValueError, OverflowError):
        return None


def _short(value: object) -> str:
    text = value if isinstance(value, str) else repr(value)
    return text if len(text) <= 60 else text[:57] + "..."


def logged_each_s(bath_file: str) -> float:
    """The distance of rows that the bath file asks for."""
    found = _LOG_S.search(bath_file)
    number = None if found is None else number_of(found[1])
    return number if number is not None and 1.0 <= number <= _MOST_LOG_S else USUAL_LOG_S


def missing_rows(
    log: Sequence[Cells], silences: Sequence[tuple[int, int]], last_ms: int | None, *, log_s: float, slack_ms: int
) -> tuple[list[str], list[str]]:
    """Where cycles go on for longer than `log_s` and `slack_ms` without a row: what is wrong and notes, the first each.

    `silences`: elapsed ms from and to; `last_ms`: of the last cycle (None: nothing is asked behind the last row). A
    service that is killed may leave cycles without their rows behind: what lacks before a silence is noted.
    """
    most_ms = round(log_s * 1000) + slack_ms
    read = [milliseconds_of(one.get("elapsed_s", "")) for one in log]
    moments = [(0, 0), *((at_ms, row) for row, at_ms in enumerate(read, 1) if at_ms is not None)]
    if last_ms is not None:
        moments.append((last_ms, len(log) + 1))
    quiet = sorted(silences)
    wrong, notes = [], []
    at = 0
    for (begin_ms, _), (end_ms, row) in pairwise(moments):
        where = f"log.csv:{row + 1}: {f'row {row}' if row <= len(log) else 'the end'}"
        while at < len(quiet) and quiet[at][1] <= end_ms:
            if quiet[at][0] - begin_ms > most_ms:
                notes.append(f"{where}: {(quiet[at][0] - begin_ms) / 1000:.0f} s before a silence have no row")
            begin_ms = max(begin_ms, quiet[at][1])
            at += 1
        if end_ms - begin_ms > most_ms:
            wrong.append(f"{where}: no row for {(end_ms - begin_ms) / 1000:.0f} s before it, though cycles went on")
    return wrong[:1], notes[:1]
