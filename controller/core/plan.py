"""A profile made ready to run: unrolled, with amounts in A, Ah and ms instead of per rated capacity. Pure."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

from controller.core.planned import Ends, Plan, PlanReading, PlanStep, StepKind
from profiles.amounts import amount, charge_end_Ah, current_A, planned_Ah, time_end_hours
from profiles.profile import End, Profile, Step

MS_PER_MINUTE = 60_000
MS_PER_H = 3_600_000
LONGEST_FACTOR = 1.5
"""A step may take this much longer than charge over current says; own choice."""

EXPECTED_FACTOR = 1.1
"""A step that ends by charge is late past this much of charge over current: currents are true to 1 %; own choice."""

STEP_CAP_PERCENT = 105.0
"""A step may move this much of the charge that ends it; own choice."""


def compile_plan(profile: Profile, sha256: str) -> Plan:
    """Return the plan of a checked profile; `sha256` is that of its text."""
    battery, soak, limits = profile.battery, profile.soak, profile.limits
    capacity = battery.capacity_C20_Ah
    raw = tuple(_unrolled(profile.step))
    charges = [planned_Ah(step, capacity) if step.kind == "charge" else 0.0 for step in raw]
    planned = sum(charges)
    steps: list[PlanStep] = []
    before = 0.0
    for number, (step, charge) in enumerate(zip(raw, charges, strict=True), start=1):
        steps.append(_step(profile, step, number, early=planned > 0.0 and before < planned / 3.0))
        before += charge
    for index in range(len(steps) - 1, -1, -1):
        if steps[index].kind is StepKind.CHARGE and steps[index].ends.charge_Ah is not None:
            steps[index] = replace(steps[index], takes_owed=True)
            break
    return Plan(
        name=profile.name,
        revision=profile.revision,
        sha256=sha256,
        cells=battery.cells,
        capacity_C20_Ah=capacity,
        steps=tuple(steps),
        planned_charge_Ah=planned,
        charge_cap_Ah=planned * limits.charge_cap_percent / 100.0,
        voltage_trip_V_per_cell=limits.voltage_V_per_cell,
        probe_trip_C=limits.probe_C,
        soak_min_ms=round(soak.minutes_min * MS_PER_MINUTE) if soak is not None else 0,
        soak_max_ms=round(soak.minutes_max * MS_PER_MINUTE) if soak is not None else None,
        start_below_C=soak.start_below_C if soak is not None else None,
        late_start=soak.late_start if soak is not None else "engineer",
        battery_type=battery.type or "",
        level_mm=battery.level_mm,
        readings=_readings(profile, raw),
    )


def _readings(profile: Profile, raw: tuple[Step, ...]) -> tuple[PlanReading, ...]:
    """Return the readings by hand in the order in which they fall due: after each step of the name they give."""
    return tuple(
        PlanReading(index, reading.what, reading.batteries)
        for index, step in enumerate(raw)
        for reading in profile.reading
        if reading.after_step == step.name
    )


def _unrolled(steps: tuple[Step, ...]) -> Iterator[Step]:
    """Yield the steps in the order in which they run, repeats written out."""
    for step in steps:
        if step.kind != "repeat":
            yield step
            continue
        for _ in range(step.times or 0):
            yield from _unrolled(step.step)


def _step(profile: Profile, step: Step, number: int, early: bool) -> PlanStep:
    capacity, rule = profile.battery.capacity_C20_Ah, profile.interruption
    current, end = current_A(step, capacity), step.end or End()
    charge_like = step.kind in ("charge", "discharge")
    volts = step.voltage_floor_V_per_cell if step.kind == "discharge" else step.voltage_limit_V_per_cell
    restart_C20 = _own(step.restart_current_C20, rule.restart_current_C20)
    return PlanStep(
        number=number,
        name=step.name,
        kind=StepKind(step.kind),
        current_A=current,
        voltage_V_per_cell=volts or 0.0,
        ends=_ends(end, capacity),
        ramp_ms=round(step.ramp_minutes * MS_PER_MINUTE),
        longest_ms=_longest_ms(step, end, current, capacity),
        on_overrun=_on_overrun(step, early),
        restart_current_A=min(restart_C20 * capacity, current) if charge_like else 0.0,
        restart_ms=round(_own(step.restart_minutes, rule.restart_minutes) * MS_PER_MINUTE),
        resume_within_ms=round(_own(step.resume_within_minutes, rule.resume_within_minutes) * MS_PER_MINUTE),
        owes_percent_per_hour=_own(step.add_charge_percent_per_hour, rule.add_charge_percent_per_hour),
        task=step.task or "",
        refill_density=step.refill_density,
        expected_ms=_expected_ms(step, current, capacity),
        charge_cap_Ah=_charge_cap_Ah(profile, step),
    )


def _own(own: float | None, general: float) -> float:
    return own if own is not None else general


def _ends(end: End, capacity_Ah: float) -> Ends:
    steady, waits = end.steady, end.order
    return Ends(
        time_ms=round(end.hours * MS_PER_H) if end.hours is not None and not waits else None,
        charge_Ah=amount(end.charge_Ah, end.charge_C20, capacity_Ah),
        voltage_V_per_cell=end.voltage_V_per_cell,
        current_A=amount(end.current_A, end.current_C20, capacity_Ah),
        temperature_C=end.temperature_C,
        steady_rise_mV_per_cell=steady.rise_mV_per_cell if steady is not None else None,
        steady_over_ms=round(steady.over_minutes * MS_PER_MINUTE) if steady is not None else 0,
        steady_not_before_Ah=steady.not_before_charge_C20 * capacity_Ah if steady is not None else 0.0,
        order=waits,
    )


def _longest_ms(step: Step, end: End, amperes: float, capacity_Ah: float) -> int | None:
    """Return the step's longest time: its own, else from its charge, else the hours beside an order."""
    if step.longest_hours is not None:
        return round(step.longest_hours * MS_PER_H)
    if end.order and end.hours is not None:
        return round(end.hours * MS_PER_H)
    charge = charge_end_Ah(step, capacity_Ah)
    return round(LONGEST_FACTOR * charge / amperes * MS_PER_H) if charge is not None else None


def _expected_ms(step: Step, amperes: float, capacity_Ah: float) -> int | None:
    """Return when a step should have ended by its charge; None where hours end it or nothing tells its length."""
    charge = charge_end_Ah(step, capacity_Ah)
    if charge is None or time_end_hours(step) is not None:
        return None
    return round(EXPECTED_FACTOR * charge / amperes * MS_PER_H + step.ramp_minutes * MS_PER_MINUTE)


def _charge_cap_Ah(profile: Profile, step: Step) -> float | None:
    """Return the most charge a step may move: a little past its charge end, else the profile's share of its plan."""
    capacity = profile.battery.capacity_C20_Ah
    planned = planned_Ah(step, capacity)
    if planned <= 0.0:
        return None
    by_charge = charge_end_Ah(step, capacity) is not None
    return planned * (STEP_CAP_PERCENT if by_charge else profile.limits.charge_cap_percent) / 100.0


def _on_overrun(step: Step, early: bool) -> str:
    if step.task:
        return "hold"
    return step.on_overrun or ("slow" if early else "hold")
