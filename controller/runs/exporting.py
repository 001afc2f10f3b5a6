"""Many records as one table: each row of a chained table with its run in front, up to where a record is damaged.

Streamed run by run and piece by piece, so that memory stays small however many runs there are. Units are named by their
UCUM codes (the Unified Code for Units of Measure, an open standard): A, V, Cel, A.h, W.h, s, h, %.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from hashlib import sha256
from pathlib import Path
from typing import Any, BinaryIO, Protocol, TextIO

from controller.records.chain import DIGITS
from controller.records.errors import RecordError
from controller.records.finding import MONTH, Standings, is_bath_folder
from controller.records.place import FolderPlace, Place, bare, place_of, read_all
from controller.records.rows import CELL_LIMIT, cell, clean
from controller.records.stream import TableStream, cells_of, open_table
from controller.records.summary import read_summary
from controller.records.tables import TABLES
from controller.records.typedcolumns import Odd
from controller.runs.choosing import Wanted
from controller.runs.exportcells import fit
from controller.runs.seen import Seen, look

FORMAT = "formbath/export/1"
FRONT = (
    "run", "batch", "bath", "circuit", "profile", "revision", "hall", "battery_type", "trial", "virtual", "batches",
)  # fmt: skip
"""Columns before those of the table: whose row it is. `batches`: all of the string, with blanks between."""
YES_NO = ("trial", "virtual")

_SUSPECT = re.compile(rb'[^ -~]|(?:^|,)"?(?:[ =+@]|-(?![0-9]+(?:\.[0-9]+)?(?:e[-+]?[0-9]+)?(?:,|$)))')
"""What cleaning may change: all but plain characters, and cells that begin like a formula and are no number."""
_NUMBER = re.compile(r"-?[0-9]{1,40}(\.[0-9]{1,40})?(e[-+]?[0-9]{1,4})?")


@dataclass(frozen=True, slots=True)
class Piece:
    """Rows of one run that follow each other, as they stand in the file, with the names of their columns."""

    run: Seen
    columns: tuple[str, ...]
    lines: Sequence[bytes]
    of_bath: bool = False


@dataclass(frozen=True, slots=True)
class Exported:
    """What became of one run, or of a month of a bath's own events (`of_bath`; its name is then the file's).

    `chain`: value of the last row exported. `wrong`: damage; `notes`: worth knowing.
    """

    run: Seen
    rows: int = 0
    run_json_sha256: str = ""
    chain: str = ""
    chains: Mapping[str, str] = field(default_factory=dict)
    wrong: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()
    of_bath: bool = False

    def plain(self) -> dict[str, Any]:
        """For the metadata of a file: whose rows these are, and by what they can be checked against the record."""
        run = self.run
        return {
            "run": run.name, "batch": run.batch, "bath": run.bath, "circuit": run.circuit, "profile": run.profile,
            "revision": run.revision, "hall": run.hall, "battery_type": run.battery_type, "trial": run.trial,
            "virtual": run.virtual, "batches": list(run.batches), "rows": self.rows,
            "run_json_sha256": self.run_json_sha256, "chain": self.chain, "summary_chains": dict(self.chains),
            "wrong": list(self.wrong), "notes": list(self.notes),
        }  # fmt: skip


class Sink(Protocol):
    """Where rows go, each with the cells that its columns hold. `add` raises ValueError where it takes none of them."""

    def add(self, piece: Piece) -> None:
        """Take rows, in order."""
        ...

    def close(self, exported: Sequence[Exported]) -> None:
        """No more come."""
        ...


def export(paths: Iterable[Path], name: str, sink: Sink, wanted: Wanted | None = None) -> Iterator[Exported]:
    """Put table `name` of every record that is wanted into the sink; gives what became of each.

    A bath's own folder among the paths gives its events, month by month. OSError: the sink cannot write.
    """
    known, chosen = Standings(), Wanted() if wanted is None else wanted
    for path in paths:
        if is_bath_folder(path):
            yield from _bath(path, sink)
            continue
        standing = known.of(path.parent)
        run = look(path, standing.open, standing.left)
        if not chosen.takes(run):
            continue
        if not run.circuit and run.wrong:
            yield Exported(run, wrong=run.wrong)
            continue
        try:
            yield _one(place_of(path), run, name, sink)
        except RecordError as error:
            yield Exported(run, wrong=(clean(bare(path, error)),))


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
        return replace(start, wrong=(missing,)) if needed else replace(start, notes=(missing,))
    found = _rows(place, *opened, start, sink)
    if not found.wrong and told.get(name, found.chain) != found.chain:
        end = f"{name}: ends in row {found.rows}, {found.chain}, which is not the end that summary.json knows"
        return replace(found, wrong=(end,))
    return found


def _bath(folder: Path, sink: Sink) -> Iterator[Exported]:
    """A bath's own events: orders and alarms that belong to no run. Each month's table begins a chain of its own."""
    place = FolderPlace(folder)
    for name in place.names():
        if MONTH.fullmatch(name) is None:
            continue
        start = Exported(Seen(folder, f"{place.name}/{name}", bath=clean(place.name)), of_bath=True)
        try:
            opened = open_table(place, name, TABLES["events.csv"], b"")
            if opened is not None:
                yield _rows(place, *opened, start, sink)
        except RecordError as error:
            yield replace(start, wrong=(clean(bare(folder, error)),))


def _rows(place: Place, table: TableStream, stream: BinaryIO, start: Exported, sink: Sink) -> Exported:
    """Put a table's rows into the sink as far as they are whole; says how far that was, and why no further."""
    rows, chain, wrong, odd = 0, "", list[str](), Odd(table.name)
    with stream:
        try:
            for piece in table.pieces():
                fitting = fit(table.name, table.columns, piece, odd)
                _put(sink, Piece(start.run, table.columns, fitting.lines, of_bath=start.of_bath))
                rows, chain = rows + len(fitting.lines), fitting.chain or chain
                if fitting.wrong:
                    wrong.append(clean(fitting.wrong))
                    break
        except RecordError as error:
            wrong.append(clean(bare(place.path, error)))
        except _Refused as error:
            rows, chain = rows + error.taken, error.chain or chain
            wrong.append(clean(f"{table.name}:{rows + 2}: row {rows + 1} {error}"))
    wrong += [clean(text) for text in (*odd.all(), *table.damage)]
    notes = (clean(table.cut_said),) if table.cut_said else ()
    return replace(start, rows=rows, chain=chain, wrong=tuple(wrong), notes=notes)


class _Refused(ValueError):
    """A row that a sink does not take; `taken` rows before it were, `chain` is the last one's value."""

    def __init__(self, why: str, taken: int, chain: str) -> None:
        super().__init__(why)
        self.taken = taken
        self.chain = chain


def _put(sink: Sink, piece: Piece) -> None:
    """Give rows to a sink; where it does not take them together, up to the very row that it does not take."""
    if not piece.lines:
        return
    try:
        sink.add(piece)
    except ValueError as error:
        if len(piece.lines) == 1:
            raise _Refused(f"cannot be exported: {error}", 0, "") from None
    else:
        return
    half = len(piece.lines) // 2
    _put(sink, replace(piece, lines=piece.lines[:half]))
    try:
        _put(sink, replace(piece, lines=piece.lines[half:]))
    except _Refused as refused:
        taken = half + refused.taken
        raise _Refused(str(refused), taken, piece.lines[taken - 1][-DIGITS:].decode("ascii", "replace")) from None


def front_columns(name: str) -> tuple[str, ...]:
    """The columns in front of a table's own. batteries.csv says the batch itself, battery by battery."""
    return tuple(column for column in FRONT if column not in TABLES[name])


def front_of(run: Seen, name: str, *, of_bath: bool = False) -> str:
    """The cells in front of each row, cleaned and quoted, without the comma behind them; of a bath its name alone."""
    if of_bath:
        return ",".join(cell(run.bath) if column == "bath" else "" for column in front_columns(name))
    texts = {
        "run": run.name, "batch": run.batch, "bath": run.bath, "circuit": run.circuit, "profile": run.profile,
        "revision": "" if run.revision is None else str(run.revision), "hall": run.hall,
        "battery_type": run.battery_type, "trial": str(run.trial).lower(), "virtual": str(run.virtual).lower(),
        "batches": " ".join(run.batches),
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
        front = front_of(piece.run, self._name, of_bath=piece.of_bath)
        if piece.columns == self._columns:
            lines = map(cleaned, piece.lines)
            self._file.write("".join(f"{front},{line.decode('utf-8', 'replace')}\n" for line in lines))
            return
        # A later version's table: its further columns are left out.
        where = [piece.columns.index(column) for column in self._columns]
        for line in piece.lines:
            cells = cells_of(line)
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
