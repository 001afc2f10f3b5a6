"""The run beside its expected course: where in it a string stands, how late it is, what its values should be. Pure.

The course comes from the profile's release: of each step, over the charge that it moved or the minutes it took, what
the studied strings did (5, 50 and 95 %). A point of it is found by what the step has done, never by the clock: a string
that was held or reduced stands at an earlier point of its course, and is late by the difference.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

from controller.core.values import GASSING_mV_PER_K
from profiles.release import Band, CourseStep, Release

MS_PER_MINUTE, MS_PER_H = 60_000.0, 3_600_000.0
KNEE_V, KNEE_FROM_SHARE, KNEE_REFERENCE_C = 2.40, 0.2, 40.0
SISTERS = 3
"""So many values of equal circuits make a median that one odd among them does not move; own choice."""


@dataclass(frozen=True, slots=True)
class Spread:
    """A range with its middle: three quantiles of a study, or the least, the median and the most of the sisters."""

    low: float
    middle: float
    high: float


@dataclass(frozen=True, slots=True)
class Expected:
    """The course of one released profile. `begins_h`, `before_Ah`: hours since first current, and charge moved by
    charge steps, at which each step begins; `water_C`: the range of water that was studied; `knee_Ah`: the charge at
    which volts pass the knee (None: they do not).
    """

    profile: str
    revision: int
    sha256: str
    steps: Mapping[int, CourseStep]
    begins_h: Mapping[int, float]
    before_Ah: Mapping[int, float]
    total_h: float
    total_Ah: float
    water_C: tuple[float, float]
    knee_Ah: float | None
    course_ms: Mapping[int, int] = field(default_factory=dict)
    """`lengths_ms`, worked out once with the rest of the course."""


@dataclass(frozen=True, slots=True)
class Point:
    """One point of a course. `elapsed_h`: since first current; `charge_Ah`: moved by charge steps until here."""

    elapsed_h: float
    percent: float
    charge_Ah: float
    volts: Spread | None
    current_A: Spread | None
    probe_C: Spread | None
    hours: Spread | None


def expected_of(release: Release) -> Expected:
    """Return a release's course, ready to be asked. Its total is the middle end of the last step that is known."""
    steps = {step.step: step for step in release.course}
    begins: dict[int, float] = {}
    before: dict[int, float] = {}
    hours = charge_Ah = 0.0
    for step in release.course:
        begin_h, end_h = step.elapsed_h.middle[0], step.elapsed_h.middle[-1]
        begins[step.step] = hours if begin_h is None else begin_h
        before[step.step] = charge_Ah
        hours = end_h if end_h is not None else begins[step.step] + step.duration_h[1]
        charge_Ah += step.at[-1] if step.kind == "charge" and step.grid == "charge_Ah" else 0.0
    found = Expected(
        release.profile, release.revision, release.sha256, steps, begins, before, hours, charge_Ah, release.water_C,
        _knee_Ah(release.course, before, charge_Ah),
    )  # fmt: skip
    return replace(found, course_ms=lengths_ms(found))


def knee_V(volts: float, probe_C: float) -> float:
    """Return volts per cell as they would be at 40 C, for the knee."""
    return volts + GASSING_mV_PER_K / 1000.0 * (probe_C - KNEE_REFERENCE_C)


def _knee_Ah(course: Sequence[CourseStep], before: Mapping[int, float], total_Ah: float) -> float | None:
    """Return the charge at which the middle of the course passes the knee, after the first fifth of the charge."""
    last: tuple[float, float] | None = None
    for step in course:
        if step.kind != "charge" or step.grid != "charge_Ah":
            continue
        for at, volts, probe_C in zip(step.at, step.voltage_V_per_cell.middle, step.probe_C.middle, strict=True):
            here_Ah = before[step.step] + at
            if volts is None or probe_C is None or here_Ah < KNEE_FROM_SHARE * total_Ah:
                continue
            now_V = knee_V(volts, probe_C)
            if last is not None and last[1] < KNEE_V <= now_V:
                return last[0] + (here_Ah - last[0]) * (KNEE_V - last[1]) / (now_V - last[1])
            last = (here_Ah, now_V)
    return None


def lengths_ms(expected: Expected) -> dict[int, int]:
    """Return how long each step of the course takes, in the middle of the studied strings, by its number."""
    numbers = list(expected.steps)
    ends_h = [*(expected.begins_h[number] for number in numbers[1:]), expected.total_h]
    return {
        number: round(MS_PER_H * max(0.0, end_h - expected.begins_h[number]))
        for number, end_h in zip(numbers, ends_h, strict=True)
    }


def position(expected: Expected, step: int, moved_Ah: float, minutes: float) -> Point | None:
    """Return the point of the course at which step number `step` (from 1) has moved so much, or taken so long.

    `moved_Ah` is positive for a discharge too; which of the two counts is the course's own grid: charge wherever
    current flows, minutes in a rest. Past the step's middle end it stays there: the step is late. None: no such step.
    """
    found = expected.steps.get(step)
    if found is None:
        return None
    done = moved_Ah if found.grid == "charge_Ah" else minutes
    at = min(max(done, 0.0), found.at[-1])
    begin_h = expected.begins_h[step]
    hours = spread_at(found.elapsed_h, found.at, at)
    share = at / found.at[-1]
    elapsed_h = hours.middle if hours is not None else begin_h + share * found.duration_h[1]
    charge_Ah = expected.before_Ah[step] + (at if found.kind == "charge" and found.grid == "charge_Ah" else 0.0)
    return Point(
        elapsed_h=elapsed_h,
        percent=min(100.0, max(0.0, 100.0 * elapsed_h / expected.total_h)) if expected.total_h > 0.0 else 0.0,
        charge_Ah=charge_Ah,
        volts=spread_at(found.voltage_V_per_cell, found.at, at),
        current_A=spread_at(found.current_A, found.at, at),
        probe_C=spread_at(found.probe_C, found.at, at),
        hours=hours,
    )


def late_minutes(expected: Expected, point: Point, elapsed_ms: int, first_step: int = 1) -> float:
    """Return the minutes that a run is behind its course (negative: before it), `elapsed_ms` after its first current.

    A run that continues another begins where its first step does in the course.
    """
    return elapsed_ms / MS_PER_MINUTE - 60.0 * (point.elapsed_h - expected.begins_h.get(first_step, 0.0))


def spread_at(band: Band, grid: Sequence[float], at: float) -> Spread | None:
    """Return the three quantiles between the two grid points around `at`; None where one of them was not measured."""
    after = min(max(1, bisect_right(grid, at)), len(grid) - 1)
    share = (at - grid[after - 1]) / (grid[after] - grid[after - 1])
    values = []
    for line in (band.low, band.middle, band.high):
        first, second = line[after - 1], line[after]
        if first is None or second is None:
            return None
        values.append(first + share * (second - first))
    return Spread(*values)


def beyond(value: float, spread: Spread) -> float:
    """Return by how much a value is above (positive) or below (negative) its range; 0.0 inside."""
    return max(0.0, value - spread.high) + min(0.0, value - spread.low)


def median(values: Sequence[float]) -> float:
    """Return the middle value, or the mean of the two in the middle. There must be one."""
    rising = sorted(values)
    half = len(rising) // 2
    return rising[half] if len(rising) % 2 else (rising[half - 1] + rising[half]) / 2.0


def sisters(values: Sequence[float]) -> Spread | None:
    """Return the range and median of equal circuits, the asking one among them; None: too few to judge by."""
    return Spread(min(values), median(values), max(values)) if len(values) >= SISTERS else None
