"""A record's cycles decided again, and what is held against them: rows, events, counters, states. Pure."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field

from controller.core.circuit import step as core_step
from controller.core.state import CircuitState, Counters
from controller.core.types import CircuitIn, Command, Event, Quality
from controller.records.cycles import Cycle
from controller.records.eventcheck import EventCheck, rows_behind
from controller.records.head import Head
from controller.records.logrow import log_row
from controller.records.outside import number_of
from controller.records.reader import Block
from controller.records.redecide import Redecided, Step, redecide
from controller.records.rows import elapsed, log_text
from controller.records.seams import Seam, first_difference, seam, short
from controller.records.tables import LOG_COLUMNS
from controller.records.tally import Tally

DECIMALS = {"charge_Ah": 4, "discharge_Ah": 4, "energy_Wh": 2}
_FROM_CYCLES = tuple(name for name in LOG_COLUMNS if name not in ("time_utc", "chain"))

Cells = Mapping[str, str]


@dataclass(slots=True)
class Readings:
    """Silences between cycles, and what the rectifier's own counter gained (a fall: it began anew from 0).

    `gap_s`: those while a run was open; `silences`: all of them, as core times from and to.
    """

    stale_ms: int
    gap_s: list[float] = field(default_factory=list)
    silences: list[tuple[int, int]] = field(default_factory=list)
    counter_Ah: float | None = None
    now_ms: int | None = None
    _counter: float | None = None

    def see(self, cin: CircuitIn) -> None:
        """One cycle's input."""
        if self.now_ms is not None and not 0 <= cin.now_ms - self.now_ms <= self.stale_ms:
            self.silences.append((self.now_ms, cin.now_ms))
        self.now_ms = cin.now_ms
        counter = cin.reading.counter_Ah
        if counter is None or counter.number is None or counter.quality is not Quality.GOOD or counter.age_ms:
            return
        if self._counter is not None:
            gained = counter.number - self._counter
            self.counter_Ah = (self.counter_Ah or 0.0) + (gained if gained >= 0 else counter.number)
        self._counter = counter.number

    def open_run(self) -> None:
        """The cycle seen last stands in an open run: a silence before it counts."""
        if self.silences and self.silences[-1][1] == self.now_ms:
            begin, end = self.silences[-1]
            self.gap_s.append((end - begin) / 1000)


class LogWatch:
    """Holds each row of log.csv against the cycle of the same moment, its readings and what it was decided again to."""

    def __init__(self, head: Head, rows: Sequence[Cells]) -> None:
        self.wrong: list[str] = []
        self.apart: list[str] = []
        self._head = head
        self._tally_told: set[str] = set()
        self._cycles: set[str] = set()
        self._rows: dict[str, list[tuple[int, Cells]]] = {}
        for number, row in enumerate(rows, 1):
            self._rows.setdefault(row.get("elapsed_s", ""), []).append((number, row))

    def decided(self, cin: CircuitIn, command: Command, after: CircuitState) -> None:
        """Compare all that a row tells of a cycle; the first row that does not fit is named."""
        here = self._rows.get(elapsed(cin.now_ms, self._head.start_ms), ())
        if not here or self.wrong:
            return
        text = log_text(log_row(0, cin, command, after, self._head.settings.stale_ms), self._head.start_ms)
        wanted = dict(zip(LOG_COLUMNS, text.split(","), strict=False))
        for number, row in here:
            name = next((name for name in _FROM_CYCLES if row.get(name) != wanted[name]), None)
            if name is not None and not self.wrong:
                told = f"{name} is {short(row.get(name) or 'empty')}, the cycles give {wanted[name] or 'none'}"
                self.wrong.append(f"log.csv:{number + 1}: row {number}: {told}")

    def counted(self, now_ms: int, tally: Tally) -> None:
        """Compare a row's counters with those counted again; where each begins to differ is named, with the amount."""
        moment = elapsed(now_ms, self._head.start_ms)
        self._cycles.add(moment)
        for number, row in self._rows.get(moment, ()):
            for name, found in tally.sums().items():
                told = number_of(row.get(name, ""))
                # The last digit is rounded, and sums of many small parts differ in their last bits.
                if name in self._tally_told or told is None or abs(told - found) <= 10.0 ** -DECIMALS[name]:
                    continue
                self._tally_told.add(name)
                unit = name.rpartition("_")[2]
                self.apart.append(
                    f"log.csv:{number + 1}: row {number}: from here on {name} is not what the readings add up to: "
                    f"{told:.{DECIMALS[name]}f} told, {found:.{DECIMALS[name]}f} counted, {told - found:+.4f} {unit}"
                )

    def finish(self, silences: Sequence[tuple[int, int]]) -> list[str]:
        """Rows that stand where no cycle is; those behind the last one in one sentence."""
        found = []
        behind = []
        stretches = [(begin - self._head.start_ms, end - self._head.start_ms) for begin, end in silences]
        last_ms = max((round(float(moment) * 1000) for moment in self._cycles), default=None)
        for moment in self._rows.keys() - self._cycles:
            at_s = number_of(moment)
            if at_s is None:
                continue
            if last_ms is None or round(at_s * 1000) > last_ms:
                behind += [number for number, _ in self._rows[moment]]
            elif not any(begin < at_s * 1000 < end for begin, end in stretches):
                found += [(number, moment) for number, _ in self._rows[moment]]
        told = [f"log.csv:{number + 1}: row {number}: no cycle was at {moment} s" for number, moment in sorted(found)]
        return told + ([f"log.csv: {rows_behind(behind)}"] if behind else [])


@dataclass(slots=True)
class Again:
    """What came of it. `result` None: decided by another core, only counted again.

    `apart`: where counters differ from those counted again.
    """

    readings: Readings
    tally: Tally
    result: Redecided | None = None
    wrong: list[str] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)
    apart: list[str] = field(default_factory=list)
    events: EventCheck | None = None


class _Listener:
    """Takes the cycles as they are decided again to everything that is held against them."""

    def __init__(self, again: Again, log: LogWatch, events: EventCheck, *, lost: bool) -> None:
        self._again = again
        self._log = log
        self._events = events
        self._lost = lost
        self._seam: Seam | None = None
        self._start: CircuitState | None = None
        self._led_to: CircuitState | None = None

    def block(self, number: int, led_to: CircuitState | None, start: CircuitState) -> None:
        """See Listener."""
        if led_to is None:
            begin_at(self._again.tally, start)
            return
        self._seam = seam(led_to, start)
        self._start, self._led_to = start, led_to

    def cycle(self, number: int, cycle: Cycle) -> None:
        """See Listener."""
        readings = self._again.readings
        before = len(readings.silences)
        readings.see(cycle.cin)
        if self._seam is Seam.UNKNOWN and self._start is not None and self._led_to is not None:
            self._unexplained(number, silent=len(readings.silences) > before)
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
        self._seam = None

    def _unexplained(self, number: int, *, silent: bool) -> None:
        start, led_to = self._start, self._led_to
        told = f"cycle {number}: begins from a state that the cycles before do not lead to: "
        told += first_difference(led_to, start)
        if not silent and not self._lost:
            self._again.wrong.append(f"decisions: {told}")
            return
        self._again.notes.append(f"decisions: {told}; what lies between was never written")
        if start is not None:
            begin_at(self._again.tally, start)


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
    lost: bool = False,
    is_open: bool = False,
) -> Again:
    """Decide all cycles again and compare. `lost`: cycles or rows were lost while no disk took them."""
    again = Again(Readings(head.settings.stale_ms), Tally(head.settings.stale_ms))
    watch = LogWatch(head, log)
    check = EventCheck(head.circuit, head.start_ms, events)
    again.events = check
    again.result = result = redecide(head, blocks, step, listener=_Listener(again, watch, check, lost=lost))
    notes = check.finish(again.readings.silences, again.readings.now_ms, is_open=is_open)
    again.wrong += result.problems
    if result.first_difference is not None:
        again.wrong.append(f"decisions: {result.compared - result.same} differ; first {result.first_difference}")
    if result.not_compared:
        again.wrong.append(f"decisions: {result.not_compared} cycles have no state to begin from: not compared")
    again.wrong += watch.wrong
    (again.notes if lost else again.wrong).extend([*watch.finish(again.readings.silences), *check.wrong])
    again.notes += notes
    again.apart = watch.apart
    return again


def count_again(head: Head, blocks: Iterable[Block | str], log: Sequence[Cells], *, lost: bool = False) -> Again:
    """Only count, where another core decided: readings mean the same to every one. `lost` as `decide_again` has it."""
    again = Again(Readings(head.settings.stale_ms), Tally(head.settings.stale_ms))
    watch = LogWatch(head, log)
    known = False
    for block in blocks:
        if isinstance(block, str):
            again.wrong.append(block)
            known = False
            continue
        if not known and block.start is not None:
            begin_at(again.tally, block.start)
        known = True
        for cycle in block.cycles:
            again.readings.see(cycle.cin)
            again.readings.open_run()
            again.tally.see(cycle.cin)
            watch.counted(cycle.cin.now_ms, again.tally)
    again.apart = watch.apart
    (again.notes if lost else again.wrong).extend(watch.finish(again.readings.silences))
    return again
