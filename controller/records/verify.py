"""Is a record whole and untouched, and would the core decide the same again? Changes nothing, ends in plain findings.

What is compared: every row against its chain and its form; hashes, numbers of rows and last chain values against
summary.json, and that against its own hash; what run.json says against itself and the folder's name; the counters
against those counted anew from the readings; each command, event, row and state against those decided again; times,
distances of rows and what the summary says of the end against each other. All of it tells as far as the record's own
hashes do: whoever rewrites all of them is found by a chain value or a copy that others keep, and by nothing else.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from hashlib import sha256
from pathlib import Path
from typing import Any

from controller.core.circuit import step as core_step
from controller.core.version import CORE
from controller.records.again import DECIMALS, Again, count_again, decide_again
from controller.records.chained import Chained
from controller.records.closed import proof_missing, told_end
from controller.records.crosscheck import TripCount, hold_against, seen_by, wrong_in_files
from controller.records.errors import RecordError
from controller.records.eventcheck import named_rows
from controller.records.finding import open_by_service
from controller.records.forms import TABLE_FORMS, wrong_forms
from controller.records.gather import FILES, Gathered, gather
from controller.records.head import Head, read_head
from controller.records.headcheck import wrong_head, wrong_summary
from controller.records.outside import number_of
from controller.records.paper import Typed, on_paper
from controller.records.place import ArchivePlace, Place, place_of
from controller.records.reader import Block, CycleStore
from controller.records.readingcheck import ReadingCheck
from controller.records.redecide import Step
from controller.records.rowsums import Moment, row_sums
from controller.records.tally import COUNTED
from controller.records.verdict import Verdict

_HASHES = {"run.json": "run_json_sha256", "cycles.bin": "cycles_sha256", "README.txt": "readme_sha256"}
_LONGEST_MS = 3_600_000
"""Of a bath's cycle and stale time: more is no setting."""
Progress = Callable[[int, int], None]


def verify_run(
    folder: Path,
    *,
    chain_only: bool = False,
    step: Step = core_step,
    progress: Progress | None = None,
    papers: Sequence[Typed] = (),
) -> Verdict:
    """Look at one run folder or archive; RecordError when it is none. `progress`: cycles done and cycles in all.

    An archive that cannot be opened any more is a record that does not hold.
    """
    place = place_of(folder)
    if isinstance(place, ArchivePlace):
        try:
            place.names()
        except RecordError as error:
            return Verdict(place.name, wrong=[str(error).removeprefix(f"{place.path}: ")])
    opened = open_by_service(place.path.resolve())
    try:
        return verify_place(place, chain_only=chain_only, step=step, progress=progress, papers=papers, is_open=opened)
    except MemoryError:
        return Verdict(place.name, wrong=["is larger than the memory that is left here: not looked at"])


def verify_place(
    place: Place,
    *,
    chain_only: bool = False,
    step: Step = core_step,
    progress: Progress | None = None,
    papers: Sequence[Typed] = (),
    is_open: bool | None = None,
) -> Verdict:
    """Look at a record wherever it stands; RecordError when there is none.

    `is_open`: whether a service has it open (None: nobody can say).
    """
    verdict = Verdict(place.name)
    found = gather(place, verdict)
    _unclosed(found, is_open, verdict)
    _chains(found, verdict)
    _hashes(found, verdict)
    for table in found.tables.values():
        _forms(table, verdict)
    _counters(found, verdict)
    if found.plain:
        wrong, notes = wrong_head(found.plain, place.name)
        verdict.wrong += wrong
        verdict.notes += notes
    verdict.wrong += wrong_in_files(found)
    if chain_only or not _decisions(found, step, verdict, progress):
        _without_cycles(found, verdict)
        _from_rows(found, verdict)
    verdict.paper = [on_paper(typed, {name: table.lines for name, table in found.tables.items()}) for typed in papers]
    verdict.files = {
        name: not any(said.startswith(f"{name}:") for said in verdict.wrong) for name in FILES if name in found.names
    }
    return verdict


def _unclosed(found: Gathered, is_open: bool | None, verdict: Verdict) -> None:
    """Without summary.json no end is proved: wrong where something else tells that the record was closed."""
    verdict.closed = found.summary is not None or "summary.json" in found.names
    if verdict.closed:
        return
    states = [row.get("state", "") for row in found.rows_of("log.csv")[-1:]]
    end = told_end("".join(states), ((row.get("kind", ""), row.get("code", "")) for row in found.rows_of("events.csv")))
    wrong = proof_missing(found.names, end, is_open=is_open)
    if wrong is not None:
        verdict.wrong.append(wrong)
    elif end:
        verdict.notes.append("the run has ended, the service that has it open is about to close its record")


def _without_cycles(found: Gathered, verdict: Verdict) -> None:
    """Rows where no cycle is at all: cycles are written first."""
    rows = len(found.rows_of("log.csv"))
    if rows and not found.cycles.count and not _lost(found):
        verdict.wrong.append(f"cycles.bin: holds no cycle, log.csv has {rows} rows: cycles are written before rows")


def _chains(found: Gathered, verdict: Verdict) -> None:
    """Every row follows from the one before; where no first row follows from run.json and the header, those changed."""
    told = None if found.summary is None else found.summary.get(_HASHES["run.json"])
    changed = not found.plain or (told is not None and told != sha256(found.run_json).hexdigest())
    tables = [table for table in found.tables.values() if table.lines]
    if not changed and told is None and tables and all(table.breaks[:1] == (1,) for table in tables):
        changed = True
        verdict.wrong.append("run.json or the header was changed: in no table does the first row follow from them")
    for table in found.tables.values():
        verdict.wrong += table.damage
        rows = [row for row in table.breaks if row > 1 or not changed]
        verdict.wrong += table.broken(rows)
        if table.cut:
            verdict.wrong.append(table.cut)
        if changed and len(table.lines) > 1 and not rows:
            verdict.notes.append(f"{table.name}: its rows follow from each other, but for the first")


def _hashes(found: Gathered, verdict: Verdict) -> None:
    """Hashes, numbers of rows and last chain values that summary.json knows."""
    summary = found.summary
    if summary is None:
        return
    held = {"run.json": found.run_json, "cycles.bin": found.cycles_bin, "README.txt": found.readme}
    for name, key in _HASHES.items():
        if key not in summary or summary[key] == sha256(held[name]).hexdigest():
            continue
        missing = name not in found.names
        if not (missing and name == "run.json"):
            verdict.wrong.append(f"{name}: is {'missing' if missing else 'not the one summary.json was written for'}")
    for name, table in found.tables.items():
        rows, last = _entry(summary, "rows", name), _entry(summary, "chain", name)
        if rows != len(table.lines):
            verdict.wrong.append(f"{name}: {len(table.lines)} rows, summary.json says {rows}")
        elif last != table.last and table.lines and not table.breaks:
            verdict.wrong.append(f"{name}: ends in chain value {table.last}, summary.json says {last}")
    names = summary.get("rows")
    for name in names if isinstance(names, dict) else ():
        if name not in found.tables and name not in found.names:
            verdict.wrong.append(f"{name}: is missing, summary.json knows it")
    for name in ("lost_cycles", "lost_rows"):
        if summary.get(name):
            verdict.notes.append(f"{name.replace('_', ' ')} while no disk took them: {summary[name]}")
    states = [row.get("state") for row in found.rows_of("log.csv")[-1:]]
    verdict.wrong += wrong_summary(summary, found.plain, found.cycles.count, states[0] if states else None)


def _entry(summary: Mapping[str, Any], key: str, name: str) -> Any:
    part = summary.get(key)
    return part.get(name) if isinstance(part, dict) else None


def _forms(table: Chained, verdict: Verdict) -> None:
    """The form of each cell; rows that the chain names already are not told twice."""
    wrong = wrong_forms(table.name, table.columns, table.lines, TABLE_FORMS[table.name])
    named = {f"{table.name}:{row + 1}" for row in table.breaks}
    verdict.wrong += [said for said in wrong if said.partition(": ")[0] not in named]


def _counters(found: Gathered, verdict: Verdict) -> None:
    """Charge and energy only grow, and end where the summary says."""
    rows = found.rows_of("log.csv")
    for name in COUNTED:
        highest: float | None = None
        for row, cells in enumerate(rows, 1):
            number = number_of(cells.get(name, ""))
            if number is None or not number >= (0.0 if highest is None else highest):
                verdict.wrong.append(f"log.csv:{row + 1}: row {row}: {name} fell or is missing")
                break
            highest = number
        setattr(verdict, name, highest)
        total = None if found.summary is None else found.summary.get(name)
        if total is None or highest is None:
            continue
        if not isinstance(total, int | float) or abs(total - highest) > 10.0 ** -DECIMALS[name]:
            verdict.wrong.append(f"summary.json: {name} is {total}, the last row of log.csv says {highest}")


def _decisions(found: Gathered, step: Step, verdict: Verdict, progress: Progress | None) -> bool:
    """Decide again, or, where another core decided, only count again; False: the cycles cannot be read."""
    if not found.plain:
        verdict.notes.append("decisions: not compared: run.json cannot be read")
        return False
    core = found.plain.get("core")
    try:
        head = read_head(found.plain)
    except RecordError as error:
        if core == CORE:
            verdict.wrong.append(f"decisions: not compared: {error}")
        else:
            verdict.notes.append(f"decisions: decided by core {core}, this is {CORE}: not compared")
        return False
    blocks = _told(found.cycles, head, progress)
    counting = TripCount(step)
    log = found.rows_of("log.csv")
    if core != CORE:
        verdict.notes.append(f"decisions: decided by core {core}, this is {CORE}: not compared")
        read = ReadingCheck(head, log)
        again = count_again(head, seen_by(read, blocks), log, lost=_lost(found))
        again.wrong += read.wrong
    else:
        again = decide_again(
            head, blocks, log, _events(found), step=counting, lost=_lost(found), is_open=found.summary is None
        )
    hold_against(found, head, again, counting.trips)
    _judge(again, head, verdict)
    return True


def _events(found: Gathered) -> list[dict[str, str]]:
    table = found.tables.get("events.csv")
    return [] if table is None else list(named_rows(table.columns, table.rows))


def _lost(found: Gathered) -> bool:
    summary = found.summary or {}
    return bool(summary.get("lost_cycles") or summary.get("lost_rows"))


def _told(cycles: CycleStore, head: Head, progress: Progress | None) -> Iterator[Block | str]:
    done, total = 0, cycles.count
    for block in cycles.blocks(head.codec):
        if isinstance(block, Block):
            done += len(block.cycles)
        yield block
        if progress is not None:
            progress(done, total)


def _judge(again: Again, head: Head, verdict: Verdict) -> None:
    verdict.wrong += again.wrong + again.apart
    verdict.notes += again.notes
    if again.result is not None:
        result = again.result
        verdict.redecided = True
        verdict.compared, verdict.same, verdict.restarts = result.compared, result.same, result.restarts
    if again.events is not None:
        verdict.events_given, verdict.events_same = again.events.given, again.events.same
    verdict.gap_s, verdict.counter_Ah = again.readings.gap_s, again.readings.counter_Ah
    verdict.counted, verdict.counted_from = again.tally.sums(), "cycles"
    if len(verdict.gap_s) > verdict.stated_gaps:
        verdict.wrong.append(
            f"events.csv: {verdict.stated_gaps} gaps stated, the cycles have {len(verdict.gap_s)} "
            f"longer than {head.settings.stale_ms / 1000:g} s"
        )


def _from_rows(found: Gathered, verdict: Verdict) -> None:
    """Count from the rows alone, within the bound that their distance leaves."""
    moments = [moment for row in found.rows_of("log.csv") if (moment := _moment(row)) is not None]
    period_s, stale_s = _seconds(found, "period_ms"), _seconds(found, "stale_ms")
    for one in row_sums(moments, period_s, stale_s or 0.0):
        verdict.counted[one.name], verdict.bound[one.name], verdict.counted_from = one.found, one.bound, "rows"
        if one.row is not None:
            verdict.wrong.append(
                f"log.csv:{one.row + 1}: row {one.row}: from here on {one.name} is not what the rows add up to: "
                f"{one.told:.{DECIMALS[one.name]}f} at the end, {one.found:.2f} +- {one.bound:.2f} counted"
            )


def _seconds(found: Gathered, name: str) -> float | None:
    """A time of the bath's settings; None where run.json does not hold it."""
    settings = found.plain.get("settings")
    value = settings.get(name) if isinstance(settings, dict) else None
    return value / 1000 if type(value) is int and 0 < value < _LONGEST_MS else None


def _moment(row: Mapping[str, str]) -> Moment | None:
    """A row for counting; None where it is not of its form, which is said elsewhere."""
    elapsed_s, current_A = number_of(row.get("elapsed_s", "")), number_of(row.get("current_A", ""))
    voltage_V = number_of(row.get("voltage_V", ""))
    told = [number_of(row.get(name, "")) for name in COUNTED]
    if elapsed_s is None or told[0] is None or told[1] is None or told[2] is None:
        return None
    power_W = None if current_A is None or voltage_V is None else current_A * voltage_V
    return Moment(elapsed_s, current_A, power_W, (told[0], told[1], told[2]))
