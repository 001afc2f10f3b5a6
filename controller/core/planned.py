"""What a string shall receive, made ready for the core: a profile's steps with amounts in A, Ah and ms. Plain data."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum


class StepKind(StrEnum):
    """What a step asks of the string."""

    REST = "rest"
    CHARGE = "charge"
    DISCHARGE = "discharge"


REST, DISCHARGE = StepKind.REST, StepKind.DISCHARGE
"""Asked for by every circuit in every cycle: see `types.RUNNING`."""


@dataclass(frozen=True, slots=True)
class Ends:
    """What ends a step; the first met. None: not asked for. Times in ms, amounts absolute for one string."""

    time_ms: int | None = None
    charge_Ah: float | None = None
    voltage_V_per_cell: float | None = None
    current_A: float | None = None
    temperature_C: float | None = None
    steady_rise_mV_per_cell: float | None = None
    steady_over_ms: int = 0
    steady_not_before_Ah: float = 0.0
    order: bool = False


@dataclass(frozen=True, slots=True)
class PlanStep:
    """One step after unrolling; currents are positive amounts, `kind` gives the direction.

    `expected_ms`: when it should have ended (None: nobody can say); `charge_cap_Ah`: the most charge it may move.
    """

    number: int
    name: str
    kind: StepKind
    current_A: float
    voltage_V_per_cell: float
    ends: Ends
    ramp_ms: int
    longest_ms: int | None
    on_overrun: str
    restart_current_A: float
    restart_ms: int
    resume_within_ms: int
    owes_percent_per_hour: float
    takes_owed: bool = False
    task: str = ""
    refill_density: float | None = None
    expected_ms: int | None = None
    charge_cap_Ah: float | None = None


@dataclass(frozen=True, slots=True)
class PlanReading:
    """What is measured by hand once a step has ended (`after_step`: its index in `Plan.steps`).

    `what` (density, voltage, temperature, level, joint_mV) at these positions, counted from the plus end lead.
    """

    after_step: int
    what: str
    batteries: tuple[int, ...]


@dataclass(frozen=True, slots=True)
class Plan:
    """A profile made ready for one battery size: steps in order, limits, soak; amounts in A, Ah, ms."""

    name: str
    revision: int
    sha256: str
    cells: int
    capacity_C20_Ah: float
    steps: tuple[PlanStep, ...]
    planned_charge_Ah: float
    charge_cap_Ah: float
    voltage_trip_V_per_cell: float | None
    probe_trip_C: float | None
    soak_min_ms: int = 0
    soak_max_ms: int | None = None
    start_below_C: float | None = None
    late_start: str = "engineer"
    battery_type: str = ""
    level_mm: float | None = None
    readings: tuple[PlanReading, ...] = ()


@dataclass(frozen=True, slots=True)
class Load:
    """What stands in a circuit: the plan, the number of batteries, and when they were filled (core time).

    `battery_type`: as the load list says it ("": not said). A follow-on run names the run it continues, the step it
    begins with (index into the plan; that step begins anew) and the charge in Ah that all earlier runs put in: it
    counts for the profile's cap and its first third, not for the step. `trial`: an engineer's run. `released`: a person
    released the very text that the plan was made from.
    """

    plan: Plan
    batteries: int
    batch: str
    fresh: bool = True
    first_filled_ms: int = 0
    last_filled_ms: int = 0
    text: str = ""
    battery_type: str = ""
    continues: str = ""
    first_step: int = 0
    credited_Ah: float = 0.0
    trial: bool = False
    released: bool = False
