"""The real core on virtual strings, in stepped time: one bath of one circuit for each string, each on its own clock.

A cycle is read, decide, write, go on; how long it lasts follows from how long ago the string's current last changed,
and it is cut so that a step's end by time or charge falls on a cycle. Readings reach the core as they would from a
field that never fails; what a person must do on the way (start, say a task is done, resume after a hold) is done here.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass, fields, replace
from typing import Any

import numpy as np

from controller.core import bath as core_bath
from controller.core.bathstate import BathState
from controller.core.ends import charge_end_Ah, moved_Ah
from controller.core.planned import Load, Plan, PlanStep
from controller.core.settings import BathSettings
from controller.core.state import CircuitState, Run
from controller.core.types import BathIn, BathReading, ChannelReading, Fit, LinkState, Quality, State, Value
from simulator.bench.helping import Hands
from simulator.bench.setting import Setting, merges, settings_for, spec_of
from simulator.bench.strings import Shown, Strings
from simulator.bench.tried import Tried
from simulator.bench.writing import Diary
from simulator.parameters import Array

ONE, NONE, NO_PROBE = Value(1.0), Value(0.0), Value(None, Quality.LOST)
FINE_SHARE, FINE_LONGEST_S = 0.05, 30.0
FAST_SHARE, FAST_LONGEST_S = 0.1, 180.0
SHORTEST_S = 0.5
WATCHED_S, PLANT_S = 30.0, 1.0
"""For so long before a fault begins or ends the cycles are those of a plant."""
APPRECIABLE_C20 = 0.02
"""A change of current by this much of C20 begins short cycles anew, a smaller one takes its share of the time."""
LONGEST_H = 120.0
"""A try is given up after so long: no formation takes five days."""
Progress = Callable[[float, int], None]


@dataclass(slots=True)
class Clock:
    """One string's time, and how long its next cycle may be."""

    now_ms: int = 0
    since_s: float = 0.0
    last_A: float = 0.0
    set_A: float = 0.0


@dataclass(slots=True)
class Line:
    """One string with the core that drives it."""

    name: str
    state: BathState
    clock: Clock
    hands: Hands
    diary: Diary
    over: bool = False
    last: ChannelReading | None = None
    read_ms: int = 0


def try_out(setting: Setting, progress: Progress | None = None) -> Tried:
    """Try a profile on one string. Raises FaultError for a fault that the string cannot have."""
    return try_many(setting, 1, progress)[0]


def try_many(
    setting: Setting, strings: int, progress: Progress | None = None, waters_C: Array | None = None
) -> list[Tried]:
    """Try it on so many strings at once, each with its own draws; faults only where there is one string.

    `waters_C` (strings,): each string's own held water; None: the setting's for all.
    """
    settings = settings_for(setting)
    spec = spec_of(setting, settings, strings)
    merged = setting.batteries if merges(setting) else 1
    # Faults are named by the circuit that the bath file or the bench gives the string.
    waters_C = np.full(strings, setting.water_C) if waters_C is None else waters_C
    bench = Strings(spec, waters_C, setting.faults, merged)
    tryout = _Tryout(setting, settings, bench, strings)
    return tryout.run(progress)


class _Tryout:
    """All strings of one try, stepped until each is over."""

    def __init__(self, setting: Setting, settings: BathSettings, bench: Strings, strings: int) -> None:
        self._setting, self._settings, self._bench = setting, settings, bench
        plan = setting.plan
        load = Load(_unread(plan), setting.batteries, "bench", released=True)
        name = settings.circuits[0].name
        self._lines = [
            Line(name, core_bath.fresh_state(settings), Clock(), Hands(name, load, bench, at), Diary(plan, setting))
            for at in range(strings)
        ]
        self._share, self._longest_s = (FINE_SHARE, FINE_LONGEST_S) if setting.fine else (FAST_SHARE, FAST_LONGEST_S)
        self._inverse_A = 1.0 / (APPRECIABLE_C20 * plan.capacity_C20_Ah)

    def run(self, progress: Progress | None) -> list[Tried]:
        dt_s = np.full(len(self._lines), SHORTEST_S)
        shown = self._bench.advance(dt_s)
        while not all(line.over for line in self._lines):
            flags = {name: ONE if well else NONE for name, well in self._bench.bath_flags().items()}
            rows = _columns(shown)
            for at, line in enumerate(self._lines):
                dt_s[at] = FAST_LONGEST_S if line.over else self._cycle(at, line, rows[at], flags)
            hours = self._lines[0].diary.hours(self._lines[0].clock.now_ms)
            self._cut(dt_s, hours)
            for line, step_s in zip(self._lines, dt_s, strict=True):
                line.clock.now_ms += round(1000.0 * step_s)
            shown = self._bench.advance(dt_s, hours)
            if progress is not None:
                progress(hours, sum(line.over for line in self._lines))
        return [
            line.diary.told(line.state.circuits[0], self._bench, at, line.hands.helped)
            for at, line in enumerate(self._lines)
        ]

    def _cut(self, dt_s: Array, hours: float) -> None:
        """A fault begins and ends on time, after cycles as short as a plant's: laws look at what was just before.

        There is one string then.
        """
        if not self._setting.faults or hours < 0.0:
            return
        left_s = 3600.0 * (self._bench.next_change_h - hours)
        if left_s < WATCHED_S + dt_s[0]:
            longest_s = left_s - WATCHED_S if left_s > WATCHED_S + SHORTEST_S else PLANT_S
            dt_s[0] = min(dt_s[0], max(SHORTEST_S, round(min(longest_s, max(left_s, SHORTEST_S)), 3)))

    def _cycle(self, at: int, line: Line, row: tuple[float, ...], flags: dict[str, Value]) -> float:
        """Let the core decide once; return the seconds until it does so again."""
        clock, current_A = line.clock, row[0]
        reading = self._reading(at, line, row)
        lost = self._setting.faults and self._bench.parts.water_probes.lost.any()
        inputs = BathReading(
            (NO_PROBE if lost else Value(row[3]),), flags["airflow"], flags["emergency_stop"], flags["hood"],
            link=LinkState.UP, fit=Fit.OK,
        )  # fmt: skip
        before = line.state.circuits[0]
        orders = tuple(line.hands.orders(clock.now_ms, line.state))
        line.state, out = core_bath.step(self._settings, line.state, BathIn(clock.now_ms, inputs, (reading,), orders))
        command, circuit = out.commands[0], line.state.circuits[0]
        if not command.silent and reading.link is LinkState.UP:
            self._bench.order(at, command.set_current_A, command.voltage_limit_V, command.output_on)
        line.hands.hears(clock.now_ms, out.events)
        line.diary.writes(clock.now_ms, before, circuit, row, out.events)
        line.over = line.hands.over(clock.now_ms, circuit) or line.diary.hours(clock.now_ms) > LONGEST_H
        return self._next_s(clock, circuit, current_A, line)

    def _reading(self, at: int, line: Line, row: tuple[float, ...]) -> ChannelReading:
        """What the field would say of the channel; while its link is off, the last values grow old."""
        r, clock = self._bench.parts.rectifiers, line.clock
        if self._setting.faults and not self._bench.link_up(at) and line.last is not None:
            return _aged(line.last, clock.now_ms - line.read_ms)
        current_A, voltage_V, probe_C = row[:3]
        reading = ChannelReading(
            Value(current_A), Value(voltage_V), Value(float(r.set_current_A[at])), Value(float(r.set_voltage_V[at])),
            ONE if r.output_on[at] > 0.0 else NONE, NONE, Value(float(r.fault_code[at])),
            Value(float(r.uptime_s[at])), None, None, None,
            (NO_PROBE if math.isnan(probe_C) else Value(probe_C),), LinkState.UP, Fit.OK,
        )  # fmt: skip
        if self._setting.faults:  # signals that only a fault makes interesting
            ripple = self._bench.ripple_percent(at) if abs(current_A) > 0.2 else 0.0
            reading = replace(
                reading,
                local=ONE if r.local[at] > 0.0 else NONE,
                counter_Ah=Value(float(r.counter_Ah[at])),
                ripple_percent=Value(ripple),
            )
            line.last, line.read_ms = reading, clock.now_ms
        return reading

    def _next_s(self, clock: Clock, circuit: CircuitState, current_A: float, line: Line) -> float:
        """How long the next cycle may be."""
        set_A = circuit.command.set_current_A
        moved = abs(set_A - clock.set_A) + abs(current_A - clock.last_A) * (set_A == clock.set_A)
        clock.since_s *= max(0.0, 1.0 - moved * self._inverse_A)
        clock.set_A, clock.last_A = set_A, current_A
        dt_s = min(max(self._share * clock.since_s, SHORTEST_S), self._longest_s)
        run = circuit.run
        if run is not None and circuit.load is not None and circuit.state is State.RUNNING:
            step = circuit.load.plan.steps[run.step]
            for left_s in _left_s(step, run, current_A):
                if left_s < 1.5 * dt_s:
                    dt_s = min(dt_s, max(SHORTEST_S, left_s if left_s <= dt_s else 0.5 * left_s))
        dt_s = min(dt_s, line.hands.wakes_s(clock.now_ms, dt_s))
        clock.since_s += dt_s
        return float(round(1000.0 * dt_s)) / 1000.0


def _left_s(step: PlanStep, run: Run, current_A: float) -> Iterator[float]:
    """Seconds until the step may end by its time or its charge, as things stand."""
    if step.ends.time_ms is not None:
        yield (step.ends.time_ms - run.step_time_ms) / 1000.0
    charge_Ah = charge_end_Ah(run, step)
    if charge_Ah is not None and abs(current_A) > 0.0:
        yield 3600.0 * (charge_Ah - moved_Ah(run, step)) / abs(current_A)
    if run.restart_left_ms > 0:
        yield run.restart_left_ms / 1000.0
    if run.meets:
        yield SHORTEST_S


def _aged(reading: ChannelReading, age_ms: int) -> ChannelReading:
    """The last reading of a channel that does not answer any more."""
    old: dict[str, Any] = {
        entry.name: replace(value, age_ms=age_ms)
        for entry in fields(reading)
        if isinstance(value := getattr(reading, entry.name), Value)
    }
    probes = tuple(replace(probe, age_ms=age_ms) for probe in reading.probes)
    return replace(reading, **old, probes=probes, link=LinkState.DOWN)


def _unread(plan: Plan) -> Plan:
    """The plan without what people read by hand: nobody reads on the bench, and nothing waits for it."""
    return replace(plan, readings=())


def _columns(shown: Shown) -> list[tuple[float, ...]]:
    """What was shown, a tuple a string: A, V, probe C, water C, hottest C, hydrogen A, cooling W."""
    parts = (
        shown.current_A, shown.voltage_V, shown.probe_C, shown.water_C, shown.hottest_C, shown.hydrogen_A,
        shown.cooling_W,
    )  # fmt: skip
    return list(zip(*(part.tolist() for part in parts), strict=True))
