"""A record's cycles decided again, and what is held against them: rows, events, counters, states. Pure."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field

from controller.core.circuit import step as core_step
from controller.core.state import CircuitState, Counters
from controller.core.types import Event, State
from controller.records.cycles import Cycle
from controller.records.head import Head
from controller.records.reader import Block
from controller.records.redecide import Redecided, Step, redecide
from controller.records.saying import counted
from controller.verify.duecheck import DueCheck
from controller.verify.eventcheck import EventCheck
from controller.verify.logwatch import LogWatch
from controller.verify.losses import NO_BOUNDS, Bounds, Lost
from controller.verify.seams import Seam, first_difference, seam
from controller.verify.silences import Readings
from controller.verify.tally import Tally

Cells = Mapping[str, str]


@dataclass(slots=True)
class Again:
    """What came of it. `result` None: decided by another core, only counted again.

    `apart`: where counters differ from those counted again; `rows_due`: rows were held against those that are due;
    `crash_rows`: how many of them a crash took.
    """

    readings: Readings
    tally: Tally
    result: Redecided | None = None
    wrong: list[str] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)
    apart: list[str] = field(default_factory=list)
    events: EventCheck | None = None
    rows_due: bool = False
    crash_rows: int = 0


class _Listener:
    """Takes the cycles as they are decided again to everything that is held against them."""

    def __init__(self, again: Again, log: LogWatch, events: EventCheck, due: DueCheck | None, lost: Lost) -> None:
        self._again = again
        self._log = log
        self._events = events
        self._due = due
        self._lost = lost
        self._seam: Seam | None = None
        self._start: CircuitState | None = None
        self._led_to: CircuitState | None = None
        self._before: CircuitState | None = None
        self._maybe = False

    def block(self, number: int, led_to: CircuitState | None, start: CircuitState) -> None:
        """See Listener."""
        self._before = start
        if led_to is None:
            begin_at(self._again.tally, start)
            self._maybe = True
            if self._due is not None and number:
                self._due.unsure(start.now_ms)
            return
        self._seam = seam(led_to, start)
        self._start, self._led_to = start, led_to

    def cycle(self, number: int, cycle: Cycle) -> None:
        """See Listener."""
        readings = self._again.readings
        before = len(readings.silences)
        lost_to_ms = self._lost_to_ms()
        readings.see(cycle.cin, lost_to_ms)
        silent = len(readings.silences) > before
        self._maybe = self._maybe or silent
        if self._due is not None and lost_to_ms is not None:
            self._due.unsure(cycle.cin.now_ms)
        if self._seam is Seam.UNKNOWN and self._start is not None and self._led_to is not None:
            may_be = lost_to_ms is not None or _may_come_back(self._start, cycle.cin.now_ms, readings.stale_ms)
            self._unexplained(number, may_be=silent and may_be)
        self._start = self._led_to = None
        self._again.tally.see(cycle.cin)
        self._log.counted(cycle.cin.now_ms, self._again.tally)
        self._events.skip(cycle.cin.now_ms)

    def decided(self, number: int, cycle: Cycle, after: CircuitState, events: tuple[Event, ...]) -> None:
        """See Listener."""
        run = after.run
        if run is not None and run.end_ms in {None, cycle.cin.now_ms}:
            self._again.readings.open_run()
        if run is not None:
            self._log.decided(cycle.cin, cycle.command, after)
        self._events.decided(cycle.cin.now_ms, events, self._seam)
        if self._due is not None and self._before is not None:
            self._due.decided(self._before, after, maybe=self._maybe)
        self._before = after
        self._maybe = False
        self._seam = None

    def _lost_to_ms(self) -> int | None:
        """Core time of the last of the cycles that were lost just before this one; None: none was."""
        start, led_to = self._start, self._led_to
        if not self._lost.cycles or start is None or led_to is None or start.now_ms <= led_to.now_ms:
            return None
        return start.now_ms

    def _unexplained(self, number: int, *, may_be: bool) -> None:
        start, led_to = self._start, self._led_to
        told = f"cycle {number}: begins from a state that the cycles before do not lead to: "
        told += first_difference(led_to, start)
        if not may_be:
            self._again.wrong.append(f"decisions: {told}")
            return
        self._again.notes.append(f"decisions: {told}; what lies between was never written")
        if start is not None:
            begin_at(self._again.tally, start)


def _may_come_back(start: CircuitState, now_ms: int, stale_ms: int) -> bool:
    """Whether a service may have begun anew from a state that no cycle led to, its first cycle being at `now_ms`.

    What it kept of the circuit may be newer than the record, if only from its first moment; it comes back unknown, and
    not before the stale time is over.
    """
    return start.state is State.UNKNOWN and now_ms - start.now_ms > stale_ms


def begin_at(tally: Tally, start: CircuitState) -> None:
    """Let the count go on from a state that was written: what went before it is not in these cycles."""
    counters = Counters() if start.run is None else start.run.counters
    tally.begin(counters.charge_Ah, counters.discharge_Ah, counters.energy_Wh)
    tally.at_ms, tally.current_A, tally.power_W = counters.last_ms, counters.last_A, counters.last_W
    tally.seen_ms = start.now_ms


def decide_again(
    head: Head,
    blocks: Iterable[Block | str],
    log: Sequence[Cells],
    events: Sequence[Cells],
    *,
    step: Step = core_step,
    bounds: Bounds = NO_BOUNDS,
) -> Again:
    """Decide all cycles again and compare, within what the record may lack."""
    again = Again(Readings(head.settings.stale_ms), Tally(head.settings.stale_ms))
    watch = LogWatch(head, log, older=not bounds.same_build)
    check = EventCheck(head.circuit, head.start_ms, events, same_words=bounds.same_build)
    due = None if bounds.due is None else DueCheck(bounds.due, watch.at, head.start_ms)
    again.events, again.rows_due = check, due is not None
    listener = _Listener(again, watch, check, due, bounds.lost)
    again.result = result = redecide(head, blocks, step, listener=listener)
    again.wrong += result.problems
    if result.first_difference is not None:
        again.wrong.append(f"decisions: {result.compared - result.same} differ; first {result.first_difference}")
    if result.not_compared:
        again.wrong.append(f"decisions: {result.not_compared} cycles have no state to begin from: not compared")
    again.wrong += watch.wrong
    again.apart = watch.apart
    readings = again.readings
    again.notes += check.finish(readings.silences, readings.now_ms, bounds)
    again.wrong += check.wrong
    lacking, missing = list(check.lacking), check.missing
    if due is not None:
        told_of, notes = due.finish(bounds.interruptions(readings.silences, readings.now_ms))
        lacking += told_of
        missing += due.lacking
        again.crash_rows = due.crash_took
        again.notes += notes
        again.wrong += [told] if (told := due.extras()) else []
    _within(again, lacking, missing, bounds.lost.rows, "row")
    _where_no_cycle_is(again, watch, check, bounds)
    return again


def _where_no_cycle_is(again: Again, watch: LogWatch, check: EventCheck | None, bounds: Bounds) -> None:
    """Rows that stand where no cycle is: as many moments as cycles were lost, no more."""
    apart, notes = watch.finish(again.readings.silences, bounds.behind_ms)
    again.notes += notes
    moments = watch.without_cycle()
    if check is not None:
        apart += check.apart
        moments |= check.without_cycle()
    if not bounds.lost.cycles:
        again.wrong += apart
        return
    _within(again, apart, len(moments), bounds.lost.cycles, "cycle")
    # Longer from one cycle to the next than the stale time is a gap, which has its event; that may be lost, too.
    least = sum(-(-lost_ms // again.readings.stale_ms) for lost_ms in again.readings.lost_ms)
    if least > bounds.lost.cycles + bounds.lost.rows:
        again.wrong.append(
            f"cycles.bin: at least {least} cycles are missing, summary.json says of {bounds.lost.cycles}"
        )


def _within(again: Again, told: Sequence[str], number: int, lost: int, what: str) -> None:
    """What is missing is told: noted where summary.json says that so many were lost, else it is wrong."""
    if lost and number <= lost:
        again.notes += told
        return
    again.wrong += told
    if lost:
        said = f"{counted(number, what)} missing, summary.json says that {lost} {'was' if lost == 1 else 'were'} lost"
        again.wrong.append(f"summary.json: {said}")


def count_again(
    head: Head, blocks: Iterable[Block | str], log: Sequence[Cells], *, bounds: Bounds = NO_BOUNDS
) -> Again:
    """Only count, where another core decided: readings mean the same to every one."""
    again = Again(Readings(head.settings.stale_ms), Tally(head.settings.stale_ms))
    watch = LogWatch(head, log)
    known = False
    for block in blocks:
        if isinstance(block, str):
            again.wrong.append(block)
            known = False
            continue
        lost_to_ms = None
        start, last_ms = block.start, again.readings.now_ms
        if start is not None and last_ms is not None and block.cycles and start.now_ms > last_ms:
            lost_to_ms = start.now_ms if bounds.lost.cycles else None
            comes_back = _may_come_back(start, block.cycles[0].cin.now_ms, head.settings.stale_ms)
            known = known and not (bounds.lost.cycles or comes_back)
        if start is not None and not known:
            begin_at(again.tally, start)
        known = True
        for cycle in block.cycles:
            again.readings.see(cycle.cin, lost_to_ms)
            lost_to_ms = None
            again.readings.open_run()
            again.tally.see(cycle.cin)
            watch.counted(cycle.cin.now_ms, again.tally)
    again.apart = watch.apart
    _where_no_cycle_is(again, watch, None, bounds)
    return again
