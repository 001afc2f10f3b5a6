"""The record of one run, as it is being written: its folder, tables, cycles and summary.

Everything goes through the writer's memory; nothing here waits for a disk. Same calls, same bytes: no wall time but
that of the rows, no host, process or path.
"""

from __future__ import annotations

import hashlib
import math
from collections.abc import Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from controller.core.state import CircuitState
from controller.core.types import CircuitIn, Command, Scalar
from controller.records.cycles import BLOCK_CYCLES, Row, encode, flatten
from controller.records.ended import ended
from controller.records.files import Lazy
from controller.records.frames import FILE_HEAD, frame
from controller.records.group import Group
from controller.records.head import RunStart, cycle_codec, folder_name, read_plain, write_head
from controller.records.plain import Codec
from controller.records.readme import readme
from controller.records.rows import (
    AFTER_COLUMNS,
    BATTERY_COLUMNS,
    EVENT_HEADER,
    LOG_HEADER,
    EventRow,
    LogRow,
    cells_text,
    event_text,
    log_text,
)
from controller.records.summary import summary_bytes
from controller.records.table import ChainedTable
from controller.records.writer import Writer

LATER_TABLES = {"batteries.csv": BATTERY_COLUMNS, "after.csv": AFTER_COLUMNS}


@dataclass(slots=True)
class Standing:
    """Where an opened record stands: what its files hold already. The defaults are those of a new one."""

    tables: dict[str, tuple[int, str, int]]
    cycles: int = 0
    cycles_bytes: int = 0
    cycles_held: bytes = b""
    started: bool = False


class RunRecord:
    """One run's record. `by_count` (stepped clocks): no cycles.tail, blocks alone; a kill then costs up to a block."""

    def __init__(
        self, folder: Path, run_json: bytes, start_ms: int, codec: Codec, core: int, writer: Writer, by_count: bool,
        standing: Standing,
    ) -> None:  # fmt: skip
        self.folder = folder
        self.start_ms = start_ms
        self.lost_cycles = self.lost_rows = 0
        self._core = core
        self._run_json = run_json
        self._virtual = read_plain(run_json).get("virtual") is True
        self._codec = codec
        self._writer = writer
        self._by_count = by_count
        self._group = Group(folder, self._cut_tail, is_new=not standing.started)
        self._first = standing.cycles
        self._rows: list[Row] = []
        self._tailed = 0
        self._block_start: CircuitState | None = None
        self._last: CircuitState | None = None
        self._hash = hashlib.sha256(standing.cycles_held)
        self._tables: dict[str, ChainedTable] = {}
        self._readme_is_older = standing.started
        self._open_files(standing)
        writer.enter(self._group)

    @classmethod
    def create(cls, runs: Path, start: RunStart, writer: Writer, *, by_count: bool = False) -> RunRecord:
        """A new folder below `runs`, which the writer makes; never one that exists."""
        run_json = write_head(start)
        folder = runs / writer.names.new(runs, folder_name(start))
        core = read_plain(run_json)["core"]
        codec = cycle_codec(start.load.plan)
        return cls(folder, run_json, start.now_ms, codec, core, writer, by_count, Standing({}))

    def _open_files(self, standing: Standing) -> None:
        if not standing.started:
            self._group.replace_file("run.json").put(self._run_json)
            self._group.replace_file("README.txt").put(readme(virtual=self._virtual).encode())
        # Cycles before rows: after a crash no row may tell of a cycle that the cycles do not hold.
        self._cycles = self._group.append_file("cycles.bin", standing.cycles_bytes)
        if not standing.cycles_bytes:
            self._add_block(Lazy(lambda: FILE_HEAD))
        self._tail = self._group.append_file("cycles.tail")
        if standing.started:
            self._tail.clear(remove=True)
        self._log = self._open_table("log.csv", LOG_HEADER, standing)
        self._events = self._open_table("events.csv", EVENT_HEADER, standing)
        for name in LATER_TABLES:
            if name in standing.tables:
                self._later(name, standing)
        self._summary = self._group.replace_file("summary.json")

    def _open_table(self, name: str, header: str, standing: Standing) -> ChainedTable:
        rows, last, size = standing.tables.get(name, (0, "", 0))
        file = self._group.append_file(name, size)
        table = ChainedTable(file, rows, last) if size else ChainedTable.begin(file, header, self._run_json)
        self._tables[name] = table
        return table

    def _later(self, name: str, standing: Standing) -> ChainedTable:
        return self._tables.get(name) or self._open_table(name, ",".join(LATER_TABLES[name]), standing)

    def add_cycle(self, cin: CircuitIn, before: CircuitState, command: Command, after: CircuitState) -> None:
        """One cycle: what it was decided on, the state it was decided from, the command, the state it led to."""
        if not self._writer.has_room:
            self.lost_cycles += 1
            return
        row = flatten(cin, command)
        with self._writer.lock:
            rows = self._rows
            if rows and (self._seam(before) or len(row[0]) != len(rows[0][0])):
                self._close_block()
                rows = self._rows
            if not rows:
                self._block_start = before
            rows.append(row)
            self._last = after
            if len(rows) >= BLOCK_CYCLES:
                self._close_block()

    def restore(self, blocks: bytes, next_cycle: int) -> None:
        """What stood in the tail after a crash goes behind the blocks as it is; cycles go on with number `next_cycle`.

        Not written anew: what is damaged between its blocks stays to be seen.
        """
        with self._writer.lock:
            self._add_block(Lazy(lambda: blocks))
            self._first = next_cycle

    def _seam(self, before: CircuitState) -> bool:
        """Whether the state was changed outside the cycles (a restart, an order of the bath, cycles lost)."""
        return before is not self._last and before != self._last

    def add_log(self, row: LogRow) -> None:
        """One row of log.csv."""
        self._add_row(self._log, log_text(row, self.start_ms), "")

    def add_event(self, row: EventRow) -> None:
        """One row of events.csv."""
        self._add_row(self._events, event_text(row, self.start_ms), row.id)

    def add_later(self, name: str, cells: Sequence[Scalar]) -> None:
        """One row of batteries.csv or after.csv, a value for each column but the chain."""
        text = cells_text(cells, LATER_TABLES[name])
        with self._writer.lock:
            table = self._later(name, Standing({}))
            # The summary is written last: it may not know of rows that a crash then took.
            self._group.files.remove(self._summary)
            self._group.files.append(self._summary)
        self._add_row(table, text, "")

    def _add_row(self, table: ChainedTable, text: str, order: str) -> None:
        if not self._writer.has_room:
            self.lost_rows += 1
            self._writer.dropped(order)
            return
        with self._writer.lock:
            table.add(text)

    def close(self, summary: Mapping[str, Any]) -> None:
        """Write summary.json (again, at sign-off): what is given, totals, rows and last chain values, hashes.

        The record may go on afterwards and be closed again; `release` ends it.
        """
        with self._writer.lock:
            self._close_block()
            if not self._by_count:
                self._tail.clear(remove=True)
            content: dict[str, Any] = {
                **{str(key): _plain(value) for key, value in {**self._totals(), **summary}.items()},
                "core": self._core,
                "virtual": self._virtual,
                "run_json_sha256": hashlib.sha256(self._run_json).hexdigest(),
                "rows": {name: table.rows for name, table in self._tables.items()},
                "chain": {name: table.last for name, table in self._tables.items()},
                "cycles": self._first,
                "lost_cycles": self.lost_cycles,
                "lost_rows": self.lost_rows,
            }
            self._cycles.add(Lazy(lambda: self._mark_hash(content)))
            self._summary.put(Lazy(lambda: summary_bytes({**content, "readme_sha256": self._readme_sha256()})))

    def release(self) -> None:
        """Nothing more will come: the writer lets the folder go once all of it is acknowledged."""
        if self._by_count:
            with self._writer.lock:
                self._close_block()
        self._writer.leave(self._group)

    def _totals(self) -> dict[str, Any]:
        if self._last is None or self._last.run is None:
            return {}
        counters = self._last.run.counters
        return {
            "charge_Ah": counters.charge_Ah, "discharge_Ah": counters.discharge_Ah, "energy_Wh": counters.energy_Wh,
            **ended(self._last),
        }  # fmt: skip

    def _readme_sha256(self) -> str:
        """Of README.txt as it stands in the folder: a record opened again may hold that of an earlier version."""
        held = readme(virtual=self._virtual).encode()
        if self._readme_is_older:
            with suppress(OSError):
                held = (self.folder / "README.txt").read_bytes()
        return hashlib.sha256(held).hexdigest()

    def _mark_hash(self, content: dict[str, Any]) -> bytes:
        """Runs in the writer's thread, behind the blocks before it: cycles.bin is complete up to here."""
        content["cycles_sha256"] = self._hash.hexdigest()
        return b""

    def _close_block(self) -> None:
        rows, start, first, codec = self._rows, self._block_start, self._first, self._codec
        if not rows:
            return
        self._add_block(Lazy(lambda: frame(first, len(rows), encode(rows, start, codec))))
        self._first += len(rows)
        self._rows = []
        self._tailed = 0
        if not self._by_count:
            self._tail.clear()

    def _add_block(self, block: Lazy) -> None:
        def hashed() -> bytes:
            data = block.bytes()
            self._hash.update(data)
            return data

        self._cycles.add(Lazy(hashed))

    def _cut_tail(self) -> None:
        """Runs at each commit: the cycles since the last one become a frame of the tail."""
        if self._by_count or self._tailed >= len(self._rows):
            return
        rows, first, codec = self._rows[self._tailed :], self._first + self._tailed, self._codec
        start = None if self._tailed else self._block_start
        if not self._tailed:
            self._tail.add(FILE_HEAD)
        self._tail.add(Lazy(lambda: frame(first, len(rows), encode(rows, start, codec))))
        self._tailed = len(self._rows)


def _plain(value: Any) -> Any:
    """A value JSON can hold, so that no summary fails for an odd number in it; no number becomes null."""
    if isinstance(value, Mapping):
        return {str(key): _plain(item) for key, item in value.items()}
    if isinstance(value, list | tuple):
        return [_plain(item) for item in value]
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    return value if value is None or isinstance(value, str | int) else str(value)
