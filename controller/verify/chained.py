"""A chained table as verify sees it: all its rows, and each that does not follow from the one before.

As texts by their names rows have ten times their size: those of a large table stay bytes, and become cells each time
they are looked at.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from functools import cached_property
from hashlib import sha256
from itertools import islice
from typing import overload

from controller.records.chain import DIGITS
from controller.records.place import Place
from controller.records.stream import TableStream, cells_of, open_table
from controller.verify.telling import few

MOST_BREAKS = 5
"""Broken rows named singly in a table; the others are counted."""
MOST_BROKEN = 100_000
"""Rows that do not follow from the one before: all of a day's, saved by another program. None is looked at behind so
many: more has only a file made to fill the memory."""
MOST_KEPT = 20_000
"""Rows kept as texts by their names: two days of a row each ten seconds, some 20 MB (measured)."""
_TAIL = DIGITS + 1
_TOO_MANY = "too many rows do not follow from the one before"
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

    @property
    def rows(self) -> list[list[str]]:
        """The rows' cells as texts."""
        return [cells_of(line) for line in self.lines]

    @cached_property
    def named(self) -> Sequence[dict[str, str]]:
        """The rows' cells by the names of their columns."""
        named = _Named(self.columns, self.lines)
        return list(named) if len(self.lines) <= MOST_KEPT else named

    def column(self, name: str) -> list[str]:
        """One column as texts; empty where a row is too short or the table has no such column."""
        return [row.get(name, "") for row in self.named]

    def broken(self, rows: Iterable[int]) -> list[str]:
        """A sentence for each of these rows of `breaks`, the first few."""
        told = (f"{self.name}:{row + 1}: row {row} {_NOT_AS_WRITTEN}" for row in rows)
        return few(told, self.name, "rows", MOST_BREAKS)


class _Named(Sequence[dict[str, str]]):
    """Rows by the names of their columns, made anew each time."""

    def __init__(self, columns: tuple[str, ...], lines: Sequence[bytes]) -> None:
        self._columns = columns
        self._lines = lines

    def __len__(self) -> int:
        return len(self._lines)

    @overload
    def __getitem__(self, at: int) -> dict[str, str]: ...
    @overload
    def __getitem__(self, at: slice) -> Sequence[dict[str, str]]: ...
    def __getitem__(self, at: int | slice) -> dict[str, str] | Sequence[dict[str, str]]:
        if isinstance(at, slice):
            return _Named(self._columns, self._lines[at])
        return dict(zip(self._columns, cells_of(self._lines[at]), strict=False))

    def __iter__(self) -> Iterator[dict[str, str]]:
        return (dict(zip(self._columns, cells_of(line), strict=False)) for line in self._lines)


def read_chained(place: Place, name: str, known: tuple[str, ...], run_json: bytes) -> Chained | None:
    """A table of a record; None: it is not there. RecordError: its file cannot be read."""
    opened = open_table(place, name, known, run_json, behind=True)
    if opened is None:
        return None
    stream, file = opened
    lines: list[bytes] = []
    breaks: list[int] = []
    damage: tuple[str, ...] = ()
    with file:
        for piece in stream.pieces():
            # A line longer than any row is not given; its place stays, so that rows keep their numbers.
            missing = [b""] * (piece.first - 1 - len(lines))
            if not piece.sound or missing:
                all_found = _breaks(len(lines) + 1, (*missing, *piece.lines), lines[-1] if breaks else None)
                found = list(islice(all_found, MOST_BROKEN + 1 - len(breaks)))
                if len(breaks) + len(found) > MOST_BROKEN:
                    damage = (f"{name}: is not looked at from row {piece.first} on: {_TOO_MANY}",)
                    break
                breaks += found
            lines += missing
            lines += piece.lines
    return Chained(name, stream.columns, lines, tuple(breaks), (*_damage(stream), *damage), stream.cut_said)


def _breaks(first: int, lines: Sequence[bytes], before: bytes | None) -> Iterator[int]:
    """Rows that do not follow from the one before, the first of them `first`.

    Before None: nothing was broken so far, so this one is; each behind it is held against what the one before claims.
    """
    for row, line in enumerate(lines, first):
        if before is None or line[-_TAIL:] != b"," + _value(before[-DIGITS:], line):
            yield row
        before = line


def _value(claim: bytes, line: bytes) -> bytes:
    return sha256(claim + line[:-_TAIL]).hexdigest()[:DIGITS].encode()


def _damage(stream: TableStream) -> tuple[str, ...]:
    """What the stream says beside the first broken row, which `breaks` has."""
    return tuple(said for said in stream.damage if stream.wrong_row is None or " row " not in said or stream.too_long)
