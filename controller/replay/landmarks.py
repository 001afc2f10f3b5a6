"""The events of a record that are worth going to: alarms, orders, changes of state, gaps. Pure."""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from controller.records.stream import cells_of
from controller.replay.rows import Rows
from controller.service.protocol import clean

KINDS = frozenset({"alarm", "order", "refusal"})
CODES = frozenset({
    "zero_read", "gap", "held", "tripped", "running", "resumed_by_rule", "step_began", "step_ended", "complete",
    "late_start", "escalated", "flood_begins", "opened_under_load", "service_started", "service_ended", "clock_step",
    "record_trouble", "notice",
})  # fmt: skip
"""Of the rows that are plain events. A start list's items, readings and walks come by the dozen: not among them."""


@dataclass(frozen=True, slots=True)
class Happened:
    """One row of events.csv, cleaned. `at_ms`: core time."""

    at_ms: int
    time_utc: str
    kind: str
    code: str
    target: str
    who: str
    priority: str
    text: str

    @property
    def matters(self) -> bool:
        """Whether it is worth going to."""
        return self.kind in KINDS or self.code.partition(":")[0] in CODES


MOST_AT_ONCE = 1_000
"""Rows of one moment that a jump looks through: more than any moment has (own choice)."""

_WORDS = tuple(sorted(f"{word}".encode() for word in {*KINDS, *CODES}))
"""A row without any of these words does not matter, whatever else stands in it."""


def happened(rows: Rows) -> list[Happened]:
    """Return every row that is one, in order; a row of another form is left out."""
    return happened_at(rows, range(len(rows.lines)))


def happened_at(rows: Rows, indices: Iterable[int]) -> list[Happened]:
    """The same for some of its rows."""
    found = []
    for index in indices:
        cells = cells_of(rows.lines[index])
        if rows.known and len(cells) == len(rows.columns):
            found.append(_of_cells(rows.times_ms[index], dict(zip(rows.columns, cells, strict=True))))
    return found


def _of_cells(at_ms: int, cells: Mapping[str, str]) -> Happened:
    said = {name: _cleaned(cells[name], 64) for name in ("time_utc", "kind", "code", "target", "who", "priority")}
    return Happened(at_ms=at_ms, text=_cleaned(cells["text"], 500), **said)


def _cleaned(text: str, longest: int) -> str:
    """The same as `clean`, at once where nothing could be hidden: 200,000 events are no reason to wait."""
    if text.isascii() and text.isprintable():
        return " ".join(text[: 4 * longest].split())[:longest]
    return clean(text, longest)


class Landmarks:
    """The events that matter, by their moments. Rows are looked at when somebody goes there, no more than needed."""

    def __init__(self, rows: Rows) -> None:
        self._rows = rows

    def after(self, now_ms: int) -> list[Happened]:
        """Return what happened at the next such moment; empty: nothing more."""
        times = self._rows.times_ms
        return self._first(range(bisect_right(times, now_ms), len(times)))

    def before(self, now_ms: int) -> list[Happened]:
        """Return what happened at the last such moment before this one; empty: nothing."""
        return self._first(range(bisect_left(self._rows.times_ms, now_ms) - 1, -1, -1))

    def _first(self, indices: range) -> list[Happened]:
        """Return all that matters at the moment of the first row among these that does."""
        times = self._rows.times_ms
        for index in indices:
            if self._matters(index):
                at_ms = times[index]
                there = range(bisect_left(times, at_ms), bisect_right(times, at_ms))[:MOST_AT_ONCE]
                found = happened_at(self._rows, sorted({index, *there}))
                return [each for each in found if each.matters]
        return []

    def _matters(self, index: int) -> bool:
        line = self._rows.lines[index]
        if not self._rows.known or not any(word in line for word in _WORDS):
            return False
        return any(each.matters for each in happened_at(self._rows, [index]))
