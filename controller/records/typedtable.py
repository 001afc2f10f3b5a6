"""A whole table read into typed columns, as far as it is whole: what every typed reader shares."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

import numpy as np

from controller.records.errors import RecordError
from controller.records.fastcells import cut
from controller.records.place import Place, read_all
from controller.records.stream import Piece, TableStream, cells_of, open_table
from controller.records.tables import TABLES
from controller.records.typedcolumns import Coded, Floats, Numbers, Odd, number_of

Kind = Callable[[str], Any]
"""What makes an empty column for a name."""


def decimals(count: int) -> Kind:
    """Numbers with so many decimals."""
    return lambda name: Numbers(name, count)


_FIELDS = {"time_utc": "time", "taken_utc": "taken"}
_SCALARS = ("value", "limit")


class Collected:
    """A table read to its end."""

    def __init__(
        self, place: Place, name: str, kinds: Mapping[str, Kind], *, behind: bool, within_run: bool = True
    ) -> None:  # fmt: skip
        self._columns: dict[str, Any] = {column: kind(column) for column, kind in kinds.items()}
        self._odd = Odd(name)
        self._rows = 0
        known = TABLES["events.csv" if name not in TABLES else name]
        opened = open_table(place, name, known, read_all(place, "run.json") if within_run else b"", behind=behind)
        if opened is None:
            raise RecordError(f"{name}: is not there")
        table, stream = opened
        trouble: tuple[str, ...] = ()
        with stream:
            try:
                for piece in table.pieces():
                    self._take(table, piece)
            except RecordError as error:
                # Rows before the place where the bytes end are good: they are given, and why no more come is told.
                trouble = (str(error),)
        self._sound_rows = self._rows if table.wrong_row is None else table.wrong_row - 1
        self._problems = (*table.problems, *trouble, *self._odd.all())

    def head(self) -> dict[str, Any]:
        """What every table's columns begin with."""
        return {"rows": self._rows, "sound_rows": self._sound_rows, "problems": self._problems}

    def columns(self) -> dict[str, Any]:
        """The columns by their fields' names."""
        found: dict[str, Any] = {}
        for name, column in self._columns.items():
            made = column.made()
            if name in _SCALARS:
                found[name], found[f"{name}_text"] = _as_numbers(made), made
            elif name != "quality":
                found[_FIELDS.get(name, name)] = made
        return found

    def coded(self, name: str) -> Coded:
        """One column of words."""
        made: Coded = self._columns[name].made()
        return made

    def _take(self, table: TableStream, piece: Piece) -> None:
        self._rows += len(piece.lines)
        columns = table.columns
        cells = cut(piece.lines, len(columns))
        if cells is not None:
            for name, column in self._columns.items():
                column.fast(cells, columns.index(name), piece.first, self._odd)
            return
        rows = [cells_of(line) for line in piece.lines]
        for number, row in enumerate(rows):
            if len(row) != len(columns):
                self._odd.tell(piece.first + number, f"has {len(row)} cells, not {len(columns)}")
        for name, column in self._columns.items():
            index = columns.index(name)
            given = [row[index] if index < len(row) else "" for row in rows]
            column.slow(given, piece.first, self._odd)


def _as_numbers(coded: Coded) -> Floats:
    """Words as numbers where they are some."""
    known = [number_of(name) for name in coded.names]
    table = np.array([np.nan if one is None else one for one in known], np.float64)
    return table[coded.codes] if table.size else np.empty(0)
