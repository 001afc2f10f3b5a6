"""From cycles to minutes and edges: what the slow comparisons of one bath rest on, kept in memory. No I/O.

Nothing of it outlives the service: after a restart comparisons begin anew, and what needs an hour needs it again.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from controller.core.bathstate import BathState
from controller.core.planned import Load, StepKind
from controller.core.settings import BathSettings
from controller.core.state import CircuitState, Run
from controller.core.types import OPEN_STATES, RUNNING, BathIn, ChannelReading
from controller.core.values import number
from controller.course import KNEE_FROM_SHARE, KNEE_V, Expected, knee_V, position
from controller.courseedges import other_of
from controller.coursetrace import SETTLED_MINUTES, Edge, Minute, Trace, like, progress_of

MS_PER_MINUTE = 60_000.0
KEPT_MINUTES = 360
KEPT_EDGES = 40
EDGE_A, STEADY_A = 2.0, 0.3
"""A change of 2 A from one reading to the next, behind a current that stood within 0.3 A, is an edge; own choice."""

EDGE_MS = 5_000
"""Readings further apart than this show the plates' answer and not an edge: strings then differ by more than joints."""

CHARGE = StepKind.CHARGE


@dataclass(frozen=True, slots=True)
class Read:
    """Current and volts of one circuit, read in one cycle."""

    at_ms: int
    current_A: float
    volts: float


@dataclass(slots=True)
class Sums:
    """One minute of one circuit so far."""

    count: int = 0
    current_A: float = 0.0
    volts: float = 0.0
    probe_C: float = 0.0
    probes: int = 0
    step: int = -1
    least_A: float = 0.0
    most_A: float = 0.0
    mixed: bool = False

    def add(self, run: Run, read: Read, probe_C: float | None) -> None:
        """Add one reading."""
        amps = read.current_A
        if self.count == 0:
            self.step, self.least_A, self.most_A = run.step, amps, amps
        self.mixed = self.mixed or self.step != run.step
        self.count += 1
        self.current_A += amps
        self.volts += read.volts
        self.least_A, self.most_A = min(self.least_A, amps), max(self.most_A, amps)
        if probe_C is not None:
            self.probe_C += probe_C
            self.probes += 1


@dataclass(slots=True)
class Memory:
    """One circuit's open run. `start_ms`: which run it is; `below`: charge and volts, last seen before the knee."""

    start_ms: int
    sums: Sums = field(default_factory=Sums)
    minutes: list[Minute] = field(default_factory=list)
    edges: list[Edge] = field(default_factory=list)
    below: tuple[float, float] | None = None
    knee_Ah: float | None = None


class Tracer:
    """All circuits of one bath."""

    def __init__(self, settings: BathSettings) -> None:
        """Nothing is known yet."""
        self._settings = settings
        self._memories: dict[str, Memory] = {}
        self._lately: list[tuple[Read, ...]] = [() for _ in settings.circuits]
        self._water: list[float] = []

    def take(self, given: BathIn, state: BathState, water_C: float | None) -> None:
        """Take in one cycle."""
        if water_C is not None:
            self._water.append(water_C)
        edged: list[int] = []
        for index, each in enumerate(state.circuits):
            reading = given.channels[index]
            read = self._read(given.now_ms, reading)
            lately = self._lately[index]
            self._lately[index] = lately = (*lately[-2:], read) if read is not None else ()
            if read is None or (run := open_run(each)) is None:
                continue
            if len(lately) == 3 and abs(read.current_A - lately[1].current_A) >= EDGE_A:
                edged.append(index)
            self._memory(each.name, run).sums.add(run, read, self._probe(reading))
        for index in edged:
            self._edge(index, state)

    def _read(self, now_ms: int, reading: ChannelReading) -> Read | None:
        """Return what was read of a string in this very cycle; None where one of both was not."""
        amps, volts = number(reading.current_A, 0), number(reading.voltage_V, 0)
        return Read(now_ms, amps, volts) if amps is not None and volts is not None else None

    def _probe(self, reading: ChannelReading) -> float | None:
        stale_ms = self._settings.stale_ms
        return max((found for one in reading.probes if (found := number(one, stale_ms)) is not None), default=None)

    def _memory(self, name: str, run: Run) -> Memory:
        memory = self._memories.get(name)
        if memory is None or memory.start_ms != run.start_ms:
            memory = self._memories[name] = Memory(run.start_ms)
        return memory

    def _edge(self, index: int, state: BathState) -> None:
        """Keep an edge: from the reading before to this one, behind a current that stood."""
        each, (earlier, before, now) = state.circuits[index], self._lately[index]
        run, load = each.run, each.load
        steady = abs(before.current_A - earlier.current_A) <= STEADY_A
        if run is None or load is None or not steady or now.at_ms - before.at_ms > EDGE_MS:
            return
        moves = [
            (state.circuits[other].name, one[-1].current_A - one[-2].current_A, one[-1].volts - one[-2].volts)
            for other, one in enumerate(self._lately)
            if other != index and len(one) > 1 and one[-2].at_ms == before.at_ms
        ]
        change_A, change_V = now.current_A - before.current_A, now.volts - before.volts
        other = other_of(change_A, change_V, moves)
        memory, charge_Ah = self._memory(each.name, run), run.counters.charge_Ah
        edge = Edge(
            now.at_ms, run.step, before.current_A, now.current_A, change_V / change_A, charge_Ah, other,
            load.plan.cells * load.batteries,
        )  # fmt: skip
        memory.edges = [*memory.edges[1 - KEPT_EDGES :], edge]

    def close_minute(self, now_ms: int, state: BathState) -> None:
        """Make a minute of what was taken in since the last one; runs that are not open any more are forgotten."""
        water, self._water = self._water, []
        water_C = sum(water) / len(water) if water else None
        runs = {each.name: each for each in state.circuits if open_run(each) is not None}
        self._memories = {name: memory for name, memory in self._memories.items() if name in runs}
        for name, memory in self._memories.items():
            sums, memory.sums = memory.sums, Sums()
            each, load = runs[name], runs[name].load
            if each.run is None or load is None or sums.mixed or sums.count == 0 or sums.step != each.run.step:
                continue
            memory.minutes.append(self._minute(now_ms, each, each.run, load, sums, memory.minutes, water_C))
            del memory.minutes[:-KEPT_MINUTES]

    def _minute(
        self, now_ms: int, each: CircuitState, run: Run, load: Load, sums: Sums, minutes: list[Minute],
        water_C: float | None,
    ) -> Minute:  # fmt: skip
        amps = sums.current_A / sums.count
        last = minutes[-1] if minutes else None
        stood = each.state is RUNNING and like(sums.least_A, sums.most_A)
        on = stood and last is not None and last.step == run.step and like(last.current_A, amps)
        moved_Ah = max(run.step_charge_Ah, run.step_discharge_Ah)
        return Minute(
            at_ms=now_ms,
            step=run.step,
            progress=progress_of(load.plan, run.step, moved_Ah, run.step_time_ms),
            charge_Ah=run.counters.charge_Ah,
            current_A=amps,
            volts=sums.volts / sums.count / max(1, load.plan.cells * load.batteries),
            probe_C=sums.probe_C / sums.probes if sums.probes else None,
            water_C=water_C,
            settled=last.settled + 1 if on and last is not None else 0,
            step_minutes=run.step_time_ms / MS_PER_MINUTE,
        )

    def traces(self, state: BathState, courses: Mapping[str, Expected | None]) -> tuple[Trace, ...]:
        """Return every open run as it is known now."""
        found = []
        for each in state.circuits:
            memory, run, load = self._memories.get(each.name), open_run(each), each.load
            if memory is None or run is None or load is None:
                continue
            _see_knee(memory, load, courses.get(load.plan.sha256))
            found.append(
                Trace(
                    name=each.name,
                    plan=load.plan,
                    cells=load.plan.cells * load.batteries,
                    apart=load.trial or bool(load.continues) or load.first_step > 0,
                    first_step=load.first_step,
                    elapsed_ms=state.now_ms - run.first_ms if run.first_ms is not None else None,
                    minutes=memory.minutes,
                    edges=memory.edges,
                    knee_Ah=memory.knee_Ah,
                )
            )
        return tuple(found)


def open_run(each: CircuitState) -> Run | None:
    """Return a circuit's open run, or None."""
    run = each.run
    if run is None or each.load is None or run.end_ms is not None or each.state not in OPEN_STATES:
        return None
    return run


def _see_knee(memory: Memory, load: Load, expected: Expected | None) -> None:
    """Remember the charge at which volts passed the knee, while the current was as the course has it."""
    now = memory.minutes[-1] if memory.minutes else None
    if expected is None or now is None or memory.knee_Ah is not None or now.probe_C is None:
        return
    step = load.plan.steps[now.step]
    early = now.charge_Ah < KNEE_FROM_SHARE * load.plan.planned_charge_Ah
    point = position(expected, step.number, now.progress, now.step_minutes)
    if early or step.kind is not CHARGE or now.settled < SETTLED_MINUTES or point is None or point.current_A is None:
        return
    if not like(now.current_A, point.current_A.middle):
        return
    volts, below = knee_V(now.volts, now.probe_C), memory.below
    if volts < KNEE_V:
        memory.below = (now.charge_Ah, volts)
    elif below is not None:
        memory.knee_Ah = below[0] + (now.charge_Ah - below[0]) * (KNEE_V - below[1]) / (volts - below[1])
