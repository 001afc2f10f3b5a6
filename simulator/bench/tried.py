"""What came of a profile tried on a virtual string: its course cycle by cycle, its steps, its events. Plain data."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from controller.core.planned import Plan
from controller.core.types import Event
from simulator.parameters import Array

COLUMNS = (
    "hours",
    "step",
    "set_A",
    "current_A",
    "voltage_V",
    "voltage_V_per_cell",
    "probe_C",
    "hottest_C",
    "water_C",
    "charge_Ah",
    "discharge_Ah",
    "step_Ah",
    "energy_kWh",
    "hydrogen_m3_h",
    "cooling_kW",
    "allowed_percent",
    "limit_V",
)
"""Columns of a course. `hours` since the start order; `step` counts from 1 (0: no step yet); `hottest_C` of the hottest
battery; `probe_C`, `current_A`, `voltage_V` as the instruments show them; `step_Ah` moved since the step began
(always positive); `energy_kWh` into the string; `limit_V` the voltage limit (or floor) written.
"""


@dataclass(frozen=True, slots=True)
class Course:
    """A run's course: `data` (len(COLUMNS), m), one column of it a cycle."""

    data: Array

    def of(self, name: str) -> Array:
        """One quantity, shape (m,). ValueError for a name that is not in COLUMNS."""
        return np.asarray(self.data[COLUMNS.index(name)])


@dataclass(frozen=True, slots=True)
class StepDone:
    """One step as it went. `ended_by`: the core's word (time, charge, voltage, current, temperature, steady, order,
    overrun), or "" where the run ended in it. Values `end_` are the last ones under current; None where there was none.
    """

    number: int
    name: str
    kind: str
    begin_h: float
    end_h: float
    ended_by: str
    asked_A: float
    charge_Ah: float
    discharge_Ah: float
    energy_kWh: float
    end_A: float | None
    end_V_per_cell: float | None
    highest_V_per_cell: float | None
    hottest_C: float
    water_C: float
    limited_percent: float  # share of its time in which its voltage limit held the current back
    derated_percent: float  # share of its time at less than its whole current by a derate


@dataclass(frozen=True, slots=True)
class Happened:
    """An event of the core, at so many hours since the start order (negative: before)."""

    hours: float
    event: Event


@dataclass(frozen=True, slots=True)
class EndState:
    """The string's batteries at the end; shares of plates are the engineer's estimate, never a reason to release.

    `density_kg_L` at 25 C of the mixed acid; `hydrogen_L`, `oxygen_L` (25 C), `lost_g` a battery; formed shares are
    means over the batteries, `formed_positive_least` the worst battery's; `c20_Ah` a rough estimate (+-15 %).
    """

    density_kg_L: float
    density_spread_kg_L: float
    open_circuit_V: float
    formed_positive: float
    formed_positive_least: float
    formed_negative: float
    overcharge: float
    charge_over_theory: float  # net charge over what the positive plate's paste needs
    hydrogen_L: float
    oxygen_L: float
    lost_g: float
    water_g_per_cell: float
    c20_Ah: float
    lowest_density_kg_L: float


@dataclass(frozen=True, slots=True)
class Tried:
    """One string's whole story.

    `state`: the core's word for how it ended (complete, held, tripped, stopped, running where time was up, idle where
    it never started). `soak_h`: from filling to the start order. `helped`: what a person had to do on the way.
    """

    plan: Plan
    batteries: int
    state: str
    why: str  # code of the trip, hold or refusal it ended in; "" where complete
    hours: float
    soak_h: float
    soak_C: float
    course: Course
    steps: tuple[StepDone, ...]
    events: tuple[Happened, ...]
    end: EndState
    helped: tuple[tuple[float, str], ...] = ()
    start_V_per_cell: float | None = None  # highest in the first two hours
