"""What a record may honestly lack: what waited in memory at a crash, and what summary.json says no disk took. Pure.

A commit comes each second, cycles before rows; rows wait longer than that only while a disk fails. So the cycles may go
on for a moment behind the last row that a crash let through, and for no more than that.
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from controller.core.settings import BathSettings
from controller.core.types import State
from controller.records.due import USUAL_LOG_S, Due
from controller.records.outside import plain_number
from controller.records.readings import moment_of

TAIL_MS = 60_000
"""So long before an interruption cycles may lack their rows: many commits of a disk that fails (own choice)."""
TAIL_ROWS = 1_000
"""A stepped clock, whose time may pass as fast as the machine goes, waits for the disk each 1,000 rows."""

_GROW = ("charge_Ah", "discharge_Ah", "energy_Wh", "hottest_C", "highest_V_per_cell", "link_rides")
"""What only grows in a run."""
_STATES = tuple(each.value for each in State)


@dataclass(frozen=True, slots=True)
class Lost:
    """How many cycles and rows summary.json says were lost while no disk took them and the memory was full.

    They may have been the last ones: what summary.json says of the end is then right though the last cycle or row on
    record tells otherwise (`last`), and whether it `told` what may be is decided here alone.
    """

    cycles: int = 0
    rows: int = 0

    def __bool__(self) -> bool:
        """Whether anything was."""
        return bool(self.cycles or self.rows)

    def behind_cycles(self, key: str, told: object, last: object) -> bool:
        """Whether lost cycles may have led there: what only grows has grown."""
        return self.cycles > 0 and key in _GROW and _has_grown(told, last)

    def behind_rows(self, key: str, told: object, last: object) -> bool:
        """Whether lost rows may have told so: that, or another state, or another wall time."""
        if key == "state":
            return self.rows > 0 and told in _STATES
        if key == "end_utc":
            return self.rows > 0 and moment_of(str(told)) is not None
        return self.rows > 0 and key in _GROW and _has_grown(told, last)


_NOTHING = Lost()


@dataclass(frozen=True, slots=True)
class Interruptions:
    """When a record was interrupted (`at_ms`, sorted), and for how long before it what waited may be gone.

    All in ms of core time, or all of elapsed time.
    """

    at_ms: tuple[int, ...] = ()
    tail_ms: int = TAIL_MS

    def may_have_taken(self, now_ms: int) -> bool:
        """Whether a crash may have taken what was told at this moment: one came soon enough behind it."""
        end_ms = self._next_ms(now_ms)
        return end_ms is not None and end_ms - now_ms <= self.tail_ms

    def cut_at_ms(self, now_ms: int, rows_ms: Sequence[int]) -> int | None:
        """The interruption up to which no row stands behind this moment; None: one does, or none came.

        `rows_ms`: moments of the rows that are there, sorted. What a crash took is an end of a table, never its midst.
        """
        end_ms = self._next_ms(now_ms)
        later = bisect_right(rows_ms, now_ms)
        return None if end_ms is None or (later < len(rows_ms) and rows_ms[later] <= end_ms) else end_ms

    def _next_ms(self, now_ms: int) -> int | None:
        at = bisect_left(self.at_ms, now_ms)
        return self.at_ms[at] if at < len(self.at_ms) else None


@dataclass(frozen=True, slots=True)
class Bounds:
    """What a record may lack, and by which rule its rows were written (`due` None: nobody knows).

    `tail_ms`: before an interruption cycles may lack rows for so long; `behind_ms`: rows may lack cycles for so long.
    `is_open`: it has no summary.json. `same_build`: this one wrote it, as its README.txt tells.
    """

    due: Due | None = None
    tail_ms: int = TAIL_MS
    behind_ms: int = 0
    lost: Lost = _NOTHING
    is_open: bool = False
    same_build: bool = False

    def interruptions(self, silences: Iterable[tuple[int, int]], last_ms: int | None) -> Interruptions:
        """Where the record was interrupted: where silences begin (each from and to), and at its end if it is open.

        `last_ms`: of the last cycle (None: there is none).
        """
        open_end = [last_ms] if self.is_open and last_ms is not None else []
        return Interruptions(tuple(sorted([begin for begin, _ in silences] + open_end)), self.tail_ms)


NO_BOUNDS = Bounds()
"""Of a closed record that lost nothing; nobody knows which rows were due."""


def _has_grown(told: object, last: object) -> bool:
    new, old = plain_number(told), plain_number(last)
    return new is not None and (last is None or (old is not None and new >= old))


def lost_of(summary: Mapping[str, Any] | None) -> Lost:
    """What summary.json says; nothing for what is no count."""
    told = [(summary or {}).get(name) for name in ("lost_cycles", "lost_rows")]
    cycles, rows = (one if type(one) is int and one > 0 else 0 for one in told)
    return Lost(cycles, rows)


def tail_ms(settings: BathSettings, log_s: float | None) -> int:
    """For how long before an interruption the cycles of a record may lack their rows."""
    if not settings.virtual:
        return TAIL_MS
    each_ms = max(settings.period_ms, round((log_s or USUAL_LOG_S) * 1000))
    return max(TAIL_MS, TAIL_ROWS * each_ms)


def clock_of(elapsed_ms: int) -> str:
    """Elapsed time as hours, minutes, seconds."""
    seconds = abs(elapsed_ms) // 1000
    return f"{'-' if elapsed_ms < 0 else ''}{seconds // 3600}:{seconds // 60 % 60:02d}:{seconds % 60:02d}"
