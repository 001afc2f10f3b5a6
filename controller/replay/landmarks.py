"""The events of a record that are worth going to: alarms, orders, changes of state, gaps. Pure."""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Mapping
from dataclasses import dataclass

from controller.records.stream import cells_of
from controller.replay.tape import Rows
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


def happened(rows: Rows) -> list[Happened]:
    """Return every row that is one, in order; a row of another form is left out."""
    found = []
    for at_ms, line in zip(rows.times_ms, rows.lines, strict=True):
        cells = cells_of(line)
        if rows.known and len(cells) == len(rows.columns):
            found.append(_of_cells(at_ms, dict(zip(rows.columns, cells, strict=True))))
    return found


def _of_cells(at_ms: int, cells: Mapping[str, str]) -> Happened:
    said = {name: clean(cells[name], 64) for name in ("time_utc", "kind", "code", "target", "who", "priority")}
    return Happened(at_ms=at_ms, text=clean(cells["text"], 500), **said)


class Landmarks:
    """The events that matter, by their moments."""

    def __init__(self, rows: Rows) -> None:
        self._all = [each for each in happened(rows) if each.matters]
        self._times = [each.at_ms for each in self._all]

    def after(self, now_ms: int) -> list[Happened]:
        """Return what happened at the next such moment; empty: nothing more."""
        index = bisect_right(self._times, now_ms)
        return self._at(self._times[index]) if index < len(self._times) else []

    def before(self, now_ms: int) -> list[Happened]:
        """Return what happened at the last such moment before this one; empty: nothing."""
        index = bisect_left(self._times, now_ms)
        return self._at(self._times[index - 1]) if index else []

    def _at(self, at_ms: int) -> list[Happened]:
        return self._all[bisect_left(self._times, at_ms) : bisect_right(self._times, at_ms)]
