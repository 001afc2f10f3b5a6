"""The course of many strings on one grid of step and charge, and the band that a release keeps of it.

A step's grid comes from the plan alone, so that every batch of a study uses the same one: its charge where current
flows, else its minutes. The last point is the step's end, wherever each string reached it.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from controller.core.planned import Plan, PlanStep, StepKind
from profiles.release import Band, CourseStep
from simulator.bench.tried import Course, StepDone, Tried
from simulator.parameters import Array

QUANTITIES = ("elapsed_h", "voltage_V_per_cell", "current_A", "probe_C")
QUANTILES = (0.05, 0.5, 0.95)
POINTS, POINTS_OPEN = 20, 40
"""Points before a step's end: of one whose charge or time the plan says, and of one that a measured value ends."""
LONGEST_H = 24.0
"""Where a plan says nothing of a step's length; own choice."""
NEAREST = 0.02
"""A grid point so close before the end (share of the spacing's count) is left out."""
MS_PER_H = 3.6e6
Small = NDArray[np.float32]


@dataclass(frozen=True, slots=True)
class StepGrid:
    """Where a step is looked at: `kind` charge_Ah or minutes, `at` rising from 0, the end not in it."""

    number: int
    name: str
    step_kind: str
    kind: str
    at: tuple[float, ...]


@dataclass(frozen=True, slots=True)
class Courses:
    """Courses of some strings. `points` (strings, quantity, all grids' points in a row), `ends` (strings, step,
    quantity), `lengths` (strings, step, 2): where the step ended on its grid, and its hours. NaN: never came there.
    """

    points: Small
    ends: Small
    lengths: Small


def grids(plan: Plan) -> tuple[StepGrid, ...]:
    """The grid of each step of a plan."""
    return tuple(_grid(step, plan) for step in plan.steps)


def _grid(step: PlanStep, plan: Plan) -> StepGrid:
    ends = step.ends
    open_ = ends.order or any(
        end is not None
        for end in (ends.voltage_V_per_cell, ends.current_A, ends.temperature_C, ends.steady_rise_mV_per_cell)
    )
    hours = [ms / MS_PER_H for ms in (ends.time_ms, step.longest_ms) if ms is not None]
    if step.kind is StepKind.REST or step.current_A <= 0.0:
        kind, reach = "minutes", 60.0 * min(hours, default=LONGEST_H)
    else:
        charges = [charge for charge in (ends.charge_Ah, step.charge_cap_Ah) if charge is not None and charge > 0.0]
        kind, reach = "charge_Ah", min([*charges, *(hour * step.current_A for hour in hours)], default=0.0)
        reach = reach or plan.charge_cap_Ah or LONGEST_H * step.current_A
    count = POINTS_OPEN if open_ else POINTS
    at = tuple(_short(reach * k / count) for k in range(count))
    return StepGrid(step.number, step.name, step.kind.value, kind, at)


def _short(value: float) -> float:
    """Six digits: the same number on every machine, and short in a file."""
    return float(f"{value:.6g}")


def courses(tried: Sequence[Tried], grid: Sequence[StepGrid]) -> Courses:
    """The courses of these strings on the grid."""
    total = sum(len(step.at) for step in grid)
    shape = (len(tried), len(QUANTITIES), total)
    points = np.full(shape, np.nan, dtype=np.float32)
    ends = np.full((len(tried), len(grid), len(QUANTITIES)), np.nan, dtype=np.float32)
    lengths = np.full((len(tried), len(grid), 2), np.nan, dtype=np.float32)
    starts = np.cumsum([0, *(len(step.at) for step in grid)])
    for string, story in enumerate(tried):
        first_h = _first_current_h(story.course)
        for done in story.steps:
            index = done.number - 1
            found = _on_grid(story.course, done, grid[index], first_h)
            if found is None:
                continue
            points[string, :, starts[index] : starts[index + 1]], ends[string, index], end_at = found
            lengths[string, index] = (end_at, done.end_h - done.begin_h)
    return Courses(points, ends, lengths)


def _first_current_h(course: Course) -> float:
    flows = np.flatnonzero(np.abs(course.of("current_A")) > 0.0)
    return float(course.of("hours")[flows[0]]) if flows.size else 0.0


def _on_grid(course: Course, done: StepDone, grid: StepGrid, first_h: float) -> tuple[Array, Array, float] | None:
    """One step of one string: its quantities on the grid, those at its end, and where on the grid that end is."""
    mine = np.flatnonzero(course.of("step") == done.number)
    if not mine.size or not done.ended_by:
        return None
    hours = course.of("hours")[mine]
    x = _moved_Ah(course, mine) if grid.kind == "charge_Ah" else 60.0 * (hours - done.begin_h)
    x = np.maximum.accumulate(np.maximum(x, 0.0))
    series = np.stack([hours - first_h, *(course.of(name)[mine] for name in QUANTITIES[1:])])
    at = np.asarray(grid.at)
    found = np.stack([np.interp(at, x, row) for row in series])
    # At the step's beginning its clock stands where the step before it ended.
    found[0, 0] = done.begin_h - first_h
    found[:, at > x[-1]] = np.nan
    return found, series[:, -1], float(x[-1])


def _moved_Ah(course: Course, mine: NDArray[np.intp]) -> Array:
    """Charge moved since the step began, from the run's counters, which are true at the very cycle that was read."""
    both = course.of("charge_Ah") + course.of("discharge_Ah")
    return np.asarray(both[mine] - (both[mine[0] - 1] if mine[0] > 0 else 0.0))


def course_steps(grid: Sequence[StepGrid], parts: Sequence[Courses]) -> tuple[CourseStep, ...]:
    """The expected course with its band; a step that no string came through is left out."""
    if not parts:
        return ()
    points = np.concatenate([part.points for part in parts])
    ends = np.concatenate([part.ends for part in parts])
    lengths = np.concatenate([part.lengths for part in parts])
    found, start = [], 0
    for index, step in enumerate(grid):
        stop = start + len(step.at)
        made = _course_step(step, points[:, :, start:stop], ends[:, index], lengths[:, index])
        found += [made] if made is not None else []
        start = stop
    return tuple(found)


def _course_step(step: StepGrid, points: Small, ends: Small, lengths: Small) -> CourseStep | None:
    through = np.isfinite(lengths[:, 0])
    if not through.any():
        return None
    points, ends, lengths = points[through], ends[through], lengths[through]
    end = _short(float(np.median(lengths[:, 0].astype(float))))
    near = NEAREST * (step.at[1] - step.at[0])
    kept = [k for k, at in enumerate(step.at) if at < end - near]
    if not kept or end <= 0.0:
        return None
    bands = {
        name: _band(np.concatenate([points[:, at][:, kept], ends[:, at : at + 1]], axis=1).astype(float))
        for at, name in enumerate(QUANTITIES)
    }
    low, middle, high = (_short(float(value)) for value in np.quantile(lengths[:, 1].astype(float), QUANTILES))
    return CourseStep(
        step=step.number,
        name=step.name,
        kind=step.step_kind,
        grid=step.kind,
        at=(*(step.at[k] for k in kept), end),
        duration_h=(max(low, 0.0), max(middle, 0.0), max(high, 0.0)),
        **bands,
    )


def _band(values: Array) -> Band:
    """Quantiles over the strings that came there, at each point (strings, points)."""
    columns = []
    for column in values.T:
        there = column[np.isfinite(column)]
        columns.append([_short(float(one)) for one in np.quantile(there, QUANTILES)] if there.size else [math.nan] * 3)
    low, middle, high = (tuple(None if math.isnan(one) else one for one in row) for row in zip(*columns, strict=True))
    return Band(low=low, middle=middle, high=high)
