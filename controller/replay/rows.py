"""A table's rows by their moments, for a replay. Pure."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Sequence
from dataclasses import dataclass

from controller.records.reader import Table

LONGEST_s = 1e9
"""Thirty years: an elapsed time beyond it is damage."""


@dataclass(frozen=True)
class Rows:
    """A table's whole lines, and the core time of each: never falling, so that a moment's rows are found by halving.

    `columns`: its own, perhaps more than this version's. `known` False: it has other columns than any version writes.
    """

    name: str
    columns: tuple[str, ...]
    lines: tuple[bytes, ...]
    times_ms: tuple[int, ...]
    known: bool = True

    @property
    def header(self) -> bytes:
        """The first line of such a table; of unknown columns one that nobody takes for known."""
        return ",".join(self.columns).encode() if self.known else b"columns that are not known here"

    def until(self, now_ms: int) -> int:
        """Return how many rows there are up to a moment."""
        return bisect_right(self.times_ms, now_ms)


def rows_of(table: Table, start_ms: int) -> Rows:
    """Return a table's rows; one whose time cannot be is put beside the row before it."""
    told = [_elapsed_ms(line) for line in table.lines]
    wrong = table.walked.wrong_row
    if wrong is not None and wrong == len(told):
        told[-1] = None  # no row behind it bears it out
    times: list[int] = []
    last = min((each for each in told[:2] if each is not None), default=0)
    for index, each in enumerate(told):
        last = last if each is None or _too_far(last, told[index : index + 3]) else max(last, each)
        times.append(start_ms + last)
    return Rows(table.name, table.columns, table.lines, tuple(times), table.header_right)


def _too_far(last: int, told: Sequence[int | None]) -> bool:
    """Return whether a time is belied by the two behind it: then that is damaged, not those."""
    each, *behind = told
    later = [after for after in behind if after is not None]
    return each is not None and bool(later) and all(last <= after < each for after in later)


def _elapsed_ms(line: bytes) -> int | None:
    parts = line.split(b",", 2)
    try:
        seconds = float(parts[1])
    except (IndexError, ValueError):
        return None
    return round(seconds * 1000) if -LONGEST_s < seconds < LONGEST_s else None
