"""Keeps what happens to one string while it is tried, and makes its whole story of it at the end."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace

import numpy as np

from controller.core.planned import Plan, PlanStep, StepKind
from controller.core.state import CircuitState
from controller.core.types import Event, EventKind
from simulator.bench.ending import end_state
from simulator.bench.setting import Setting
from simulator.bench.strings import Strings
from simulator.bench.tried import COLUMNS, Course, Happened, StepDone, Tried
from simulator.parameters import Array

START_PEAK_H, START_SHARE = 2.0, 0.1
"""A start's peak is looked for in the first two hours and the first tenth of the planned charge."""
AT_LIMIT = 0.995
Row = tuple[float, ...]
HOUR_MS = 3.6e6


class Diary:
    """One string's diary. Times in ms of its own clock; the start order is hour 0 of the story."""

    def __init__(self, plan: Plan, setting: Setting) -> None:
        self._plan, self._setting = plan, setting
        self._cells = plan.cells * setting.batteries
        self._rows: list[Row] = []
        self._events: list[tuple[int, Event]] = []
        self._start_ms: int | None = None
        self._soak_C = 0.0
        self._last_ms = 0
        self._why = ""
        self._before_Ah = 0.0

    def hours(self, now_ms: int) -> float:
        """Hours since the start order; negative before it, counted from filling then."""
        return now_ms / HOUR_MS - 1e3 if self._start_ms is None else (now_ms - self._start_ms) / HOUR_MS

    def writes(
        self, now_ms: int, before: CircuitState, circuit: CircuitState, row: Row, events: Iterable[Event]
    ) -> None:
        """Keep one cycle: what was shown (see `tryout._columns`), and what the core made of it."""
        run = circuit.run
        if run is not None and self._start_ms is None:
            self._start_ms, self._soak_C = now_ms, row[4]
        for event in events:
            self._events.append((now_ms, event))
            if event.code in ("held", "tripped") or event.kind is EventKind.REFUSAL:
                self._why = str(event.data.get("cause") or event.code)
            elif event.kind is EventKind.ORDER and event.data.get("verb") == "resume":
                self._why = ""
        self._last_ms = now_ms
        if run is None:
            return
        # What is read now belongs to the step that stood until now.
        step, command = before.run.step + 1 if before.run is not None else 0, before.command
        total_Ah = run.counters.charge_Ah + run.counters.discharge_Ah
        moved = total_Ah - self._before_Ah
        if run.step + 1 != step:
            self._before_Ah = total_Ah
        self._rows.append((
            float(now_ms), float(step), command.set_current_A, row[0], row[1], row[1] / self._cells, row[2], row[4],
            row[3], run.counters.charge_Ah, run.counters.discharge_Ah, moved, run.counters.energy_Wh / 1e3,
            row[5] * HYDROGEN_M3_AH, row[6] / 1000.0, before.allowed.percent, command.voltage_limit_V,
        ))  # fmt: skip

    def told(self, circuit: CircuitState, bench: Strings, at: int, helped: Sequence[tuple[int, str]]) -> Tried:
        """The whole story."""
        start_ms = self._start_ms if self._start_ms is not None else self._last_ms
        data = np.array(self._rows or [(0.0,) * len(COLUMNS)], dtype=float).T.copy()
        data[0] = (data[0] - start_ms) / HOUR_MS if self._rows else 0.0
        course = Course(data)
        events = tuple(Happened((at_ms - start_ms) / HOUR_MS, event) for at_ms, event in self._events)
        steps = tuple(_steps(self._plan, course, events))
        ended = circuit.state.value
        return Tried(
            plan=self._plan,
            batteries=self._setting.batteries,
            state=ended,
            why="" if ended == "complete" else self._why,
            hours=(self._last_ms - start_ms) / HOUR_MS,
            soak_h=start_ms / HOUR_MS,
            soak_C=self._soak_C,
            course=course,
            steps=steps,
            events=events,
            end=end_state(bench, at),
            helped=tuple(((at_ms - start_ms) / HOUR_MS, what) for at_ms, what in helped),
            start_V_per_cell=_start_peak(self._plan, course, events) if self._rows else None,
        )


HYDROGEN_M3_AH = 0.4564e-3
"""Hydrogen of an ampere-hour through one cell, m3 at 25 C (Faraday)."""


def _start_peak(plan: Plan, course: Course, events: Sequence[Happened]) -> float | None:
    """The highest volts per cell under the first currents: before anything held, and before much charge flowed."""
    stops = [one.hours for one in events if one.event.code in ("held", "tripped")]
    early = (course.of("hours") < min([START_PEAK_H, *stops])) & (course.of("current_A") > 0.0)
    early &= course.of("charge_Ah") <= START_SHARE * plan.planned_charge_Ah
    return float(course.of("voltage_V_per_cell")[early].max()) if early.any() else None


def _steps(plan: Plan, course: Course, events: Sequence[Happened]) -> Iterable[StepDone]:
    """Each step that began, with how it went."""
    begun = {int(str(one.event.data["step"])): one.hours for one in events if one.event.code == "step_began"}
    ended = {
        int(str(one.event.data["step"])): (one.hours, str(one.event.data["by"]))
        for one in events
        if one.event.code == "step_ended"
    }
    numbers = course.of("step")
    if (numbers > 0.0).any():
        begun = {int(numbers[numbers > 0.0].min()): 0.0, **begun}  # the first one begins with the start order
    for number, begin_h in begun.items():
        mine = numbers == number
        last_h = float(course.of("hours")[mine].max()) if mine.any() else begin_h
        end_h, by = ended.get(number, (last_h, ""))
        yield _step(plan.steps[number - 1], course, mine, (begin_h, end_h, by))


def _step(step: PlanStep, course: Course, mine: Array, when: tuple[float, float, str]) -> StepDone:
    begin_h, end_h, by = when
    part = replace(course, data=course.data[:, mine])
    volts, current, hours = part.of("voltage_V_per_cell"), part.of("current_A"), part.of("hours")
    flows = (np.abs(current) > 0.0) & (np.abs(part.of("set_A")) > 0.0)
    spans = np.diff(hours, prepend=begin_h)
    total_h = max(float(spans.sum()), 1e-9)
    asked = part.of("set_A")
    derated = flows & (part.of("allowed_percent") < 100.0)
    limit, string_V = part.of("limit_V"), part.of("voltage_V")
    at_limit = string_V * AT_LIMIT <= limit if step.kind is StepKind.DISCHARGE else string_V >= limit * AT_LIMIT
    held_back = flows & ~derated & at_limit & (np.abs(current) < np.abs(asked) * 0.985)
    rest = step.kind is StepKind.REST or not flows.any()
    charge, discharge, energy = part.of("charge_Ah"), part.of("discharge_Ah"), part.of("energy_kWh")
    some = volts.size > 0
    return StepDone(
        number=step.number,
        name=step.name,
        kind=step.kind.value,
        begin_h=begin_h,
        end_h=end_h,
        ended_by=by,
        asked_A=0.0 if step.kind is StepKind.REST else step.current_A,
        charge_Ah=_gained(course, "charge_Ah", mine, charge),
        discharge_Ah=_gained(course, "discharge_Ah", mine, discharge),
        energy_kWh=_gained(course, "energy_kWh", mine, energy),
        end_A=None if rest else float(current[flows][-1]),
        end_V_per_cell=None if rest else float(volts[flows][-1]),
        highest_V_per_cell=float(volts.max()) if some else None,
        hottest_C=float(part.of("hottest_C").max()) if some else float("nan"),
        water_C=float(part.of("water_C").max()) if some else float("nan"),
        limited_percent=100.0 * float(spans[held_back].sum()) / total_h,
        derated_percent=100.0 * float(spans[derated].sum()) / total_h,
    )


def _gained(course: Course, name: str, mine: Array, values: Array) -> float:
    """What a counter gained in a step: from the last value before it."""
    if not values.size:
        return 0.0
    first = int(np.argmax(mine))
    before = float(course.of(name)[first - 1]) if first > 0 else 0.0
    return float(values[-1]) - before
