"""A profile made ready to run: unrolled, with amounts in A, Ah and ms instead of per rated capacity. Pure."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

from controller.core.types import Ends, Plan, PlanStep, StepKind
from profiles.profile import End, Profile, Step

MS_PER_MINUTE = 60_000
MS_PER_H = 3_600_000
LONGEST_FACTOR = 1.5
"""A step may take this much longer than charge over current says; own choice."""


def compile_plan(profile: Profile, sha256: str) -> Plan:
    """Return the plan of a checked profile; `sha256` is that of its text."""
    capacity = profile.battery.capacity_C20_Ah
    raw = list(_unrolled(profile.step))
    charges = [_planned_Ah(step, capacity) if step.kind == "charge" else 0.0 for step in raw]
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
    soak, limits = profile.soak, profile.limits
    cap = limits.charge_cap_percent if limits is not None else 105.0
    return Plan(
        name=profile.name,
        revision=profile.revision,
        sha256=sha256,
        cells=profile.battery.cells,
        capacity_C20_Ah=capacity,
        steps=tuple(steps),
        planned_charge_Ah=planned,
        charge_cap_Ah=planned * cap / 100.0,
        voltage_trip_V_per_cell=limits.voltage_V_per_cell if limits is not None else None,
        probe_trip_C=limits.probe_C if limits is not None else None,
        soak_min_ms=round(soak.minutes_min * MS_PER_MINUTE) if soak is not None else 0,
        soak_max_ms=round(soak.minutes_max * MS_PER_MINUTE) if soak is not None else None,
        start_below_C=soak.start_below_C if soak is not None else None,
        late_start=soak.late_start if soak is not None else "engineer",
    )


def _unrolled(steps: tuple[Step, ...]) -> Iterator[Step]:
    """Yield the steps in the order in which they run, repeats written out."""
    for step in steps:
        if step.kind != "repeat":
            yield step
            continue
        for _ in range(step.times or 0):
            yield from _unrolled(step.step)


def _amount(direct: float | None, per_C20: float | None, capacity_Ah: float) -> float | None:
    """Return an amount given either directly or per rated capacity."""
    if direct is not None:
        return direct
    return per_C20 * capacity_Ah if per_C20 is not None else None


def _current_A(step: Step, capacity_Ah: float) -> float:
    return _amount(step.current_A, step.current_C20, capacity_Ah) or 0.0


def _planned_Ah(step: Step, capacity_Ah: float) -> float:
    """Return the charge a step is meant to move: its charge end, else current times hours."""
    charge = _amount(step.end.charge_Ah, step.end.charge_C20, capacity_Ah) if step.end is not None else None
    if charge is not None:
        return charge
    hours = step.end.hours if step.end is not None else None
    return _current_A(step, capacity_Ah) * (hours if hours is not None else step.longest_hours or 0.0)


def _step(profile: Profile, step: Step, number: int, early: bool) -> PlanStep:
    capacity, rule = profile.battery.capacity_C20_Ah, profile.interruption
    current = _current_A(step, capacity)
    charge_like = step.kind in ("charge", "discharge")
    volts = step.voltage_floor_V_per_cell if step.kind == "discharge" else step.voltage_limit_V_per_cell
    restart_C20 = _own(step.restart_current_C20, rule.restart_current_C20)
    return PlanStep(
        number=number,
        name=step.name,
        kind=StepKind(step.kind),
        current_A=current,
        voltage_V_per_cell=volts or 0.0,
        ends=_ends(step.end, capacity),
        ramp_ms=round((step.ramp_minutes or 0.0) * MS_PER_MINUTE),
        longest_ms=_longest_ms(step, current, capacity),
        on_overrun=_on_overrun(step, early),
        restart_current_A=min(restart_C20 * capacity, current) if charge_like else 0.0,
        restart_ms=round(_own(step.restart_minutes, rule.restart_minutes) * MS_PER_MINUTE),
        resume_within_ms=round(_own(step.resume_within_minutes, rule.resume_within_minutes) * MS_PER_MINUTE),
        owes_percent_per_hour=_own(step.add_charge_percent_per_hour, rule.add_charge_percent_per_hour),
        task=step.task or "",
        refill_density=step.refill_density,
    )


def _own(own: float | None, general: float) -> float:
    return own if own is not None else general


def _ends(end: End | None, capacity_Ah: float) -> Ends:
    if end is None:
        return Ends()
    steady = end.steady
    waits = bool(end.order)
    return Ends(
        time_ms=round(end.hours * MS_PER_H) if end.hours is not None and not waits else None,
        charge_Ah=_amount(end.charge_Ah, end.charge_C20, capacity_Ah),
        voltage_V_per_cell=end.voltage_V_per_cell,
        current_A=_amount(end.current_A, end.current_C20, capacity_Ah),
        temperature_C=end.temperature_C,
        steady_rise_mV_per_cell=steady.rise_mV_per_cell if steady is not None else None,
        steady_over_ms=round(steady.over_minutes * MS_PER_MINUTE) if steady is not None else 0,
        steady_not_before_Ah=steady.not_before_charge_C20 * capacity_Ah if steady is not None else 0.0,
        order=waits,
    )


def _longest_ms(step: Step, current_A: float, capacity_Ah: float) -> int | None:
    """Return the step's longest time: its own, else from its charge, else the hours beside an order."""
    if step.longest_hours is not None:
        return round(step.longest_hours * MS_PER_H)
    if step.end is None:
        return None
    if step.end.order and step.end.hours is not None:
        return round(step.end.hours * MS_PER_H)
    charge = _amount(step.end.charge_Ah, step.end.charge_C20, capacity_Ah)
    if charge is not None and current_A > 0.0:
        return round(LONGEST_FACTOR * charge / current_A * MS_PER_H)
    return None


def _on_overrun(step: Step, early: bool) -> str:
    if step.task:
        return "hold"
    return step.on_overrun or ("slow" if early else "hold")
