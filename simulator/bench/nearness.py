"""How near a tried string came to each limit: the share of the way from where it has no cause to be, up to it. Pure."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from controller.core.planned import PlanStep, StepKind
from simulator.bench.setting import Setting, settings_for
from simulator.bench.tried import StepDone, Tried

REST_V_PER_CELL = 2.1
"""A formed cell at rest: from here up volts are counted. Bode's acid of 1.26 kg/L."""
COOL_WATER_C = 20.0
"""From here up the water's warmth is counted; own choice."""
HOUR_MS = 3.6e6


@dataclass(frozen=True, slots=True)
class Near:
    """One limit: the value that came nearest, the limit, when, in its unit, and the share of the way (1: reached).

    `code`: derate, hold, trip (of the probe), water, step_limit, voltage_trip, charge_cap, longest_time.
    """

    code: str
    value: float
    limit: float
    unit: str
    at_h: float
    share: float


def nearest_limits(setting: Setting, tried: Tried) -> tuple[Near, ...]:
    """All limits, the nearest first."""
    if tried.state == "idle" or tried.course.data.shape[1] < 2:
        return ()
    found = [*_probe(setting, tried), *_water(setting, tried), *_volts(tried), *_cap(tried), *_times(tried)]
    return tuple(sorted(found, key=lambda near: -near.share))


def probe_limits(setting: Setting, tried: Tried) -> tuple[tuple[str, float], ...]:
    """The probe's levels in the order in which they come: derate, hold, and the lower of the two trips."""
    laws = settings_for(setting).laws.probe
    own = tried.plan.probe_trip_C
    return (
        ("derate", laws.derate_C),
        ("hold", laws.hold_C),
        ("trip", laws.trip_C if own is None else min(own, laws.trip_C)),
    )


def _probe(setting: Setting, tried: Tried) -> Iterator[Near]:
    """The first level that was not passed, else the last one; from the water, or from the level below, up to it. Each
    level that was passed counts as one whole way.
    """
    values = tried.course.of("probe_C")
    if not np.isfinite(values).any():
        return
    at = int(np.nanargmax(values))
    value, base = float(values[at]), setting.water_C
    last = None
    for passed, (code, level_C) in enumerate(probe_limits(setting, tried)):
        share = passed + (value - base) / max(level_C - base, 0.1)
        last = Near(code, value, level_C, "C", float(tried.course.of("hours")[at]), share)
        if value < level_C:
            break
        base = level_C
    if last is not None:
        yield last


def _water(setting: Setting, tried: Tried) -> Iterator[Near]:
    laws = settings_for(setting).laws.water
    values = tried.course.of("water_C")
    at = int(np.argmax(values))
    value = float(values[at])
    level_C = laws.warn_C if value < laws.warn_C else laws.derate_C if value < laws.derate_C else laws.hold_C
    share = (value - COOL_WATER_C) / max(level_C - COOL_WATER_C, 0.1)
    yield Near("water", value, level_C, "C", float(tried.course.of("hours")[at]), max(share, 0.0))


def _volts(tried: Tried) -> Iterator[Near]:
    """The step's own limit where it came nearest (not where the step is meant to end in it), and the trip."""
    course, plan = tried.course, tried.plan
    volts, steps, hours = course.of("voltage_V_per_cell"), course.of("step"), course.of("hours")
    best: Near | None = None
    for step in plan.steps:
        mine = np.flatnonzero(steps == step.number)
        if step.kind is not StepKind.CHARGE or step.ends.current_A is not None or mine.size == 0:
            continue
        at = int(mine[np.argmax(volts[mine])])
        near = _volt("step_limit", float(volts[at]), step.voltage_V_per_cell, float(hours[at]))
        best = near if best is None or near.share > best.share else best
    if best is not None:
        yield best
    if plan.voltage_trip_V_per_cell is not None:
        at = int(np.argmax(volts))
        yield _volt("voltage_trip", float(volts[at]), plan.voltage_trip_V_per_cell, float(hours[at]))


def _volt(code: str, value: float, level_V: float, at_h: float) -> Near:
    share = (value - REST_V_PER_CELL) / max(level_V - REST_V_PER_CELL, 0.01)
    return Near(code, value, level_V, "V/cell", at_h, max(share, 0.0))


def _cap(tried: Tried) -> Iterator[Near]:
    """The charge cap: from the planned charge up to it."""
    plan = tried.plan
    room = plan.charge_cap_Ah - plan.planned_charge_Ah
    charge = tried.course.of("charge_Ah")
    if plan.planned_charge_Ah <= 0.0 or room <= 0.0:
        return
    value = float(charge[-1])
    share = max(value - plan.planned_charge_Ah, 0.0) / room
    yield Near("charge_cap", value, plan.charge_cap_Ah, "Ah", float(tried.course.of("hours")[-1]), share)


def _times(tried: Tried) -> Iterator[Near]:
    """The longest time of the step that came nearest to its own: from what its charge says, up to it."""
    done = {step.number: step for step in tried.steps}
    times = [
        _time(step, done[step.number])
        for step in tried.plan.steps
        if step.longest_ms is not None and step.number in done and not step.ends.order and step.ends.time_ms is None
    ]
    if times:
        yield max(times, key=lambda near: near.share)


def _time(step: PlanStep, done: StepDone) -> Near:
    longest_h, took_h = (step.longest_ms or 0) / HOUR_MS, done.end_h - done.begin_h
    by_charge = step.ends.charge_Ah is not None and step.current_A > 0.0
    expected_h = (step.ends.charge_Ah or 0.0) / step.current_A + step.ramp_ms / HOUR_MS if by_charge else 0.0
    expected_h = min(expected_h, 0.99 * longest_h)
    share = max(took_h - expected_h, 0.0) / (longest_h - expected_h)
    return Near("longest_time", took_h, longest_h, "h", done.end_h, share)
