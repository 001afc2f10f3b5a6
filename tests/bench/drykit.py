"""Hand-made tries for the dry run's tests: one hour of a small string, cycle by cycle as a test wants it."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np

from controller.core.planned import Ends, Plan, PlanStep, StepKind
from controller.core.types import Event, EventKind
from profiles.loader import Document, found_profile, load_model, read_document
from profiles.profile import Profile
from simulator.bench.asked import Asked
from simulator.bench.setting import Setting
from simulator.bench.tried import COLUMNS, Course, EndState, Happened, StepDone, Tried


def profile_of(name: str = "starter-60") -> tuple[Profile, Document]:
    place = found_profile(name)
    assert place is not None
    document = read_document(place)
    return load_model(document, Profile), document


def plan_step(number: int = 1, name: str = "charge", kind: str = "charge", **given: Any) -> PlanStep:
    base = PlanStep(
        number=number, name=name, kind=StepKind(kind), current_A=10.0, voltage_V_per_cell=2.85,
        ends=Ends(charge_Ah=10.0), ramp_ms=0, longest_ms=5_400_000, on_overrun="hold", restart_current_A=3.0,
        restart_ms=0, resume_within_ms=0, owes_percent_per_hour=0.0,
    )  # fmt: skip
    return replace(base, **given)


def plan_of(*steps: PlanStep, **given: Any) -> Plan:
    base = Plan(
        name="by hand", revision=2, sha256="0" * 64, cells=6, capacity_C20_Ah=60.0, steps=steps or (plan_step(),),
        planned_charge_Ah=10.0, charge_cap_Ah=10.5, voltage_trip_V_per_cell=2.95, probe_trip_C=60.0,
        soak_min_ms=1_800_000, soak_max_ms=7_200_000, start_below_C=45.0,
    )  # fmt: skip
    return replace(base, **given)


def done_step(number: int = 1, name: str = "charge", **given: Any) -> StepDone:
    base = StepDone(
        number=number, name=name, kind="charge", begin_h=0.0, end_h=1.0, ended_by="charge", asked_A=10.0,
        charge_Ah=10.0, discharge_Ah=0.0, energy_kWh=2.4, end_A=10.0, end_V_per_cell=2.7, highest_V_per_cell=2.78,
        hottest_C=44.0, water_C=31.0, limited_percent=0.0, derated_percent=0.0,
    )  # fmt: skip
    return replace(base, **given)


def course_of(cycles: int = 61, **columns: Any) -> Course:
    """An hour at 10 A, 240 V and 30 to 44 C; a column given as a number holds throughout."""
    hours = np.linspace(0.0, 1.0, cycles)
    usual = {
        "hours": hours, "step": 1.0, "set_A": 10.0, "current_A": 10.0, "voltage_V": 240.0, "voltage_V_per_cell": 2.2,
        "probe_C": 31.0 + 13.0 * hours, "hottest_C": 31.0 + 13.0 * hours, "water_C": 31.0, "charge_Ah": 10.0 * hours,
        "discharge_Ah": 0.0, "step_Ah": 10.0 * hours, "energy_kWh": 2.4 * hours, "hydrogen_m3_h": 0.2 * hours,
        "cooling_kW": 1.5, "allowed_percent": 100.0, "limit_V": 307.8,
    }  # fmt: skip
    assert set(columns) <= set(COLUMNS)
    return Course(np.array([np.full(cycles, 1.0) * {**usual, **columns}[name] for name in COLUMNS]))


def end_of(**given: Any) -> EndState:
    base = EndState(
        density_kg_L=1.28, density_spread_kg_L=0.0, open_circuit_V=12.78, formed_positive=0.975,
        formed_positive_least=0.97, formed_negative=0.995, overcharge=1.8, charge_over_theory=1.75, hydrogen_L=100.0,
        oxygen_L=50.0, lost_g=190.0, water_g_per_cell=30.0, c20_Ah=59.0, lowest_density_kg_L=1.16,
    )  # fmt: skip
    return replace(base, **given)


def tried_of(plan: Plan | None = None, **given: Any) -> Tried:
    base = Tried(
        plan=plan or plan_of(), batteries=18, state="complete", why="", hours=1.0, soak_h=0.5, soak_C=38.0,
        course=course_of(), steps=(done_step(),), events=(), end=end_of(), start_V_per_cell=2.3,
    )  # fmt: skip
    return replace(base, **given)


def happened(hours: float, code: str, kind: EventKind = EventKind.EVENT, **data: Any) -> Happened:
    return Happened(hours, Event(code, "A01", kind, data))


def setting_of(tried: Tried, **given: Any) -> Setting:
    return replace(Setting(tried.plan), **given)


def asked_of(tried: Tried, **given: Any) -> Asked:
    """What such a try was asked with: the library's profile stands for the file."""
    profile, document = profile_of()
    base = Asked("hand.toml", document, profile, tried.plan, setting_of(tried))
    return replace(base, **given)
