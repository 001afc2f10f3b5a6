"""Opening a run folder again after a crash: every whole row stays, the chain goes on, the last state comes back.

Only an unfinished line or block at the very end is cut (it was never acknowledged), and it is said. Damage anywhere
else stays as it is: nothing is repaired in silence.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from controller.core.circuit import step as core_step
from controller.core.state import CircuitState
from controller.core.version import CORE
from controller.records.head import Head
from controller.records.reader import Block, RunFolder, Table, read_run
from controller.records.redecide import Step, redecide
from controller.records.rows import parse_time
from controller.records.run import RunRecord, Standing
from controller.records.writer import Writer


@dataclass(frozen=True)
class Resumed:
    """A record opened again.

    `state`: after its last cycle (None: nothing to begin from, `problems` says why). `last_now_ms`, `last_utc_ms`: core
    and wall time of the last cycle and row (None: there is none), for the gap. `cut`: what was left out at the ends.
    """

    record: RunRecord
    head: Head
    state: CircuitState | None
    last_now_ms: int | None
    last_utc_ms: int | None
    cut: tuple[str, ...]
    problems: tuple[str, ...]


def resume_run(folder: Path, writer: Writer, *, step: Step = core_step, by_count: bool = False) -> Resumed:
    """Open the folder for more rows; RecordError when it is no record or its run.json cannot be understood.

    Works for a closed record too (sign-off, readings that come later).
    """
    found = read_run(folder)
    head = found.head
    store = found.cycles
    blocks = list(store.blocks(head.codec))
    begin = max((i for i, b in enumerate(blocks) if isinstance(b, Block) and b.start is not None), default=len(blocks))
    redone = redecide(head, blocks[begin:], step)
    cut, problems = _cut_and_wrong(found)
    problems += redone.problems
    if head.core != CORE and begin < len(blocks):
        problems.append(f"decided by core {head.core}, this is {CORE}: its last cycles were counted again by this one")
    elif redone.first_difference is not None:
        problems.append(f"decided otherwise now: {redone.first_difference}")
    record = _reopen(found, head, writer, by_count)
    for block in blocks[store.in_bin :]:
        if isinstance(block, Block):
            record.restore(block.start, block.cycles)
    last = redone.last
    last_ms = None if last is None else last.cin.now_ms
    return Resumed(
        record, head, redone.state, last_ms, _utc_of(last_ms, head, found),
        tuple(cut), tuple(problems),
    )  # fmt: skip


def _reopen(found: RunFolder, head: Head, writer: Writer, by_count: bool) -> RunRecord:
    store = found.cycles
    in_bin = store.frames[: store.in_bin]
    tables = {table.name: _standing(table) for table in found.tables.values() if table.whole_bytes}
    standing = Standing(
        tables,
        cycles=max((frame.first + frame.count for frame in in_bin), default=0),
        cycles_bytes=store.bin_bytes,
        cycles_held=found.cycles_bin[: store.bin_bytes],
        started=True,
    )
    return RunRecord(found.folder, found.run_json, head.start_ms, head.codec, head.core, writer, by_count, standing)


def _standing(table: Table) -> tuple[int, str, int]:
    """Rows, chain value to go on from, and bytes to keep. Behind a broken row the chain goes on from the last value."""
    last = table.walked.last
    if table.walked.wrong_row is not None:
        last = table.lines[-1].rpartition(b",")[2].decode("utf-8", "replace")
    return len(table.lines), last, table.whole_bytes


def _cut_and_wrong(found: RunFolder) -> tuple[list[str], list[str]]:
    """What is cut, being unfinished at an end; and what is damaged and stays."""
    tables = found.tables.values()
    cut = [problem for table in tables for problem in table.problems if problem not in table.damage]
    wrong = [problem for table in tables if table.whole_bytes for problem in table.damage]
    return cut + list(found.cycles.torn), wrong + list(found.cycles.damage)


def _utc_of(last_now_ms: int | None, head: Head, found: RunFolder) -> int | None:
    """Return the wall time of the last cycle: that of the last row, and what core time went on since."""
    times = []
    for table in (found.log, found.events):
        try:
            time_utc, elapsed_s = table.rows[-1][0], table.rows[-1][1]
            row_ms = head.start_ms + round(float(elapsed_s) * 1000)
            since_ms = max(0, last_now_ms - row_ms) if last_now_ms is not None else 0
            times.append(parse_time(time_utc) + since_ms)
        except (IndexError, ValueError):
            continue
    return max(times, default=None)
