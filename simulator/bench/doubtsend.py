"""Doubts about what came of it: charge, acid, gas, volts, and whether the profile fits what it was tried on. Pure.

Levels are those of the bath's laws and the profile where there are any. The others are usual values of the trade, from
memory, or own choices: each says so beside itself.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from controller.core.planned import StepKind
from simulator.bench.doubtcase import Case, Doubt
from simulator.bench.moments import h_mm

LEAST_FORMED_PERCENT = 97.0
"""Of the positive plate; own choice: below it the model's capacity falls short of the rated one."""
MOST_THEORY_PERCENT = 220.0
"""1.7 to 2.2 times the positive's theoretical charge is usual: from memory, no published source at hand."""
DENSITY = (1.27, 1.29)
"""After forming in one shot, kg/L: from memory, no published source at hand."""
CHANGED_DENSITY = (1.26, 1.29)
"""The same where the acid was changed on the way; from memory."""
MOST_START_V_PER_CELL = 2.6
"""Start peaks of 2.2 to 2.6 V/cell are usual: from memory."""
MOST_FIRST_C20 = 0.10
"""First current without a ramp; wetting at 0.03 to 0.10 is usual: from memory."""
IDLE_GAP_V = 0.15
"""A limit this far above the highest volts is none: 15 K of colder water lift them by 0.08 V. Own choice."""
HEADROOM_PERCENT = 2.0
WEAK_FILL_KG_M3 = 1180.0
"""Acid that is changed after forming is weak before, 1.05 to 1.15: from memory."""


def first_current(case: Case) -> Iterator[Doubt]:
    """Start peak or first current too high."""
    totals, plan = case.totals, case.tried.plan
    if totals.start_V_per_cell is not None and totals.start_V_per_cell > MOST_START_V_PER_CELL:
        text = (
            f"start peak {totals.start_V_per_cell:.2f} V/cell, {MOST_START_V_PER_CELL} at most is usual (from memory)"
        )
        yield Doubt("start_peak", text)
    first = next((step for step in plan.steps if step.kind is StepKind.CHARGE), None)
    if first is not None and not first.ramp_ms and first.current_A > MOST_FIRST_C20 * plan.capacity_C20_Ah:
        text = (
            f"first current {first.current_A / plan.capacity_C20_Ah:.2f} x C20 at once, "
            f"{MOST_FIRST_C20:.2f} at most is usual (from memory)"
        )
        yield Doubt("first_current", text, 0.0, first.number)


def charge(case: Case) -> Iterator[Doubt]:
    """Positive plates formed too little, or charge far over theory."""
    totals = case.totals
    if not case.forms:
        return
    if totals.formed_positive_percent < LEAST_FORMED_PERCENT:
        text = (
            f"positive plates {totals.formed_positive_percent:.1f} % formed, {LEAST_FORMED_PERCENT:g} at least wanted "
            f"(estimate, own level): {totals.of_theory_percent / 100.0:.2f} x theory was charged, 1.7 to 2.2 is usual"
        )
        yield Doubt("underformed", text)
    if totals.of_theory_percent > MOST_THEORY_PERCENT:
        text = (
            f"{totals.of_theory_percent / 100.0:.2f} x the positive's theory was charged, 2.2 at most is usual (from "
            "memory): the rest is heat, gas and water"
        )
        yield Doubt("overformed", text)


def end_density(case: Case) -> Iterator[Doubt]:
    """The acid ends outside what is usual."""
    value, (low, high) = case.totals.density, CHANGED_DENSITY if _refill(case) else DENSITY
    if case.forms and not low <= round(value, 3) <= high:
        text = (
            f"end density {value:.3f} at {case.totals.reference_C:g} C, {low} to {high} is usual (from memory): "
            f"{'weaker' if value > high else 'stronger'} acid at {'its change' if _refill(case) else 'filling'}"
        )
        yield Doubt("end_density", text)


def fill(case: Case) -> Iterator[Doubt]:
    """The profile changes the acid, but the string was filled as for one shot."""
    model = case.setting.model
    refill = _refill(case)
    if refill is not None and model.fill_kg_m3 > WEAK_FILL_KG_M3:
        text = (
            f"the acid is changed to {refill:.3f}, but the string was filled with {model.fill_kg_m3 / 1000.0:.3f}: "
            "name the acid of the first filling in a --model file (fill_kg_m3)"
        )
        yield Doubt("fill", text)


def hydrogen(case: Case) -> Iterator[Doubt]:
    """All circuits gassing at once pass half the level at which the bath's sensor warns."""
    gas, warn = case.totals.gas, case.laws.laws.hydrogen.warn_percent_LEL
    if not gas.air_is_the_baths or gas.peak_percent_LEL <= warn / 2.0:
        return
    rate = case.tried.course.of("hydrogen_m3_h") / max(gas.string_peak_m3_h, 1e-12)
    passed = rate * gas.peak_percent_LEL > warn / 2.0
    first_h = float(case.tried.course.of("hours")[int(np.argmax(passed))])
    text = (
        f"hydrogen passes half the warning level ({warn:g} %LEL) at {h_mm(first_h)} with all {case.setting.circuits} "
        f"circuits gassing, {gas.peak_percent_LEL:.1f} at most in {gas.air_m3_h:.0f} m3/h"
    )
    yield Doubt("hydrogen", text, first_h)


def rectifier(case: Case) -> Iterator[Doubt]:
    """The bath's rectifier has hardly any volts above those of the string."""
    if case.setting.bath is None:
        return
    most_V = case.laws.circuits[0].voltage_max_V
    volts = case.tried.course.of("voltage_V")
    highest_V = float(volts.max())
    if highest_V > most_V * (1.0 - HEADROOM_PERCENT / 100.0):
        text = (
            f"the string stood at {highest_V:.0f} V, the rectifier ends at {most_V:.0f}: a colder bath or older clamps "
            "leave it no current"
        )
        yield Doubt("rectifier_volts", text, float(case.tried.course.of("hours")[int(volts.argmax())]))


def idle_limit(case: Case) -> Iterator[Doubt]:
    """A voltage limit so high that it never protects."""
    limits = [plan.voltage_V_per_cell for plan, _ in case.steps() if plan.kind is StepKind.CHARGE]
    highest = case.totals.highest
    if limits and case.forms and min(limits) - highest.value > IDLE_GAP_V:
        text = (
            f"no voltage limit ever bites: the lowest is {min(limits):.2f} V/cell, the highest {highest.value:.2f} "
            f"at {h_mm(highest.at_h)}; a limit 0.05 to 0.10 above tells a fault sooner"
        )
        yield Doubt("idle_limit", text, highest.at_h)


def water_range(case: Case) -> Iterator[Doubt]:
    """The water is outside the range that the profile names."""
    if case.water_C is None:
        return
    low, high = case.water_C
    if not low <= case.setting.water_C <= high:
        text = f"{case.water} is outside the profile's range, {low:g} to {high:g}"
        yield Doubt("water_range", text)


def resistor(case: Case) -> Iterator[Doubt]:
    """A profile for a resistor was tried on batteries."""
    if all(step.kind is not StepKind.CHARGE for step in case.tried.plan.steps):
        yield Doubt("no_charge", "no charge step: nothing is formed; plates and acid say nothing")
    elif case.for_resistor:
        charge_Ah = case.tried.plan.planned_charge_Ah
        text = f"{charge_Ah:.1f} Ah form nothing: a profile for a resistor; plates and acid say nothing"
        yield Doubt("resistor", text)


def _refill(case: Case) -> float | None:
    """Density of the acid that is filled in on the way, None where it is not changed."""
    return next((step.refill_density for step in case.tried.plan.steps if step.refill_density is not None), None)
