"""Rows of log.csv against those that its cycles make due: none may be missing, none may be there beside them. Pure."""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from controller.core.state import CircuitState
from controller.records.due import Due
from controller.records.outside import milliseconds_of
from controller.records.saying import counted
from controller.verify.losses import Interruptions, clock_of


@dataclass(slots=True)
class DueCheck:
    """Sees each cycle in order. `missing`: core times of rows that are due and not there; `extra`: rows not due.

    `rows`: the core time of each row of log.csv, with its numbers. `lacking`: how many are missing that no crash took;
    `crash_took`: how many one did take. Behind the last cycle nobody knows that yet: those rows may be under way.
    """

    due: Due
    rows: Mapping[int, Sequence[int]]
    start_ms: int
    missing: list[int] = field(default_factory=list)
    extra: list[int] = field(default_factory=list)
    lacking: int = 0
    crash_took: int = 0
    _last_ms: int | None = None
    _logged_ms: int | None = None
    _unsure_until_ms: int | None = None

    def decided(self, before: CircuitState, after: CircuitState, *, maybe: bool) -> None:
        """One cycle. `maybe`: one in which a service may have begun anew, which then writes a row."""
        self._last_ms = now_ms = after.now_ms
        here = self.rows.get(now_ms, ())
        if len(here) > 1:
            self.extra += here[1:]
        if self._unsure_until_ms is not None and now_ms <= self._unsure_until_ms:
            if here:
                self._logged_ms, self._unsure_until_ms = now_ms, None
            return
        if self.due.at(self._logged_ms, before, after) or (here and maybe):
            self._logged_ms = now_ms
            if not here:
                self.missing.append(now_ms)
        elif here:
            self.extra += here[:1]

    def unsure(self, now_ms: int) -> None:
        """Cycles before this one are not in the record, rows of them may be: when the next row is due is not known.

        It is one interval later at most; the row of that turn may be a lost one, of the next it is missing.
        """
        self._unsure_until_ms = now_ms + 2 * self.due.log_ms

    def finish(self, interrupted: Interruptions) -> tuple[list[str], list[str]]:
        """Return what is wrong about rows that are missing, and notes of what may be a crash's doing.

        `interrupted`: in core time.
        """
        moments = sorted(self.rows)
        within: list[int] = []
        cut: dict[int, list[int]] = {}
        for now_ms in self.missing:
            end_ms = interrupted.cut_at_ms(now_ms, moments)
            if end_ms is None:
                within.append(now_ms)
            else:
                cut.setdefault(end_ms, []).append(now_ms)
        wrong: list[str] = []
        notes: list[str] = []
        for end, missing in cut.items():
            at = bisect_left(moments, missing[0])
            before = moments[at - 1] if at else self.start_ms
            told = f"log.csv: {counted(len(missing), 'row')} missing behind {self._at(before)}"
            told += f": the cycles go on to {self._at(end)}"
            is_crash = interrupted.may_have_taken(missing[0])
            (notes if is_crash else wrong).append(told)
            if not is_crash:
                self.lacking += len(missing)
            elif end != self._last_ms:
                self.crash_took += len(missing)
        if within:
            self.lacking += len(within)
            more = f", and {len(within) - 1} more" if len(within) > 1 else ""
            moment = f"{(within[0] - self.start_ms) / 1000:.3f} s"
            wrong.append(f"log.csv: the row due at {moment} is missing{more}: its cycle is there")
        return wrong, notes

    def extras(self) -> str:
        """What is wrong about rows that no cycle makes due; "": nothing."""
        if not self.extra:
            return ""
        first = min(self.extra)
        more = f", nor are {len(self.extra) - 1} more" if len(self.extra) > 1 else ""
        return f"log.csv:{first + 1}: row {first}: no row is due there{more}"

    def _at(self, now_ms: int) -> str:
        return clock_of(now_ms - self.start_ms)


def rows_at(log: Sequence[Mapping[str, str]], start_ms: int) -> dict[int, list[int]]:
    """The numbers of a log's rows, from 1, by their core time; rows without a moment are named by their form."""
    found: dict[int, list[int]] = {}
    for number, row in enumerate(log, 1):
        elapsed_ms = milliseconds_of(row.get("elapsed_s", ""))
        if elapsed_ms is not None:
            found.setdefault(start_ms + elapsed_ms, []).append(number)
    return found
