"""When rows were written, held against each other: wall time against elapsed time, and the distance of rows. Pure.

Both are read in one cycle, so wall time and elapsed time go together from the start on, but where the wall clock was
set (an event says so) or nobody knows how long nothing was read (a gap). Clocks that drift stay within a bound.
"""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from itertools import pairwise
from typing import Any

from controller.records.outside import milliseconds_of, plain_number
from controller.records.rows import parse_time
from controller.records.saying import bare
from controller.verify.losses import TAIL_MS

MOST_STEP_MS = 4_000
"""From one row to the next wall time leaves elapsed time by no more without an event (own choice: a service tells of
steps beyond 2 s, and a machine that stands still between reading its two clocks may put one row off by as much)."""
SLEWED_SHARE = 0.0005
"""By at most this a time service lets a clock run fast or slow: 500 ppm, Linux's own bound (from memory)."""
NEAR_MS = 60_000
"""So far from a leap the event that explains it may stand, and the first row from the start (own choice)."""
_GAPS = ("gap", "gap_unknown", "gap_not_known", "service_started")
"""Events of a silence. Who was killed may have taken one of a clock along, that of the row before the silence."""

Cells = Mapping[str, str]


@dataclass(frozen=True, slots=True, order=True)
class _Point:
    """How far a row's wall time is off the run's start and its elapsed time."""

    elapsed_ms: int
    offset_ms: int = field(compare=False)
    table: str
    row: int


def wrong_times(start_utc: str, log: Sequence[Cells], events: Sequence[Cells], lost_rows: int = 0) -> list[str]:
    """The first row of both tables whose time_utc does not fit start_utc, elapsed_s and the row before, as a sentence.

    `lost_rows`: so many events may have been lost, each of which may have told of a clock that was set.
    """
    begin_ms = _time_ms(start_utc)
    if begin_ms is None:
        return ["run.json: start_utc: is no time"]
    points = sorted([*_points("log.csv", log, begin_ms), *_points("events.csv", events, begin_ms)])
    moved = _moved(events, points)
    leaps = [
        pair
        for pair in pairwise([_Point(min([0, *(each.elapsed_ms for each in points)]), 0, "", 0), *points])
        if _is_off(*pair) and not _explained(moved, *pair)
    ]
    if len(leaps) <= lost_rows:
        return []
    before, point = leaps[0]
    off_s = (point.offset_ms - before.offset_ms) / 1000
    told = f"time_utc is {off_s:+.0f} s off what elapsed_s says, and no event tells of a clock that was set"
    return [f"{point.table}:{point.row + 1}: row {point.row}: {told}"]


def _is_off(before: _Point, point: _Point) -> bool:
    # Between rows far apart a service may have begun anew; a run that had ended has no gap to tell of.
    is_near = before.row and point.elapsed_ms - before.elapsed_ms <= NEAR_MS
    most_ms = MOST_STEP_MS if is_near else NEAR_MS
    bound_ms = most_ms + SLEWED_SHARE * abs(point.elapsed_ms - before.elapsed_ms)
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
    points = sorted(_points("log.csv", log, begin_ms))
    nearest = min(points, key=lambda one: abs(one.elapsed_ms - over_ms), default=None)
    if nearest is None or abs(nearest.elapsed_ms - over_ms) > NEAR_MS:
        return []  # no row near that end: a duration that is wrong shows elsewhere
    over = _Point(over_ms, 0, "", 0)
    if _explained(_moved(events, points), over, over):
        return []
    if end_ms is not None and abs(end_ms - (begin_ms + over_ms + nearest.offset_ms)) <= NEAR_MS:
        return []
    return [f"summary.json: end_utc is {bare(summary['end_utc'])}, the rows have another time at that end"]


def _points(table: str, rows: Sequence[Cells], begin_ms: int) -> Iterator[_Point]:
    for number, row in enumerate(rows, 1):
        elapsed_ms, utc_ms = milliseconds_of(row.get("elapsed_s", "")), _time_ms(row.get("time_utc", ""))
        if elapsed_ms is not None and utc_ms is not None:
            yield _Point(elapsed_ms, utc_ms - begin_ms - elapsed_ms, table, number)


def _moved(events: Sequence[Cells], points: Sequence[_Point]) -> list[int]:
    """Moments, sorted, at which wall time may leave elapsed time; of a row without one, that of the row before it.

    `points`: all rows, sorted; a silence's are its own and that of the last row before it.
    """
    at_ms = [point.elapsed_ms for point in points]
    moved = []
    last_ms = 0
    for row in events:
        elapsed_ms = milliseconds_of(row.get("elapsed_s", ""))
        last_ms = last_ms if elapsed_ms is None else elapsed_ms
        code = row.get("code")
        if code == "clock_step" or code in _GAPS:
            moved.append(last_ms)
        before = bisect_left(at_ms, last_ms) if code in _GAPS else 0
        moved += at_ms[before - 1 : before] if before else []
    return sorted(moved)


def _explained(moved: Sequence[int], before: _Point, point: _Point) -> bool:
    begin_ms, end_ms = before.elapsed_ms - NEAR_MS, point.elapsed_ms + NEAR_MS
    at = bisect_left(moved, begin_ms)
    return at < len(moved) and moved[at] <= end_ms


def _time_ms(text: str) -> int | None:
    try:
        return parse_time(text)
    except (ValueError, OverflowError):
        return None


def missing_rows(
    log: Sequence[Cells],
    silences: Sequence[tuple[int, int]],
    last_ms: int | None,
    *,
    log_s: float,
    slack_ms: int,
    tail_ms: int = TAIL_MS,
    is_open: bool = False,
    lost_rows: int = 0,
) -> tuple[list[str], list[str]]:
    """Where cycles go on for longer than `log_s` and `slack_ms` without a row: what is wrong and notes, the first each.

    `silences`: elapsed ms from and to; `last_ms`: of the last cycle (None: not known). `lost_rows`: so many
    may have been lost. A service that is killed may leave cycles without their rows behind: what lacks for `tail_ms`
    before a silence, or before the end of a record that `is_open`, is noted.
    """
    most_ms = round(log_s * 1000) + slack_ms
    wrong, notes = [], []
    missing = 0
    for begin_ms, end_ms, where, is_cut in _stretches(log, silences, last_ms, is_open=is_open):
        long_ms = end_ms - begin_ms
        if long_ms <= most_ms:
            continue
        if is_cut and long_ms <= most_ms + tail_ms:
            notes.append(f"{where}: {long_ms / 1000:.0f} s before an interruption have no row")
        else:
            wrong.append(f"{where}: no row for {long_ms / 1000:.0f} s before it, though cycles went on")
            missing += max(1, long_ms // most_ms - 1)
    return ([], [*notes[:1], *wrong[:1]]) if missing <= lost_rows else (wrong[:1], notes[:1])


def _stretches(
    log: Sequence[Cells], silences: Sequence[tuple[int, int]], last_ms: int | None, *, is_open: bool
) -> Iterator[tuple[int, int, str, bool]]:
    """Elapsed ms from and to in which cycles went on and no row is; where it ends, and whether with an interruption."""
    read = [milliseconds_of(one.get("elapsed_s", "")) for one in log]
    moments = [(0, 0), *((at_ms, row) for row, at_ms in enumerate(read, 1) if at_ms is not None)]
    if last_ms is not None:
        moments.append((last_ms, len(log) + 1))
    quiet = sorted(silences)
    at = 0
    for (begin_ms, _), (end_ms, row) in pairwise(moments):
        is_end = row > len(log)
        where = f"log.csv:{row + 1}: {'the end' if is_end else f'row {row}'}"
        while at < len(quiet) and quiet[at][1] <= end_ms:
            yield begin_ms, quiet[at][0], where, True
            begin_ms = max(begin_ms, quiet[at][1])
            at += 1
        yield begin_ms, end_ms, where, is_end and is_open
