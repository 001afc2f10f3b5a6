"""Many records as one table: each row of a chained table with its run in front, up to where a record is damaged.

Streamed run by run and piece by piece, so that memory stays small however many runs there are. Units are named by their
UCUM codes (the Unified Code for Units of Measure, an open standard): A, V, Cel, A.h, W.h, s, h, %.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from hashlib import sha256
from pathlib import Path
from typing import Any, Protocol, TextIO

from controller.records.errors import RecordError
from controller.records.place import Place, place_of, read_all
from controller.records.rows import CELL_LIMIT, cell, clean
from controller.records.seen import Seen, look
from controller.records.stream import cells_of, open_table
from controller.records.summary import read_summary
from controller.records.tables import TABLES

FORMAT = "formbath/export/1"
FRONT = ("run", "batch", "bath", "circuit", "profile", "revision")
"""Columns before those of the table: whose row it is."""

_SUSPECT = re.compile(rb'[^ -~]|(?:^|,)"?(?:[ =+@]|-(?![0-9]+(?:\.[0-9]+)?(?:e[-+]?[0-9]+)?(?:,|$)))')
"""What cleaning may change: all but plain characters, and cells that begin like a formula and are no number."""
_NUMBER = re.compile(r"-?[0-9]{1,40}(\.[0-9]{1,40})?(e[-+]?[0-9]{1,4})?")

UNITS: Mapping[str, str] = {
    "elapsed_s": "s", "set_current_A": "A", "current_A": "A", "voltage_V": "V", "bath_C": "Cel", "probe_C": "Cel",
    "charge_Ah": "A.h", "discharge_Ah": "A.h", "energy_Wh": "W.h", "allowed_percent": "%", "ocv_V": "V",
    "ocv_age_h": "h", "density": "kg/L", "density_C": "Cel", "temperature_C": "Cel",
}  # fmt: skip
"""UCUM code of each column that has one unit; `value` has that of the row's own column `unit`."""


@dataclass(frozen=True, slots=True)
class Piece:
    """Rows of one run that follow each other, as they stand in the file, with the names of their columns."""

    run: Seen
    columns: tuple[str, ...]
    lines: Sequence[bytes]


@dataclass(frozen=True, slots=True)
class Exported:
    """What became of one run. `chain`: value of the last row exported. `wrong`: damage; `notes`: worth knowing."""

    run: Seen
    rows: int = 0
    run_json_sha256: str = ""
    chain: str = ""
    chains: Mapping[str, str] = field(default_factory=dict)
    wrong: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()

    def plain(self) -> dict[str, Any]:
        """For the metadata of a file: whose rows these are, and by what they can be checked against the record."""
        return {
            "run": self.run.name, "batch": self.run.batch, "bath": self.run.bath, "circuit": self.run.circuit,
            "profile": self.run.profile, "revision": self.run.revision, "rows": self.rows,
            "run_json_sha256": self.run_json_sha256, "chain": self.chain, "summary_chains": dict(self.chains),
            "wrong": list(self.wrong), "notes": list(self.notes),
        }  # fmt: skip


class Sink(Protocol):
    """Where rows go. `add` raises ValueError where a row is not what its columns hold; nothing of it is kept then."""

    def add(self, piece: Piece) -> None:
        """Take rows, in order."""
        ...

    def close(self, exported: Sequence[Exported]) -> None:
        """No more come."""
        ...


def export(paths: Iterable[Path], name: str, sink: Sink) -> Iterator[Exported]:
    """Put table `name` of every record into the sink; gives what became of each. OSError: the sink cannot write."""
    for path in paths:
        run = look(path, frozenset())
        if not run.circuit and run.wrong:
            yield Exported(run, wrong=run.wrong)
            continue
        try:
            yield _one(place_of(path), run, name, sink)
        except RecordError as error:
            yield Exported(run, wrong=(clean(str(error).removeprefix(f"{path}: ")),))


def _one(place: Place, run: Seen, name: str, sink: Sink) -> Exported:
    run_json = read_all(place, "run.json")
    summary, _ = read_summary(read_all(place, "summary.json"))
    chains = (summary or {}).get("chain")
    told = {str(key): str(value) for key, value in chains.items()} if isinstance(chains, dict) else {}
    start = Exported(run, run_json_sha256=sha256(run_json).hexdigest(), chains=told)
    opened = open_table(place, name, TABLES[name], run_json)
    if opened is None:
        missing = f"{name} is not there"
        needed = name in ("log.csv", "events.csv") or name in told
        return _with(start, wrong=(missing,)) if needed else _with(start, notes=(missing,))
    table, stream = opened
    rows, chain, wrong = 0, "", list[str]()
    with stream:
        try:
            for piece in table.pieces():
                sink.add(Piece(run, table.columns, piece.lines))
                rows, chain = table.mark.rows, table.mark.chain
        except RecordError as error:
            wrong.append(clean(str(error)))
        except ValueError as error:
            wrong.append(clean(f"{name}: behind row {rows}: {error}"))
    wrong += [clean(text) for text in table.damage]
    notes = [clean(table.cut_said)] if table.cut_said else []
    if not wrong and told.get(name, chain) != chain:
        wrong.append(f"{name}: ends in row {rows}, {chain}, which is not the end that summary.json knows")
    return _with(start, rows=rows, chain=chain, wrong=tuple(wrong), notes=tuple(notes))


def _with(start: Exported, **changes: Any) -> Exported:
    return Exported(
        **{
            "run": start.run, "run_json_sha256": start.run_json_sha256, "chains": start.chains, **changes,
        }
    )  # fmt: skip


def front_columns(name: str) -> tuple[str, ...]:
    """The columns in front of a table's own. batteries.csv says the batch itself, battery by battery."""
    return tuple(column for column in FRONT if column not in TABLES[name])


def front_of(run: Seen, name: str) -> str:
    """The cells in front of each row of a run, cleaned and quoted, without the comma behind them."""
    texts = {
        "run": run.name, "batch": run.batch, "bath": run.bath, "circuit": run.circuit, "profile": run.profile,
        "revision": "" if run.revision is None else str(run.revision),
    }  # fmt: skip
    return ",".join(cell(texts[column]) for column in front_columns(name))


class CsvSink:
    """One CSV file: the run's columns in front, then the table's rows as they stand in the records."""

    def __init__(self, file: TextIO, name: str) -> None:
        self._file = file
        self._name = name
        self._columns = TABLES[name]
        file.write(",".join((*front_columns(name), *self._columns)) + "\n")

    def add(self, piece: Piece) -> None:
        """See Sink."""
        front = front_of(piece.run, self._name)
        if piece.columns == self._columns:
            lines = map(cleaned, piece.lines)
            self._file.write("".join(f"{front},{line.decode('utf-8', 'replace')}\n" for line in lines))
            return
        # A later version's table: its further columns are left out.
        where = [piece.columns.index(column) for column in self._columns]
        for line in piece.lines:
            cells = cells_of(line)
            if len(cells) != len(piece.columns):
                raise ValueError(f"a row has {len(cells)} cells, not {len(piece.columns)}")
            row = ",".join(_safe(cells[index]) for index in where)
            self._file.write(f"{front},{row}\n")

    def close(self, exported: Sequence[Exported]) -> None:
        """See Sink."""
        self._file.flush()


def cleaned(line: bytes) -> bytes:
    """A row whose cells hold nothing that a terminal or a spreadsheet would act upon: as it stands where that is so.

    The writer cleans every cell; a record that was written by somebody else may hold anything.
    """
    if _SUSPECT.search(line) is None and len(line) <= CELL_LIMIT:
        return line
    return ",".join(map(_safe, cells_of(line))).encode("utf-8", "replace")


def _safe(text: str) -> str:
    """One cell, cleaned and quoted; a number keeps its sign."""
    return text if _NUMBER.fullmatch(text) else cell(text)
