"""Is a record whole and untouched, and would the core decide the same again? Changes nothing, ends in plain findings.

What is compared: every row against its chain and its form; hashes, numbers of rows and last chain values against
summary.json, and that against its own hash; what run.json says against itself and the folder's name; the counters
against those counted anew from the readings; each command, event, row and state against those decided again; times,
distances of rows and what the summary says of the end against each other. All of it tells as far as the record's own
hashes do: whoever rewrites all of them is found by a chain value or a copy that others keep, and by nothing else.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from pathlib import Path

from controller.core.circuit import step as core_step
from controller.core.version import CORE
from controller.records.closed import proof_missing, told_end
from controller.records.cycles import BLOCK_CYCLES
from controller.records.due import bath_file_of, logged_each_s, rule_of
from controller.records.ended import is_over
from controller.records.errors import RecordError
from controller.records.finding import open_by_service, run_paths
from controller.records.head import Head, read_head
from controller.records.place import ArchivePlace, Place, place_of
from controller.records.reader import Block, CycleStore
from controller.records.redecide import Step
from controller.records.saying import counted, short
from controller.verify.again import Again, count_again, decide_again
from controller.verify.crosscheck import TripCount, hold_against, seen_by, wrong_in_files
from controller.verify.eventcheck import named_rows
from controller.verify.fromrows import counted_rows, rows_cut
from controller.verify.gather import FILES, Gathered, gather
from controller.verify.headcheck import wrong_head
from controller.verify.logwatch import DECIMALS
from controller.verify.losses import Bounds, lost_of, tail_ms
from controller.verify.paper import Typed, on_paper
from controller.verify.readingcheck import ReadingCheck
from controller.verify.together import wrong_together
from controller.verify.verdict import Verdict
from controller.verify.wholecheck import whole

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
    _must_hold_record(place)
    opened = open_by_service(place.path.resolve())
    try:
        verdict = verify_place(
            place, chain_only=chain_only, step=step, progress=progress, papers=papers, is_open=opened
        )
    except MemoryError:
        return Verdict(place.name, wrong=["is larger than the memory that is left here: not looked at"])
    if isinstance(place, ArchivePlace) and not place.as_packed_here():
        verdict.notes.append("the zip file is not as archiving packs it: its own dates and names are not looked at")
    return verdict


def _must_hold_record(place: Place) -> None:
    """RecordError, with what would be right, for a folder that holds runs and is none itself."""
    if isinstance(place, ArchivePlace) or any(name in FILES for name in place.names()):
        return
    runs = run_paths([place.path])
    if runs and runs != [place.path]:
        raise RecordError(
            f"is no run folder, it holds {counted(len(runs), 'run')}: name run folders, archives or a bath's own "
            "folder, as in `formbath verify RUNS/*`; `formbath runs` lists them"
        )


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
    whole(found, verdict)
    if found.plain:
        wrong, notes = wrong_head(found.plain, place.name)
        verdict.wrong += wrong
        verdict.notes += notes
    verdict.wrong += wrong_in_files(found)
    wrong, notes = wrong_together(found)
    verdict.wrong += wrong
    verdict.notes += notes
    verdict.simulated = found.plain.get("virtual") is True
    lost = lost_of(found.summary)
    verdict.lost_cycles, verdict.lost_rows = lost.cycles, lost.rows
    verdict.decisions = "not compared: --chain-only"
    if chain_only or not _decisions(found, step, verdict, progress, is_open):
        _from_rows(found, verdict)
    _without_cycles(found, verdict)
    verdict.wrong = _told_once(found, verdict.wrong)
    _no_summary(found, verdict)
    verdict.paper = [on_paper(typed, {name: table.lines for name, table in found.tables.items()}) for typed in papers]
    verdict.files = {
        name: not any(said.startswith(f"{name}:") for said in verdict.wrong)
        and not (name in found.tables and found.tables[name].breaks)
        for name in FILES
        if name in found.names
    }
    return verdict


def _unclosed(found: Gathered, is_open: bool | None, verdict: Verdict) -> None:
    """Without summary.json no end is proved: wrong where something else tells that the record was closed."""
    verdict.closed = found.summary is not None or "summary.json" in found.names
    if verdict.closed:
        return
    end = _end_in_rows(found)
    wrong = proof_missing(found.names, end, is_open=is_open)
    if wrong is not None:
        verdict.wrong.append(wrong)
    elif end:
        verdict.notes.append("the run has ended, the service that has it open is about to close its record")


def _told_once(found: Gathered, wrong: Sequence[str]) -> list[str]:
    """Each finding once; of a table that is missing nothing but that."""
    gone = [name for name in ("log.csv", "events.csv") if name not in found.names]
    told = dict.fromkeys(wrong)
    return [said for said in told if said.partition(":")[0] not in gone or said.endswith(": is missing")]


def _no_summary(found: Gathered, verdict: Verdict) -> None:
    """What a record without summary.json cannot show, unless something was found wrong with that."""
    if found.summary is None and not any(said.startswith("summary.json:") for said in verdict.wrong):
        verdict.notes.append("no summary.json: the run is still open or was never closed; a cut end would not show")


def _end_in_rows(found: Gathered) -> str:
    """What in the tables tells that the run ended, in words; "": nothing."""
    states = [row.get("state", "") for row in found.rows_of("log.csv")[-1:]]
    events = ((row.get("kind", ""), row.get("code", "")) for row in found.rows_of("events.csv"))
    return told_end("".join(states), events)


def _without_cycles(found: Gathered, verdict: Verdict) -> None:
    """Rows where no cycle is at all: cycles are written first."""
    if _is_stepped(found) or "cycles.bin" not in found.names:
        return
    rows = len(found.rows_of("log.csv"))
    if rows > lost_of(found.summary).cycles and not found.cycles.count:
        told = f"log.csv has {counted(rows, 'row')}: cycles are written before rows"
        verdict.wrong.append(f"cycles.bin: holds no cycle, {told}")


def _decisions(found: Gathered, step: Step, verdict: Verdict, progress: Progress | None, opened: bool | None) -> bool:
    """Decide again, or, where another core decided, only count again; False: the cycles cannot be read."""
    if "cycles.bin" not in found.names and not found.cycles.count:
        verdict.decisions = "not compared: cycles.bin is missing"
        return False
    if not found.plain:
        verdict.decisions = "not compared: run.json cannot be read"
        verdict.notes.append(f"decisions: {verdict.decisions}")
        return False
    core = found.plain.get("core")
    if core != CORE:
        verdict.decided_by, verdict.this_core = core if type(core) is int else None, CORE
        verdict.decisions = f"not compared: decided by core {short(str(core))}, this is {CORE}"
        verdict.notes.append(f"decisions: decided by core {short(str(core))}, this is {CORE}: not compared")
    try:
        head = read_head(found.plain)
    except RecordError as error:
        if core == CORE:
            verdict.wrong.append(f"decisions: not compared: {error}")
            verdict.decisions = "not compared: run.json cannot be understood"
        return False
    bounds = _bounds(found, head)
    blocks = _told(found.cycles, head, progress)
    counting = TripCount(step)
    log = found.rows_of("log.csv")
    if core != CORE:
        read = ReadingCheck(head, log)
        again = count_again(head, seen_by(read, blocks), log, bounds=bounds)
        again.wrong += read.wrong
    else:
        again = decide_again(head, blocks, log, _events(found), step=counting, bounds=bounds)
        verdict.decisions = "compared"
    hold_against(found, head, again, counting.trips, bounds)
    _judge(again, head, verdict, bounds)
    _ended(found, again, verdict, opened)
    return True


def _ended(found: Gathered, again: Again, verdict: Verdict, opened: bool | None) -> None:
    """A run whose cycles lead to its end, read back as off, has its summary; a service that has it open writes it."""
    state = None if again.result is None else again.result.state
    if state is None or not is_over(state) or "summary.json" in found.names:
        return
    told = f"the run has ended, the cycles lead to the state {state.state.value}"
    if opened:
        verdict.notes.append(f"{told}: the service that has it open is about to close its record")
    elif proof_missing(found.names, _end_in_rows(found), is_open=opened) is None:
        verdict.wrong.append(f"summary.json: is missing: {told}")


def _bounds(found: Gathered, head: Head) -> Bounds:
    """What this record may lack."""
    is_open = found.summary is None
    period_ms = head.settings.period_ms
    return Bounds(
        due=rule_of(found.plain, period_ms),
        tail_ms=tail_ms(head.settings, logged_each_s(bath_file_of(found.plain))),
        behind_ms=BLOCK_CYCLES * period_ms if _is_stepped(found) else 0,
        lost=lost_of(found.summary),
        is_open=is_open,
        same_build=found.same_build,
    )


def _is_stepped(found: Gathered) -> bool:
    """Whether an open record may be of a stepped clock: cycles in whole blocks only, which rows may be ahead of."""
    return found.summary is None and found.plain.get("virtual") is True and "cycles.tail" not in found.names


def _events(found: Gathered) -> list[dict[str, str]]:
    table = found.tables.get("events.csv")
    return [] if table is None else list(named_rows(table.columns, table.rows))


def _told(cycles: CycleStore, head: Head, progress: Progress | None) -> Iterator[Block | str]:
    done, total = 0, cycles.count
    for block in cycles.blocks(head.codec):
        if isinstance(block, Block):
            done += len(block.cycles)
        yield block
        if progress is not None:
            progress(done, total)


def _judge(again: Again, head: Head, verdict: Verdict, bounds: Bounds) -> None:
    verdict.wrong += again.wrong + again.apart
    verdict.notes += again.notes
    if again.result is not None:
        result = again.result
        verdict.redecided = True
        verdict.compared, verdict.same, verdict.restarts = result.compared, result.same, result.restarts
    if again.events is not None:
        verdict.events_given, verdict.events_same = again.events.given, again.events.same
    verdict.crash_rows = again.crash_rows
    verdict.crash_events = 0 if again.events is None else again.events.crash_took
    verdict.gap_s, verdict.counter_Ah = again.readings.gap_s, again.readings.counter_Ah
    verdict.counted, verdict.counted_from = again.tally.sums(), "cycles"
    if len(verdict.gap_s) > verdict.stated_gaps + again.readings.may_lack(bounds):
        verdict.wrong.append(
            f"events.csv: {verdict.stated_gaps} gaps stated, the cycles have {len(verdict.gap_s)} "
            f"longer than {head.settings.stale_ms / 1000:g} s"
        )


def _from_rows(found: Gathered, verdict: Verdict) -> None:
    """Count from the rows alone, within the bound that their distance leaves."""
    for one in counted_rows(found):
        verdict.counted[one.name], verdict.bound[one.name], verdict.counted_from = one.found, one.bound, "rows"
        if one.row is not None:
            verdict.wrong.append(
                f"log.csv:{one.row + 1}: row {one.row}: from here on {one.name} is not what the rows add up to: "
                f"{one.told:.{DECIMALS[one.name]}f} at the end, {one.found:.2f} +- {one.bound:.2f} counted"
            )
    verdict.wrong += rows_cut(found)
