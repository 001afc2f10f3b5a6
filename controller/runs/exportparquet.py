"""A table of records as one Parquet file: typed columns, units in the fields' metadata, null for what is missing."""

from __future__ import annotations

import importlib
import io
import json
from collections.abc import Sequence
from decimal import Decimal
from pathlib import Path
from typing import Any

from controller.records.bathlog import CONTINUES
from controller.records.outside import number_of
from controller.records.tables import TABLES
from controller.runs.exportcells import TIMES, UNITS, WHOLE
from controller.runs.exporting import FORMAT, YES_NO, Exported, Piece, cleaned, front_columns, front_of

ROW_GROUP = 50_000
"""Rows that wait before they are written: a group of the file, some MB in memory."""

SCALARS = ("value", "limit")
"""Numbers where a float holds them exactly, but for chain values, which may look like one; all else stands as it is in
a column of words beside it, so that nothing is lost."""
_LARGEST = 2.0**53
TEXTS = ("id", "text", "chain", "serial")
"""Texts that seldom come again; all others are coded by a dictionary."""


class ParquetSink:
    """See Sink. ImportError: pyarrow is not installed."""

    def __init__(self, path: Path, name: str) -> None:
        """`name`: the table."""
        self._arrow: Any = importlib.import_module("pyarrow")
        self._csv: Any = importlib.import_module("pyarrow.csv")
        parquet: Any = importlib.import_module("pyarrow.parquet")
        self._name = name
        self._front = front_columns(name)
        self._types = {column: self._type_of(column) for column in (*self._front, *TABLES[name])}
        self._schema = self._arrow.schema(list(self._fields()))
        self._waiting: list[Any] = []
        self._writer = parquet.ParquetWriter(str(path), self._schema, compression="zstd", version="2.6")

    def add(self, piece: Piece) -> None:
        """See Sink."""
        front = f"{front_of(piece.run, self._name, of_bath=piece.of_bath)},".encode()
        data = b"".join((front, (b"\n" + front).join(map(cleaned, piece.lines)), b"\n"))
        csv = self._csv
        table = csv.read_csv(
            io.BytesIO(data),
            read_options=csv.ReadOptions(
                column_names=[*self._front, *piece.columns], use_threads=False, block_size=len(data) + 1
            ),
            convert_options=csv.ConvertOptions(
                column_types=self._types, include_columns=list(self._types), null_values=[""], strings_can_be_null=True
            ),
        )
        if table.num_rows != len(piece.lines):
            raise ValueError(f"{len(piece.lines)} rows read as {table.num_rows}")
        self._waiting.append(self._shaped(table))
        if sum(one.num_rows for one in self._waiting) >= ROW_GROUP:
            self._write()

    def close(self, exported: Sequence[Exported]) -> None:
        """See Sink."""
        if self._waiting:
            self._write()
        content = {"format": FORMAT, "table": self._name, "units": "UCUM", "runs": [one.plain() for one in exported]}
        self._writer.add_key_value_metadata({"formbath": json.dumps(content)})
        self._writer.close()

    def _type_of(self, column: str) -> Any:
        arrow = self._arrow
        if column in TIMES:
            return arrow.timestamp("ms", "UTC")
        if column in WHOLE:
            return arrow.int32()
        if column in YES_NO:
            return arrow.bool_()
        if column in UNITS:
            return arrow.float64()
        return (
            arrow.string() if column in TEXTS or column in SCALARS else arrow.dictionary(arrow.int32(), arrow.string())
        )

    def _fields(self) -> list[Any]:
        arrow = self._arrow
        fields = []
        for column, kind in self._types.items():
            if column in SCALARS:
                fields += [arrow.field(column, arrow.float64()), arrow.field(f"{column}_text", arrow.string())]
            else:
                unit = UNITS.get(column)
                fields.append(arrow.field(column, kind, metadata=unit and {"unit": unit}))
        return fields

    def _shaped(self, table: Any) -> Any:
        """The rows as the schema wants them: scalars as numbers, what is no number beside them."""
        columns: list[Any] = []
        codes = table.column("code").to_pylist() if "code" in self._types else [None] * table.num_rows
        for name in self._types:
            found = table.column(name)
            columns += self._numbers(found, codes) if name in SCALARS else [found]
        return self._arrow.table(columns, schema=self._schema)

    def _numbers(self, column: Any, codes: Sequence[str | None]) -> list[Any]:
        """What is a number, and what is not."""
        texts = column.to_pylist()
        numbers = [
            None if text is None or code == CONTINUES else _exact(text) for text, code in zip(texts, codes, strict=True)
        ]
        others = [text if number is None else None for text, number in zip(texts, numbers, strict=True)]
        return [self._arrow.array(numbers, self._arrow.float64()), self._arrow.array(others, self._arrow.string())]

    def _write(self) -> None:
        table = self._arrow.concat_tables(self._waiting).unify_dictionaries()
        self._waiting = []
        self._writer.write_table(table, row_group_size=ROW_GROUP)


def _exact(text: str) -> float | None:
    """A cell's number; None where it is none, or a float would have other digits."""
    number = number_of(text)
    if number is None or abs(number) > _LARGEST or Decimal(repr(number)) != Decimal(text):
        return None
    return number
