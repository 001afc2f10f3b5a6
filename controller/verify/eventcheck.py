"""The events of a record against those that the core gives again: each stands in its row, and no other of its kinds.

What the service itself tells (notices, steps of the wall clock) is let through; so is what an order of the bath or the
end of a service did to the circuit, at the moment where it did. Pure.
"""

from __future__ import annotations

import csv
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, fields

from controller.core.types import Event, EventKind
from controller.records.eventrow import event_row
from controller.records.later import SIGNED
from controller.records.outside import milliseconds_of
from controller.records.readings import reading_of
from controller.records.rows import event_text
from controller.records.saying import counted
from controller.records.tables import EVENT_COLUMNS
from controller.verify.losses import NO_BOUNDS, Bounds, Interruptions, clock_of
from controller.verify.seams import Seam
from controller.verify.telling import quoted

CORE_EVENTS = frozenset({
    "complete", "escalated", "gap", "held", "late_start", "opened_under_load", "resumed_by_rule", "start_list_item",
    "step_began", "step_ended", "tripped", "zero_read",
})  # fmt: skip
"""Codes of the kind `event` that a circuit's decisions give; alarms, orders and refusals are all the core's."""

COMPARED = ("id", "kind", "code", "target", "who", "role", "priority", "value", "limit")
"""Columns that must agree."""
IN_WORDS = ("unit", "text")
"""Columns that must agree where this build wrote them; a later one may put them better."""
LATER = ("reading", SIGNED)
"""Orders that a record gets after its end."""
_SHELVES = ("shelved", "unshelved")
_DECIDED = tuple(kind.value for kind in (EventKind.ALARM, EventKind.ORDER, EventKind.REFUSAL))

Cells = Mapping[str, str]


@dataclass(slots=True)
class EventCheck:
    """`same` of `given` events stand in the record as they are given again; `wrong`: rows that tell otherwise.

    `lacking`: what the cycles give and no row tells of, `missing` events in all; `crash_took`: how many a crash took
    before the service began anew; `apart`: rows where no cycle is.
    `same_words`: the words of unit and text are this program's, and must agree.
    """

    circuit: str
    start_ms: int
    rows: Sequence[Cells]
    same_words: bool = False
    given: int = 0
    same: int = 0
    missing: int = 0
    crash_took: int = 0
    wrong: list[str] = field(default_factory=list)
    lacking: list[str] = field(default_factory=list)
    apart: list[str] = field(default_factory=list)
    _at: dict[int, list[int]] = field(default_factory=dict)
    _matched: set[int] = field(default_factory=set)
    _seen: set[int] = field(default_factory=set)
    _missing: list[tuple[int, str]] = field(default_factory=list)

    def __post_init__(self) -> None:
        """Sort the circuit's rows by their moments."""
        for index, row in enumerate(self.rows):
            now_ms = self._moment(row)
            if now_ms is not None and row["target"] == self.circuit:
                self._at.setdefault(now_ms, []).append(index)

    def decided(self, now_ms: int, events: Sequence[Event], seam: Seam | None) -> None:
        """The events that one cycle gives again; `seam`: what had changed the circuit just before it."""
        self._seen.add(now_ms)
        here = self._at.get(now_ms, ())
        self.given += len(events)
        after = 0
        for event in events:
            wanted = cells_of(event)
            left = [index for index in here if index not in self._matched]
            found = next((index for index in left if index >= after and self._differs(index, wanted) is None), None)
            if found is not None:
                self.same += 1
                after = found
            else:
                found = next((i for i in left if all(self.rows[i][k] == wanted[k] for k in ("kind", "code"))), None)
                if found is None:
                    self._missing.append((now_ms, f"{wanted['kind']} {wanted['code']}"))
                    continue
                told = self._differs(found, wanted) or "stands in another order than it was decided in"
                self.wrong.append(_of_row(found, told))
            self._matched.add(found)
        for index in here:
            if index not in self._matched and not self._by_seam(self.rows[index], seam):
                self._not_given(index, self.wrong)

    def finish(self, silences: Sequence[tuple[int, int]], last_ms: int | None, bounds: Bounds = NO_BOUNDS) -> list[str]:
        """Look at what no cycle has; return notes. `silences`: core time from and to; `last_ms`: of the last cycle.

        `bounds`: what may be missing. Cycles are written before rows, so that a crash takes rows and leaves cycles.
        """
        is_open, behind_ms = bounds.is_open, bounds.behind_ms
        notes = self._missing_told(bounds.interruptions(silences, last_ms), last_ms)
        behind: list[tuple[int, list[int]]] = []
        for now_ms, indexes in sorted(self._at.items()):
            if now_ms in self._seen:
                continue
            if last_ms is None or now_ms > last_ms:
                rows = [index + 1 for index in indexes if self._is_core_s(index, is_open=is_open)]
                behind += [(now_ms, rows)] if rows else []
            elif not any(begin < now_ms < end for begin, end in silences):
                for index in indexes:
                    self._not_given(index, self.apart)
            else:
                odd = [index for index in indexes if self.rows[index]["code"] == "gap"]
                self.wrong += [
                    _of_row(index, "gap: stands within a silence, a gap is told at its end") for index in odd
                ]
        if behind:
            late_ms = behind[-1][0] - (self.start_ms if last_ms is None else last_ms)
            in_blocks = behind_ms > 0 and late_ms <= behind_ms
            numbers = [row for _, rows in behind for row in rows]
            (notes if in_blocks else self.apart).append(f"events.csv: {rows_behind(numbers, in_blocks=in_blocks)}")
        return notes

    def without_cycle(self) -> set[int]:
        """Core times of decided rows at which no cycle is."""
        return {
            now_ms
            for now_ms, indexes in self._at.items()
            if now_ms not in self._seen and any(self._is_core_s(index, is_open=True) for index in indexes)
        }

    def _missing_told(self, interrupted: Interruptions, last_ms: int | None) -> list[str]:
        """Say what the cycles give and no row tells of; return what may be a crash's doing.

        An order of a person may be among that: hold and stop wait for no disk, and of the others no record tells which
        were answered as not on the disk yet.
        """
        moments = sorted(self._at)
        cut: dict[int, list[tuple[int, str]]] = {}
        for now_ms, what in self._missing:
            end_ms = interrupted.cut_at_ms(now_ms, moments)
            if end_ms is None:
                self.lacking.append(f"events.csv: {what} of {self._elapsed_s(now_ms)} s is missing, the cycles give it")
                self.missing += 1
            else:
                cut.setdefault(end_ms, []).append((now_ms, what))
        notes = []
        for end, missing in cut.items():
            now_ms, what = missing[0]
            told = f"events.csv: {what} of {self._elapsed_s(now_ms)} s"
            more = len(missing) - 1
            told += f" and {counted(more, 'more event')} are missing" if more else " is missing"
            told += f": the cycles go on to {clock_of(end - self.start_ms)}"
            if interrupted.may_have_taken(now_ms):
                notes.append(told)
                self.crash_took += 0 if end == last_ms else len(missing)
            else:
                self.lacking.append(told)
                self.missing += len(missing)
        return notes

    def _is_core_s(self, index: int, *, is_open: bool) -> bool:
        """Whether a row behind the last cycle needs one; a service that ended may have held an open run behind it."""
        row = self.rows[index]
        if row["kind"] == EventKind.ORDER.value and row["code"] in LATER:
            return False
        return row["kind"] in _DECIDED or (row["code"] in CORE_EVENTS and not (is_open and row["code"] == "held"))

    def skip(self, now_ms: int) -> None:
        """A cycle that cannot be decided again: what it gave is not known."""
        self._seen.add(now_ms)

    def _moment(self, row: Cells) -> int | None:
        elapsed_ms = milliseconds_of(row["elapsed_s"])
        return None if elapsed_ms is None else self.start_ms + elapsed_ms

    def _elapsed_s(self, now_ms: int) -> str:
        return f"{(now_ms - self.start_ms) / 1000:.3f}"

    def _differs(self, index: int, wanted: Cells) -> str | None:
        row = self.rows[index]
        names = (*COMPARED, *IN_WORDS) if self.same_words else COMPARED
        name = next((name for name in names if row[name] != wanted[name]), None)
        if name == "text" and row[name] == _GAP_UNKNOWN and wanted["code"] == "gap":
            return None  # the service knows better than core time how long it was
        if name is None and row["code"] == "reading":
            name = _of_reading(row, {**wanted, "time_utc": row["time_utc"]})
            return None if name is None else f"{name} of the reading is not that of the order"
        return None if name is None else f"{name} is {quoted(row[name])}, the cycles give {quoted(wanted[name])}"

    def _by_seam(self, row: Cells, seam: Seam | None) -> bool:
        if row["kind"] == EventKind.ALARM.value:
            return seam is Seam.BATH_ORDER and row["code"].rpartition(":")[2] in _SHELVES
        return seam is Seam.SERVICE_ENDED and row["code"] == "held"

    def _not_given(self, index: int, found: list[str]) -> None:
        row = self.rows[index]
        if row["kind"] in _DECIDED or row["code"] in CORE_EVENTS:
            found.append(_of_row(index, f"{row['kind']} {row['code']}: the cycles do not give it"))


def _of_row(index: int, what: str) -> str:
    return f"events.csv:{index + 2}: row {index + 1}: {what}"


def _of_reading(row: Cells, wanted: Cells) -> str | None:
    """What of a reading by hand its row tells otherwise than its order; its data stand in the words."""
    told, ours = reading_of(row), reading_of(wanted)
    if ours is None or told == ours:
        return None
    if told is None:
        return "text"
    return next(field.name for field in fields(ours) if getattr(told, field.name) != getattr(ours, field.name))


def cells_of(event: Event) -> dict[str, str]:
    """An event as the cells of its row."""
    text = event_text(event_row(event, 0, None), 0)
    return dict(zip(EVENT_COLUMNS, next(csv.reader((text,))), strict=False))


def rows_behind(rows: Sequence[int], *, in_blocks: bool = False) -> str:
    """Rows, from 1, that stand behind the last cycle: in a sentence. `in_blocks`: as they may where time is stepped."""
    first = f"row {min(rows)}" + (f" and {len(rows) - 1} more" if len(rows) > 1 else "")
    if in_blocks:
        return f"{first}: behind the last cycle: those of an open simulated run are written many at once"
    return f"{first}: behind the last cycle: cycles are written before rows, so that some are missing"


def named_rows(columns: Sequence[str], rows: Sequence[Sequence[str]]) -> Iterator[dict[str, str]]:
    """Rows as cells by the names of their columns; what a row or the header lacks is empty."""
    for row in rows:
        yield dict.fromkeys(EVENT_COLUMNS, "") | dict(zip(columns, row, strict=False))


_GAP_UNKNOWN = cells_of(Event("gap", "", data={"unknown": True}))["text"]
