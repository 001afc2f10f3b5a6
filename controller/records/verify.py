"""Is a record whole and untouched, and would the core decide the same again? Changes nothing, ends in plain findings.

What is compared: every row against its chain; the last chain values, numbers of rows and the hashes against
summary.json; the counters of log.csv against each other, the summary, and the cycles decided again; each command.
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from controller.core.circuit import step as core_step
from controller.core.state import CircuitState
from controller.core.types import CircuitIn, Command, Quality
from controller.core.version import CORE
from controller.records.errors import RecordError
from controller.records.head import Head
from controller.records.reader import Block, RunFolder, Table, read_run
from controller.records.redecide import Redecided, Step, redecide
from controller.records.rows import elapsed, fixed

COUNTERS = ("charge_Ah", "discharge_Ah", "energy_Wh")
_DECIMALS = {"charge_Ah": 4, "discharge_Ah": 4, "energy_Wh": 2, "set_current_A": 3}


@dataclass(slots=True)
class Verdict:
    """What was found. `wrong` names everything that does not hold; `notes` what could not be looked at, and why.

    `gap_s`: silences longer than the bath's stale time, from cycle to cycle; `stated_gaps`: gap events in events.csv.
    `counter_Ah`: what the rectifier's own counter gained.
    """

    folder: str
    rows: int = 0
    events: int = 0
    wrong: list[str] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)
    gap_s: list[float] = field(default_factory=list)
    stated_gaps: int = 0
    cycles: int = 0
    compared: int = 0
    same: int = 0
    restarts: int = 0
    charge_Ah: float | None = None
    counter_Ah: float | None = None
    redecided: bool = False

    @property
    def holds(self) -> bool:
        """Whether nothing was found wrong."""
        return not self.wrong


def verify_run(
    folder: Path,
    *,
    chain_only: bool = False,
    step: Step = core_step,
    progress: Callable[[int, int], None] | None = None,
) -> Verdict:
    """Look at one run folder; RecordError when it is none. `progress` is told cycles done and cycles in all."""
    found = read_run(folder)
    verdict = Verdict(folder.name, len(found.log.lines), len(found.events.lines))
    verdict.wrong.extend(found.problems)
    _against_summary(found, verdict)
    _counters(found.log, found.summary, verdict)
    verdict.stated_gaps = found.events.column("code").count("gap")
    verdict.cycles = found.cycles.count
    if not chain_only:
        _decisions(found, step, verdict, progress)
    return verdict


def _against_summary(found: RunFolder, verdict: Verdict) -> None:
    summary = found.summary
    if summary is None:
        if found.summary_problem is None:
            verdict.notes.append("no summary.json: the run is still open or was never closed; a cut end would not show")
        return
    if summary.get("run_json_sha256") != hashlib.sha256(found.run_json).hexdigest():
        verdict.wrong.append("run.json: is not the one summary.json was written for")
    if summary.get("cycles_sha256") != hashlib.sha256(found.cycles_bin).hexdigest():
        verdict.wrong.append("cycles.bin: is not the one summary.json was written for")
    for name, table in found.tables.items():
        rows, last = _entry(summary, "rows", name), _entry(summary, "chain", name)
        if (rows, last) == (len(table.lines), table.walked.last):
            continue
        if rows != len(table.lines):
            verdict.wrong.append(f"{name}: {len(table.lines)} rows, summary.json says {rows}")
        elif table.walked.wrong_row is None:
            verdict.wrong.append(f"{name}: ends in chain value {table.walked.last}, summary.json says {last}")
    names = summary.get("rows")
    for name in names if isinstance(names, dict) else ():
        if name not in found.tables:
            verdict.wrong.append(f"{name}: is missing, summary.json knows it")
    for name in ("lost_cycles", "lost_rows"):
        if summary.get(name):
            verdict.notes.append(f"{name.replace('_', ' ')} while no disk took them: {summary[name]}")


def _entry(summary: Mapping[str, Any], key: str, name: str) -> Any:
    part = summary.get(key)
    return part.get(name) if isinstance(part, dict) else None


def _counters(log: Table, summary: Mapping[str, Any] | None, verdict: Verdict) -> None:
    """Charge and energy only grow, and end where the summary says."""
    for name in COUNTERS:
        highest: float | None = None
        for row, number in enumerate(log.numbers(name), 1):
            if number is None or not number >= (0.0 if highest is None else highest):
                verdict.wrong.append(f"log.csv:{row + 1}: row {row}: {name} fell or is missing")
                break
            highest = number
        if name == "charge_Ah":
            verdict.charge_Ah = highest
        total = None if summary is None else summary.get(name)
        if summary is None or total is None or highest is None:
            continue
        if not isinstance(total, int | float) or abs(total - highest) > 10.0 ** -_DECIMALS[name]:
            verdict.wrong.append(f"summary.json: {name} is {total}, the last row of log.csv says {highest}")


def _decisions(found: RunFolder, step: Step, verdict: Verdict, progress: Callable[[int, int], None] | None) -> None:
    try:
        head = found.head
    except RecordError as error:
        core = found.plain.get("core")
        if core == CORE:
            verdict.wrong.append(f"decisions: not compared: {error}")
        else:
            verdict.notes.append(f"decisions: decided by core {core}, this is {CORE}: not compared")
        return
    readings = _Readings(head.settings.stale_ms)
    if head.core != CORE:
        verdict.notes.append(f"decisions: decided by core {head.core}, this is {CORE}: not compared")
        for block in found.cycles.blocks(head.codec):
            for cycle in block.cycles if isinstance(block, Block) else ():
                readings.see(cycle.cin, open_run=True)
    else:
        rows = _RowWatch(head, found.log)

        def watch(cin: CircuitIn, command: Command, after: CircuitState) -> None:
            run = after.run
            readings.see(cin, open_run=run is not None and run.end_ms in {None, cin.now_ms})
            rows(cin, command, after)

        redone = redecide(head, _told(found, head, progress), step, watch)
        verdict.redecided = True
        verdict.compared, verdict.same, verdict.restarts = redone.compared, redone.same, redone.restarts
        _judge(redone, rows, verdict)
    verdict.gap_s = readings.gap_s
    verdict.counter_Ah = readings.counter_Ah
    if len(readings.gap_s) > verdict.stated_gaps:
        verdict.wrong.append(
            f"events.csv: {verdict.stated_gaps} gaps stated, the cycles have {len(readings.gap_s)} "
            f"longer than {head.settings.stale_ms / 1000:g} s"
        )


def _told(found: RunFolder, head: Head, progress: Callable[[int, int], None] | None) -> Iterator[Block | str]:
    done, total = 0, found.cycles.count
    for block in found.cycles.blocks(head.codec):
        if isinstance(block, Block):
            done += len(block.cycles)
        yield block
        if progress is not None:
            progress(done, total)


def _judge(redone: Redecided, rows: _RowWatch, verdict: Verdict) -> None:
    verdict.wrong.extend(redone.problems)
    if redone.first_difference is not None:
        verdict.wrong.append(f"decisions: {redone.compared - redone.same} differ; first {redone.first_difference}")
    if redone.not_compared:
        verdict.wrong.append(f"decisions: {redone.not_compared} cycles have no state to begin from: not compared")
    if rows.wrong is not None:
        verdict.wrong.append(rows.wrong)


class _Readings:
    """Silences between cycles, and what the rectifier's own counter gained (a fall: it began anew from 0)."""

    def __init__(self, stale_ms: int) -> None:
        self.gap_s: list[float] = []
        self.counter_Ah: float | None = None
        self._stale_ms = stale_ms
        self._now_ms: int | None = None
        self._counter: float | None = None

    def see(self, cin: CircuitIn, *, open_run: bool) -> None:
        """One cycle's input; a silence counts while a run is open."""
        if open_run and self._now_ms is not None and not 0 <= cin.now_ms - self._now_ms <= self._stale_ms:
            self.gap_s.append((cin.now_ms - self._now_ms) / 1000)
        self._now_ms = cin.now_ms
        counter = cin.reading.counter_Ah
        if counter is None or counter.number is None or counter.quality is not Quality.GOOD or counter.age_ms:
            return
        if self._counter is not None:
            gained = counter.number - self._counter
            self.counter_Ah = (self.counter_Ah or 0.0) + (gained if gained >= 0 else counter.number)
        self._counter = counter.number


class _RowWatch:
    """Holds each row of log.csv against the cycle of the same moment, decided again."""

    def __init__(self, head: Head, log: Table) -> None:
        self.wrong: str | None = None
        self._start_ms = head.start_ms
        self._rows: dict[str, list[tuple[int, dict[str, str]]]] = {}
        for number, row in enumerate(log.rows, 1):
            named = dict(zip(log.columns, row, strict=False))
            self._rows.setdefault(named.get("elapsed_s", ""), []).append((number, named))

    def __call__(self, cin: CircuitIn, command: Command, after: CircuitState) -> None:
        """Compare, until the first row that does not fit."""
        if after.run is None or self.wrong is not None:
            return
        for number, row in self._rows.get(elapsed(cin.now_ms, self._start_ms), ()):
            counters = after.run.counters
            expected = {name: fixed(getattr(counters, name), _DECIMALS[name]) for name in COUNTERS}
            expected["set_current_A"] = fixed(command.set_current_A, _DECIMALS["set_current_A"])
            wrong = next((name for name, text in expected.items() if row.get(name) != text), None)
            if wrong is not None:
                told = f"{wrong} is {row.get(wrong)}, the cycles give {expected[wrong]}"
                self.wrong = f"log.csv:{number + 1}: row {number}: {told}"
                return
