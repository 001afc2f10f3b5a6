"""A program that records heavily until it is killed; run as `killkit.py`, it forks one such for each folder it is told.

Each line it prints is a JSON list: `["acked", pid, {run or bath: {...}}]` once the writer has acknowledged so much, and
`["dead", pid]` when one is gone. Forked from a process that has everything loaded, one costs a few milliseconds.
"""

from __future__ import annotations

import json
import os
import sys
from pathlib import Path
from typing import Any

import realrun as kit

from controller.core.state import CircuitState
from controller.records import run as run_module
from controller.records.bathlog import BathLog
from controller.records.bathtable import BathTable
from controller.records.logrow import log_row
from controller.records.reader import Block, RunFolder, read_run
from controller.records.resume import resume_run
from controller.records.rows import EventRow
from controller.records.run import RunRecord
from controller.records.writer import Writer

BATCHES = ("K1", "K2")
BLOCK_CYCLES = 7
"""Short, so that many kills come while one is closed."""
MOST_CYCLES = 60
"""After so many one only waits to be killed, so that cycles last however slow the killing process is."""


class Made:
    """Cycles of a run, made once and recorded again and again: what each was decided on, and the state after it."""

    def __init__(self, number: int) -> None:
        loop = kit.Loop(charge_Ah=1e9)
        self.cycles = [loop.cycle(loop.start_order()), *(loop.cycle() for _ in range(number))]
        self.first_ms = self.cycles[0][0].now_ms

    def record(self, record: RunRecord, number: int) -> None:
        """What a service does with one cycle: events, the cycle, a row."""
        cycle = self.cycles[number]
        cin, _, command, after = cycle
        utc_ms = kit.UTC_MS + cin.now_ms
        record.add_event(EventRow(utc_ms, cin.now_ms, f"e{number}", "event", "x", "A01", text="long " * 20))
        record.add_cycle(*cycle)
        record.add_log(log_row(utc_ms, cin, command, after, kit.SETTINGS.stale_ms))

    def counted(self, found: RunFolder) -> int:
        """How many cycles a record holds; fails where one is missing or not as it was made."""
        blocks = list(found.cycles.blocks(found.head.codec))
        cycles = [cycle for block in blocks if isinstance(block, Block) for cycle in block.cycles]
        assert len(cycles) == found.cycles.next_cycle
        assert [(c.cin, c.command) for c in cycles] == [(c[0], c[2]) for c in self.cycles[: len(cycles)]]
        return len(cycles)

    def state_after(self, number: int) -> CircuitState | None:
        """The state after so many cycles."""
        return self.cycles[number - 1][3] if number else None


def opened(place: Path, batch: str, made: Made, writer: Writer) -> tuple[RunRecord, int]:
    """The record of a batch and the number of its next cycle: as an earlier process left it, else a new one."""
    for folder in place.glob(f"*-{batch}"):
        if (folder / "run.json").is_file():
            return resume_run(folder, writer).record, read_run(folder).cycles.next_cycle
    return RunRecord.create(place, kit.start_of(made.first_ms, 1e9, batch), writer), 0


def work(place: Path, made: Made) -> None:
    """Record until killed."""
    writer = Writer(period_s=0.001)
    bath = BathLog(place, "A", writer)
    state, trouble = bath.read_state()
    assert trouble is None, trouble
    put = 0 if state is None else state["put"]
    runs = {batch: opened(place, batch, made, writer) for batch in BATCHES}
    numbers = {batch: number for batch, (_, number) in runs.items()}
    writer.start()
    for _ in range(MOST_CYCLES):
        for batch, (record, _) in runs.items():
            made.record(record, numbers[batch])
            numbers[batch] += 1
        put += 1
        bath.put_state({"put": put})
        bath.add_event(EventRow(kit.UTC_MS, None, f"e{put}", "event", "x", "A"))
        if put % 3 == 0:
            told = {batch: told_of(record, numbers[batch]) for batch, (record, _) in runs.items()}
            assert writer.flush(), writer.trouble
            told["bath"] = told_of(bath, put)
            tell("acked", os.getpid(), told)
    os.read(0, 1)  # whoever kills is slower than that; it ends by itself only where nobody is there to do so
    os._exit(0)


def told_of(record: RunRecord | BathLog, cycles: int) -> dict[str, Any]:
    """What a record holds by now, once it is acknowledged; a bath's tables are known once they were written."""
    found = {name: table._open[0] if isinstance(table, BathTable) else table for name, table in record._tables.items()}
    tables = {name: [table.rows, table.last] for name, table in found.items()}
    return {"folder": record.folder.name, "cycles": cycles, "tables": tables}


def tell(*what: Any) -> None:
    """One line, in one write: a killed process leaves no half of it."""
    os.write(1, (json.dumps(what) + "\n").encode())


def main() -> None:
    """Fork one worker for each line with a folder."""
    run_module.BLOCK_CYCLES = BLOCK_CYCLES
    made = Made(int(sys.argv[1]))
    for line in sys.stdin:
        pid = os.fork()
        if not pid:
            work(Path(line.strip()), made)
        os.waitpid(pid, 0)
        tell("dead", pid)


if __name__ == "__main__":
    main()
