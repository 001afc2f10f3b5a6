"""What slow comparisons rest on: minute means of each run, edges of its current, sisters at the same point. Pure.

Sisters are circuits of the same bath with an open run of the same profile text; trials and runs that continue another
are never among them. They are compared at the same point of the same step (charge moved, or minutes of a rest), not at
the same moment: circuits of one bath start minutes apart, and at the knee a minute is many millivolts.
"""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Sequence
from dataclasses import dataclass, field

from controller.core.planned import REST, Plan
from controller.core.values import ZERO_A, GASSING_mV_PER_K
from controller.course import SISTERS, Expected, Point, Spread, position, sisters

LIKE_SHARE = 0.03
"""Currents within 3 % count as alike (at least within what counts as zero); own choice: a shunt is true to 0.5 %."""

SETTLED_MINUTES = 10
"""So long after a change of current volts are not compared: acid in the pores evens out in that time; own choice."""

LIKE_CELLS = 2.0
"""Volts a cell are not compared where the numbers of cells differ by more than this factor: leads and the meter's steps
weigh more on each cell of a short string (0.1 V are 1 mV a cell of 108 and 17 of 6); own choice."""

FRESH_MS = 30 * 60_000
"""A comparison at a point that a circuit passed longer ago says nothing of it now; own choice."""


@dataclass(frozen=True, slots=True)
class Minute:
    """The mean of one minute of a run. `step`: index into the plan; `progress`: Ah moved in it, minutes of a rest.

    `step_minutes`: how long the step has lived; `volts`: per cell; `settled`: whole minutes since its current last
    changed, or did not flow as the step asks.
    """

    at_ms: int
    step: int
    progress: float
    charge_Ah: float
    current_A: float
    volts: float
    probe_C: float | None
    water_C: float | None
    settled: int
    step_minutes: float

    @property
    def rise_K(self) -> float | None:
        """The probe above the water."""
        return self.probe_C - self.water_C if self.probe_C is not None and self.water_C is not None else None

    @property
    def warm_volts(self) -> float | None:
        """Volts per cell as they would be at 0 C, to compare strings of different warmth; a number for differences."""
        return self.volts + GASSING_mV_PER_K / 1000.0 * self.probe_C if self.probe_C is not None else None


@dataclass(frozen=True, slots=True)
class Edge:
    """A quick change of current: its change of volts by its change of current. `charge_Ah`: of the run until then.

    `other`: the circuit whose volts moved in the place of this one's ("": its own did, or none). `cells`: of the string
    at that edge (0: as many as it has now).
    """

    at_ms: int
    step: int
    from_A: float
    to_A: float
    ohm: float
    charge_Ah: float
    other: str = ""
    cells: int = 0


@dataclass(frozen=True, slots=True)
class Trace:
    """What is known of one circuit's open run. `elapsed_ms`: since first current (None: there was none yet).

    `knee_Ah`: charge at which its volts passed the knee (None: not yet, or not seen). `apart`: a trial, or a run that
    continues another: no sister of anybody. `minutes`, `edges`: oldest first.
    """

    name: str
    plan: Plan
    cells: int
    apart: bool
    first_step: int
    elapsed_ms: int | None
    minutes: Sequence[Minute] = ()
    edges: Sequence[Edge] = ()
    knee_Ah: float | None = None

    @property
    def now(self) -> Minute | None:
        """The newest minute."""
        return self.minutes[-1] if self.minutes else None


@dataclass(frozen=True, slots=True)
class Compared:
    """One circuit and its sisters at one point. `volts`, `warm_volts`: of those with like current and cells only."""

    own: Minute
    count: int
    current_A: Spread
    volts: Spread | None
    warm_volts: Spread | None
    rise_K: Spread | None
    probe_C: Spread | None


@dataclass(frozen=True, slots=True)
class Look:
    """What a rule may look at: one circuit, all open runs of its bath, its course, and what it is compared with.

    `before`: the same comparison half an hour earlier, for what moves.
    """

    mine: Trace
    all: tuple[Trace, ...]
    now_ms: int
    expected: Expected | None = None
    point: Point | None = None
    compared: Compared | None = None
    before: Compared | None = None
    kin: tuple[Trace, ...] = field(default=())


def like(first_A: float, second_A: float) -> bool:
    """Return whether two currents are alike."""
    return abs(first_A - second_A) <= max(ZERO_A, LIKE_SHARE * max(abs(first_A), abs(second_A)))


def like_cells(first: int, second: int, factor: float = LIKE_CELLS) -> bool:
    """Return whether two numbers of cells differ by no more than a factor."""
    return max(first, second) <= factor * min(first, second)


def progress_of(plan: Plan, step: int, moved_Ah: float, step_ms: int) -> float:
    """Return how far a step is: minutes of a rest, else Ah moved."""
    return step_ms / 60_000.0 if plan.steps[step].kind is REST else moved_Ah


def kin_of(mine: Trace, traces: Sequence[Trace]) -> tuple[Trace, ...]:
    """Return the sisters of a circuit, itself among them; none of a trial's or of a run that continues another."""
    if mine.apart:
        return ()
    return tuple(each for each in traces if each.plan.sha256 == mine.plan.sha256 and not each.apart and each.minutes)


def at_point(trace: Trace, step: int, progress: float) -> Minute | None:
    """Return a run's values at that point of that step, between its two minutes around it; None: not known."""
    minutes, wanted = trace.minutes, (step, progress)
    at = bisect_left(minutes, wanted, key=lambda each: (each.step, each.progress))
    if at >= len(minutes) or minutes[at].step != step:
        return None
    after = minutes[at]
    if at == 0 or minutes[at - 1].step != step:
        return after if after.progress == progress else None
    before = minutes[at - 1]
    if after.at_ms - before.at_ms > FRESH_MS:
        return None
    share = (progress - before.progress) / (after.progress - before.progress) if after.progress > progress else 1.0
    return _between(before, after, share)


def _between(before: Minute, after: Minute, share: float) -> Minute:
    def mixed(first: float | None, second: float | None) -> float | None:
        return None if first is None or second is None else first + share * (second - first)

    return Minute(
        at_ms=round(before.at_ms + share * (after.at_ms - before.at_ms)),
        step=after.step,
        progress=before.progress + share * (after.progress - before.progress),
        charge_Ah=before.charge_Ah + share * (after.charge_Ah - before.charge_Ah),
        current_A=before.current_A + share * (after.current_A - before.current_A),
        volts=before.volts + share * (after.volts - before.volts),
        probe_C=mixed(before.probe_C, after.probe_C),
        water_C=mixed(before.water_C, after.water_C),
        settled=min(before.settled, after.settled),
        step_minutes=before.step_minutes + share * (after.step_minutes - before.step_minutes),
    )


def common_point(mine: Trace, kin: Sequence[Trace]) -> tuple[int, float] | None:
    """Return the point that most sisters have passed, among those that a circuit itself passed not long ago."""
    now = mine.now
    if now is None or len(kin) < SISTERS:
        return None
    first = bisect_left(mine.minutes, now.at_ms - FRESH_MS, key=lambda each: each.at_ms)
    least, here = _place(mine.minutes[first]), _place(now)
    reached = (min(here, _place(each.minutes[-1])) for each in kin)
    return min((place for place in reached if place >= least), default=None)


def _place(minute: Minute) -> tuple[int, float]:
    return minute.step, minute.progress


def compared_at(mine: Trace, kin: Sequence[Trace], point: tuple[int, float], now_ms: int) -> Compared | None:
    """Return a circuit and its sisters at one point; None where fewer than three are known there, or it is long ago."""
    own = at_point(mine, *point)
    if own is None or own.settled < SETTLED_MINUTES or now_ms - own.at_ms > FRESH_MS:
        return None
    others = [(each.cells, at_point(each, *point)) for each in kin if each.name != mine.name]
    found = [(mine.cells, own), *others]
    settled = [(cells, each) for cells, each in found if each is not None and each.settled >= SETTLED_MINUTES]
    current = sisters([each.current_A for _, each in settled])
    if current is None:
        return None
    alike = [each for _, each in settled if like(each.current_A, own.current_A)]
    sized = [each for cells, each in settled if like(each.current_A, own.current_A) and like_cells(cells, mine.cells)]
    warm = [each.warm_volts for each in sized if each.warm_volts is not None]
    rises = [each.rise_K for each in alike if each.rise_K is not None]
    probes = [each.probe_C for each in alike if each.probe_C is not None]
    return Compared(
        own, len(settled), current, sisters([each.volts for each in sized]), sisters(warm), sisters(rises),
        sisters(probes),
    )  # fmt: skip


def look_of(mine: Trace, traces: tuple[Trace, ...], expected: Expected | None, now_ms: int) -> Look:
    """Return all that the rules of one circuit look at in this minute."""
    kin, now = kin_of(mine, traces), mine.now
    where = common_point(mine, kin)
    compared = compared_at(mine, kin, where, now_ms) if where is not None else None
    before = None
    if compared is not None and (earlier := minutes_ago(mine, compared.own, FRESH_MS)) is not None:
        before = compared_at(mine, kin, (earlier.step, earlier.progress), earlier.at_ms)
    point = None
    if expected is not None and now is not None:
        number = mine.plan.steps[now.step].number
        point = position(expected, number, now.progress, now.step_minutes)
    return Look(mine, traces, now_ms, expected, point, compared, before, kin)


def minutes_ago(trace: Trace, own: Minute, ago_ms: int) -> Minute | None:
    """Return the minute of the same step that lies so long before `own`; None: the step was not there, or not read."""
    at = bisect_left(trace.minutes, own.at_ms - ago_ms, key=lambda each: each.at_ms)
    if at >= len(trace.minutes):
        return None
    found = trace.minutes[at]
    near = abs(own.at_ms - ago_ms - found.at_ms) <= ago_ms / 10
    return found if found.step == own.step and near else None
