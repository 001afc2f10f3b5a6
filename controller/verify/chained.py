"""A chained table as verify sees it: all its rows, and each that does not follow from the one before."""

from __future__ import annotations

import csv
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from functools import cached_property
from hashlib import sha256

from controller.records.chain import DIGITS
from controller.records.place import Place
from controller.records.stream import Piece, TableStream, open_table, plain_text
from controller.verify.telling import few

MOST_BREAKS = 5
"""Broken rows named singly in a table; the others are counted."""
MOST_STUMPS = 10_000
"""Lines too short to be rows, which only a file made to fill the memory has; none is looked at behind so many."""
_TAIL = DIGITS + 1
_NOT_AS_WRITTEN = "is not as it was written, or one before it is missing"


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
        told = (f"{self.name}:{row + 1}: row {row} {_NOT_AS_WRITTEN}" for row in rows)
        return few(told, self.name, "rows", MOST_BREAKS)


def read_chained(place: Place, name: str, known: tuple[str, ...], run_json: bytes) -> Chained | None:
    """A table of a record; None: it is not there. RecordError: its file cannot be read."""
    opened = open_table(place, name, known, run_json, behind=True)
    if opened is None:
        return None
    stream, file = opened
    lines: list[bytes] = []
    damage: tuple[str, ...] = ()
    stumps = 0
    with file:
        for piece in stream.pieces():
            stumps += 0 if piece.sound else _stumps(piece, known)
            if stumps > MOST_STUMPS:
                damage = (
                    f"{name}: is not looked at from row {piece.first} on: too many lines are shorter than any row",
                )
                break
            # A line longer than any row is not given; its place stays, so that rows keep their numbers.
            lines += [b""] * (piece.first - 1 - len(lines))
            lines += piece.lines
    breaks = tuple(_breaks(stream, lines))
    return Chained(name, stream.columns, lines, breaks, (*_damage(stream), *damage), stream.cut_said)


def _stumps(piece: Piece, known: Sequence[str]) -> int:
    """How many lines have no room for as many cells as the table has columns."""
    shortest = len(known) - 1 + DIGITS
    return sum(len(line) < shortest for line in piece.lines)


def _breaks(stream: TableStream, lines: Sequence[bytes]) -> Iterator[int]:
    """All rows that do not follow from the one before: behind the first, each is held against what that one claims."""
    if stream.wrong_row is None or stream.wrong_row > len(lines):
        return
    yield stream.wrong_row
    claim = lines[stream.wrong_row - 1][-DIGITS:]
    for row in range(stream.wrong_row + 1, len(lines) + 1):
        line = lines[row - 1]
        value = sha256(claim + line[:-_TAIL]).hexdigest()[:DIGITS].encode()
        if line[-_TAIL:] != b"," + value:
            yield row
        claim = line[-DIGITS:]


def _damage(stream: TableStream) -> tuple[str, ...]:
    """What the stream says beside the first broken row, which `breaks` has."""
    return tuple(said for said in stream.damage if stream.wrong_row is None or " row " not in said or stream.too_long)


def _cells(text: str) -> list[str]:
    try:
        return next(csv.reader((text,)), [])
    except csv.Error:
        return text.split(",")
