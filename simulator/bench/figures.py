"""What a tried string adds up to: hours, charge, plates, energy, gas, water, heat, hands, and the limits near it. Pure.

Formed shares and what hangs on them are estimates for the engineer (no plant has confirmed them), never a reason to
pass or sort batteries.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from controller.bathcheck import (
    AIR_M3_H_PER_CELL_A,
    H2_M3_PER_AH_CELL,
    hydrogen_percent_LEL,
)
from controller.core.gassing import GASSING_V_PER_CELL
from controller.core.planned import StepKind
from profiles.chemistry import reading_at
from simulator.bench.moments import Moment
from simulator.bench.nearness import Near, nearest_limits
from simulator.bench.setting import Setting
from simulator.bench.tariff import Tariff
from simulator.bench.tried import Tried
from simulator.parameters import Array

RECTIFIER_EFFICIENCY = 0.90
"""Mains to string of a controlled rectifier with its transformer at half its load and more; own choice, no source."""
REFERENCE_C = 25.0
"""At which densities are told where no bath file says otherwise."""
LOW_PERCENT_LEL = 5.0
"""What an extraction may be sized for so that a usual sensor, warning at 10, stays quiet; own choice."""
WALK_MINUTES = (15.0, 60.0)
AFTER_RUN_MINUTES, COOL_C = 60.0, 40.0
"""Where no bath file says otherwise: meter walk, after-run, and below which temperature a string is unloaded."""
STAYS_H = 0.05
"""Volts count as gassing once they have stood there so long: the start's peak of a dry skin is shorter or ends before
any charge is in."""


@dataclass(frozen=True, slots=True)
class Peak:
    """A largest value and when it came, in hours since the start order."""

    value: float
    at_h: float


@dataclass(frozen=True, slots=True)
class Gas:
    """Hydrogen at 25 C. `string_`: of this string; the rest of all circuits of the bath, gassing at the same moment.

    `rule_air_m3_h`: 0.05 m3/h a cell and ampere, the largest charge current in every cell (IEC 62485-2, as quoted in
    public summaries; the paid text was not seen). `air_m3_h`: the bath file's, else the rule's. `low_air_m3_h`: in
    which air the peak stands at `LOW_PERCENT_LEL`.
    """

    string_m3: float
    string_peak_m3_h: float
    peak_h: float
    bath_m3: float
    bath_peak_m3_h: float
    rule_air_m3_h: float
    air_m3_h: float
    air_is_the_baths: bool
    peak_percent_LEL: float
    low_air_m3_h: float


@dataclass(frozen=True, slots=True)
class Hands:
    """When people are needed. `what`: walk, task, reading, done, end, unload; `name`: the task or step in words."""

    what: str
    begin_h: float
    end_h: float | None = None
    name: str = ""


@dataclass(frozen=True, slots=True)
class Totals:
    """A tried string in numbers; of one string where no word says bath or battery.

    `of_theory_percent`: net charge over what the positive plate's paste needs. `density`: of the mixed acid, in kg/L at
    `reference_C`. `unload_h` and the like are hours since the start order. `cost`: of the mains energy, in the tariff's
    own currency.
    """

    hours: float
    charge_Ah: float
    discharge_Ah: float
    planned_Ah: float
    of_theory_percent: float
    formed_positive_percent: float
    formed_positive_least_percent: float
    formed_negative_percent: float
    density: float
    reference_C: float
    open_circuit_V: float
    c20_Ah: float
    energy_kWh: float
    battery_kWh: float
    mains_kWh: float
    start_V_per_cell: float | None
    highest: Peak
    end_V_per_cell: float | None
    hottest: Peak
    gassing_from_h: float | None
    gas: Gas
    water_g_per_cell: float
    water_L_bath: float
    cooling: Peak
    cooling_kW_bath: float
    near: tuple[Near, ...]
    hands: tuple[Hands, ...]
    cost: float | None


def totals_of(setting: Setting, tried: Tried, start: Moment | None = None, tariff: Tariff | None = None) -> Totals:
    """All figures of one tried string."""
    course, end = tried.course, tried.end
    hours, energy = course.of("hours"), course.of("energy_kWh")
    reference_C = setting.bath.file.density_reference_C if setting.bath is not None else REFERENCE_C
    mains = mains_kWh(energy)
    cells = tried.plan.cells * setting.batteries
    water_L = end.water_g_per_cell * cells * setting.circuits / 1000.0
    flowing = [step for step in tried.steps if step.end_V_per_cell is not None]
    cooling = peak_of(course.of("cooling_kW"), hours)
    return Totals(
        hours=tried.hours,
        charge_Ah=float(course.of("charge_Ah")[-1]),
        discharge_Ah=float(course.of("discharge_Ah")[-1]),
        planned_Ah=tried.plan.planned_charge_Ah,
        of_theory_percent=100.0 * end.charge_over_theory,
        formed_positive_percent=100.0 * end.formed_positive,
        formed_positive_least_percent=100.0 * end.formed_positive_least,
        formed_negative_percent=100.0 * end.formed_negative,
        density=reading_at(end.density_kg_L, 25.0, reference_C),
        reference_C=reference_C,
        open_circuit_V=end.open_circuit_V,
        c20_Ah=end.c20_Ah,
        energy_kWh=float(energy[-1]),
        battery_kWh=float(energy[-1]) / setting.batteries,
        mains_kWh=float(mains[-1]),
        start_V_per_cell=tried.start_V_per_cell,
        highest=peak_of(course.of("voltage_V_per_cell"), hours),
        end_V_per_cell=flowing[-1].end_V_per_cell if flowing else None,
        hottest=peak_of(course.of("hottest_C"), hours),
        gassing_from_h=gassing_from_h(tried),
        gas=gas_of(setting, tried),
        water_g_per_cell=end.water_g_per_cell,
        water_L_bath=water_L,
        cooling=cooling,
        cooling_kW_bath=cooling.value * setting.circuits,
        near=nearest_limits(setting, tried),
        hands=tuple(sorted(hands_of(setting, tried), key=lambda one: one.begin_h)),
        cost=_cost(tariff, start, hours, mains),
    )


def peak_of(values: Array, hours: Array) -> Peak:
    """The largest value and its moment; missing ones (NaN) do not count, nor do they all: then NaN at 0."""
    if not np.isfinite(values).any():
        return Peak(float("nan"), 0.0)
    at = int(np.nanargmax(values))
    return Peak(float(values[at]), float(hours[at]))


def mains_kWh(energy_kWh: Array) -> Array:
    """Energy drawn from the mains so far: what goes into the string through the rectifier; what a discharge takes out
    of it comes back nowhere.
    """
    gained = np.maximum(np.diff(energy_kWh, prepend=0.0), 0.0)
    return np.asarray(np.cumsum(gained) / RECTIFIER_EFFICIENCY)


def gassing_from_h(tried: Tried) -> float | None:
    """Since when cells gas under current, in hours: volts at the gassing line for a while, after the start's peak."""
    course = tried.course
    hours, volts = course.of("hours"), course.of("voltage_V_per_cell")
    early = course.of("charge_Ah") < 0.1 * tried.plan.planned_charge_Ah
    above = (volts >= GASSING_V_PER_CELL) & (course.of("current_A") > 0.0) & ~early
    begun: float | None = None
    for hour, gasses in zip(hours.tolist(), above.tolist(), strict=True):
        begun = (hour if begun is None else begun) if gasses else None
        if begun is not None and hour - begun >= STAYS_H:
            return begun
    return None


def gas_of(setting: Setting, tried: Tried) -> Gas:
    """Hydrogen of the string and of the bath."""
    course, plan = tried.course, tried.plan
    rate, hours = course.of("hydrogen_m3_h"), course.of("hours")
    peak = peak_of(rate, hours)
    string_m3 = tried.end.hydrogen_L * setting.batteries / 1000.0
    cells = plan.cells * setting.batteries * setting.circuits
    largest_A = max((step.current_A for step in plan.steps if step.kind is StepKind.CHARGE), default=0.0)
    rule = AIR_M3_H_PER_CELL_A * cells * largest_A
    own = setting.bath.file.airflow_m3_h if setting.bath is not None else None
    air = own if own is not None else rule
    bath_peak = peak.value * setting.circuits
    percent = percent_LEL(bath_peak, air)
    return Gas(
        string_m3=string_m3,
        string_peak_m3_h=peak.value,
        peak_h=peak.at_h,
        bath_m3=string_m3 * setting.circuits,
        bath_peak_m3_h=bath_peak,
        rule_air_m3_h=rule,
        air_m3_h=air,
        air_is_the_baths=own is not None,
        peak_percent_LEL=percent,
        low_air_m3_h=percent * air / LOW_PERCENT_LEL,
    )


def percent_LEL(hydrogen_m3_h: float, air_m3_h: float) -> float:
    """Hydrogen in the duct, in per cent of its lower explosive limit: the bath file's check, at this rate."""
    if air_m3_h <= 0.0:
        return 0.0
    return hydrogen_percent_LEL(hydrogen_m3_h / H2_M3_PER_AH_CELL, 1.0, air_m3_h)


def hands_of(setting: Setting, tried: Tried) -> Iterator[Hands]:
    """When people are needed: meter walk, tasks, readings, the end, unloading."""
    if tried.state == "idle":
        return
    file = setting.bath.file if setting.bath is not None else None
    walk = tuple(file.meter_walk) if file is not None else WALK_MINUTES
    if walk and walk[0] / 60.0 < tried.hours:
        yield Hands("walk", walk[0] / 60.0, walk[1] / 60.0)
    for at_h, task in tried.helped:
        yield Hands("task", at_h, None, task)
    ended = {step.number: step.end_h for step in tried.steps if step.ended_by}
    for reading in tried.plan.readings:
        number = reading.after_step + 1
        if number in ended:
            places = ", ".join(str(place) for place in reading.batteries)
            yield Hands("reading", ended[number], None, f"{reading.what} of {places}")
    for step in tried.plan.steps:
        if step.ends.order and not step.task and step.number in ended:
            yield Hands("done", ended[step.number], None, step.name)
    if tried.state == "complete":
        after_h = (file.after_run_minutes if file is not None else AFTER_RUN_MINUTES) / 60.0
        yield Hands("end", tried.hours)
        yield Hands("unload", tried.hours + after_h)


def _cost(tariff: Tariff | None, start: Moment | None, hours: Array, mains: Array) -> float | None:
    if tariff is None or hours.size < 2:
        return None
    return tariff.cost(float(start.minutes) if start is not None else 0.0, hours, mains)
