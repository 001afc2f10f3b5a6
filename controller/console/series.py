"""A log's values, column by column of a chart: each keeps the extremes of its interval, a gap stays empty. Pure."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from controller.console.thinning import GAP_INTERVALS, usual_interval_s

Number = float | None
Point = tuple[float, Number]


@dataclass(frozen=True, slots=True)
class Column:
    """What one column of a chart saw."""

    least: float
    greatest: float
    last: float


@dataclass(frozen=True, slots=True)
class Window:
    """The time that a chart shows, in seconds since the run's start, on so many columns."""

    from_s: float
    to_s: float
    columns: int

    def column(self, at_s: float) -> int:
        """Return the column of a moment; outside of 0 to `columns` - 1: it is not shown."""
        if at_s == self.to_s:
            return self.columns - 1
        share = (at_s - self.from_s) / (self.to_s - self.from_s)
        return math.floor(max(-1.0, min(2.0, share)) * self.columns)

    def moment_s(self, column: int) -> float:
        """Return the time at which a column begins."""
        return self.from_s + (self.to_s - self.from_s) * column / self.columns


def columns_of(elapsed_s: Sequence[float], values: Sequence[Number], window: Window) -> list[Column | None]:
    """Return what each column of the window saw, None where nothing was read.

    Between two rows that follow each other within the usual time the earlier value stands, where columns are narrower
    than that time; over a gap nothing does.
    """
    found: list[Column | None] = [None] * window.columns
    longest_s = GAP_INTERVALS * usual_interval_s(elapsed_s)
    before: tuple[float, float] | None = None
    for at_s, value in _points(elapsed_s, values, window, longest_s):
        if value is None:
            before = None
            continue
        column = window.column(at_s)
        if before is not None and at_s - before[0] <= longest_s:
            for between in range(max(0, window.column(before[0]) + 1), min(column, window.columns)):
                found[between] = Column(before[1], before[1], before[1])
        before = (at_s, value)
        if 0 <= column < window.columns:
            old = found[column]
            low, high = (value, value) if old is None else (min(old.least, value), max(old.greatest, value))
            found[column] = Column(low, high, value)
    return found


def _points(elapsed_s: Sequence[float], values: Sequence[Number], window: Window, margin_s: float) -> Iterator[Point]:
    """Return the points in the window and those just outside; what is no number is no value."""
    for at_s, value in zip(elapsed_s, values, strict=False):
        if window.from_s - margin_s <= at_s <= window.to_s:
            yield at_s, value if value is not None and math.isfinite(value) else None


def extremes(column: Column, before: Column | None, step: float, *, highest: bool) -> tuple[float, ...]:
    """Return what is drawn of a column: its extreme, and its other end too where it spans a whole row.

    `highest`: the extreme is the greatest; else the value farthest from the last of the column before.
    """
    least, greatest = column.least, column.greatest
    if greatest - least >= step:
        return least, greatest
    if highest or before is None:
        return (greatest,)
    return (least,) if abs(least - before.last) > abs(greatest - before.last) else (greatest,)
