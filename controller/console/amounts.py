"""How far a run is and how long it takes yet, worked out from what the service shows. Pure; decides nothing.

Nothing here guesses: where an amount cannot be said (a step that waits for a person, a value that is not a number), it
is None.
"""

from __future__ import annotations

import math
from datetime import datetime, timedelta

from controller.console.picture import CircuitView, Picture, PlanView, RunView, StepView

MS_PER_H = 3_600_000.0
LONGEST_MS = 10**11
"""Three years: a time left beyond it is none."""

AT_LIMIT = 0.995
"""Share of the voltage limit from which on the string, and no longer the set-point, decides the current."""


def finite(number: float | None) -> float | None:
    """The number if it is one, else None."""
    return number if number is not None and math.isfinite(number) else None


def hm(ms: float) -> str:
    """A time as h:mm, days from 100 hours on."""
    minutes = int(max(0.0, min(ms, 1e13)) // 60_000)
    return f"{minutes // 60}:{minutes % 60:02d}" if minutes < 6000 else f"{minutes // 1440}d"


def expected_ms(plan: PlanView) -> tuple[float, ...]:
    """The length of each step in ms: by the expected course, else at its whole current. Worked out once a plan."""
    return plan.once("expected_ms", _expected_ms)


def _expected_ms(plan: PlanView) -> tuple[float, ...]:
    """The length of each step at its whole current, in ms; 0.0 where only a person ends it.

    A charge step without charge and time takes its part of what the plan's charge leaves for such steps.
    """
    known = [_ms(step.course_ms) if step.course_ms is not None else _planned_ms(step) for step in plan.steps]
    open_A = sum(_amps(step) for step, ms in zip(plan.steps, known, strict=True) if ms is None)
    charges = (
        _amps(step) * ms / MS_PER_H
        for step, ms in zip(plan.steps, known, strict=True)
        if ms is not None and step.kind == "charge"
    )
    left_Ah = max(0.0, (finite(plan.planned_Ah) or 0.0) - sum(charges))
    # Sharing by current gives all open steps the same time.
    each_ms = min(LONGEST_MS, left_Ah / open_A * MS_PER_H) if open_A > 0.0 else 0.0
    return tuple(each_ms if ms is None else ms for ms in known)


def _amps(step: StepView) -> float:
    return max(0.0, finite(step.current_A) or 0.0)


def _ms(whole: int) -> float:
    """A time of the service's as a number that later sums can bear, never negative."""
    return float(max(0, min(LONGEST_MS, whole)))


def _planned_ms(step: StepView) -> float | None:
    """The step's length by its own ends; None: a charge step that names neither time nor charge."""
    ends = [_ms(step.time_ms)] if step.time_ms is not None else []
    charge = finite(step.charge_Ah)
    if step.kind != "rest" and charge is not None and _amps(step) > 0.0:
        ends.append(max(0.0, charge) / _amps(step) * MS_PER_H)
    if ends:
        return min(*ends, float(LONGEST_MS))
    return None if step.kind == "charge" and _amps(step) > 0.0 and not step.order else 0.0


def percent(picture: Picture, circuit: CircuitView) -> int | None:
    """How much of its course's time a run has behind it; without a course, charge done of charge planned.

    0 to 100, rounded down; None without a run or a plan.
    """
    plan, beside = picture.plan_of(circuit), circuit.beside
    share = finite(beside.percent) if beside is not None else None
    if share is not None and circuit.run is not None and circuit.run.end_ms is None:
        return math.floor(max(0.0, min(100.0, share + 1e-9)))
    if plan is None or circuit.run is None:
        return None
    done, planned = finite(circuit.run.charge_Ah), finite(plan.planned_Ah)
    if done is None or planned is None or planned <= 0.0:
        return None
    return math.floor(max(0.0, min(100.0, 100.0 * done / planned + 1e-9)))


def step_of(picture: Picture, circuit: CircuitView) -> StepView | None:
    """The step where the run stands."""
    plan, run = picture.plan_of(circuit), circuit.run
    if plan is None or run is None:
        return None
    return next((step for step in plan.steps if step.number == run.step), None)


def left_ms(picture: Picture, circuit: CircuitView, at_percent: float | None = None) -> int | None:
    """Time to the end of an open run, as if it went on now; `at_percent` of the steps' currents, None: what is allowed.

    None: no open run, no current is allowed, or a step to come ends only by a person or by a measured value. Worked out
    once a picture: each drawing asks for it several times.
    """
    known, key = picture.worked_out, ("left", id(circuit), at_percent)
    if key not in known:
        # The circuit is kept beside its result, so that its id stays its own.
        known[key] = (circuit, _left_ms(picture, circuit, at_percent))
    found: int | None = known[key][1]
    return found


def _left_ms(picture: Picture, circuit: CircuitView, at_percent: float | None) -> int | None:
    plan, run, step = picture.plan_of(circuit), circuit.run, step_of(picture, circuit)
    if plan is None or run is None or step is None or run.end_ms is not None:
        return None
    allowed = finite(circuit.allowed_percent if at_percent is None else at_percent) or 0.0
    later_ms = plan.once(("later", step.number, allowed), lambda _: _all_later_ms(plan, step, allowed))
    if allowed <= 0.0 or step.order or later_ms is None:
        return None
    rest_ms = _rest_of_step_ms(picture, circuit, plan, step, allowed, at_percent is None)
    owed_ms = _owed_later_ms(plan, circuit, run, allowed)
    if rest_ms is None or owed_ms is None:
        return None
    total = rest_ms + later_ms + owed_ms
    return round(total) if total <= LONGEST_MS else None


def _all_later_ms(plan: PlanView, step: StepView, allowed: float) -> float | None:
    """The length of all steps behind this one; None: one of them ends only by a person or by a measured value."""
    later = [(each, ms) for each, ms in zip(plan.steps, expected_ms(plan), strict=True) if each.number > step.number]
    if allowed <= 0.0 or any(each.order for each, _ in later):
        return None
    parts = [_later_ms(each, ms, allowed) for each, ms in later]
    return None if any(part is None for part in parts) else sum(part for part in parts if part is not None)


def _later_ms(step: StepView, whole_ms: float, allowed: float) -> float | None:
    """The length of a step to come; a reduced current makes those longer that end by charge."""
    if step.kind == "rest":
        return whole_ms
    if finite(step.charge_Ah) is None:
        return whole_ms if step.time_ms is not None or step.kind == "charge" else None
    by_charge = _by_charge_ms(finite(step.charge_Ah) or 0.0, _amps(step) * allowed / 100.0)
    by_time = _ms(step.time_ms) if step.time_ms is not None else None
    return min((each for each in (by_charge, by_time) if each is not None), default=None)


def _by_charge_ms(charge_Ah: float, rate_A: float) -> float | None:
    if charge_Ah <= 0.0:
        return 0.0
    return charge_Ah / rate_A * MS_PER_H if rate_A > 0.0 else None


def _takes_owed(plan: PlanView) -> int:
    """The number of the step that takes what interruptions owe: the last that ends by charge; 0: none."""
    return plan.once("takes_owed", _last_by_charge)


def _last_by_charge(plan: PlanView) -> int:
    numbers = (step.number for step in plan.steps if step.kind == "charge" and step.charge_Ah is not None)
    return max(numbers, default=0)


def _owed_later_ms(plan: PlanView, circuit: CircuitView, run: RunView, allowed: float) -> float | None:
    """What a later step gives in place of the charge that interruptions cost."""
    number = _takes_owed(plan)
    if number <= run.step:
        return 0.0
    taker = next((step for step in plan.steps if step.number == number), None)
    if taker is None:
        return 0.0
    owed = (finite(run.owed_Ah) or 0.0) + (finite(run.would_owe_Ah) or 0.0 if circuit.state == "held" else 0.0)
    return _by_charge_ms(owed, _amps(taker) * allowed / 100.0)


def _rest_of_step_ms(
    picture: Picture, circuit: CircuitView, plan: PlanView, step: StepView, allowed: float, as_read: bool
) -> float | None:
    """What is left of the step where the run stands; `as_read`: at the voltage limit, by the current that flows."""
    run = circuit.run
    if run is None:
        return None
    by_time = _ms(step.time_ms - run.step_time_ms) if step.time_ms is not None else None
    if step.kind == "rest":
        return by_time
    by_charge = None
    end_Ah = finite(run.step_end_Ah if run.step_end_Ah is not None else step.charge_Ah)
    if end_Ah is not None:
        if circuit.state == "held" and step.number == _takes_owed(plan):
            end_Ah += finite(run.would_owe_Ah) or 0.0
        left_Ah = max(0.0, end_Ah - (finite(run.step_Ah) or 0.0))
        by_charge = _charging_ms(picture, circuit, step, left_Ah, allowed, as_read)
    elif by_time is None and step.kind == "charge":
        whole = dict(zip((each.number for each in plan.steps), expected_ms(plan), strict=True))
        by_time = max(0.0, whole.get(step.number, 0.0) - _ms(run.step_time_ms))
    return min((each for each in (by_time, by_charge) if each is not None), default=None)


def _charging_ms(
    picture: Picture, circuit: CircuitView, step: StepView, left_Ah: float, allowed: float, as_read: bool
) -> float | None:
    """How long an amount takes: first at the restart current, then at what is allowed of the step's."""
    run = circuit.run
    rate_A = _amps(step) * allowed / 100.0
    restart_A = min(rate_A, max(0.0, finite(step.restart_A) or 0.0))
    if run is None or rate_A <= 0.0:
        return None if left_Ah > 0.0 else 0.0
    if run.slow and restart_A > 0.0:
        return _by_charge_ms(left_Ah, restart_A)
    gentle_ms = _ms(step.restart_ms if circuit.state == "held" else run.restart_left_ms)
    gentle_Ah = restart_A * gentle_ms / MS_PER_H
    if gentle_ms > 0.0 and gentle_Ah >= left_Ah:
        return _by_charge_ms(left_Ah, restart_A)
    if gentle_ms == 0.0 and as_read:
        rate_A = _limited_A(picture, circuit, rate_A)
    after = _by_charge_ms(left_Ah - gentle_Ah, rate_A)
    return None if after is None else gentle_ms + after


def _limited_A(picture: Picture, circuit: CircuitView, rate_A: float) -> float:
    """The read current where the voltage limit holds it below what was asked for, else what was asked for."""
    volts, amps = finite(picture.fresh(circuit.voltage_V)), finite(picture.fresh(circuit.current_A))
    if circuit.state != "running" or volts is None or amps is None or amps <= 0.0 or circuit.voltage_limit_V <= 0.0:
        return rate_A
    return min(rate_A, amps) if volts >= AT_LIMIT * circuit.voltage_limit_V else rate_A


def ends_utc(picture: Picture, circuit: CircuitView, at_percent: float | None = None) -> datetime | None:
    """When the run ends, as `left_ms` has it; None where that is not known."""
    left = left_ms(picture, circuit, at_percent)
    if left is None:
        return None
    try:
        return picture.utc + timedelta(milliseconds=left)
    except OverflowError:
        return None


def cooling_ms(picture: Picture, circuit: CircuitView) -> int | None:
    """Time left of the cool-down after a run, 0 where only warmth keeps it, None: it is over or there was no run."""
    run = circuit.run
    if circuit.state not in {"complete", "stopped"} or run is None or run.end_ms is None:
        return None
    left = run.end_ms + picture.limits.after_run_ms - picture.now_ms
    if left > 0:
        return left
    hot = hottest_C(picture, circuit)
    return 0 if hot is None or hot > picture.limits.after_run_probe_C else None


def hottest_C(picture: Picture, circuit: CircuitView) -> float | None:
    """The highest valid probe; the water where the circuit has none; None where nothing is valid."""
    values = circuit.probes_C or picture.inputs.water_C
    return max((number for each in values if (number := finite(picture.fresh(each))) is not None), default=None)


def ended_ms(picture: Picture, circuit: CircuitView) -> int:
    """How long ago the run ended (its state began, where no run is known), in ms."""
    end = circuit.run.end_ms if circuit.run is not None and circuit.run.end_ms is not None else circuit.since_ms
    return max(0, picture.now_ms - end)


def course_line(
    plan: PlanView | None,
    run: RunView | None,
    columns: int = 20,
    *,
    complete: bool = False,
    should: float | None = None,
) -> str:
    """The whole profile on so many columns: done `.` rest `=` charge `-` discharge, `>` here, `:` a rest to come.

    `should`: the share of its time where it should be (`|`, unless it is there).
    """
    if plan is None or columns < 1:
        return " " * max(0, columns)
    lengths = expected_ms(plan)
    total = sum(lengths)
    if total <= 0.0:
        return " " * columns
    done, ahead = plan.once(("course", columns), lambda _: _courses(_kinds(plan, lengths, total, columns)))
    if complete:
        return done
    if run is None:
        return ahead
    here = _column(plan, run, lengths, total, columns)
    line = f"{done[:here]}>{ahead[here + 1 :]}"
    at = min(columns - 1, int(should * columns)) if should is not None else here
    return line if at == here else f"{line[:at]}|{line[at + 1 :]}"


def _courses(kinds: list[str]) -> tuple[str, str]:
    """The whole line as it looks when all is done, and when nothing is."""
    return "".join(_DONE[kind] for kind in kinds), "".join(":" if kind == "rest" else " " for kind in kinds)


_DONE = {"rest": ".", "charge": "=", "discharge": "-"}


def _kinds(plan: PlanView, lengths: tuple[float, ...], total: float, columns: int) -> list[str]:
    """The kind of step that each column shows: the one at its middle, or a shorter rest or discharge inside it."""
    kinds, begin = ["charge"] * columns, 0.0
    short: list[tuple[int, str]] = []
    for step, length in zip(plan.steps, lengths, strict=True):
        first, last = begin / total * columns, (begin + length) / total * columns
        for at in range(max(0, math.ceil(first - 0.5)), min(columns, math.ceil(last - 0.5))):
            kinds[at] = step.kind
        if step.kind != "charge" and 0.25 <= last - first < 1.0:
            short.append((min(columns - 1, int((first + last) / 2.0)), step.kind))
        begin += length
    for at, kind in short:
        kinds[at] = kind
    return kinds


def _column(plan: PlanView, run: RunView, lengths: tuple[float, ...], total: float, columns: int) -> int:
    """The column where the run stands: by charge in steps that end by it, else by time."""
    before = 0.0
    for step, length in zip(plan.steps, lengths, strict=True):
        if step.number >= run.step:
            end_Ah, done_Ah = finite(run.step_end_Ah), finite(run.step_Ah)
            if step.kind != "rest" and end_Ah is not None and done_Ah is not None and end_Ah > 0.0:
                share = done_Ah / end_Ah
            else:
                share = _ms(run.step_time_ms) / length if length > 0.0 else 0.0
            before += length * max(0.0, min(1.0, share))
            break
        before += length
    return min(columns - 1, int(before / total * columns))
