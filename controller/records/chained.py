"""A chained table as verify sees it: all its rows, and each that does not follow from the one before."""

from __future__ import annotations

import csv
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from functools import cached_property

from controller.records.chain import DIGITS
from controller.records.place import Place
from controller.records.stream import TableStream, first_wrong, open_table, plain_text

MOST_BREAKS = 5


@dataclass(frozen=True)
class Chained:
    """One table. `breaks`: rows, from 1, that are not what the row before leads to, each followed by sound ones again.

    `damage`: what else is wrong with it, in sentences; `cut`: what is unfinished at its end ("": nothing).
    """

    name: str
    columns: tuple[str, ...]
    lines: Sequence[bytes]
    breaks: tuple[int, ...]
    damage: tuple[str, ...]
    cut: str

    @property
    def last(self) -> str:
        """The last row's chain value, as it stands there ("": no row)."""
        return self.lines[-1][-DIGITS:].decode("ascii", "replace") if self.lines else ""

    @cached_property
    def rows(self) -> list[list[str]]:
        """The rows' cells as texts."""
        csv.field_size_limit(1_000_000)
        return [_cells(plain_text(line)) for line in self.lines]

    @cached_property
    def named(self) -> list[dict[str, str]]:
        """The rows' cells by the names of their columns."""
        return [dict(zip(self.columns, row, strict=False)) for row in self.rows]

    def column(self, name: str) -> list[str]:
        """One column as texts; empty where a row is too short or the table has no such column."""
        return [row.get(name, "") for row in self.named]

    def broken(self, rows: Iterable[int]) -> list[str]:
        """A sentence for each of these rows of `breaks`, the first few."""
        told = [
            f"{self.name}:{row + 1}: row {row} is not as it was written, or one before it is missing" for row in rows
        ]
        more = len(told) - MOST_BREAKS
        return told if more <= 0 else [*told[:MOST_BREAKS], f"{self.name}: {more} more rows like that"]


def read_chained(place: Place, name: str, known: tuple[str, ...], run_json: bytes) -> Chained | None:
    """A table of a record; None: it is not there. RecordError: its file cannot be read."""
    opened = open_table(place, name, known, run_json, behind=True)
    if opened is None:
        return None
    stream, file = opened
    lines: list[bytes] = []
    with file:
        for piece in stream.pieces():
            # A line longer than any row is not given; its place stays, so that rows keep their numbers.
            lines += [b""] * (piece.first - 1 - len(lines))
            lines += piece.lines
    return Chained(name, stream.columns, lines, _breaks(stream, lines), _damage(stream), stream.cut_said)


def _breaks(stream: TableStream, lines: Sequence[bytes]) -> tuple[int, ...]:
    """All rows that do not follow from the one before: behind the first, each is held against what that one claims."""
    found = []
    row = stream.wrong_row
    while row is not None and row <= len(lines):
        found.append(row)
        ahead = lines[row:]
        good = first_wrong(ahead, lines[row - 1][-DIGITS:].decode("latin-1"))
        row = row + good + 1 if good < len(ahead) else None
    return tuple(found)


def _damage(stream: TableStream) -> tuple[str, ...]:
    """What the stream says beside the first broken row, which `breaks` has."""
    return tuple(said for said in stream.damage if stream.wrong_row is None or " row " not in said or stream.too_long)


def _cells(text: str) -> list[str]:
    try:
        return next(csv.reader((text,)), [])
    except csv.Error:
        return text.split(",")
