"""Opening a run folder again after a crash: every whole row stays, the chain goes on, the last state comes back.

Only an unfinished line or block at the very end is cut (it was never acknowledged), and it is said. Damage anywhere
else stays as it is, byte by byte, also where it stood in cycles.tail: nothing is repaired in silence. Of the cycles
only those since the last state that was written are decoded, so that a long run opens as fast as a short one.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path

from controller.core.circuit import step as core_step
from controller.core.planned import Plan
from controller.core.state import CircuitState
from controller.core.version import CORE
from controller.records.errors import RecordError
from controller.records.frames import FILE_HEAD, Frame, scan
from controller.records.head import Head
from controller.records.plain import Codec
from controller.records.reader import Block, CycleStore, RunFolder, Table, read_run
from controller.records.redecide import Redecided, Step, redecide
from controller.records.rows import parse_time
from controller.records.run import RunRecord, Standing
from controller.records.stream import cells_of
from controller.records.table import NO_TABLE, deny_head, is_saved_elsewhere, may_hold_rows, standing_of
from controller.records.writer import Writer


@dataclass(frozen=True)
class Resumed:
    """A record opened again.

    `state`: after its last cycle (None: nothing to begin from, `problems` says why). `last_now_ms`, `last_utc_ms`: core
    and wall time of the last cycle and row (None: there is none), for the gap. `cut`: what was left out at the ends.
    `closed`: it has a summary, whether or not rows came behind it.
    """

    record: RunRecord
    head: Head
    state: CircuitState | None
    last_now_ms: int | None
    last_utc_ms: int | None
    cut: tuple[str, ...]
    problems: tuple[str, ...]
    closed: bool = False


def resume_run(
    folder: Path, writer: Writer, *, step: Step = core_step, by_count: bool = False, plan: Plan | None = None
) -> Resumed:
    """Open the folder for more rows; RecordError: it is no record, or its run.json cannot be understood or believed.

    Works for a closed record too (sign-off, readings that come later). `plan`: what the run is known to follow (None:
    nobody knows it but the record).
    """
    found = read_run(folder, whole=True)
    # Its plan and limits would otherwise be those that the run goes on with.
    if deny_head(found.tables.values()):
        raise RecordError("run.json: is not the one that its tables began with: no run can be resumed from it")
    for table in found.tables.values():
        if not table.whole_bytes and may_hold_rows(table.cut):
            raise RecordError(f"{table.name}: {NO_TABLE}")
    head = found.head
    if plan is not None and head.load.plan != plan:
        raise RecordError("run.json: its plan is not the one that state.json holds: no run can be resumed from it")
    store = found.cycles
    blocks = since_last_state(store, head.codec)
    redone = redecide(head, blocks, step)
    cut, problems = _cut_and_wrong(found)
    problems += redone.problems
    if redone.compared and head.core != CORE:
        problems.append(f"decided by core {head.core}, this is {CORE}: its last cycles were counted again by this one")
    elif redone.first_difference is not None:
        problems.append(f"decided otherwise now: {redone.first_difference}")
    last_ms = _last_ms(redone)
    problems += _rows_behind(found.log, head, last_ms)
    record = _reopen(found, head, writer, by_count)
    return Resumed(
        record, head, redone.state, last_ms, _utc_of(last_ms, head, found),
        tuple(cut), tuple(problems), found.summary is not None,
    )  # fmt: skip


def since_last_state(store: CycleStore, codec: Codec) -> list[Block | str]:
    """The blocks from the last one on that holds a state to begin from, decoded; all of them where none does."""
    found: list[Block | str] = []
    for frame in reversed(store.frames):
        block = next(iter(replace(store, frames=(frame,)).blocks(codec)))
        found.append(block)
        if isinstance(block, Block) and block.start is not None:
            break
    return found[::-1]


def _last_ms(redone: Redecided) -> int | None:
    return None if redone.last is None else redone.last.cin.now_ms


def _reopen(found: RunFolder, head: Head, writer: Writer, by_count: bool) -> RunRecord:
    store = found.cycles
    in_bin = store.frames[: store.in_bin]
    tables = {table.name: standing_of(table) for table in found.tables.values() if table.whole_bytes}
    standing = Standing(
        tables,
        cycles=max((frame.first + frame.count for frame in in_bin), default=0),
        cycles_bytes=store.bin_bytes,
        cycles_held=found.cycles_bin[: store.bin_bytes],
        started=True,
    )
    record = RunRecord(found.folder, found.run_json, head.start_ms, head.codec, head.core, writer, by_count, standing)
    if len(store.frames) > store.in_bin:
        record.restore(_of_tail(found.cycles_tail, standing.cycles), store.next_cycle)
    return record


def _of_tail(tail: bytes, next_cycle: int) -> bytes:
    """The bytes of cycles.tail from cycle `next_cycle` on, with what is damaged between; without an unfinished end."""
    begin = end = len(FILE_HEAD)
    for found in scan(tail, begin):
        if isinstance(found, Frame):
            end = found.end
            begin = found.end if found.first < next_cycle else begin
    return tail[begin:end]


def _cut_and_wrong(found: RunFolder) -> tuple[list[str], list[str]]:
    """What is cut, being unfinished at an end; and what is damaged and stays."""
    tables = found.tables.values()
    cut = [problem for table in tables for problem in table.problems if problem not in table.damage]
    wrong = [problem for table in tables if table.whole_bytes for problem in _damage(table)]
    if found.summary_problem is not None:
        wrong.append(found.summary_problem)
    return cut + list(found.cycles.torn), wrong + list(found.cycles.damage)


def _damage(table: Table) -> tuple[str, ...]:
    if is_saved_elsewhere(table):
        return (f"{table.name}: saved by another program: its line ends are CRLF; it stays so, rows go on behind",)
    return table.damage


def _rows_behind(log: Table, head: Head, last_ms: int | None) -> list[str]:
    """Say so where rows tell of a time that no cycle holds: cycles are written first, so their end was damaged."""
    row = _last_row(log, head)
    if row is None or (last_ms is not None and row[0] <= last_ms):
        return []
    where = "none is whole" if last_ms is None else f"the last whole one is {(row[0] - last_ms) / 1000:.0f} s older"
    return [f"log.csv: row {len(log.lines)}: its cycle is lost ({where}): what it counted is in these rows alone"]


def _last_row(table: Table, head: Head) -> tuple[int, int] | None:
    """Core and wall time of the last row; None where there is none with both."""
    try:
        time_utc, elapsed_s = cells_of(table.lines[-1])[:2]
        return head.start_ms + round(float(elapsed_s) * 1000), parse_time(time_utc)
    except (IndexError, ValueError, OverflowError):
        return None


def _utc_of(last_now_ms: int | None, head: Head, found: RunFolder) -> int | None:
    """Return the wall time of the last cycle: that of the newest row, and what core time went on since.

    The newest by core time: the wall clock may have been set between two rows.
    """
    rows = [row for table in (found.log, found.events) if (row := _last_row(table, head)) is not None]
    if not rows:
        return None
    row_ms, utc_ms = max(rows)
    return utc_ms + (max(0, last_now_ms - row_ms) if last_now_ms is not None else 0)
